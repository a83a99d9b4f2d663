"""The comparisons that a trial brings to a pool: each contrast with its error on the working scale, and which way round."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from scipy import stats

from analysis.conclusions import margin
from analysis.pooled_records import TrialEffect
from schemas.vocabulary import DesignKind, Scale
from trials.pooling.sources import CONTROL, LIQUID, SOLID

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from trials.pooling.sources import Source

_RANK = {SOLID: 0, LIQUID: 1, CONTROL: 3}
_CAREFUL = ("changes-of-systems", "ar1")
"""What a before-after trial is read by, in this order: its days alone are not independent."""


@dataclass(frozen=True)
class Key:
    """What must agree for two contrasts to ask the same."""

    variable: str
    summary: str
    phase: str
    scale: str
    unit: str
    better: str
    target: tuple[float, int] | None
    test: str
    reference: str


@dataclass(frozen=True)
class Candidate:
    """One contrast of one trial, test and reference turned so that all trials have them the same way round.

    ``estimate``, ``se`` and ``df`` are on the working scale; ``why_not`` says why it cannot be weighed, where it cannot.
    """

    source: Source
    endpoint: Mapping[str, Any] = field(repr=False)
    test: str
    reference: str
    estimate: float
    se: float
    df: float | None
    n: int
    why_not: str = ""
    remarks: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The contrast in words: ``quillmere-2026, nitrate-mean, polymer against control``."""
        return f"{self.source.trial}, {self.endpoint['id']}, {self.test} against {self.reference}"

    @property
    def key(self) -> Key:
        """What it asks."""
        one = self.endpoint
        kinds = self.source.kinds
        # A ratio has no unit of its own, whatever the variable is measured in.
        unit = "1" if one["scale"] == Scale.RATIO else one["unit"]
        return Key(
            variable=one["variable"],
            summary=one["summary"],
            phase=one["phase"],
            scale=one["scale"],
            unit=unit,
            better=one["better"],
            target=self.source.targets.get(one["id"]),
            test=kinds[self.test],
            reference=kinds[self.reference],
        )

    @property
    def matchable(self) -> bool:
        """Whether its arms are told apart by what they are given, so that other trials' arms can answer to them."""
        return self.key.test != self.key.reference

    def effect(self, alpha: float) -> TrialEffect:
        """The contrast as a trial of a pool, with its interval at 1 - alpha."""
        one, source = self.endpoint, self.source
        law = stats.norm() if self.df is None else stats.t(self.df)
        half = float(law.isf(alpha / 2)) * self.se
        sizes = {arm["arm"]: int(arm["n"]) for arm in one["arms"]}
        mine = [sizes.get(arm, 0) for arm in (self.test, self.reference)]
        return TrialEffect(
            trial=source.trial,
            title=source.title,
            ended=source.ended,
            estimate=self.estimate,
            se=self.se,
            df=self.df,
            low=self.estimate - half,
            high=self.estimate + half,
            n=self.n,
            tanks=sum(mine),
            margin=margin(one["worthwhile"], Scale(one["scale"])),
            sd=self._sd(mine),
            blocked=source.design not in {DesignKind.PARALLEL, DesignKind.BEFORE_AFTER},
            published=source.published,
            arms=(self.test, self.reference),
            endpoint=str(one["id"]),
            modifiers=dict(source.modifiers.get(self.test, {})),
            remarks=(*source.remarks, *self.remarks),
        )

    def _sd(self, sizes: list[int]) -> float | None:
        """The standard deviation between tanks that the error comes from, at the harmonic mean of the arms' tanks.

        Exact for Welch's arms of one size and for pairs; for incomplete blocks a little too large.
        """
        if min(sizes) < 1 or self.source.design is DesignKind.BEFORE_AFTER:
            return None
        return self.se / math.sqrt(sum(1 / size for size in sizes))


def candidates_of(source: Source) -> Iterator[Candidate]:
    """Every contrast of a trial."""
    for endpoint in source.endpoints:
        for contrast in endpoint["contrasts"]:
            yield candidate(source, endpoint, contrast)


def candidate(source: Source, endpoint: Mapping[str, Any], contrast: Mapping[str, Any]) -> Candidate:
    """One contrast, turned so that carbon comes before control and solid before liquid."""
    read, remarks = _careful(source, endpoint, contrast), list(_remarks(contrast))
    if read is not contrast:
        remarks.append("the error is that of its sensitivity analysis, not of days as if independent.")
    test, reference = str(contrast["test"]), str(contrast["reference"])
    estimate, why_not = _working(read, Scale(endpoint["scale"]))
    se = read.get("se")
    if not why_not and not se:
        why_not = (
            "counts are compared exactly and have no standard error to weigh them by"
            if endpoint["summary"] == "count"
            else "it has no standard error above 0"
        )
    if _rank(source.kinds[test]) > _rank(source.kinds[reference]):
        test, reference, estimate = reference, test, -estimate
    return Candidate(
        source=source,
        endpoint=endpoint,
        test=test,
        reference=reference,
        estimate=estimate,
        se=float(se or math.nan),
        df=None if read.get("df") is None else float(read["df"]),
        n=int(contrast["n"]),
        why_not=why_not,
        remarks=tuple(remarks),
    )


def turned(found: Candidate) -> Candidate:
    """The same contrast the other way round."""
    return Candidate(
        found.source,
        found.endpoint,
        found.reference,
        found.test,
        -found.estimate,
        found.se,
        found.df,
        found.n,
        found.why_not,
        found.remarks,
    )


def _rank(kind: str) -> tuple[int, str]:
    """Carbon first, then what is matched by its own name, control last."""
    return _RANK.get(kind, 2), kind


def _careful(source: Source, endpoint: Mapping[str, Any], contrast: Mapping[str, Any]) -> Mapping[str, Any]:
    """The contrast that its trial is read by: in before-after trials that of systems, or with serial correlation."""
    if source.design is not DesignKind.BEFORE_AFTER:
        return contrast
    pair = contrast["test"], contrast["reference"]
    for name in _CAREFUL:
        for way in endpoint["sensitivity"]:
            for other in way["contrasts"] if way["name"] == name else ():
                if (other["test"], other["reference"]) == pair and other["se"]:
                    found: Mapping[str, Any] = other
                    return found
    return contrast


def _working(contrast: Mapping[str, Any], scale: Scale) -> tuple[float, str]:
    """The estimate on the working scale, or why there is none."""
    value = contrast["estimate"]
    if value is None:
        return math.nan, "it has no estimate"
    if scale is not Scale.RATIO:
        return float(value), ""
    if value <= 0:
        return math.nan, "its ratio is 0, which has no logarithm"
    return math.log(value), ""


def _remarks(contrast: Mapping[str, Any]) -> Iterator[str]:
    beyond = contrast.get("censoring")
    if beyond and len({contrast["reading"], *beyond["readings"]}) > 1:
        yield "its own reading turns on what readings below a kit's limit really were."
