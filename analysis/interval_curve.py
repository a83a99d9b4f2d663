"""The curve of times known only to lie between two sampling days (Turnbull 1976, JRSS B 38:290).

The nonparametric maximum-likelihood curve moves only inside the innermost intervals, each between some tank's last
day before and some tank's first day after with no other day between. Masses there follow from self-consistency:
each is the mean share of the tanks that it could belong to. Inside an interval nothing says where the mass lies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_SLACK = 1e-9
"""How far above 1 the likelihood's slope towards any interval may stay (0 at the maximum; Gentleman and Geyer 1994)."""
_ROUNDS = 200_000


@dataclass(frozen=True)
class IntervalCurve:
    """Masses of the maximum-likelihood curve, each inside (``left``, ``right``].

    Equal ends are a time known exactly; a right of infinity holds what was never seen to happen.
    """

    left: Floats
    right: Floats
    mass: Floats
    n: int

    def between(self, time: float) -> tuple[float, float]:
        """Lowest and highest share that may be without an event after a time."""
        done = self.right <= time
        return float(1 - self.mass[done | (self.left < time)].sum()), float(1 - self.mass[done].sum())


def interval_curve(after: Floats, by: Floats) -> IntervalCurve:
    """Maximum-likelihood curve of times in (``after``, ``by``]; equal ends are a time known exactly.

    Raises
    ------
    AnalysisError
        Where the masses do not settle.

    Examples
    --------
    >>> fitted = interval_curve(np.array([0.0, 7.0, 7.0]), np.array([7.0, 14.0, np.inf]))
    >>> fitted.left, fitted.right, fitted.mass.round(6)
    (array([0., 7.]), array([ 7., 14.]), array([0.333333, 0.666667]))
    """
    left, right = _innermost(after, by)
    covers = (left >= after[:, None]) & (right <= by[:, None])
    # An exact time is not inside an interval that opens there.
    covers &= (left < right) | (right > after[:, None]) | (after == by)[:, None]
    holds = covers.astype(float)
    mass = np.full(len(left), 1 / len(left))
    for _ in range(_ROUNDS):
        slope = (holds / (holds @ mass)[:, None]).mean(axis=0)
        if slope.max() <= 1 + _SLACK:
            break
        mass = mass * slope
    else:
        raise AnalysisError(f"the curve of {len(after)} times known as intervals does not settle.")
    kept = mass > 1e-7
    return IntervalCurve(left[kept], right[kept], mass[kept] / mass[kept].sum(), len(after))


def _innermost(after: Floats, by: Floats) -> tuple[Floats, Floats]:
    """Left ends that are followed by a right end in the order of all ends."""
    exact = after == by
    # At one and the same time an exact time opens first, then intervals close, then others open.
    ends = np.concatenate([after, by])
    order = np.concatenate([np.where(exact, 0, 2), np.ones(len(by))])
    opens = np.arange(len(ends)) < len(after)
    sorting = np.lexsort((order, ends))
    ends, opens = ends[sorting], opens[sorting]
    found = np.flatnonzero(opens[:-1] & ~opens[1:])
    return ends[found], ends[found + 1]
