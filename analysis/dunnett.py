"""Several arms against one: comparisons that share the error rate through their correlation (Dunnett 1955).

The largest |t| of k contrasts follows from the multivariate t distribution with the contrasts' own correlation
(Dunnett 1955, JASA 50:1096; Dunnett 1964, Biometrics 20:482). Every integral is a fixed sum: the trapezoid rule over
the logarithm of the common error and, where the correlation is a product (r_ij = l_i l_j, as in equal complete
blocks and parallel arms), over the one common factor; else the contrasts are taken one after another on
Gauss-Legendre nodes (Genz and Bretz 2009, Computation of Multivariate Normal and t Probabilities, chapter 4), and
more than five on a fixed lattice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats
from scipy.optimize import brentq

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LARGEST_IN_TURN = 5
"""Most contrasts of any correlation that are integrated to 1e-6; products go as far as one likes."""
_REACH = 8.5
"""The normal density has nothing left beyond."""
_NEAR = 6.5
"""Nor to 1e-10 beyond this."""
_POINTS = 2**15
_PRODUCT = 1e-9
"""How near a correlation must come to a product to be taken as one."""


def adjusted_p(t: Floats, matrix: Floats, df: float | Floats, *, two_sided: bool = True) -> Floats:
    """Probability that the largest statistic of all would be as far out as each one, nothing being different.

    Parameters
    ----------
    t : float array
        Statistics of the contrasts; one-sided tests are of large t.
    matrix : float array
        Correlation of the contrasts.
    df : float or float array
        Degrees of freedom of the common error, or of each contrast's own (Hasler and Hothorn 2008, Biometrical
        Journal 50:793, of which it is an approximation then); infinite for a known error.
    """
    each = np.broadcast_to(np.asarray(df, dtype=float), t.shape)
    far = np.abs(t) if two_sided else t
    alone = stats.t.sf(far, each) * (2 if two_sided else 1)
    shared = [
        1 - probability(float(at), matrix, float(d), two_sided=two_sided)
        for at, d in zip(far, each, strict=True)
    ]
    # Never below one comparison alone, never above all of them apart (Bonferroni): holds the far tail as well.
    return np.asarray(np.minimum(np.clip(shared, alone, len(t) * alone), 1.0))


def critical_value(matrix: Floats, df: float, level: float, *, two_sided: bool = True) -> float:
    """What every contrast is multiplied by in place of Student's t, for intervals that hold together."""
    tail = (1 - level) / (2 if two_sided else 1)
    low, high = (float(stats.t.isf(tail / share, df)) for share in (1, len(matrix)))
    if high - low < 1e-12:
        return high
    return float(
        brentq(
            lambda c: probability(c, matrix, df, two_sided=two_sided) - level,
            low - 1e-3,
            high + 1e-3,
            xtol=1e-10,
        )
    )


def probability(bound: float, matrix: Floats, df: float, *, two_sided: bool = True) -> float:
    """Probability that no statistic is above ``bound`` (in absolute value where two-sided).

    Within 1e-8 for a product correlation, 1e-6 for any other of up to :data:`LARGEST_IN_TURN` contrasts, about
    1e-4 beyond; the same on every call.
    """
    if two_sided and bound <= 0:
        return 0.0
    scales, weights = _error_nodes(df)
    loadings = product_loadings(matrix)
    if loadings is not None:
        inside = [_product(bound * s, loadings, two_sided=two_sided) for s in scales]
    else:
        factor = np.asarray(np.linalg.cholesky(matrix), dtype=float)
        box = _in_turn if len(matrix) <= LARGEST_IN_TURN else _on_lattice
        inside = [box(bound * s, factor, two_sided=two_sided) for s in scales]
    return float(min(1.0, weights @ np.array(inside)))


def product_loadings(matrix: Floats) -> Floats | None:
    """The l of r_ij = l_i l_j, each below 1 in size; None where the correlation is no such product."""
    k = len(matrix)
    if k == 1:
        return np.zeros(1)
    off = matrix - np.diag(np.diagonal(matrix))
    if k == 2:
        r = float(matrix[0, 1])
        loadings = np.sqrt(abs(r)) * np.array([1.0, np.sign(r)])
    else:
        # l_i^2 = r_ij r_ik / r_jk for any two others; the largest r_jk loses the fewest digits.
        squares = np.zeros(k)
        for i in range(k):
            j, m = _widest(off, i)
            squares[i] = off[i, j] * off[i, m] / off[j, m] if off[j, m] != 0 else 0.0
        if (squares < -_PRODUCT).any():
            return None
        sizes = np.sqrt(np.maximum(squares, 0.0))
        anchor = int(np.argmax(sizes))
        loadings = sizes * np.where(off[anchor] < 0, -1.0, 1.0)
    product = np.outer(loadings, loadings)
    np.fill_diagonal(product, 0.0)
    if np.abs(loadings).max() >= 1 - 1e-6 or np.abs(product - off).max() > _PRODUCT:
        return None
    return np.asarray(loadings)


def _widest(off: Floats, i: int) -> tuple[int, int]:
    """Two other contrasts whose mutual correlation is largest in size."""
    others = np.abs(np.delete(np.delete(off, i, axis=0), i, axis=1))
    j, m = np.unravel_index(int(np.argmax(others)), others.shape)
    return int(j + (j >= i)), int(m + (m >= i))


def _error_nodes(df: float) -> tuple[Floats, Floats]:
    """Values of s = sqrt(chi-square / df) and their weights, by the trapezoid rule in log s."""
    if np.isinf(df):
        return np.ones(1), np.ones(1)
    low, high = np.log(np.sqrt(stats.chi2.ppf([1e-16, 0.5], df) / df))
    high = float(np.log(np.sqrt(stats.chi2.isf(1e-16, df) / df)))
    step = min(0.15, 0.8 / np.sqrt(2 * df))
    u = np.arange(low, high + step, step)
    s = np.exp(u)
    log_density = np.log(2 * df) + 2 * u + stats.chi2.logpdf(df * s**2, df)
    weights = np.exp(log_density)
    weights /= weights.sum()
    kept = weights > 1e-11
    return s[kept], weights[kept]


def _product(bound: float, loadings: Floats, *, two_sided: bool) -> float:
    """Normal probability of the box, conditional on the common factor."""
    own = np.sqrt(1 - loadings**2)
    steepest = float(np.abs(loadings / own).max())
    step = min(0.25, 0.7 / np.sqrt(1 + steepest**2))
    z = np.arange(-_REACH, _REACH + step, step)
    upper = special.ndtr((bound - np.outer(z, loadings)) / own)
    lower = special.ndtr((-bound - np.outer(z, loadings)) / own) if two_sided else 0.0
    weights = np.exp(-(z**2) / 2)
    return float(weights @ np.prod(upper - lower, axis=1) / weights.sum())


def _in_turn(bound: float, factor: Floats, *, two_sided: bool) -> float:
    """Normal probability of the box, one contrast after another on Gauss-Legendre nodes."""
    k = len(factor)
    drift, weights = np.zeros((1, k)), np.ones(1)
    for i in range(k - 1):
        lower, upper = _limits(bound, drift[:, i], factor[i, i], two_sided=two_sided)
        lower, upper = np.clip(lower, -_NEAR, _NEAR), np.clip(upper, -_NEAR, _NEAR)
        half = (upper - lower) / 2
        nodes, shares = np.polynomial.legendre.leggauss(int(np.ceil(6 + 2.5 * half.max())))
        y = (upper + lower)[:, None] / 2 + half[:, None] * nodes
        density = half[:, None] * shares * np.exp(-(y**2) / 2) / np.sqrt(2 * np.pi)
        weights = (weights[:, None] * density).ravel()
        drift = (drift[:, None, :] + y[:, :, None] * factor[:, i]).reshape(-1, k)
    lower, upper = _limits(bound, drift[:, -1], factor[-1, -1], two_sided=two_sided)
    return float(weights @ (special.ndtr(upper) - special.ndtr(lower)))


def _on_lattice(bound: float, factor: Floats, *, two_sided: bool) -> float:
    """Normal probability of the box on fixed points of the unit cube, folded to be periodic (Niederreiter 1972; Genz 1992)."""
    k = len(factor)
    cube = np.outer(np.arange(1, _POINTS + 1), 2 ** (np.arange(1, k) / k)) % 1
    cube = np.abs(2 * cube - 1)
    drift, weights = np.zeros((_POINTS, k)), np.full(_POINTS, 1 / _POINTS)
    for i in range(k):
        lower, upper = _limits(bound, drift[:, i], factor[i, i], two_sided=two_sided)
        below, width = special.ndtr(lower), special.ndtr(upper) - special.ndtr(lower)
        weights = weights * width
        if i < k - 1:
            y = special.ndtri(np.clip(below + cube[:, i] * width, 1e-300, 1 - 1e-16))
            drift = drift + y[:, None] * factor[:, i]
    return float(weights.sum())


def _limits(bound: float, drift: Floats, own: float, *, two_sided: bool) -> tuple[Floats, Floats]:
    lower = (-bound - drift) / own if two_sided else np.full(len(drift), -np.inf)
    return lower, (bound - drift) / own
