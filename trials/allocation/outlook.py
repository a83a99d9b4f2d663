"""What the draw of a protocol will be able to reach, known before its seed is."""

from __future__ import annotations

import math
from collections import defaultdict
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from analysis.designs import described
from schemas.errors import Mistake
from schemas.plain_words import counted
from schemas.protocol_warnings import smallest_p
from schemas.vocabulary import DesignKind
from trials.allocation.drawing import assigned
from trials.allocation.evenness import crossover_evenness
from trials.allocation.ranking import rehearsed

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from analysis.designs import IncompleteSets
    from schemas.protocol import Protocol
    from trials.allocation.ranking import Derivation


def mistakes(protocol: Protocol) -> list[Mistake]:
    """Find a draw of incomplete blocks or of a crossover after which some arms could not be compared."""
    if not _is_drawn_by_sets(protocol):
        return []
    derived = rehearsed(protocol)
    crossover = protocol.design.kind is DesignKind.CROSSOVER
    joined = _crossover_joins(protocol, derived) if crossover else _sets(protocol, derived).connected
    if joined:
        return []
    tanks = counted(len(protocol.tanks), "tank")
    return [
        Mistake(
            "tanks",
            f"the draw of {tanks} leaves arms that cannot be compared, even through a third",
            "add tanks" if crossover else "add blocks or tanks",
        )
    ]


def warnings(protocol: Protocol) -> list[str]:
    """Say where sets or sequences cannot be balanced, and which comparisons chance can never decide."""
    if not _is_drawn_by_sets(protocol):
        return []
    derived = rehearsed(protocol)
    if protocol.design.kind is DesignKind.CROSSOVER:
        arms = {tank.tank: tank.arms for tank in derived.tanks}
        even = crossover_evenness(protocol, assigned(protocol, arms))
        uneven = [] if even.startswith("Balanced") else [even]
        return [*_as_drawn(uneven), *_crossover_reach(protocol, derived)]
    uneven = [] if _sets(protocol, derived).balanced else [*derived.notes]
    return [*_as_drawn(uneven), *_sets_reach(protocol, derived)]


def _is_drawn_by_sets(protocol: Protocol) -> bool:
    design = protocol.design
    by_sets = design.kind in {DesignKind.INCOMPLETE_BLOCKS, DesignKind.CROSSOVER}
    return by_sets and (design.seed is not None or design.seed_from is not None)


def _as_drawn(sentences: Iterable[str]) -> Iterator[str]:
    return (f"The draw as planned is {sentence[0].lower()}{sentence[1:]}" for sentence in sentences)


def _sets(protocol: Protocol, derived: Derivation) -> IncompleteSets:
    arms = [arm.id for arm in protocol.arms]
    return described(len(arms), [tuple(arms.index(arm) for arm in arm_set) for arm_set in derived.given])


def _crossover_joins(protocol: Protocol, derived: Derivation) -> bool:
    """Whether every difference of arms can be told from those of tanks and periods."""
    arms = [arm.id for arm in protocol.arms]
    apart = bool(protocol.schedule.starts)
    tanks = list(enumerate(derived.tanks))
    labels = [
        (row, (tank.block if apart else "", period), arms.index(arm))
        for row, tank in tanks
        for period, arm in enumerate(tank.arms)
    ]
    columns = [
        np.array([label[part] == value for label in labels])
        for part in (0, 1)
        for value in _values(labels, part)
    ]
    nuisance = np.column_stack(columns).astype(float)
    whole = np.column_stack([nuisance, *([label[2] == arm for label in labels] for arm in range(len(arms)))])
    gained = np.linalg.matrix_rank(whole.astype(float)) - np.linalg.matrix_rank(nuisance)
    return bool(gained == len(arms) - 1)


def _values(labels: list[tuple[int, tuple[str, int], int]], part: int) -> list[object]:
    return list(dict.fromkeys(label[part] for label in labels))


def _sets_reach(protocol: Protocol, derived: Derivation) -> Iterator[str]:
    """Comparisons with too few blocks that hold both arms: only in these can their labels change places."""
    alpha, few = protocol.analysis.alpha, []
    for test, reference in protocol.contrasts:
        both = [(s.count(test), s.count(reference)) for s in derived.given if test in s and reference in s]
        reachable = min(1.0, smallest_p(both))
        if reachable > alpha:
            few.append(
                f"{test} against {reference} in {counted(len(both), 'block')} ({reachable:.4g} at least)"
            )
    if few:
        yield (
            "The randomisation test of two arms rests on the blocks that hold both, too few here to give a p of "
            f"alpha = {alpha:g} or less: {', '.join(few)}; with one tank of each in a block, "
            f"{math.ceil(1 + math.log2(1 / alpha))} blocks are the fewest that can."
        )


def _crossover_reach(protocol: Protocol, derived: Derivation) -> Iterator[str]:
    """A crossover in which no two arms can change places often enough.

    Two arms change places between tanks of a cohort whose sequences are each other's mirror in these arms. Which
    arms that will be is not known before the draw, so the best pair of letters counts.
    """
    cohorts = defaultdict(list)
    for tank in derived.tanks:
        cohorts[tank.block].append(tank.arms)
    pairs = combinations([arm.id for arm in protocol.arms], 2)
    turned = [[size for cohort in cohorts.values() for size in mirrored(cohort, *pair)] for pair in pairs]
    reachable, alpha = min(min(1.0, smallest_p(sizes)) for sizes in turned), protocol.analysis.alpha
    if not any(turned):
        yield (
            "No two tanks will have sequences that are each other's mirror in two arms, so no randomisation test of "
            "two arms can stand beside the model."
        )
    elif reachable > alpha:
        yield (
            f"With {counted(len(derived.tanks), 'tank')}, the randomisation test of two arms of this crossover cannot "
            f"give a p below {reachable:.4g}, which is above alpha = {alpha:g}; more tanks would mend that."
        )


def mirrored(cohort: list[tuple[str, ...]], one: str, other: str) -> Iterator[tuple[int, int]]:
    """Tanks of each sequence and of its mirror, in which the two arms have changed places."""
    swap = {one: other, other: one}
    counts = {sequence: cohort.count(sequence) for sequence in cohort}
    for sequence, count in counts.items():
        mirror = tuple(swap.get(arm, arm) for arm in sequence)
        if sequence < mirror and mirror in counts:
            yield count, counts[mirror]
