"""The comparison of kits as one JSON document, and what each entry of it is."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from analysis.dictionary import Entry
from analysis.document import finite
from analysis.kits.wording import (
    chart_sentences,
    detection_sentence,
    duplicates_sentence,
    nitrite_sentence,
    round_sentences,
    verdict_sentence,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.kits.charts import Chart
    from analysis.kits.comparison import KitComparison
    from analysis.kits.correction import KitCorrection
    from analysis.kits.reference import Round


def kits_document(trial: str, found: KitComparison, units: Mapping[str, str]) -> dict[str, Any]:
    """Plain data for ``json.dumps(..., allow_nan=False)``; ``units`` by variable."""
    result: dict[str, Any] = finite(
        {
            "trial": trial,
            "needs_a_person": found.needs_a_person,
            "not_scored": found.not_scored,
            "verdicts": [
                {
                    "site": one.site,
                    "kit": one.kit,
                    "variable": one.variable,
                    "grade": one.grade.value,
                    "since": one.since.isoformat() if one.since else None,
                    "corrected_since": one.corrected is not None,
                    "readings": one.readings,
                    "text": verdict_sentence(one, found),
                }
                for one in found.verdicts
            ],
            "references": [_round(one) for one in found.rounds],
            "charts": [_chart(one) for one in found.charts],
            "detection": [
                asdict(one) | {"text": detection_sentence(one, units[one.variable])}
                for one in found.detection
            ],
            "duplicates": [
                asdict(one) | {"text": duplicates_sentence(one, units[one.variable])}
                for one in found.duplicates
            ],
            "nitrite": [
                asdict(one) | {"grade": one.grade.value, "text": nitrite_sentence(one)}
                for one in found.nitrite
            ],
            "corrections": [_correction(one) for one in found.corrections],
        }
    )
    return result


def _round(one: Round) -> dict[str, Any]:
    assigned = one.assigned
    held_against = None
    if assigned is not None:
        held_against = {
            "value": assigned.value,
            "uncertainty": assigned.uncertainty,
            "stated": assigned.stated,
            "sd": assigned.sd,
            "sd_stated": assigned.sd_stated,
            "robust_mean": assigned.consensus.mean if assigned.consensus else None,
            "robust_sd": assigned.consensus.sd if assigned.consensus else None,
            "robust_n": assigned.consensus.n if assigned.consensus else None,
        }
    results = [
        asdict(result) | {"day": result.day.isoformat(), "grade": result.grade.value}
        for result in one.results
    ]
    return {
        "sample": one.sample,
        "variable": one.variable,
        "unit": one.unit,
        "assigned": held_against,
        "results": results,
        "text": list(round_sentences(one)),
    }


def _chart(one: Chart) -> dict[str, Any]:
    limits = one.limits
    return {
        "sample": one.sample,
        "variable": one.variable,
        "unit": one.unit,
        "site": one.site,
        "kit": one.kit,
        "stated": one.stated,
        "recovery": one.recovery,
        "censored": one.censored,
        "limits": {
            "centre": limits.centre,
            "sd": limits.sd,
            "low": limits.at(-3),
            "high": limits.at(3),
            "base": limits.base,
        }
        if limits
        else None,
        "points": [
            {
                "at": point.at.isoformat(),
                "value": point.value,
                "score": point.score,
                "beyond": point.beyond,
                "two_of_three": point.two_of_three,
            }
            for point in one.points
        ],
        "grade": one.grade.value,
        "text": list(chart_sentences(one)),
    }


def _correction(one: KitCorrection) -> dict[str, Any]:
    return asdict(one) | {"at": one.at.isoformat()}


_SCORES = "ISO 13528:2015, section 9"
_TEXT = Entry("the same in a sentence")
_MEASURED = {
    "variable": Entry("what was measured"),
    "kit": Entry("kit that measured; empty where not given"),
}
_GRADE = Entry("not told, holds, look or fails")
_VERDICTS = _MEASURED | {
    "site": Entry("who measured; empty where not given"),
    "grade": _GRADE,
    "since": Entry("day of the newest reading of a check that fails; null where none does"),
    "corrected_since": Entry("whether a correction of its readings was registered on that day or later"),
    "readings": Entry("readings of tanks at the site by the kit", "1"),
    "text": _TEXT,
}
_REFERENCES = {
    "sample": Entry("check sample of kind reference"),
    "variable": _MEASURED["variable"],
    "unit": Entry("unit of its values"),
    "assigned": Entry("what results are held against; null where there is nothing"),
    "assigned.value": Entry("assigned value", "variable's", "ISO 13528:2015, section 7"),
    "assigned.uncertainty": Entry(
        "its standard uncertainty; 1.25 s* / sqrt(n) for a mean of the sites",
        "variable's",
        "ISO 13528:2015, 7.7.3",
    ),
    "assigned.stated": Entry("whether the protocol states the value"),
    "assigned.sd": Entry(
        "spread allowed; null where none is known", "variable's", "ISO 13528:2015, section 8"
    ),
    "assigned.sd_stated": Entry("whether the protocol states it"),
    "assigned.robust_mean": Entry("robust mean of the results", "variable's", "ISO 13528:2015, annex C.3"),
    "assigned.robust_sd": Entry("robust standard deviation", "variable's", "ISO 13528:2015, annex C.3"),
    "assigned.robust_n": Entry("results that they rest on", "1"),
    "results[].site": _VERDICTS["site"],
    "results[].kit": _MEASURED["kit"],
    "results[].day": Entry("newest day on which it was read; this day counts"),
    "results[].n": Entry("readings of that day", "1"),
    "results[].censored": Entry("those beyond the kit's limit; with any there is no value", "1"),
    "results[].value": Entry("mean of the readings", "variable's"),
    "results[].low": Entry(
        "lowest value that a card cannot tell from it, or that a limit allows", "variable's"
    ),
    "results[].high": Entry(
        "highest value that a card cannot tell from it, or that a limit allows", "variable's"
    ),
    "results[].recovery": Entry("value in per cent of the assigned one", "1"),
    "results[].z": Entry("z score", "1", _SCORES),
    "results[].z_prime": Entry("z' score", "1", _SCORES),
    "results[].zeta": Entry("zeta score, where a stated value was read several times", "1", _SCORES),
    "results[].score": Entry(
        "z, or z' where the value is uncertain, at the nearest end of a card's step", "1"
    ),
    "results[].grade": _GRADE,
    "text[]": _TEXT,
}
_CHARTS = {
    "sample": Entry("check sample of kind standard"),
    "variable": _MEASURED["variable"],
    "unit": Entry("unit of its values"),
    "site": _VERDICTS["site"],
    "kit": _MEASURED["kit"],
    "stated": Entry("content that the protocol states", "variable's"),
    "recovery": Entry("mean of all readings in per cent of it", "1"),
    "censored": Entry("readings beyond the kit's limit, which are not drawn", "1"),
    "limits": Entry("limits of an individuals chart; null where there are none"),
    "limits.centre": Entry("centre line", "variable's", "ISO 7870-2:2013"),
    "limits.sd": Entry(
        "mean moving range over 1.128, or the registered spread", "variable's", "ISO 7870-2:2013"
    ),
    "limits.low": Entry("centre less three standard deviations", "variable's"),
    "limits.high": Entry("centre and three standard deviations", "variable's"),
    "limits.base": Entry("first readings that they come from; 0 where they come from the protocol", "1"),
    "points[].at": Entry("when it was read"),
    "points[].value": Entry("reading", "variable's"),
    "points[].score": Entry("standard deviations from the centre; null without limits", "1"),
    "points[].beyond": Entry("whether it is beyond three"),
    "points[].two_of_three": Entry("whether it is the second of three beyond two on one side"),
    "grade": _GRADE,
    "text[]": _TEXT,
}
_DETECTION = _MEASURED | {
    "blanks": Entry("readings of blanks, all sites together", "1"),
    "blanks_below": Entry("those below the kit's limit", "1"),
    "spiked": Entry("readings of low standards that gave a number", "1"),
    "from_blanks": Entry("limit from blanks", "variable's", "40 CFR 136 appendix B, revision 2"),
    "from_spiked": Entry("limit from low standards", "variable's", "40 CFR 136 appendix B, revision 2"),
    "value": Entry("the larger; null where there is none", "variable's", "40 CFR 136 appendix B, revision 2"),
    "why": Entry("what is missing"),
    "text": _TEXT,
}
_DUPLICATES = _MEASURED | {
    "sets": Entry("waters read more than once on a day", "1"),
    "df": Entry("degrees of freedom", "1"),
    "sd": Entry("repeatability standard deviation", "variable's", "ISO 5725-2"),
    "low": Entry("its lower limit by chi-square", "variable's"),
    "high": Entry("its upper limit by chi-square", "variable's"),
    "limit": Entry("repeatability limit", "variable's", "ISO 5725-6"),
    "median_difference": Entry("median relative difference of pairs, per cent of their mean", "1"),
    "largest_difference": Entry("largest relative difference of pairs", "1"),
    "text": _TEXT,
}
_NITRITE = {
    "sample": Entry("check sample of kind nitrite-standard"),
    "site": _VERDICTS["site"],
    "kit": _MEASURED["kit"],
    "n": Entry("readings of it", "1"),
    "censored": Entry("those beyond the kit's limit; with any there is no factor", "1"),
    "factor": Entry("nitrate read for 1 mg/L of nitrite", "1"),
    "low": Entry("its lower limit", "1", "JCGM 100:2008, annex G"),
    "high": Entry("its upper limit", "1", "JCGM 100:2008, annex G"),
    "below": Entry("what the factor is below, where readings are below the kit's limit", "1"),
    "disturbed": Entry("what it means for the trial; null where no nitrite was read beside nitrate"),
    "disturbed.readings": Entry("nitrate readings with nitrite of their tank and day", "1"),
    "disturbed.nitrite_low": Entry("least nitrite among them", "mg/L"),
    "disturbed.nitrite_high": Entry("greatest nitrite among them", "mg/L"),
    "disturbed.excess_low": Entry("least excess of nitrate read", "mg/L"),
    "disturbed.excess_median": Entry("median excess", "mg/L"),
    "disturbed.excess_high": Entry("greatest excess", "mg/L"),
    "disturbed.share_median": Entry("median excess in per cent of the reading", "1"),
    "grade": _GRADE,
    "text": _TEXT,
}
_CORRECTIONS = _MEASURED | {
    "site": Entry("where it holds; null for every site without one of its own"),
    "factor": Entry("what readings are multiplied by", "1"),
    "offset": Entry("what is added then", "variable's"),
    "nitrite_factor": Entry("times the nitrite of tank and day that is taken off first", "1"),
    "at": Entry("when it was recorded"),
}
KITS_DICTIONARY: dict[str, Entry] = {
    "trial": Entry("id of the trial"),
    "needs_a_person": Entry("whether a kit fails and its readings were not corrected since"),
    "not_scored": Entry("readings of check samples that the protocol in force does not name", "1"),
    **{
        f"{part}[].{key}": entry
        for part, entries in (
            ("verdicts", _VERDICTS),
            ("references", _REFERENCES),
            ("charts", _CHARTS),
            ("detection", _DETECTION),
            ("duplicates", _DUPLICATES),
            ("nitrite", _NITRITE),
            ("corrections", _CORRECTIONS),
        )
        for key, entry in entries.items()
    },
}
"""Every path of the document of ``fairtank kits --json``."""
