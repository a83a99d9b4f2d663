"""What a reader of a result must know beside the numbers: one sentence each, computed from the records."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.numerals import count
from schemas.derived_variables import DerivedVariable
from schemas.vocabulary import Baseline, EndpointRole, Scale, Summary

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from analysis.records import Contrast, EndpointResult, TippingTable
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from schemas.variables import Variable


_WIDE = 1.5
"""Dispersion from which tanks' counts are said to differ more than chance (common practice, no source)."""


def trial_notes(protocol: Protocol, allocation: Allocation) -> Iterator[str]:
    """Notes on the whole trial: how the tanks were shared out, and who chose the seed."""
    if not allocation.random:
        yield (
            "Observational: chance did not decide which tank had which arm, so there is no randomisation test, "
            "and differences may come from how the tanks were chosen."
        )
    elif not allocation.drawn:
        yield f"The allocation was not drawn here; it was recorded as made by other means: {allocation.how}."
    elif protocol.design.seed is not None:
        yield "The seed was written in the protocol by the trial's lead before the draw."
    yield from allocation.notes


def treated_notes(allocation: Allocation, treated_as: Mapping[str, str]) -> Iterator[str]:
    """Notes on the tanks that were treated as another arm than theirs."""
    for assignment in allocation.assignments:
        arm = treated_as.get(assignment.tank, assignment.arm)
        if arm != assignment.arm:
            yield (
                f"Tank {assignment.tank} was allocated to {assignment.arm} and treated as {arm}: the registered analysis "
                "counts it as allocated, and the analysis as treated stands beside."
            )


def endpoint_notes(result: EndpointResult, variable: Variable) -> Iterator[str]:
    """Notes on one endpoint; what turns on censored readings comes first."""
    for contrast in result.contrasts:
        yield from _censoring_note(contrast)
    if result.role is not EndpointRole.PRIMARY:
        yield "Exploratory: not a primary endpoint, so it can suggest but not settle."
    yield from _variable_notes(result, variable)
    missing = [tank for tank in result.tanks if tank.y is None]
    for tank in missing[:20]:
        yield f"Tank {tank.tank} ({tank.arm}) has no number: {tank.why_missing}."
    if len(missing) > 20:
        yield f"{len(missing) - 20} more tanks have no number; the table of tanks has them all."
    for contrast in result.contrasts:
        yield from _contrast_notes(contrast, result)
    yield from _kind_notes(result)
    for table in result.tipping:
        yield _tipping_note(table, result)
    if result.summary is Summary.AUC and len({tank.days for tank in result.tanks if tank.days}) > 1:
        yield "Tanks were sampled on different numbers of days, so their areas cover different spans."
    if result.baseline is Baseline.ADJUST and any(
        tank.baseline_lowest != tank.baseline for tank in result.tanks
    ):
        yield "Some baselines hold censored readings; the range of a contrast takes them as they stand."


def _variable_notes(result: EndpointResult, variable: Variable) -> Iterator[str]:
    """How the variable was worked out, and what readings beyond a kit's limit did to it."""
    censored = sum(tank.censored for tank in result.tanks)
    if isinstance(variable, DerivedVariable):
        yield f"{variable.title}, from {variable.from_what}. {variable.computed}; {variable.source}."
        if censored:
            yield (
                f"{count(censored, 'sampling day')} that this rests on hold a reading beyond a kit's limit, taken at the "
                "middle of what it allows; each contrast carries the range that they allow."
            )
        return
    if censored:
        floor = 0.0 if variable.zero_is_censored else variable.hard[0]
        yield (
            f"{censored} readings below or above a kit's limit enter at the middle between {floor:g} "
            f"{variable.unit} and the limit, or at the limit when above; each contrast carries the range they allow."
        )


def _longest(result: EndpointResult) -> int:
    """The most days that any tank's count is over."""
    return max((tank.exposure or 0 for tank in result.tanks), default=0)


def _kind_notes(result: EndpointResult) -> Iterator[str]:
    """What the kind of the endpoint brings with it."""
    if result.summary is Summary.COUNT:
        yield "Events are compared over the tank-days of every tank of which anything in the phase is known."
        short = [tank for tank in result.tanks if tank.exposure and tank.exposure < _longest(result)]
        if short:
            days = sum(tank.exposure or 0 for tank in short)
            yield (
                f"{count(len(short), 'tank')} left before the end of the phase and {'counts' if len(short) == 1 else 'count'} "
                f"until then, for {count(days, 'day')} together."
            )
        if result.overdispersion is not None and result.overdispersion > _WIDE:
            yield (
                f"Tanks differ more than independent events would (dispersion {result.overdispersion:.2g}): the exact "
                "test is then too sure of itself."
            )
    if result.curves:
        yield (
            "A tank is known to have met its target between two sampling days; it counts from the day that showed it, "
            f"and days beyond {result.horizon:g} are not compared."
        )
    if result.carry_over is not None and result.carry_over.p is not None:
        yield (
            f"Carry-over from one period to the next: F {result.carry_over.f:.3g}, p {result.carry_over.p:.2g}. It is "
            "stated and decides nothing: the registered comparison stands either way."
        )


def _tipping_note(table: TippingTable, result: EndpointResult) -> str:
    """How far the missing tanks of an arm would have to be from the others to turn a reading."""
    name = f"{table.test} against {table.reference}"
    tanks = "the missing tank" if table.tanks == 1 else f"the {table.tanks} missing tanks"
    turns = [shift for shift in (table.down, table.up) if shift is not None]
    unit = "" if result.unit == "1" else f" {result.unit}"
    if not turns:
        return f"{name}: whatever {tanks} of {table.arm} did, as far as the table goes, the reading holds."
    if result.scale is Scale.RATIO:
        where = " or ".join(f"{shift:.3g} times" for shift in turns)
        return f"{name}: the reading would turn if {tanks} of {table.arm} came to {where} what the others suggest."
    where = " or ".join(f"{abs(shift):.3g}{unit} {'below' if shift < 0 else 'above'}" for shift in turns)
    return (
        f"{name}: the reading would turn if {tanks} of {table.arm} came to {where} what the others suggest."
    )


def _censoring_note(contrast: Contrast) -> Iterator[str]:
    censoring = contrast.censoring
    if censoring is None or not censoring.n_censored:
        return
    turned = [verdict for verdict in censoring.verdicts if verdict is not contrast.verdict]
    if not turned or contrast.verdict is None:
        return
    others = sorted({f'"{verdict}"' if verdict else "no reading at all" for verdict in turned})
    yield (
        f"The conclusion for {contrast.test} against {contrast.reference} turns on readings below or above a kit's "
        f'limit: it is "{contrast.verdict}" as they stand, and could be {" or ".join(others)}.'
    )


def _contrast_notes(contrast: Contrast, result: EndpointResult) -> Iterator[str]:
    name = f"{contrast.test} against {contrast.reference}"
    if result.summary is Summary.COUNT:
        if contrast.n and contrast.estimate is None:
            yield f"{name}: nothing to divide by, the latter had no event; the limits say what is not ruled out."
    elif contrast.estimate is None:
        yield (
            f"{name}: nothing to compare, no block holds both arms with a number."
            if result.n_blocks
            else (f"{name}: nothing to compare, an arm has no tank with a number.")
        )
    elif contrast.se is None:
        yield f"{name}: too few tanks for an interval; the estimate stands alone."
    elif contrast.se == 0:
        yield f"{name}: every difference is the same number, so there is no error to test against."
    randomisation = contrast.randomisation
    if randomisation and randomisation.smallest_p > result.alpha:
        yield (
            f"{name}: the smallest p that this allocation can reach is {randomisation.smallest_p:.3g}, "
            f"above {result.alpha:g}: the randomisation test can never find a difference here."
        )
