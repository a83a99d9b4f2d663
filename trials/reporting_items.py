"""What readers of trials ask for, item by item, and where this report answers or that it does not.

The items follow the Essential 10 of ARRIVE 2.0 (Percie du Sert et al. 2020, PLOS Biology 18:e3000410) and CONSORT 2025
(Hopewell et al. 2025, PLOS Medicine 22:e1004587) with its extensions for within-person trials (Pandis et al. 2017, BMJ
357:j2835), here blocks of tanks in one place, and for crossover trials (Dwan et al. 2019, BMJ 366:l4378). Order and
numbers are from memory, the wording is our own. Following them is no certificate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.vocabulary import DesignKind, EndpointRole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.protocol import Protocol
    from trials.report_material import ReportMaterial

ARRIVE, CONSORT, WITHIN, CROSSOVER = "ARRIVE 2.0", "CONSORT 2025", "within-person", "crossover"


@dataclass(frozen=True)
class Item:
    """One thing asked for; ``anchor`` is the part of the full record that answers, empty where none does."""

    guideline: str
    number: str
    asks: str
    answer: str
    anchor: str = ""


_PARTS = {
    "answer": "The answer",
    "rests-on": "What it rests on",
    "registered": "What was registered",
    "results": "Results",
    "course": "Course and sampling",
    "deviations": "Deviations and amendments",
    "cannot-say": "What this trial cannot say",
    "cautions": "Cautions",
    "methods": "Methods and versions",
    "check": "How to check it",
}
_ESSENTIAL = (
    ("1", "The groups, the controls, and what the unit of the experiment is", "registered"),
    ("2", "How many units in each group, and how that number was chosen", "SIZE"),
    ("3", "What counts and what is left out, set beforehand; exact numbers in each analysis", "rests-on"),
    ("4", "Whether and how units were randomised, and what was done about other influences", "rests-on"),
    ("5", "Who knew the group of each unit, and when", "BLIND"),
    ("6", "All outcomes measured, and which was primary", "registered"),
    ("7", "The statistics of each analysis, and how assumptions were looked at", "methods"),
    ("8", "The animals: species, age, size, where from, in what health", "ANIMALS"),
    ("9", "What was done to each group, how, when, where and why", "DONE"),
    ("10", "Results of each group with their spread, and effects with intervals", "results"),
)
_TRIAL = (
    ("1", "A title that says it is randomised, and a structured summary", "answer"),
    ("2", "Where and under what name it was registered, and when", "registered"),
    ("3", "Where protocol and analysis plan can be read", "check"),
    ("4", "Where data and code can be had", "check"),
    ("5", "Who paid, and conflicts of interest", "FUNDING"),
    ("6", "What was known before, and why the trial was made", "BACKGROUND"),
    ("7", "The question, with benefits and harms", "QUESTION"),
    ("8", "How those concerned took part in planning and doing it", "INVOLVED"),
    ("9", "The design: kind, arms, ratio, framework", "registered"),
    ("10", "Changes after the start, with reasons", "deviations"),
    ("11", "Where it was done", "SETTING"),
    ("12", "Which units and which people qualified", "ELIGIBLE"),
    ("13", "The treatments in enough detail to repeat them", "DONE"),
    ("14", "Outcomes, how and when measured and summed up", "registered"),
    ("15", "Harms: how they were looked for", "HARMS"),
    ("16", "How the size was chosen; looks before the end and stopping", "SIZE"),
    ("17", "Who made the random sequence, how, and of what type", "rests-on"),
    ("18", "How the coming arm was kept from those who enrolled", "CONCEALED"),
    ("19", "Who enrolled, and who gave units their arm", "rests-on"),
    ("20", "Who was blinded after allocation, and how", "BLIND"),
    ("21", "Statistics: comparisons, who is in them, missing data, further analyses", "methods"),
    ("22", "The flow of units through the trial, losses with reasons", "rests-on"),
    ("23", "Dates of start and end, and why it ended", "registered"),
    ("24", "What was in fact given, and what else the units received", "GIVEN"),
    ("25", "Baseline of each group", "BASELINE"),
    ("26", "Numbers analysed, effects with intervals, for every outcome", "results"),
    ("27", "All harms in each group", "HARMS"),
    ("28", "Further analyses, told apart as planned or not", "results"),
    ("29", "What it means, in balance with benefits, harms and other evidence", "cannot-say"),
    ("30", "Limitations: bias, imprecision, reach", "cannot-say"),
)
_WITHIN = (
    ("design", "Why units are paired inside one place, and what they share", "BLOCKS"),
    ("carry", "Whether one unit's treatment could reach another's", "SPILL"),
    ("flow", "Flow by place as well as by arm", "rests-on"),
    ("numbers", "Pairs analysed, and the analysis by pairs", "methods"),
    ("correlation", "How alike the units of one place are", "CORRELATED"),
)
_CROSSOVER = (
    ("sequences", "The sequences, the periods, the washout and why it is long enough", "registered"),
    ("flow", "Units by sequence and period", "rests-on"),
    ("baseline", "Baselines by sequence and period", "PERIOD_BASELINE"),
    ("carry-over", "Carry-over: what was planned and what was seen", "results"),
)


def reporting_items(m: ReportMaterial) -> tuple[Item, ...]:
    """Every item that a trial of this design is asked for, in order."""
    answers = dict(_answers(m))
    design = m.protocol.design.kind
    lists = [(ARRIVE, _ESSENTIAL), (CONSORT, _TRIAL)]
    if design in (DesignKind.BLOCKS, DesignKind.INCOMPLETE_BLOCKS):
        lists.append((WITHIN, _WITHIN))
    if design is DesignKind.CROSSOVER:
        lists.append((CROSSOVER, _CROSSOVER))
    return tuple(
        Item(guideline, number, asks, *answers.get(where, (_PARTS.get(where, ""), where)))
        for guideline, items in lists
        for number, asks, where in items
    )


def _answers(m: ReportMaterial) -> Iterator[tuple[str, tuple[str, str]]]:
    """What depends on the trial: the words of the answer and the part that holds it, if any."""
    protocol = m.protocol
    yield "SIZE", _size(protocol)
    yield "BLIND", _blinding(m)
    yield (
        "ANIMALS",
        ("Not answered: the register keeps no animals; say species, sizes and where they came from", ""),
    )
    dosed = any(arm.carbon and arm.carbon.full_dose for arm in protocol.arms)
    yield (
        "DONE",
        (
            "In part: arms, sources and full doses; equipment and routine are to be described"
            if dosed
            else "In part: the arms' titles; treatments, equipment and routine are to be described",
            "registered",
        ),
    )
    yield "FUNDING", ("Not answered: say who paid and who gains", "")
    yield "BACKGROUND", ("Not answered: say what was known before", "")
    yield (
        "QUESTION",
        (
            ("The question at the head", "answer")
            if protocol.trial.question
            else ("Not answered: the protocol asks no question", "")
        ),
    )
    yield "INVOLVED", ("Not answered: say who planned it and who took part", "")
    sites = {tank.site for tank in protocol.tanks if tank.site}
    yield (
        "SETTING",
        (
            (f"In part: {len(sites)} sites by name; say what they are", "rests-on")
            if sites
            else ("Not answered: no sites are named", "")
        ),
    )
    yield "ELIGIBLE", ("Not answered: say which tanks could take part and which could not", "")
    yield "HARMS", _harms(m)
    yield "CONCEALED", _concealed(m)
    yield (
        "GIVEN",
        (
            ("Doses and other events as recorded", "course")
            if len(m.events)
            else ("Not answered: no husbandry events were taken in", "")
        ),
    )
    used = any(endpoint.baseline != "none" for endpoint in m.analysis.endpoints)
    yield (
        "BASELINE",
        (
            ("Each tank's baseline in tables/tanks.csv; the course before treatment in the figures", "course")
            if used
            else ("In part: the course before treatment in the figures", "course")
        ),
    )
    yield "PERIOD_BASELINE", ("In part: the course of each period in the figures", "course")
    yield "BLOCKS", ("Which tanks stand in which block; say why, and what they share", "rests-on")
    yield "SPILL", ("Not answered: say that no water is shared, nor nets and hands unrinsed", "")
    yield (
        "CORRELATED",
        (
            "In part: the tanks of a block are joined by a line in the figures; no coefficient is given",
            "results",
        ),
    )


def _size(protocol: Protocol) -> tuple[str, str]:
    planning = protocol.planning
    if planning is not None and planning.effect is not None and planning.sd is not None:
        return (
            "In part: numbers as registered, with the effect and standard deviation assumed; say who decided",
            "registered",
        )
    return "In part: numbers as registered; why so many was not written down", "registered"


def _blinding(m: ReportMaterial) -> tuple[str, str]:
    if any("before data entry was closed" in line for line in (*m.deviations, *m.analysis.notes)):
        return (
            "Arms were looked at before data entry was closed; say who knew them while dosing and testing",
            "deviations",
        )
    return "Not answered: say who knew each tank's arm while dosing, testing and entering data", ""


def _harms(m: ReportMaterial) -> tuple[str, str]:
    safety = any(endpoint.role is EndpointRole.SAFETY for endpoint in m.analysis.endpoints)
    if safety and len(m.events):
        return "Safety endpoints, stop rules, and losses as recorded", "results"
    if safety or m.protocol.stop_rules:
        return "In part: safety endpoints and stop rules; losses were not taken in as events", "registered"
    return "Not answered: neither safety endpoints nor stop rules are registered", ""


def _concealed(m: ReportMaterial) -> tuple[str, str]:
    if not m.allocation.random:
        return "There was nothing to conceal: chance did not decide", "rests-on"
    if m.allocation.drawn and m.protocol.design.seed_from:
        return "The seed came from a public source after the protocol was sealed with its tanks", "rests-on"
    return "Not answered by the register; say how the coming arm was kept unknown", ""
