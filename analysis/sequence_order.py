"""In which order the sequences of a crossover are used, so that a trial of few tanks is as even as it can be."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.sequences import neighbour_counts, period_counts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Ints = NDArray[np.int64]


def ordered(sequences: Sequence[tuple[int, ...]], arms: int) -> tuple[tuple[int, ...], ...]:
    """The sequences in an order in which every beginning is as even as choosing one by one makes it.

    Next comes the sequence after which, in this order, arms have the most equal numbers of periods, pairs of arms
    share the most equal numbers of tanks, arms come most equally often in each period, and follow one another most
    equally often; the earlier of those that are alike. All is counted in whole numbers, so the order is the same
    on every machine.

    Examples
    --------
    The three rows of one Latin square come before those of its mirror:

    >>> ordered([(0, 1, 2), (2, 1, 0), (1, 2, 0), (0, 2, 1), (2, 0, 1), (1, 0, 2)], 3)[:3]
    ((0, 1, 2), (1, 2, 0), (2, 0, 1))
    """
    left = [tuple(sequence) for sequence in sequences]
    counts = {sequence: _counts(sequence, arms) for sequence in left}
    total = [np.zeros_like(part) for part in counts[left[0]]] if left else []
    result = []
    while left:
        best = min(
            left,
            key=lambda sequence: [
                int(((t + c) ** 2).sum()) for t, c in zip(total, counts[sequence], strict=True)
            ],
        )
        total = [t + c for t, c in zip(total, counts[best], strict=True)]
        left.remove(best)
        result.append(best)
    return tuple(result)


def _counts(sequence: tuple[int, ...], arms: int) -> list[Ints]:
    """Arms, pairs of arms, arms by period and arms by the arm before, of one sequence."""
    each = np.bincount(sequence, minlength=arms)
    return [
        each,
        np.triu(np.outer(each, each), 1),
        period_counts((sequence,), arms),
        neighbour_counts((sequence,), arms),
    ]
