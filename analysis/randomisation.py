"""Randomisation test of a contrast: what the estimate would have been under every draw that could have been.

Only what the contrast compares is redrawn: the two arms' tanks change labels inside their blocks (or, in
parallel arms, among themselves). The statistic is the estimate of the registered ``own`` comparison, two-sided
by its distance from 0, and every tie with the observed value counts. Under a shift ``tau`` the test tanks'
numbers lose ``tau`` first; the interval holds every shift that the test does not reject (Fisher 1935, The
Design of Experiments, section 21; Edgington and Onghena 2007, Randomization Tests).

Without a covariate the estimate is a sum of independent shares, one a block, so all draws are counted by
meeting in the middle: each half is listed and sorted, and 40 pairs need two lists of a million instead of one
of a million million. Numbers with a finite resolution are counted in whole multiples of it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from analysis.exact_law import exact_law
from analysis.model_law import model_law
from analysis.records import Randomisation
from analysis.redraws import strata
from analysis.refitted_law import own_law

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.linear_model import TankData
    from analysis.redraws import Law

    Flags = NDArray[np.bool_]


def randomisation_test(  # noqa: PLR0913 - all that was drawn, by what rule, and where the search begins
    data: TankData,
    test: int,
    reference: int,
    *,
    level: float,
    seed: int,
    start: float | None,
    whole_model: bool = False,
    admissible: Callable[[Flags], Flags] | None = None,
) -> Randomisation | None:
    """Two-sided randomisation p of a contrast, with the interval by inversion on the working scale.

    Parameters
    ----------
    whole_model : bool
        True where the contrast is that of the model of all arms (incomplete blocks, crossovers).
    admissible : function, optional
        The rule that draws had to meet, as :func:`analysis.refitted_law.own_law` takes it.
    seed : int
        Seed of the Monte Carlo draws; not used where the count is exact.
    start : float or None
        Half-width of another interval of the same contrast, where the search for the limits begins.

    Returns
    -------
    Randomisation or None
        None where no block holds both arms. A limit is None where no shift at all is rejected on that side:
        the trial is too small for an interval at this level.
    """
    law = redraw_law(data, test, reference, seed, whole_model=whole_model, admissible=admissible)
    if law is None:
        return None
    p = law.tail(0.0)
    se = 0.0 if law.exact else math.sqrt(p * (1 - p) / law.draws)
    low = high = None
    alpha = (1 - level) * (1 + 1e-9)  # p are fractions: one of exactly alpha rejects
    if law.smallest_p <= alpha:
        scale = start or max(abs(law.observed(0.0)), float(np.ptp(data.y))) or 1.0
        low = _limit(law, alpha, -scale)
        high = _limit(law, alpha, scale)
    method = "exact" if law.exact else "monte-carlo"
    return Randomisation(p, method, law.draws, low, high, law.smallest_p, se)


def redraw_law(
    data: TankData,
    test: int,
    reference: int,
    seed: int,
    *,
    whole_model: bool,
    admissible: Callable[[Flags], Flags] | None,
) -> Law | None:
    """The law of a contrast over all draws that could have been; None where no block holds both arms.

    Parameters are those of :func:`randomisation_test`.
    """
    if whole_model:
        return model_law(data, test, reference, seed)
    parts = strata(data, test, reference)
    if not parts:
        return None
    exact = exact_law(parts) if data.x is None and admissible is None else None
    return exact or own_law(parts, seed, admissible)


def _limit(law: Law, alpha: float, step: float) -> float | None:
    """The furthest shift on one side of the estimate that the test does not reject."""
    inner = law.observed(0.0)
    outer = inner + step
    for _ in range(60):
        if law.tail(outer) <= alpha:
            break
        inner, step = outer, step * 2
        outer = outer + step
    else:
        return None
    if law.smooth:
        return _crossing(law, alpha, inner, outer)
    while True:
        middle = (inner + outer) / 2
        if middle in (inner, outer) or abs(outer - inner) <= 1e-13 * max(abs(inner), abs(outer)):
            return inner
        if law.tail(middle) > alpha:
            inner = middle
        else:
            outer = middle


def _crossing(law: Law, alpha: float, inner: float, outer: float) -> float:
    """Where p crosses alpha, to a millionth of the first bracket, for laws of so many draws that p is smooth.

    The normal deviate of p is nearly straight in the shift, so regula falsi (by the Illinois rule, which
    halves the end that stays) settles after a few of the dear evaluations.
    """
    target = float(ndtri(alpha / 2))
    above = float(ndtri(law.tail(inner) / 2)) - target
    below = float(ndtri(law.tail(outer) / 2)) - target
    close = 1e-6 * abs(outer - inner)
    side, before = 0, math.inf
    while True:
        middle = inner + (outer - inner) * above / (above - below)
        if abs(middle - before) <= close or abs(outer - inner) <= close:
            return middle
        before = middle
        value = float(ndtri(law.tail(middle) / 2)) - target
        if value > 0:
            below = below / 2 if side == 1 else below
            inner, above, side = middle, value, 1
        else:
            above = above / 2 if side == -1 else above
            outer, below, side = middle, value, -1
