"""One endpoint with all that every step of its analysis needs: the numbers, their ranges, and the rules."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis import conclusions
from analysis.balance import meets
from analysis.linear_model import LinearModel, TankData
from analysis.own_error import own_error
from analysis.records import Contrast
from schemas.vocabulary import Baseline, Better, DesignKind, Scale, Summary, Variance

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.records import Fit, TankNumber
    from schemas.allocation import Allocation
    from schemas.protocol import Endpoint, Protocol

    Flags = NDArray[np.bool_]

BLOCKED = (DesignKind.BLOCKS, DesignKind.INCOMPLETE_BLOCKS, DesignKind.CROSSOVER)
WHOLE_MODEL = (DesignKind.INCOMPLETE_BLOCKS, DesignKind.CROSSOVER)


@dataclass(frozen=True)
class Question:
    """The numbers of an endpoint with the registered rules of their analysis.

    ``data`` holds the tanks that have a number, ``low`` and ``high`` the same tanks at the ends of what their
    censored readings allow, ``kept`` their records in the same order.
    """

    endpoint: Endpoint
    design: DesignKind
    data: TankData
    low: TankData
    high: TankData
    kept: tuple[TankNumber, ...]
    level: float
    variance: Variance
    allocation: Allocation
    max_gap: float | None
    seed: str

    @property
    def distance(self) -> float | None:
        """The worthwhile difference on the working scale."""
        return conclusions.margin(self.endpoint.worthwhile, self.endpoint.scale)

    @property
    def better(self) -> Better:
        """Which direction of the number analysed is an improvement: a target is better met sooner."""
        return Better.LOWER if self.endpoint.summary is Summary.DAYS_TO_TARGET else self.endpoint.better

    def reported(self, value: float | None) -> float | None:
        """A working-scale number on the reported scale."""
        if value is None or math.isnan(value):
            return None
        if self.endpoint.scale is Scale.RATIO:
            value = math.exp(value) if value < 700 else math.inf
        return value if math.isfinite(value) else None

    def fit(self, data: TankData, variance: Variance, test: int, reference: int) -> Fit | None:
        """One contrast with the error taken from where it is asked."""
        if variance is Variance.OWN:
            return own_error(data, test, reference, self.level)
        return LinearModel(data).contrast(test, reference, self.level)

    def contrast(self, fit: Fit | None, test: int, reference: int) -> Contrast:
        """A fit on the reported scale, with the interval read against the worthwhile difference."""
        names = self.data.arms[test], self.data.arms[reference]
        if fit is None:
            return Contrast(*names, 0, None, None, None, None, None, None)
        return Contrast(
            *names,
            n=fit.n,
            estimate=self.reported(fit.estimate),
            se=fit.se,
            df=fit.df,
            low=self.reported(fit.low),
            high=self.reported(fit.high),
            p=fit.p,
            verdict=conclusions.verdict(fit.low, fit.high, self.distance),
            favours=conclusions.favours(fit.estimate, *names, self.better),
        )

    def draw_seed(self, test: int, reference: int) -> int:
        """Seed of the Monte Carlo draws of one contrast: from the protocol's digest, so that they repeat."""
        label = f"{self.seed}|{self.data.arms[test]}|{self.data.arms[reference]}".encode()
        return int.from_bytes(hashlib.sha256(label).digest()[:8])

    def admissible(self, test: int, reference: int) -> Callable[[Flags], Flags] | None:
        """The balance rule of the draw for redrawn labels of two arms; None where there was none.

        Tanks of other arms, and tanks without a number, keep the arm they had.
        """
        if self.max_gap is None or not self.allocation.balance_values:
            return None
        values = dict(self.allocation.balance_values)
        arms = [self.data.arms.index(a.arm) for a in self.allocation.assignments if a.tank in values]
        tanks = [a.tank for a in self.allocation.assignments if a.tank in values]
        base = np.array(arms)
        order = self._redrawn(test, reference)
        columns = [tanks.index(self.kept[row].tank) for row in order]
        numbers = np.array([values[tank] for tank in tanks])

        def met(labels: Flags) -> Flags:
            full = np.repeat(base[None, :], len(labels), axis=0)
            full[:, columns] = np.where(labels, test, reference)
            return np.asarray(meets(full, numbers, float(self.max_gap or 0.0)))

        return met

    def _redrawn(self, test: int, reference: int) -> list[int]:
        """Rows of the tanks whose labels are redrawn, in the order of :func:`analysis.redraws.strata`."""
        rows: list[int] = []
        for block in np.unique(self.data.block):
            mine = np.flatnonzero((self.data.block == block) & np.isin(self.data.arm, (test, reference)))
            if len(np.unique(self.data.arm[mine])) == 2:
                rows.extend(mine.tolist())
        return rows


def question_of(
    protocol: Protocol, endpoint: Endpoint, allocation: Allocation, tanks: list[TankNumber], seed: str
) -> Question:
    """The question that an endpoint asks of its tanks' numbers."""
    kept = tuple(tank for tank in tanks if tank.y is not None)
    arms = tuple(arm.id for arm in protocol.arms)
    x = None
    if endpoint.baseline is Baseline.ADJUST:
        x = np.array([tank.baseline for tank in kept], dtype=float)
        x = np.log(x) if endpoint.scale is Scale.RATIO else x
    kind = protocol.design.kind
    data = TankData(
        y=np.array([tank.y for tank in kept], dtype=float),
        arm=np.array([arms.index(tank.arm) for tank in kept], dtype=np.int64),
        block=_codes([_block(kind, tank) for tank in kept]),
        arms=arms,
        x=x,
        blocked=kind in BLOCKED,
        period=_codes([_period(protocol, tank) for tank in kept]) if kind is DesignKind.CROSSOVER else None,
        cohort=_codes([tank.block for tank in kept]) if kind is DesignKind.CROSSOVER else None,
    )
    return Question(
        endpoint=endpoint,
        design=kind,
        data=data,
        low=data.with_y(np.array([tank.y_lowest for tank in kept], dtype=float)),
        high=data.with_y(np.array([tank.y_highest for tank in kept], dtype=float)),
        kept=kept,
        level=1 - protocol.analysis.alpha,
        variance=protocol.variance,
        allocation=allocation,
        max_gap=protocol.design.balance.max_gap if protocol.design.balance else None,
        seed=seed,
    )


def _block(kind: DesignKind, tank: TankNumber) -> str | None:
    """What is swept out: the block, in a crossover the tank, in parallel arms nothing."""
    if kind is DesignKind.CROSSOVER:
        return tank.tank
    return tank.block if kind in BLOCKED else None


def _period(protocol: Protocol, tank: TankNumber) -> tuple[str | None, int | None]:
    """A period of the trial; of each cohort, where cohorts start on different dates."""
    return (tank.block if protocol.schedule.starts else None, tank.period)


def _codes(names: list[object]) -> NDArray[np.int64]:
    known = {name: code for code, name in enumerate(dict.fromkeys(names))}
    return np.array([known[name] for name in names], dtype=np.int64)
