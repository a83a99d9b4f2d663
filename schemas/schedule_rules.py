"""Rules on the schedule: the order of phases, and whether anything is measured in those that count."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from typing import TYPE_CHECKING

from schemas.plain_words import counted, listed, quoted
from schemas.protocol import BASELINE_PHASE, RAMP_PHASE
from schemas.protocol_draft import CENTURY, days, text, word
from schemas.protocol_names import duplicates, unknown_variable
from schemas.protocol_places import Fault
from schemas.vocabulary import Baseline, DesignKind, Summary

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.protocol_draft import Draft, Row

PHASE_ORDER = (BASELINE_PHASE, RAMP_PHASE, "assessment", "washout")
_YEARS = range(1950, 2100)
_TWO_DAYS = frozenset({Summary.CHANGE, Summary.SLOPE, Summary.AUC})


def schedule_faults(draft: Draft) -> list[Fault]:
    """Faults of the schedule that are seen only across keys."""
    sampling = draft.rows("sampling", draft.table("schedule"))
    unknown = (
        unknown_variable(("schedule", "sampling", position, "variable"), name, draft)
        for position, row in sampling
        if (name := text(row, "variable"))
    )
    return [
        *_start(draft),
        *duplicates(draft.phases, ("schedule", "phases"), "id", "phase"),
        *_order(draft),
        *filter(None, unknown),
        *duplicates(sampling, ("schedule", "sampling"), "variable", "entry"),
        *_unsampled(draft),
    ]


def _start(draft: Draft) -> Iterator[Fault]:
    start = draft.table("schedule").get("start")
    if isinstance(start, dt.datetime):
        yield Fault(
            ("schedule", "start"), f"{start} has a time of day", f"write the day alone: {start.date()}"
        )
    elif isinstance(start, dt.date) and start.year not in _YEARS:
        yield Fault(("schedule", "start"), f"lies in the year {start.year}", "check the year")


def _order(draft: Draft) -> Iterator[Fault]:
    phases = draft.table("schedule").get("phases")
    if phases == []:
        yield Fault(
            ("schedule", "phases"),
            "is empty",
            f"name the phases in order, such as {listed(PHASE_ORDER, 'and')}",
        )
    length = sum(days(phase, "days") or 0 for _, phase in draft.phases)
    if length > CENTURY:
        yield Fault(
            ("schedule", "phases"), f"last {length} days in all", "check the lengths, which are in days"
        )
    known = [(position, phase["id"]) for position, phase in draft.phases if phase.get("id") in PHASE_ORDER]
    for (_, before), (position, phase) in pairwise(known):
        if PHASE_ORDER.index(phase) < PHASE_ORDER.index(before):
            yield Fault(
                ("schedule", "phases", position, "id"),
                f"{quoted(phase)} comes after {quoted(before)}",
                f"the order is {listed(PHASE_ORDER, 'and')}",
            )


def _unsampled(draft: Draft) -> Iterator[Fault]:
    """Phases that an endpoint uses and that end before its variable has been measured often enough."""
    needs: dict[tuple[str, str], tuple[int, str]] = {}
    for _, endpoint in draft.rows("endpoints"):
        variable = text(endpoint, "variable")
        if variable is None or variable not in draft.every_days:
            continue
        for phase, need in _needs(draft, endpoint):
            needs[phase, variable] = max(need, needs.get((phase, variable), (0, "")))
    positions = {phase["id"]: position for position, phase in reversed(draft.phases) if text(phase, "id")}
    for (phase, variable), (wanted, why) in needs.items():
        if phase not in draft.windows:
            continue
        first, after = draft.windows[phase]
        found = draft.sampled_days(variable, phase)
        if found < wanted:
            yield Fault(
                ("schedule", "phases", positions[phase], "days"),
                f"{counted(after - first, 'day')} hold {counted(found, 'sampling day')} of {variable}, which is "
                f"measured every {draft.every_days[variable]} days" + (f", and {why}" if why else ""),
                "make the phase longer or sample more often",
            )


def _needs(draft: Draft, endpoint: Row) -> Iterator[tuple[str, tuple[int, str]]]:
    """The phases that an endpoint uses, each with the sampling days it needs there, and why."""
    phase, summary = text(endpoint, "phase"), word(endpoint, "summary", Summary)
    two = (2, f"the summary {summary} needs two")
    need = two if summary in _TWO_DAYS else (1, "")
    held = days(endpoint, "held") or 1
    if summary == Summary.DAYS_TO_TARGET and held > 1:
        need = (held, f"the target has to be met on {held} in a row")
    if draft.kind == DesignKind.BEFORE_AFTER:
        series = (2, "a series before and after needs two of each")
        yield BASELINE_PHASE, series
        need = max(need, series)
    if phase:
        yield phase, need
    if word(endpoint, "baseline", Baseline, Baseline.NONE) in {Baseline.ADJUST, Baseline.CHANGE}:
        yield BASELINE_PHASE, two if summary == Summary.SLOPE else (1, "")
