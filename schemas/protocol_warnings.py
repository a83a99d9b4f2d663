"""What a protocol without mistakes may still regret: sentences for the lead before it is sealed."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from math import ceil, comb, log2, prod
from typing import TYPE_CHECKING

from schemas.plain_words import counted, listed
from schemas.protocol import BASELINE_PHASE
from schemas.variables import variables_for
from schemas.vocabulary import ArmRole, DesignKind, EndpointRole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.protocol import Protocol

COLONISATION_DAYS = 21
"""Bacteria take three to four weeks to settle on a polymer: common practice, no source."""
WASHOUT_DAYS = 56
"""Biofilm and bound phosphate outlast a treatment by some eight weeks: common practice, no source."""
SERIES_DAYS = 5
"""Sampling days before and after, below which serial correlation cannot be told: common practice, no source."""
_WASHOUT_PHASE = "washout"


def warnings_for(protocol: Protocol) -> tuple[str, ...]:
    """Each warning as a sentence; none of them stops registration."""
    return (
        *_small(protocol),
        *_unsampled(protocol),
        *_early(protocol),
        *_carried_over(protocol),
        *_short_series(protocol),
        *_unguarded(protocol),
        *_seedless(protocol),
    )


def smallest_p(group_sizes: list[tuple[int, int]]) -> float:
    """The smallest two-sided p that an exact randomisation test of two arms can give.

    Parameters
    ----------
    group_sizes : list of tuple of int
        In each block (all tanks in one, without blocks) the tanks of the one arm and of the other.

    Returns
    -------
    float
        Two of the possible allocations are the most extreme, one in each direction, wherever the arms are
        of one size in every block; else one is. With n pairs that is ``2 / 2 ** n``.

    Examples
    --------
    >>> smallest_p([(1, 1)] * 5)
    0.0625
    """
    allocations = prod(comb(a + b, a) for a, b in group_sizes)
    extremes = 2 if all(a == b for a, b in group_sizes) else 1
    return extremes / allocations


def _small(protocol: Protocol) -> Iterator[str]:
    """A trial in which the randomisation test cannot reach the registered alpha, whatever is measured."""
    kind = protocol.design.kind
    if kind in {DesignKind.INCOMPLETE_BLOCKS, DesignKind.CROSSOVER}:
        return  # what these can reach depends on the sets and sequences that are drawn
    blocked = kind is DesignKind.BLOCKS
    blocks = Counter(tank.block if blocked else "" for tank in protocol.tanks)
    # Tanks beyond a whole round go to one arm each: the best that any two arms can get of a block.
    arms = len(protocol.arms)
    sizes = [(size // arms + (size % arms > 0), size // arms + (size % arms > 1)) for size in blocks.values()]
    reachable = smallest_p(sizes)
    alpha = protocol.analysis.alpha
    if reachable <= alpha:
        return
    remedy = {
        DesignKind.BLOCKS: f"with one tank of each arm in a block, {ceil(1 + log2(1 / alpha))} blocks are the fewest "
        "that can",
        DesignKind.BEFORE_AFTER: "what is found will hold for these systems only",
    }.get(kind, "more tanks in each arm would mend that")
    yield (
        f"With {counted(len(blocks), 'block') if blocked else counted(len(protocol.tanks), 'tank')}, the "
        f"exact two-sided randomisation test of two arms cannot give a p below {reachable:.4g}, which is above "
        f"alpha = {alpha:g}; {remedy}."
    )


def _unsampled(protocol: Protocol) -> Iterator[str]:
    sampled = {sampling.variable for sampling in protocol.schedule.sampling}
    read = variables_for(protocol)
    wanted = dict.fromkeys(e.variable for e in protocol.endpoints if e.variable in read)
    missing = [variable for variable in wanted if variable not in sampled]
    if missing:
        yield (
            f"No sampling days are registered for {listed(missing, 'and')}, so missing days cannot be counted; "
            "add them to sampling."
        )


def _early(protocol: Protocol) -> Iterator[str]:
    """Phases that are assessed before carbon can have had its effect."""
    if not _doses_carbon(protocol):
        return
    baseline = protocol.phase_days.get(BASELINE_PHASE)
    first_dose = baseline[1] if baseline else protocol.schedule.start
    assessed = dict.fromkeys(
        endpoint.phase for endpoint in protocol.endpoints if endpoint.role is not EndpointRole.SAFETY
    )
    for phase in assessed:
        days = (protocol.phase_days[phase][0] - first_dose) // dt.timedelta(days=1)
        if days < COLONISATION_DAYS:
            yield (
                f"The phase {phase} begins {counted(max(days, 0), 'day')} after the first dose, though bacteria "
                "take three to four weeks to settle on a polymer (common practice); a ramp of four weeks before "
                "it keeps them out of the comparison."
            )


def _carried_over(protocol: Protocol) -> Iterator[str]:
    """Periods that follow one another before what the last one left behind is gone."""
    if protocol.design.kind is not DesignKind.CROSSOVER:
        return
    phase = sum(phase.days for phase in protocol.schedule.phases if phase.id == _WASHOUT_PHASE)
    days = phase + (protocol.design.washout_days or 0)
    if days < WASHOUT_DAYS:
        yield (
            f"The washout between periods has {counted(days, 'day')}, though biofilm and bound phosphate outlast a "
            f"treatment by some eight weeks (common practice); {WASHOUT_DAYS} days keep what one arm leaves behind "
            "from being counted for the next."
        )


def _short_series(protocol: Protocol) -> Iterator[str]:
    """Series before and after in which one day's water leans on the last one's, and nobody could tell how much."""
    if protocol.design.kind is not DesignKind.BEFORE_AFTER:
        return
    for endpoint in protocol.endpoints:
        due = protocol.due_days(endpoint.variable)
        counts = {
            phase: sum(first <= day < after for day in due)
            for phase in (BASELINE_PHASE, endpoint.phase)
            for first, after in [protocol.phase_days[phase]]
        }
        few = [f"{counted(count, 'sampling day')} in the {phase}" for phase, count in counts.items()]
        if due and min(counts.values()) < SERIES_DAYS:
            yield (
                f"The endpoint {endpoint.id} has {listed(few, 'and')}; with fewer than {SERIES_DAYS} before or after, "
                "how much one day's reading leans on the last cannot be told, and that widens every interval."
            )


def _unguarded(protocol: Protocol) -> Iterator[str]:
    """Carbon dosed without an eye on what it can do to animals or on what stalls it."""
    if not _doses_carbon(protocol):
        return
    if not protocol.stop_rules:
        yield (
            "An arm doses carbon and no stop rule is written; a rule on phosphate and one on oxygen protect the "
            "animals, and a vet or another licensed person should see them."
        )
    sampled = {sampling.variable for sampling in protocol.schedule.sampling}
    nitrate = any(endpoint.variable == "nitrate" for endpoint in protocol.endpoints)
    if nitrate and sampled and "phosphate" not in sampled:
        yield (
            "Phosphate is not sampled: if it runs out, nitrate stops falling, and that could not be told from a "
            "treatment that does not work."
        )


def _doses_carbon(protocol: Protocol) -> bool:
    return any(arm.role is ArmRole.TEST and arm.carbon is not None for arm in protocol.arms)


def _seedless(protocol: Protocol) -> Iterator[str]:
    if protocol.design.seed is None and protocol.design.seed_from is None:
        yield (
            "Neither seed_from nor seed is written, so the allocation will have to be recorded as made elsewhere."
        )
