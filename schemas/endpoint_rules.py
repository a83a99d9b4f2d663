"""Rules on endpoints, contrasts and planning: whether each question can be answered as it is put."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.derived_variables import DerivedVariable
from schemas.plain_words import listed, quoted
from schemas.protocol import BASELINE_PHASE, RAMP_PHASE
from schemas.protocol_draft import number, text, word
from schemas.protocol_names import duplicates, unknown, unknown_variable
from schemas.protocol_places import Fault, Path
from schemas.vocabulary import Baseline, Better, DesignKind, EndpointRole, Multiplicity, Scale, Summary

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.protocol_draft import Draft, Row

_WITHOUT_BASELINE = frozenset({Summary.DAYS_TO_TARGET, Summary.COUNT})
"""Summaries with tests of their own, in which no baseline has a place."""


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
            *_target(draft, path, row),
            *_count(draft, path, row),
            *_design(draft, path, row),
            *_derived(draft, path, row),
        ]
    return [*faults, *_primary(draft), *_contrasts(draft), *_dunnett(draft), *_planning(draft)]


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
    if name and name not in draft.endpoint_variables:
        fault = unknown_variable((*path, "variable"), name, draft)
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
    if summary == Summary.DAYS_TO_TARGET:
        yield Fault(
            (*path, "scale"),
            f'"ratio" does not fit {Summary.DAYS_TO_TARGET}, which is compared in days',
            'use scale = "difference"',
        )
        return
    name = text(row, "variable")
    variable = draft.endpoint_variables.get(name) if name else None
    if variable is None:
        return
    if not variable.true_zero:
        yield Fault(
            (*path, "scale"),
            f'"ratio" means nothing for {name}, whose zero is only a convention',
            'use scale = "difference"',
        )
    elif variable.can_be_zero_or_below and isinstance(variable, DerivedVariable):
        if variable.summaries != (Summary.COUNT,):
            yield Fault(
                (*path, "scale"),
                f'"ratio" does not fit {name}, which is 0 or below in some tanks',
                'use scale = "difference"',
            )
    elif variable.can_be_zero_or_below and summary != Summary.COUNT:  # a ratio of rates may come of zeros
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
    summary = word(row, "summary", Summary)
    if summary in _WITHOUT_BASELINE:
        yield Fault(
            where, f'{quoted(baseline)} does not fit the summary "{summary}"', 'use baseline = "none"'
        )
        return
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
    if baseline == Baseline.CHANGE and summary == Summary.CHANGE:
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
    elif value < 0 and better == Better.HIGHER and row.get("summary") != Summary.DAYS_TO_TARGET:
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


def _target(draft: Draft, path: Path, row: Row) -> Iterator[Fault]:
    summary = word(row, "summary", Summary)
    if summary is None:
        return
    if summary != Summary.DAYS_TO_TARGET:
        for key in ("target", "held"):
            if key in row:
                yield Fault(
                    (*path, key),
                    f'does not belong to the summary "{summary}"',
                    f'leave it out; it is for "{Summary.DAYS_TO_TARGET}" only',
                )
        return
    if "target" not in row:
        yield Fault((*path, "target"), "is missing", "write the value to be reached, in the variable's unit")
    target, better, name = number(row, "target"), word(row, "better", Better), text(row, "variable")
    variable = draft.endpoint_variables.get(name) if name else None
    if target is None or better is None or variable is None:
        return
    low, high = variable.hard
    if not (low <= target < high if better == Better.LOWER else low < target <= high):
        yield Fault(
            (*path, "target"),
            f"{target:g} can never tell anything, for {name} lies between {low:g} and {high:g} {variable.unit}",
            "check the unit, and that better is the right way round",
        )


def _design(draft: Draft, path: Path, row: Row) -> Iterator[Fault]:
    """Summaries and baselines that a design's analysis has no place for, so that none is analysed as another."""
    summary = word(row, "summary", Summary)
    kind = draft.kind
    if kind == DesignKind.BEFORE_AFTER and summary not in {None, Summary.MEAN}:
        yield Fault(
            (*path, "summary"),
            f'"{summary}" does not fit a design of kind "{kind}", which compares days after with days before',
            f'use summary = "{Summary.MEAN}"',
        )
    elif kind == DesignKind.CROSSOVER and summary in _WITHOUT_BASELINE:
        yield Fault(
            (*path, "summary"),
            f'"{summary}" does not fit a design of kind "{kind}", where a tank has one number a period',
            f'use summary = "{Summary.MEAN}", or a design in blocks',
        )
    if kind == DesignKind.BEFORE_AFTER and word(row, "baseline", Baseline) == Baseline.ADJUST:
        yield Fault(
            (*path, "baseline"),
            f'"{Baseline.ADJUST}" does not fit a design of kind "{kind}", which is itself a change from the baseline',
            f'use baseline = "{Baseline.CHANGE}"',
        )


def _count(draft: Draft, path: Path, row: Row) -> Iterator[Fault]:
    """A count is a sum of whole numbers: losses, faults, days of stall."""
    name = text(row, "variable")
    variable = draft.endpoint_variables.get(name) if name else None
    if word(row, "summary", Summary) != Summary.COUNT or variable is None:
        return
    found = None
    if variable.unit != "1":
        found = f"{name} is measured in {variable.unit}"
    elif variable.hard[0] < 0:
        found = f"{name} can be {variable.hard[0]:g}"
    elif variable.resolution is not None and not variable.resolution.is_integer():
        found = f"{name} is read in steps of {variable.resolution:g}"
    if found:
        yield Fault(
            (*path, "variable"),
            f'{found}, and the summary "{Summary.COUNT}" adds up whole numbers',
            'name a variable with unit = "1", a lower hard bound of 0 or more, and whole steps',
        )
    elif word(row, "scale", Scale, Scale.DIFFERENCE) == Scale.DIFFERENCE:
        # Counts are compared as rates: a worthwhile difference in events would be read against a ratio.
        yield Fault(
            (*path, "scale"),
            f'"{Scale.DIFFERENCE}" does not fit the summary "{Summary.COUNT}", whose rates are compared as a ratio',
            'write scale = "ratio", with worthwhile as a ratio of rates',
        )


def _derived(draft: Draft, path: Path, row: Row) -> Iterator[Fault]:
    """What an endpoint on a variable that is worked out of events needs, and cannot be."""
    name = text(row, "variable")
    variable = draft.endpoint_variables.get(name) if name else None
    if not isinstance(variable, DerivedVariable):
        return
    summary = word(row, "summary", Summary)
    if row.get("role") == EndpointRole.PRIMARY:
        yield Fault(
            (*path, "role"),
            f'"{EndpointRole.PRIMARY}" does not fit {name}, which is worked out from {variable.from_what}',
            "let a variable that is read decide the question, and make this one secondary or safety",
        )
    if summary is not None and summary not in variable.summaries:
        yield Fault(
            (*path, "summary"),
            f'"{summary}" does not fit {name}, which is one number a tank and phase',
            f'use summary = "{variable.summaries[0]}"',
        )
    if draft.kind == DesignKind.BEFORE_AFTER:
        yield Fault(
            (*path, "variable"),
            f'{name} has no days of its own, which a design of kind "{draft.kind}" compares',
            "name a variable that is read",
        )
    if variable.of_carbon and word(row, "baseline", Baseline) in {Baseline.CHANGE, Baseline.ADJUST}:
        yield Fault(
            (*path, "baseline"),
            f"{name} has no baseline, before any carbon is given",
            'use baseline = "none"',
        )
    yield from _rests_on(draft, path, variable)


def _rests_on(draft: Draft, path: Path, variable: DerivedVariable) -> Iterator[Fault]:
    """Sampling, and volumes of tanks, without which nothing can be worked out."""
    if draft.is_list("tanks") and variable.by_volume:
        bare = [text(tank, "id") for _, tank in draft.rows("tanks") if number(tank, "volume_L") is None]
        if bare:
            others = f" and {len(bare) - 1} more" if len(bare) > 1 else ""
            yield Fault(
                (*path, "variable"),
                f"{variable.id} is counted by litre, and tank {bare[0]}{others} has no volume_L",
                "write the net litres of every tank",
            )
    sampling = draft.table("schedule").get("sampling")
    for name in variable.reads if isinstance(sampling, list) else ():
        if name not in draft.every_days:
            yield Fault(
                (*path, "variable"),
                f"{variable.id} rests on readings of {name}, which the schedule does not sample",
                f'add {{ variable = "{name}", every_days = 7 }} to the sampling',
            )


def _dunnett(draft: Draft) -> Iterator[Fault]:
    path = ("analysis", "multiplicity")
    if draft.table("analysis").get("multiplicity") != Multiplicity.DUNNETT:
        return
    if draft.kind == DesignKind.BEFORE_AFTER:
        yield Fault(
            path,
            f'"{Multiplicity.DUNNETT}" rests on one model of all arms, which a design of kind "{draft.kind}" has not',
            f'use "{Multiplicity.HOLM}"',
        )
        return
    pairs = draft.table("analysis").get("contrasts")
    references = [pair[1] for pair in pairs if _is_pair(pair)] if isinstance(pairs, list) else []
    if len(set(references)) > 1:
        yield Fault(
            path,
            f'"{Multiplicity.DUNNETT}" compares every arm with one, and the contrasts compare with '
            f"{listed(dict.fromkeys(references), 'and')}",
            f'let all contrasts have one reference, or use "{Multiplicity.HOLM}"',
        )
    for _, row in draft.rows("endpoints"):
        summary = word(row, "summary", Summary)
        if row.get("role") == EndpointRole.PRIMARY and summary in _WITHOUT_BASELINE:
            yield Fault(
                path,
                f'"{Multiplicity.DUNNETT}" rests on the t distribution, which a primary endpoint with the '
                f'summary "{summary}" has no use for',
                f'use "{Multiplicity.HOLM}"',
            )
            return


def _is_pair(pair: object) -> bool:
    return isinstance(pair, list) and len(pair) == 2 and all(isinstance(arm, str) for arm in pair)


def _contrasts(draft: Draft) -> Iterator[Fault]:
    pairs = draft.table("analysis").get("contrasts")
    seen: set[frozenset[str]] = set()
    for position, pair in enumerate(pairs if isinstance(pairs, list) else []):
        path = ("analysis", "contrasts", position)
        if not _is_pair(pair):
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
