"""How evenly an allocation shares out the arms, in sentences; whoever made it."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from analysis.designs import described
from analysis.sequences import crossover_sequences, neighbour_counts, period_counts
from schemas.plain_words import counted, listed
from schemas.vocabulary import DesignKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from schemas.allocation import Allocation, Assignment
    from schemas.protocol import Protocol


def remarks(protocol: Protocol, allocation: Allocation) -> list[str]:
    """Say in sentences where the arms are not shared out evenly, and what an allocation from elsewhere reached.

    What a draw of incomplete blocks or of a crossover reached stands in its own notes.
    """
    kind = protocol.design.kind
    if kind is DesignKind.CROSSOVER:
        return [] if allocation.drawn else [crossover_evenness(protocol, allocation.assignments)]
    if kind is DesignKind.INCOMPLETE_BLOCKS:
        return [] if allocation.drawn else [_incomplete_evenness(protocol, allocation)]
    return _uneven(protocol, allocation)


def crossover_evenness(protocol: Protocol, assignments: Sequence[Assignment]) -> str:
    """Say how evenly the arms come in each period, and follow one another."""
    arms = [arm.id for arm in protocol.arms]
    by_tank: dict[str, list[int]] = {}
    for assignment in sorted(assignments, key=lambda assignment: assignment.period or 0):
        by_tank.setdefault(assignment.tank, []).append(arms.index(assignment.arm))
    sequences = tuple(map(tuple, by_tank.values()))
    even, sentence = _how_even(sequences, len(arms))
    if even:
        return f"Balanced: {sentence}."
    whole = crossover_sequences(len(arms), protocol.n_periods)
    would = (
        f"; {len(whole)} tanks, or a multiple, would be balanced" if _how_even(whole, len(arms))[0] else ""
    )
    return f"Not balanced: {sentence}{would}."


def _how_even(sequences: tuple[tuple[int, ...], ...], arms: int) -> tuple[bool, str]:
    periods = period_counts(sequences, arms)
    follows = neighbour_counts(sequences, arms)[~np.eye(arms, dtype=bool)]
    even = np.ptp(periods) == 0 and np.ptp(follows) == 0
    each = "every" if even else "an"
    return bool(even), (
        f"in each period {each} arm has {_from_to(periods, 'tank')}, and it follows each other arm "
        f"{_from_to(follows, 'time')}"
    )


def _from_to(counts: NDArray[np.int64], noun: str) -> str:
    low, high = int(counts.min()), int(counts.max())
    return counted(low, noun) if low == high else f"{low} to {counted(high, noun)}"


def _incomplete_evenness(protocol: Protocol, allocation: Allocation) -> str:
    arms = [arm.id for arm in protocol.arms]
    blocks: dict[str | None, list[int]] = {}
    for assignment in allocation.assignments:
        blocks.setdefault(assignment.block, []).append(arms.index(assignment.arm))
    found = described(len(arms), [tuple(sorted(block)) for block in blocks.values()])
    meetings = found.concurrence[np.triu_indices(len(arms), 1)]
    sentence = (
        f"two arms meet {_from_to(meetings, 'time')} within blocks, and an arm has "
        f"{_from_to(found.replication, 'tank')}"
    )
    if not found.connected:
        return f"Some differences cannot be told from differences between blocks: {sentence}."
    return f"{'Balanced' if found.balanced else 'Not balanced'}: {sentence}."


def _uneven(protocol: Protocol, allocation: Allocation) -> list[str]:
    sentences = []
    in_blocks = protocol.design.kind is DesignKind.BLOCKS
    arm_of = allocation.arm_of()
    blocks: dict[str, list[str]] = {}
    for tank in protocol.tanks:
        blocks.setdefault((tank.block or "") if in_blocks else "", []).append(tank.id)
    for block, tanks in blocks.items():
        counts = Counter({arm.id: 0 for arm in protocol.arms})
        counts.update(arm_of[tank] for tank in tanks if tank in arm_of)
        where = f"Block {block}" if block else "The trial"
        absent = [arm for arm, count in counts.items() if count == 0]
        if absent:
            sentences.append(f"{where} has no tank with {listed(absent)}.")
        elif len(set(counts.values())) > 1:
            shares = ", ".join(f"{count} with {arm}" for arm, count in counts.items())
            why = "; the first arms of the protocol take the tanks left over" if allocation.drawn else ""
            sentences.append(f"{where} has {len(tanks)} tanks for {len(counts)} arms: {shares}{why}.")
    return sentences
