"""How much worse (or better) the missing tanks of an arm would have to be to turn what the analysis says.

A shift ``delta`` is added, on the working scale, to what is filled in for an arm's missing tanks; the analysis is
made again at each delta, and the nearest one on either side that changes its reading is found. No data can say
which delta is right: the table shows how far from the assumption "like the others" one must go.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Sequence

    from analysis.records import Fit

_HALVINGS = 30
"""The turn is found to a thousand-millionth of the step between two shifts."""


@dataclass(frozen=True)
class Shift:
    """The analysis with one shift; ``reading`` is what it says."""

    delta: float
    fit: Fit | None
    reading: Hashable


@dataclass(frozen=True)
class TippingPoint:
    """The analysis over a range of shifts, in order.

    ``down`` and ``up`` are the shifts nearest to 0 beyond which the reading is no longer that of 0; None where
    it holds over the whole range on that side.
    """

    shifts: tuple[Shift, ...]
    down: float | None
    up: float | None


def tipping_point(
    fit: Callable[[float], Fit | None], deltas: Sequence[float], read: Callable[[Fit | None], Hashable]
) -> TippingPoint:
    """Try every shift, and find between which two the reading turns.

    Parameters
    ----------
    fit : callable
        The analysis with the missing tanks shifted by delta.
    deltas : sequence of float
        Shifts to show; 0 is added if it is not there.
    read : callable
        What a fit says, e.g. its verdict; anything that can be compared.
    """
    order = sorted({0.0, *deltas})
    shifts = tuple(Shift(delta, found := fit(delta), read(found)) for delta in order)
    middle = order.index(0.0)
    said = shifts[middle].reading

    def turn(side: Sequence[Shift]) -> float | None:
        for inner, outer in pairwise(side):
            if outer.reading != said:
                holds, turned = inner.delta, outer.delta
                for _ in range(_HALVINGS):
                    between = (holds + turned) / 2
                    if read(fit(between)) == said:
                        holds = between
                    else:
                        turned = between
                return turned
        return None

    return TippingPoint(shifts, turn(shifts[middle::-1]), turn(shifts[middle:]))
