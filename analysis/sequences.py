"""Sequences of arms for crossovers: balanced for the period and for what the arm before may leave behind.

In a Williams square every arm comes once in each period and follows every other arm equally often (Williams
1949, Australian Journal of Scientific Research A 2:149): one cyclic square for an even number of arms, two that
mirror each other for an odd one.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis.designs import balanced_number, incomplete_sets
from schemas.errors import AllocationError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]

Sequence = tuple[int, ...]


def williams(arms: int) -> tuple[Sequence, ...]:
    """Williams' sequences of arms 0, 1, ...: ``arms`` of them, twice as many for an odd number.

    Examples
    --------
    >>> williams(4)
    ((0, 1, 3, 2), (1, 2, 0, 3), (2, 3, 1, 0), (3, 0, 2, 1))
    """
    first = [0, *((step + 1) // 2 if step % 2 else arms - step // 2 for step in range(1, arms))]
    square = tuple(tuple((arm + row) % arms for arm in first) for row in range(arms))
    return square if arms % 2 == 0 else square + tuple(row[::-1] for row in square)


def crossover_sequences(arms: int, periods: int) -> tuple[Sequence, ...]:
    """The balanced set of sequences for a crossover of ``arms`` in ``periods``.

    As many periods as arms: Williams' sequences. More: each goes on as its own mirror image and back (with two
    arms ABBA and BAAB), so that the first further period repeats the last arm and carry-over is balanced against
    every arm, the same one too (Lucas 1957, Journal of Dairy Science 40:225). Fewer: Williams' sequences of
    every set of a balanced incomplete-block design whose blocks are as large as there are periods.

    Returns
    -------
    tuple of tuple of int
        Sequences, each to be used equally often; where tanks are fewer, in this order.

    Raises
    ------
    AllocationError
        Fewer than two arms or periods.
    """
    if min(arms, periods) < 2:
        raise AllocationError(
            f"A crossover needs two arms and two periods or more, not {arms} and {periods}."
        )
    if periods >= arms:
        rows = williams(arms)
        legs = -(-periods // arms)
        return tuple(
            sum((row if leg % 2 == 0 else row[::-1] for leg in range(legs)), ())[:periods] for row in rows
        )
    blocks = incomplete_sets(arms, [periods] * balanced_number(arms, periods)).sets
    return tuple(tuple(block[place] for place in row) for block in blocks for row in williams(periods))


def neighbour_counts(sequences: tuple[Sequence, ...], arms: int) -> Ints:
    """How often each arm (column) directly follows each arm (row)."""
    counts = np.zeros((arms, arms), dtype=np.int64)
    for sequence in sequences:
        for before, after in pairwise(sequence):
            counts[before, after] += 1
    return counts


def period_counts(sequences: tuple[Sequence, ...], arms: int) -> Ints:
    """How often each arm (column) comes in each period (row)."""
    return np.array([np.bincount(period, minlength=arms) for period in np.array(sequences).T])
