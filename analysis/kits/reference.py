"""One reference solution measured by every site: recovery, and scores against the assigned value.

The assigned value is the one that the protocol states, or the robust mean of all results where it states none. The
spread allowed is the one that the protocol states, or the robust standard deviation of the results. A reading below or
above a kit's limit is no number and is not scored: it is graded by the nearest value that it can stand for, and not at all
where the assigned value may be it. A reading off a card is scored by the nearest value that the card cannot tell from it. Of each site and kit the newest day counts: a kit that was put right is measured again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.kits.robust import algorithm_a
from analysis.kits.scores import NEGLIGIBLE, Grade, graded, z_prime_score, z_score, zeta_score
from analysis.summaries import with_bounds

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator

    import pandas as pd

    from analysis.kits.robust import Robust
    from schemas.protocol import CheckSample, Kit
    from schemas.variables import Variable

FEW = 12
"""Results below which their own spread is too uncertain to fail a kit by (ISO 13528:2015, 5.4 and D.1)."""
_LEAST = 3
RECOVERED = (85.0, 115.0)
"""Per cent; outside, a kit without a score needs a look (common practice, no source)."""


@dataclass(frozen=True)
class Assigned:
    """What the results are held against.

    Parameters
    ----------
    value, uncertainty : float
        Assigned value and its standard uncertainty, 0 where a stated value states none.
    stated : bool
        Whether the protocol states the value.
    sd : float or None
        Spread allowed; None where neither the protocol nor enough results give one.
    sd_stated : bool
        Whether the protocol states it.
    consensus : Robust or None
        Robust mean and standard deviation of the results; None for fewer than three.
    """

    value: float
    uncertainty: float
    stated: bool
    sd: float | None
    sd_stated: bool
    consensus: Robust | None

    @property
    def certain(self) -> bool:
        """Whether the uncertainty of the value may be left out of scores."""
        return self.sd is not None and self.uncertainty <= NEGLIGIBLE * self.sd

    @property
    def enough(self) -> bool:
        """Whether a kit may fail by the spread: it is stated, or rests on results enough."""
        return self.sd_stated or (
            self.sd is not None and self.consensus is not None and self.consensus.n >= FEW
        )

    @property
    def consensus_apart(self) -> float | None:
        """Robust mean minus a stated value, where that is more than twice their uncertainties (ISO 13528:2015, 7.8)."""
        if not self.stated or self.consensus is None:
            return None
        apart = self.consensus.mean - self.value
        limit = 2 * float(np.hypot(self.consensus.uncertainty, self.uncertainty))
        return apart if abs(apart) > limit else None


@dataclass(frozen=True)
class SiteResult:
    """What one site read with one kit on the newest day.

    Parameters
    ----------
    site, kit : str
    day : date
    n, censored : int
        Readings of that day, and those of them beyond the kit's limit: with any there is no value.
    value : float or None
        Mean of the readings.
    low, high : float or None
        Between which a card, or a limit, puts it; both are the value for any other reading.
    recovery : float or None
        Per cent of the assigned value.
    z, z_prime, zeta : float or None
        Scores of the value; zeta only where the day's readings are several, by their standard error.
    score : float or None
        The score that is read: z, or z' where the assigned value is uncertain, at the nearest end of a card's interval.
    grade : Grade
    """

    site: str
    kit: str
    day: dt.date
    n: int
    censored: int
    value: float | None = None
    low: float | None = None
    high: float | None = None
    recovery: float | None = None
    z: float | None = None
    z_prime: float | None = None
    zeta: float | None = None
    score: float | None = None
    grade: Grade = Grade.NOT_TOLD


@dataclass(frozen=True)
class Round:
    """All results of one reference solution; ``assigned`` is None where there is nothing to hold them against."""

    sample: str
    title: str
    variable: str
    unit: str
    assigned: Assigned | None
    results: tuple[SiteResult, ...]


@dataclass(frozen=True)
class _Read:
    site: str
    kit: str
    day: dt.date
    n: int
    censored: int
    value: float
    low: float
    high: float
    error: float | None


def reference_round(
    sample: CheckSample, readings: pd.DataFrame, variable: Variable, kits: tuple[Kit, ...]
) -> Round:
    """Score the readings of a reference solution.

    Parameters
    ----------
    readings : DataFrame
        Readings of this sample: ``site``, ``kit``, ``taken_at``, ``value``, ``sign``.
    """
    read = list(_newest(with_bounds(readings, variable, kits)))
    numbers = np.array([one.value for one in read if not one.censored])
    assigned = _assigned(sample, numbers)
    return Round(
        sample.id,
        sample.title or sample.id,
        variable.id,
        variable.unit,
        assigned,
        tuple(_scored(one, assigned) for one in read),
    )


def _newest(bounded: pd.DataFrame) -> Iterator[_Read]:
    days = bounded.assign(day=bounded["taken_at"].dt.date)
    for (site, kit), own in days.groupby(["site", "kit"], sort=True):
        newest = own[own["day"] == own["day"].max()]
        n = len(newest)
        value = newest["value"].to_numpy(dtype=float)
        yield _Read(
            str(site),
            str(kit),
            newest["day"].iloc[0],
            n,
            int((newest["sign"] != "").sum()),
            float(value.mean()),
            float(newest["low"].mean()),
            float(newest["high"].mean()),
            float(value.std(ddof=1) / np.sqrt(n)) if n > 1 else None,
        )


def _assigned(sample: CheckSample, numbers: np.ndarray) -> Assigned | None:
    robust = algorithm_a(numbers) if len(numbers) >= _LEAST else None
    sd = sample.fitness_sd or (robust.sd if robust and robust.sd > 0 else None)
    if sample.value is not None:
        value, uncertainty = sample.value, sample.uncertainty or 0.0
    elif robust is not None:
        value, uncertainty = robust.mean, robust.uncertainty
    else:
        return None
    return Assigned(value, uncertainty, sample.value is not None, sd, sample.fitness_sd is not None, robust)


def _scored(read: _Read, assigned: Assigned | None) -> SiteResult:
    result = SiteResult(
        read.site,
        read.kit,
        read.day,
        read.n,
        read.censored,
        value=None if read.censored else read.value,
        low=read.low,
        high=read.high,
    )
    if assigned is None:
        return result
    at, u, sd = assigned.value, assigned.uncertainty, assigned.sd
    nearest = float(np.clip(at, read.low, read.high))
    score = None
    if sd:
        score = z_score(nearest, at, sd) if assigned.certain else z_prime_score(nearest, at, sd, u)
    if read.censored:
        # No number, so no score; but what lies wholly off the value is off it wherever in its interval it is.
        return result if nearest == at else replace(result, grade=_grade(score, nearest, assigned))
    return replace(
        result,
        recovery=100 * read.value / at if at > 0 else None,
        z=z_score(read.value, at, sd) if sd else None,
        z_prime=z_prime_score(read.value, at, sd, u) if sd else None,
        zeta=zeta_score(read.value, read.error, at, u) if read.error and assigned.stated else None,
        score=score,
        grade=_grade(score, nearest, assigned),
    )


def _grade(score: float | None, nearest: float, assigned: Assigned) -> Grade:
    grade = Grade.HOLDS if score is None else graded(score)
    if assigned.enough:
        return grade
    # Too few results to fail a kit by their own spread: what is left is a look.
    off = assigned.value > 0 and not RECOVERED[0] <= 100 * nearest / assigned.value <= RECOVERED[1]
    return Grade.LOOK if off or grade is not Grade.HOLDS else Grade.HOLDS
