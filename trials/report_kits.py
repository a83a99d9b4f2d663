"""How the kits measured, for the report: a short table, and sentences on what a reader must know of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.kits.scores import Grade
from analysis.kits.wording import (
    GRADE_MEANS,
    correction_sentences,
    detection_sentence,
    failing_sentences,
    nitrite_sentence,
    round_sentences,
    signed,
)
from analysis.numerals import ABSENT, count, number, plain, quantity
from schemas.variables import variables_for
from trials.report_tables import table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.kits.comparison import KitComparison, KitVerdict
    from schemas.protocol import Protocol
    from trials.report_tables import Table

CAPTION = "How the kits measured"


def kits_table(found: KitComparison, protocol: Protocol) -> Table:
    """One row for each variable, kit and site that measured a check sample, and for each kit with duplicates alone."""
    units = {name: variable.unit for name, variable in variables_for(protocol).items()}
    spread = {(one.variable, one.kit): one for one in found.duplicates}
    limits = {(one.variable, one.kit): one.value for one in found.detection}
    rows: list[tuple[str, ...]] = []
    for verdict in found.verdicts:
        own = (verdict.variable, verdict.kit)
        recoveries, scores = _read(verdict, found)
        charts = [
            f"{len(chart.signals)} of {len(chart.points)} out"
            for chart in found.charts
            if (chart.variable, chart.kit, chart.site) == (*own, verdict.site) and chart.limits
        ]
        rows.append(
            (
                verdict.variable,
                plain(verdict.kit, 80) or ABSENT,
                plain(verdict.site, 80) or ABSENT,
                recoveries,
                scores,
                "; ".join(charts) or ABSENT,
                _with_unit(spread[own].sd if own in spread else None, units[verdict.variable]),
                _with_unit(limits.get(own), units[verdict.variable]),
                GRADE_MEANS[verdict.grade],
            )
        )
    told = {(verdict.variable, verdict.kit) for verdict in found.verdicts}
    for (variable, kit), one in spread.items():
        if (variable, kit) not in told:
            limit = _with_unit(limits.get((variable, kit)), units[variable])
            sd = _with_unit(one.sd, units[variable])
            rows.append((variable, plain(kit, 80) or ABSENT, "all", *[ABSENT] * 3, sd, limit, ABSENT))
    return table(
        CAPTION,
        (
            "Variable",
            "Kit",
            "Site",
            "Recovery, %",
            "z or z\u2019",
            "Check standard",
            "Repeatability",
            "Detection limit",
            "Comes to",
        ),
        rows,
        (3, 4, 6, 7),
    )


def kits_sentences(found: KitComparison, protocol: Protocol) -> list[str]:
    """Kits that fail first, then what results were held against, what nitrite does, and what is corrected beside."""
    units = {name: variable.unit for name, variable in variables_for(protocol).items()}
    said = failing_sentences(found)
    said += [text for one in found.rounds for text in round_sentences(one)]
    said += [nitrite_sentence(one) for one in found.nitrite]
    said += [detection_sentence(one, units[one.variable]) for one in found.detection if one.value is None]
    said += [
        f"Beside the registered analysis: {text}" for text in correction_sentences(found.corrections, units)
    ]
    return said


def kits_note(found: KitComparison | None, variable: str) -> list[str]:
    """One line for the notes of an endpoint where a kit of its variable fails; none where none does."""
    verdicts = [one for one in found.verdicts if one.variable == variable] if found else []
    failing = [one for one in verdicts if one.grade is Grade.FAILS]
    if not failing:
        return []
    readings = sum(one.readings for one in failing)
    names = ", ".join(
        f"{plain(one.kit, 80) or 'a kit without a name'}{f' at {one.site}' if one.site else ''}"
        for one in failing
    )
    which = "it" if len(failing) == 1 else "them"
    return [
        (
            f"{len(failing)} of {count(len(verdicts), 'kit')} that were checked failed ({names}); {readings:,} readings of "
            f"tanks are by {which}, and the registered analysis keeps them as read."
        )
    ]


def _read(verdict: KitVerdict, found: KitComparison) -> tuple[str, str]:
    """Recoveries and scores of the references that a kit read at its site."""
    results = [
        result
        for one in found.rounds
        for result in one.results
        if (one.variable, result.kit, result.site) == (verdict.variable, verdict.kit, verdict.site)
    ]
    return _joined(number(one.recovery, 0) for one in results), _joined(signed(one.score) for one in results)


def _joined(texts: Iterator[str]) -> str:
    return "; ".join(texts) or ABSENT


def _with_unit(value: float | None, unit: str) -> str:
    if value is None:
        return ABSENT
    return quantity(value) if unit in ("1", "pH") else f"{quantity(value)} {unit}"
