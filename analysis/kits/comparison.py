"""All that check samples and duplicates tell of the kits of a trial, and what each kit at each site comes to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.kits.charts import control_chart
from analysis.kits.correction import in_force
from analysis.kits.detection import LOW_LEVEL, detection_limit
from analysis.kits.duplicates import duplicates
from analysis.kits.nitrite import nitrite_beside, nitrite_factor
from analysis.kits.reference import reference_round
from analysis.kits.scores import Grade, worst
from schemas.units import to_canonical
from schemas.variables import variables_for
from schemas.vocabulary import CheckKind

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator, Mapping, Sequence

    from analysis.kits.charts import Chart
    from analysis.kits.correction import KitCorrection
    from analysis.kits.detection import DetectionLimit
    from analysis.kits.duplicates import Duplicates
    from analysis.kits.nitrite import NitriteFactor
    from analysis.kits.reference import Round
    from schemas.protocol import CheckSample, Kit, Protocol
    from schemas.variables import Variable


@dataclass(frozen=True)
class KitVerdict:
    """What the checks of one kit at one site come to.

    Parameters
    ----------
    site, kit, variable : str
    grade : Grade
        The worst of its checks.
    since : date or None
        The day of the newest reading of a check that fails; None where none does.
    corrected : KitCorrection or None
        A correction of factor or offset that was registered on that day or after it.
    readings : int
        Readings of the trial's tanks at this site by this kit.
    """

    site: str
    kit: str
    variable: str
    grade: Grade
    since: dt.date | None
    corrected: KitCorrection | None
    readings: int

    @property
    def needs_a_person(self) -> bool:
        """Whether the kit fails and nothing was done about its readings."""
        return self.grade is Grade.FAILS and self.corrected is None


@dataclass(frozen=True)
class KitComparison:
    """Everything, check by check, and the verdicts by variable, kit and site.

    ``not_scored`` names readings of check samples that belong to no sample of the protocol in force.
    """

    rounds: tuple[Round, ...]
    charts: tuple[Chart, ...]
    detection: tuple[DetectionLimit, ...]
    duplicates: tuple[Duplicates, ...]
    nitrite: tuple[NitriteFactor, ...]
    verdicts: tuple[KitVerdict, ...]
    corrections: tuple[KitCorrection, ...]
    not_scored: int

    @property
    def needs_a_person(self) -> bool:
        """Whether any kit fails that was not corrected since."""
        return any(verdict.needs_a_person for verdict in self.verdicts)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to say of any kit."""
        return not (self.verdicts or self.detection or self.duplicates or self.corrections)


def compare_kits(
    protocol: Protocol,
    readings: pd.DataFrame,
    check_readings: pd.DataFrame,
    corrections: Sequence[KitCorrection] = (),
) -> KitComparison:
    """Compare the kits of a trial.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings of tanks.
    check_readings : DataFrame
        Accepted readings of check samples: ``site``, ``sample``, ``taken_at``, ``variable``, ``value``, ``sign``,
        ``replicate``, ``kit``.
    corrections : sequence of KitCorrection
        In the order of recording.
    """
    variables = variables_for(protocol)
    samples = {sample.id: sample for sample in protocol.check_samples or ()}
    level = 1 - protocol.analysis.alpha
    cards = {kit.id for kit in protocol.kits if kit.steps}
    known = check_readings[check_readings["sample"].isin(list(samples))]
    by_sample = {str(name): rows for name, rows in known.groupby("sample", sort=True)}
    measured = [(samples[name], rows) for name, rows in by_sample.items()]
    blank = [sample.id for sample in samples.values() if sample.kind is CheckKind.BLANK]
    rounds = tuple(
        reference_round(sample, rows, variables[sample.variable], protocol.kits)
        for sample, rows in measured
        if sample.kind is CheckKind.REFERENCE
    )
    charts = tuple(
        control_chart(sample, str(site), str(kit), own, variables[sample.variable], of_card=kit in cards)
        for sample, rows in measured
        if sample.kind is CheckKind.STANDARD
        for (site, kit), own in rows.groupby(["site", "kit"], sort=True)
    )
    current = in_force(corrections)
    nitrite = tuple(_nitrite(protocol, measured, readings, variables, level))
    return KitComparison(
        rounds,
        charts,
        tuple(_detection(protocol, measured, variables)),
        tuple(duplicates(_waters(readings, known[~known["sample"].isin(blank)]), level)),
        nitrite,
        _verdicts(protocol, readings, rounds, charts, nitrite, current),
        current,
        len(check_readings) - len(known),
    )


def _waters(readings: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Readings of tanks and check samples alike, each with what was read; blanks hold nothing to repeat."""
    columns = ["water", "taken_at", "variable", "kit", "value", "sign"]
    tanks = readings.assign(water="tank " + readings["tank"].astype(str))
    named = "sample " + checks["sample"].astype(str) + " at " + checks["site"].astype(str)
    parts = [part[columns] for part in (tanks, checks.assign(water=named)) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else tanks[columns]


def _detection(
    protocol: Protocol,
    measured: Sequence[tuple[CheckSample, pd.DataFrame]],
    variables: Mapping[str, Variable],
) -> Iterator[DetectionLimit]:
    """By variable and kit, over all sites: wherever a blank was read."""
    kits = {kit.id: kit for kit in protocol.kits}
    blanks: dict[tuple[str, str], list[pd.DataFrame]] = {}
    low: dict[tuple[str, str], list[np.ndarray]] = {}
    for sample, rows in measured:
        for name, own in rows.groupby("kit", sort=True):
            key = (sample.variable, str(name))
            if sample.kind is CheckKind.BLANK:
                blanks.setdefault(key, []).append(own)
            elif sample.kind is CheckKind.STANDARD and _is_low(sample, kits.get(key[1]), variables):
                sure = own.loc[own["sign"] == "", "value"].to_numpy(dtype=float)
                low.setdefault(key, []).append(sure)
    for key in sorted(blanks):
        signs = np.concatenate([rows["sign"].to_numpy(dtype=object) for rows in blanks[key]])
        values = np.concatenate([rows["value"].to_numpy(dtype=float) for rows in blanks[key]])
        kit = kits.get(key[1])
        yield detection_limit(
            *key,
            values[signs == ""],
            int((signs != "").sum()),
            low.get(key, []),
            of_card=bool(kit and kit.steps),
        )


def _is_low(sample: CheckSample, kit: Kit | None, variables: Mapping[str, Variable]) -> bool:
    if kit is None or sample.value is None:
        return False
    variable = variables[sample.variable]
    return sample.value <= LOW_LEVEL * to_canonical(kit.limit, kit.unit or variable.unit, variable)


def _nitrite(
    protocol: Protocol,
    measured: Sequence[tuple[CheckSample, pd.DataFrame]],
    readings: pd.DataFrame,
    variables: Mapping[str, Variable],
    level: float,
) -> Iterator[NitriteFactor]:
    standards = [pair for pair in measured if pair[0].kind is CheckKind.NITRITE_STANDARD]
    if not standards:
        return
    beside = nitrite_beside(readings, variables, protocol.kits)
    beside = beside[(beside["sign"] == "") & beside["nitrite_mid"].notna()]
    site_of = {tank.id: tank.site or "" for tank in protocol.tanks}
    pairs = beside.assign(
        nitrate=beside["value"], nitrite=beside["nitrite_mid"], site=beside["tank"].map(site_of)
    )
    for sample, rows in standards:
        for (site, kit), own in rows.groupby(["site", "kit"], sort=True):
            met = pairs[(pairs["kit"] == kit) & (pairs["site"] == site)]
            yield nitrite_factor(sample, str(site), str(kit), own, met[["nitrate", "nitrite"]], level)


def _verdicts(
    protocol: Protocol,
    readings: pd.DataFrame,
    rounds: Sequence[Round],
    charts: Sequence[Chart],
    nitrite: Sequence[NitriteFactor],
    corrections: Sequence[KitCorrection],
) -> tuple[KitVerdict, ...]:
    found: dict[tuple[str, str, str], list[tuple[Grade, dt.date | None]]] = {}
    for one in rounds:
        for result in one.results:
            found.setdefault((one.variable, result.kit, result.site), []).append((result.grade, result.day))
    for chart in charts:
        day = chart.points[-1].at.date() if chart.points else None
        found.setdefault((chart.variable, chart.kit, chart.site), []).append((chart.grade, day))
    for factor in nitrite:
        found.setdefault(("nitrate", factor.kit, factor.site), []).append((factor.grade, None))
    site_of = {tank.id: tank.site or "" for tank in protocol.tanks}
    counts = readings.groupby(["variable", "kit", readings["tank"].map(site_of)]).size().to_dict()
    # What is known of nitrite alone does not answer a kit that misreads its check samples.
    by_key = {one.key: one for one in corrections if one.factor != 1 or one.offset != 0}
    verdicts = []
    for (variable, kit, site), checks in sorted(found.items()):
        since = max((day for grade, day in checks if grade is Grade.FAILS and day), default=None)
        made = by_key.get((kit, variable, site)) or by_key.get((kit, variable, None))
        answered = made if made and since and made.at.date() >= since else None
        grade = worst([grade for grade, _ in checks])
        read = int(counts.get((variable, kit, site), 0))
        verdicts.append(KitVerdict(site, kit, variable, grade, since, answered, read))
    return tuple(verdicts)
