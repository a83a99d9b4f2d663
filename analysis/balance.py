"""The balance rule of a constrained draw: how far the arms' mean baselines may lie apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Ints = NDArray[np.integer]

CLOSE = 1e-9
"""Relative difference that is rounding and not a gap: means of readings differ by far more or not at all."""


def gaps(labels: Ints, values: Floats) -> Floats:
    """Largest mean of an arm minus the smallest, for many allocations at once.

    Parameters
    ----------
    labels : int array, (draws, tanks)
        The arm of each tank, from 0.
    values : float array, (tanks,)
        Baseline of each tank.

    Returns
    -------
    float array, (draws,)
        In the unit of the values. An arm without tanks is passed over.
    """
    means = []
    for arm in range(int(labels.max()) + 1):
        mine = labels == arm
        count = mine.sum(axis=1)
        total = np.where(mine, values, 0.0).sum(axis=1)
        means.append(np.divide(total, count, out=np.full(len(labels), np.nan), where=count > 0))
    difference: Floats = np.nanmax(means, axis=0) - np.nanmin(means, axis=0)
    return difference


def meets(labels: Ints, values: Floats, max_gap: float) -> Bools:
    """Whether no two arms' mean baselines lie further apart than ``max_gap``; one truth for each draw.

    A gap that exceeds the limit by rounding alone meets it, so that the first draw that is taken is the same on
    every machine. Arguments as for :func:`gaps`.

    Examples
    --------
    >>> meets(np.array([[0, 0, 1, 1], [0, 1, 1, 0]]), np.array([1.0, 2.0, 4.0, 5.0]), 2.0)
    array([False,  True])
    """
    slack = CLOSE * max(max_gap, float(np.abs(values).max()))
    met: Bools = gaps(labels, values) <= max_gap + slack
    return met
