"""Rules on endpoints, contrasts and planning: whether each question can be answered as it is put."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.not_yet import NOT_YET
from schemas.plain_words import quoted
from schemas.protocol import BASELINE_PHASE, RAMP_PHASE
from schemas.protocol_draft import number, text, word
from schemas.protocol_names import duplicates, unknown, unknown_variable
from schemas.protocol_places import Fault, Path
from schemas.vocabulary import Baseline, Better, EndpointRole, Scale, Summary

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.protocol_draft import Draft, Row


def endpoint_faults(draft: Draft) -> list[Fault]:
    """Faults of endpoints, contrasts and planning that are seen only across keys."""
    faults = duplicates(draft.rows("endpoints"), ("endpoints",), "id", "endpoint")
    for position, row in draft.rows("endpoints"):
        path = ("endpoints", position)
        faults += [
            *_variable(draft, path, row),
            *_phase(draft, path, row),
            *_ratio(draft, path, row),
            *_baseline(draft, path, row),
            *_worthwhile(path, row),
            *_target(path, row),
        ]
    return [*faults, *_primary(draft), *_contrasts(draft), *_planning(draft)]


def _primary(draft: Draft) -> Iterator[Fault]:
    if not draft.is_list("endpoints"):
        return
    rows = draft.rows("endpoints")
    roles = [word(row, "role", EndpointRole) for _, row in rows]
    if not rows:
        yield Fault(
            ("endpoints",), "has no endpoint", "write down what the trial asks, before it is measured"
        )
    elif None not in roles and EndpointRole.PRIMARY not in roles:
        yield Fault(
            ("endpoints",),
            "none is primary",
            'give the endpoint that decides the question role = "primary"',
        )


def _variable(draft: Draft, path: Path, row: Row) -> Iterator[Fault]:
    name = text(row, "variable")
    fault = unknown_variable((*path, "variable"), name, draft) if name else None
    if fault:
        yield fault


def _phase(draft: Draft, path: Path, row: Row) -> Iterator[Fault]:
    phase = text(row, "phase")
    if phase is None or not draft.phases or not draft.are_named(draft.table("schedule").get("phases")):
        return
    if phase not in draft.phase_ids:
        yield unknown((*path, "phase"), phase, "phase", draft.phase_ids)
    elif word(row, "role", EndpointRole) in {EndpointRole.PRIMARY, EndpointRole.SECONDARY}:
        why = {
            RAMP_PHASE: "the ramp, while the treatment grows in, is not assessed",
            BASELINE_PHASE: "the baseline comes before any treatment",
        }.get(phase)
        if why:
            yield Fault(
                (*path, "phase"),
                f"{quoted(phase)} cannot answer a primary or secondary endpoint",
                f"name a later phase, for {why}",
            )


def _ratio(draft: Draft, path: Path, row: Row) -> Iterator[Fault]:
    if word(row, "scale", Scale, Scale.DIFFERENCE) != Scale.RATIO:
        return
    summary = word(row, "summary", Summary)
    if summary in {Summary.CHANGE, Summary.SLOPE}:
        yield Fault(
            (*path, "scale"),
            f'"ratio" does not fit a {summary}, which can be 0 or below',
            'use scale = "difference", or the mean with baseline = "adjust"',
        )
    name = text(row, "variable")
    variable = draft.variables.get(name) if name else None
    if variable is None:
        return
    if not variable.true_zero:
        yield Fault(
            (*path, "scale"),
            f'"ratio" means nothing for {name}, whose zero is only a convention',
            'use scale = "difference"',
        )
    elif variable.can_be_zero_or_below:
        yield Fault(
            (*path, "scale"),
            f'"ratio" does not fit {name}, which can be {variable.hard[0]:g}',
            'use scale = "difference", or a lower hard bound above 0 if it never gets there',
        )


def _baseline(draft: Draft, path: Path, row: Row) -> Iterator[Fault]:
    baseline = word(row, "baseline", Baseline, Baseline.NONE)
    if baseline not in {Baseline.CHANGE, Baseline.ADJUST}:
        return
    where = (*path, "baseline")
    named = draft.are_named(draft.table("schedule").get("phases"))
    if named and draft.phases and BASELINE_PHASE not in draft.phase_ids:
        yield Fault(
            where,
            f"{quoted(baseline)} needs a phase of the id {quoted(BASELINE_PHASE)}, and there is none",
            'add that phase before treatment begins, or use baseline = "none"',
        )
    elif row.get("phase") == BASELINE_PHASE:
        yield Fault(
            where, f"{quoted(baseline)} would hold the baseline against itself", 'use baseline = "none"'
        )
    if baseline == Baseline.CHANGE and word(row, "summary", Summary) == Summary.CHANGE:
        yield Fault(
            where,
            '"change" is asked for twice, by the summary as well',
            'use summary = "mean" for the change from the baseline, or baseline = "adjust"',
        )


def _worthwhile(path: Path, row: Row) -> Iterator[Fault]:
    where = (*path, "worthwhile")
    scale = word(row, "scale", Scale, Scale.DIFFERENCE)
    if "worthwhile" not in row:
        if row.get("role") == EndpointRole.PRIMARY:
            yield Fault(
                where,
                "is missing",
                "write the smallest difference that would be worth having, before looking",
            )
        return
    value = number(row, "worthwhile")
    better = word(row, "better", Better)
    if value is None or scale is None:
        return
    if scale == Scale.RATIO:
        yield from _worthwhile_ratio(where, value, better)
    elif value == 0:
        yield Fault(where, "is 0", "write the smallest difference that would be worth having, in the unit")
    elif value < 0 and better == Better.HIGHER:
        yield Fault(
            where, f"is {value:g}, a fall, though higher is better", "write it without sign, or mend better"
        )


def _worthwhile_ratio(where: Path, value: float, better: str | None) -> Iterator[Fault]:
    example = "such as 0.80 for 20 % lower" if better == Better.LOWER else "such as 1.25 for 25 % higher"
    if value <= 0:
        yield Fault(where, f"is {value:g}", f"write a ratio above 0, {example}")
    elif value == 1:
        yield Fault(where, "is 1, which is no difference", f"write a ratio, {example}")
    elif better == Better.LOWER and value > 1:
        yield Fault(
            where, f"is {value:g}, a rise, though lower is better", f"write a ratio below 1, {example}"
        )
    elif better == Better.HIGHER and value < 1:
        yield Fault(
            where, f"is {value:g}, a fall, though higher is better", f"write a ratio above 1, {example}"
        )


def _target(path: Path, row: Row) -> Iterator[Fault]:
    summary = word(row, "summary", Summary)
    if summary is None:
        return
    if "target" in row and summary != Summary.DAYS_TO_TARGET:
        yield Fault(
            (*path, "target"),
            f'does not belong to the summary "{summary}"',
            f'leave it out; it is for "{Summary.DAYS_TO_TARGET}" only',
        )
    needed = summary == Summary.DAYS_TO_TARGET and summary not in NOT_YET["endpoints.summary"]
    if needed and "target" not in row:
        yield Fault((*path, "target"), "is missing", "write the value to be reached, in the variable's unit")


def _contrasts(draft: Draft) -> Iterator[Fault]:
    pairs = draft.table("analysis").get("contrasts")
    seen: set[frozenset[str]] = set()
    for position, pair in enumerate(pairs if isinstance(pairs, list) else []):
        path = ("analysis", "contrasts", position)
        if not isinstance(pair, list) or len(pair) != 2 or not all(isinstance(arm, str) for arm in pair):
            continue
        if draft.arm_ids and draft.are_named(draft.raw.get("arms")):
            strangers = [(side, arm) for side, arm in enumerate(pair) if arm not in draft.arm_ids]
            yield from (unknown((*path, side), arm, "arm", draft.arm_ids) for side, arm in strangers)
        if pair[0] == pair[1]:
            yield Fault(path, f"compares {quoted(pair[0])} with itself", "name two arms")
        elif frozenset(pair) in seen:
            yield Fault(path, f"compares {pair[0]} with {pair[1]} a second time", "leave it out")
        seen.add(frozenset(pair))


def _planning(draft: Draft) -> Iterator[Fault]:
    effect = number(draft.table("planning"), "effect")
    scales = {
        word(row, "scale", Scale, Scale.DIFFERENCE)
        for _, row in draft.rows("endpoints")
        if row.get("role") == EndpointRole.PRIMARY
    }
    if effect is not None and effect <= 0 and scales == {Scale.RATIO}:
        yield Fault(
            ("planning", "effect"), f"is {effect:g}", "write a ratio above 0, as the endpoint's scale is"
        )
