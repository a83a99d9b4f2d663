"""Small-sample inference on the fixed effects of a model whose covariance was estimated by REML.

The estimated covariance of the fixed effects is too small, for it takes the variance parameters as known;
Kenward and Roger (1997, Biometrics 53:983-997) add what their estimation costs and give the degrees of
freedom of t and F. The variance parameters' own covariance is the inverse of their expected information, as in
the paper. In balanced designs the classical t and F tests come out exactly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import linalg, stats

from analysis.linear_model import t_fit
from analysis.records import Fit, Omnibus

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


class KenwardRoger:
    """Generalised least squares of ``y`` on ``x`` with covariance ``v``, and its adjusted inference.

    Parameters
    ----------
    y : float array, (n,)
    x : float array, (n, columns)
        Fixed effects; columns may depend on each other, contrasts that they cannot estimate come back as None.
    v : float array, (n, n)
        Covariance at the REML estimates of its parameters.
    first : sequence of float arrays, each (n, n)
        Derivative of ``v`` by each parameter.
    second : mapping of (i, j) to float array, (n, n), optional
        Second derivatives with i <= j; those left out are 0, as they all are where ``v`` is linear.
    """

    def __init__(
        self,
        y: Floats,
        x: Floats,
        v: Floats,
        first: Sequence[Floats],
        second: Mapping[tuple[int, int], Floats] | None = None,
    ) -> None:
        u, s, vt = np.linalg.svd(x, full_matrices=False)
        self.rank = int((s > 1e-10 * s.max(initial=0.0)).sum())
        self.columns = x.shape[1]
        self._basis, self._back = u[:, : self.rank], vt[: self.rank].T / s[: self.rank]
        # What the columns explain is taken off first, so that numbers alike in their leading digits keep the rest.
        start = self._basis.T @ y
        inverse = linalg.inv(v)
        weighted = inverse @ self._basis
        self._phi = linalg.inv(self._basis.T @ weighted)
        self._beta = start + self._phi @ (weighted.T @ (y - self._basis @ start))
        projector = inverse - weighted @ self._phi @ weighted.T
        moved = [projector @ derivative for derivative in first]
        information = np.array([[np.sum(a * b.T) / 2 for b in moved] for a in moved])
        # Scaled to unit diagonal, so that parameters of different units are inverted alike.
        unit = 1 / np.sqrt(np.maximum(np.diag(information), 1e-300))
        self._w = np.linalg.pinv(information * np.outer(unit, unit), rcond=1e-12, hermitian=True) * np.outer(
            unit, unit
        )
        self._p = [-weighted.T @ derivative @ weighted for derivative in first]
        self._adjusted = (
            self._phi + 2 * self._phi @ self._bias(inverse, weighted, first, second or {}) @ self._phi
        )

    def _bias(
        self,
        inverse: Floats,
        weighted: Floats,
        first: Sequence[Floats],
        second: Mapping[tuple[int, int], Floats],
    ) -> Floats:
        """Sum of W_ij (Q_ij - P_i Phi P_j - R_ij / 4), the paper's Lambda between two Phi."""
        total = np.zeros_like(self._phi)
        sides = [derivative @ weighted for derivative in first]
        for i, left in enumerate(sides):
            solved = inverse @ left
            for j, right in enumerate(sides):
                q = solved.T @ right
                total += self._w[i, j] * (q - self._p[i] @ self._phi @ self._p[j])
                curved = second.get((min(i, j), max(i, j)))
                if curved is not None:
                    total -= self._w[i, j] / 4 * (weighted.T @ curved @ weighted)
        return (total + total.T) / 2

    def estimate(self, weights: Floats) -> tuple[float, float, float] | None:
        """Estimate, standard error and degrees of freedom of a contrast of the columns; None if not estimable."""
        row = self._inside(np.atleast_2d(weights))
        if row is None:
            return None
        c = row[0]
        plain = float(c @ self._phi @ c)
        slopes = np.array([c @ self._phi @ p @ self._phi @ c for p in self._p])
        spread = float(slopes @ self._w @ slopes)
        df = 2 * plain**2 / spread if spread > 0 else np.inf
        # Where v is linear in its parameters the adjustment only adds; where it curves it can take away, and then
        # the plain variance stands.
        variance = max(float(c @ self._adjusted @ c), plain)
        return float(c @ self._beta), float(np.sqrt(variance)), float(df)

    def contrast(self, weights: Floats, level: float, standardiser: float, name: str, n: int) -> Fit | None:
        """Interval and test of a contrast of the columns; None where they cannot estimate it."""
        found = self.estimate(weights)
        return None if found is None else t_fit(*found, level, standardiser, name, n)

    def f_test(self, rows: Floats) -> Omnibus:
        """Scaled F test that all ``rows`` (contrasts, columns) are 0; dependent rows count once.

        Rows that cannot be estimated, or variances too poorly known for an F, give F and p None.
        """
        inside = self._inside(rows)
        if inside is None:
            return Omnibus(None, float(np.linalg.matrix_rank(rows)), 0.0, None)
        _, s, vt = np.linalg.svd(inside, full_matrices=False)
        count = int((s > 1e-9 * s.max(initial=0.0)).sum())
        c = vt[:count]
        if not count:
            return Omnibus(None, 0.0, 0.0, None)
        effects = c @ self._beta
        wald = float(effects @ np.linalg.solve(c @ self._adjusted @ c.T, effects)) / count
        if count == 1:
            _, _, df = self.estimate(self._outside(c[0])) or (0.0, 0.0, 0.0)
            return Omnibus(wald, 1.0, df, float(stats.f.sf(wald, 1, df)))
        theta = c.T @ np.linalg.solve(c @ self._phi @ c.T, c)
        shares = [theta @ self._phi @ p @ self._phi for p in self._p]
        traces = np.array([np.trace(share) for share in shares])
        products = np.array([[np.sum(a * b.T) for b in shares] for a in shares])
        scale, df = _scaled_f(float(traces @ self._w @ traces), float(np.sum(self._w * products)), count)
        if scale is None:
            return Omnibus(None, float(count), df, None)
        return Omnibus(scale * wald, float(count), df, float(stats.f.sf(scale * wald, count, df)))

    def _inside(self, rows: Floats) -> Floats | None:
        """Rows as contrasts of the orthonormal basis; None where a row is not one of the column space."""
        inside = rows @ self._back
        image = (inside / np.linalg.norm(self._back, axis=0) ** 2) @ self._back.T
        return inside if np.allclose(image, rows, atol=1e-8) else None

    def _outside(self, row: Floats) -> Floats:
        outside: Floats = (row / np.linalg.norm(self._back, axis=0) ** 2) @ self._back.T
        return outside


def _scaled_f(a1: float, a2: float, count: int) -> tuple[float | None, float]:
    """Scale of F and its denominator degrees of freedom from the paper's A1 and A2 (its section 3).

    A scale of None says that the approximation breaks down: the variances are too poorly known for an F.
    """
    b = (a1 + 6 * a2) / (2 * count)
    if a2 <= 0:
        return 1.0, np.inf
    g = ((count + 1) * a1 - (count + 4) * a2) / ((count + 2) * a2)
    divisor = 3 * count + 2 * (1 - g)
    c1, c2, c3 = g / divisor, (count - g) / divisor, (count + 2 - g) / divisor
    mean = 1 - a2 / count
    variance = (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b)) * 2 / count
    excess = count * variance * mean**2 / 2 - 1
    if mean <= 0 or excess <= 0:
        return None, 0.0
    df = 4 + (count + 2) / excess
    return df * mean / (df - 2), df
