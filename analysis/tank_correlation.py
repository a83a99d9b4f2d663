"""Whether two variables move together inside tanks, nitrate with phosphate for one.

Readings of several tanks thrown together would mix this with how tanks differ from each other (Bland and Altman
1995, BMJ 310:446).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Correlation:
    """Correlation of two variables inside tanks, on ``df`` degrees of freedom."""

    r: float
    low: float
    high: float
    df: int
    p: float
    slope: float
    """Of the second variable on the first, common to all tanks."""


def correlation_inside_tanks(x: Floats, y: Floats, tank: Ints, *, level: float) -> Correlation | None:
    """Repeated-measures correlation: how far the two move together inside tanks, whatever each tank's level.

    Both are centred within tanks (Bakdash and Marusich 2017, Front. Psychol. 8:456; Bland and Altman 1995, BMJ
    310:446); the interval is Fisher's, with df + 2 in place of n. It takes days inside a tank as independent.

    Returns
    -------
    Correlation or None
        None where a variable does not move inside tanks or fewer than two degrees of freedom are left.
    """
    _, code, size = np.unique(tank, return_inverse=True, return_counts=True)
    dx, dy = (v - (np.bincount(code, weights=v) / size)[code] for v in (x, y))
    df = len(x) - len(size) - 1
    xx, yy, xy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if df < 2 or xx == 0 or yy == 0:
        return None
    r = float(np.clip(xy / np.sqrt(xx * yy), -1, 1))
    half = float(special.ndtri((1 + level) / 2)) / np.sqrt(df - 1)
    middle = np.arctanh(r) if abs(r) < 1 else np.sign(r) * np.inf
    t = r * np.sqrt(df / (1 - r**2)) if abs(r) < 1 else np.inf
    p = float(2 * stats.t.sf(abs(t), df))
    return Correlation(r, float(np.tanh(middle - half)), float(np.tanh(middle + half)), df, p, xy / xx)
