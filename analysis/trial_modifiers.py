"""What may change an effect from trial to trial: the effects regressed on it, one thing at a time, exploratory."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis.pooled_records import ModifierSlope, SmallStudy
from analysis.random_effects import reml, weighted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analysis.pooled_records import TrialEffect

    Floats = NDArray[np.float64]

FEWEST_FOR_SMALL_STUDY = 10
"""Below ten trials a funnel cannot be told from chance (Sterne et al. 2011, BMJ 343:d4002)."""


def modifier_slopes(
    trials: Sequence[TrialEffect], alpha: float, units: Mapping[str, str], tau2: float
) -> tuple[ModifierSlope, ...]:
    """The effect regressed on each modifier that at least three trials have and that differs between them.

    Mixed-effects regression by REML, with Knapp and Hartung's error and t (2003, Stat. Med. 22:2693). ``tau2`` is
    that of all trials without a modifier.
    """
    names = dict.fromkeys(name for trial in trials for name in trial.modifiers)
    found = []
    for name in names:
        mine = [trial for trial in trials if name in trial.modifiers]
        x = np.array([trial.modifiers[name] for trial in mine], dtype=float)
        if len(mine) < 3 or np.ptp(x) <= 1e-9 * max(1.0, float(np.abs(x).max())):
            continue
        found.append(
            _slope(name, units.get(name, ""), mine, x, alpha, tau2 if len(mine) == len(trials) else None)
        )
    return tuple(found)


def _slope(
    name: str, unit: str, trials: Sequence[TrialEffect], x: Floats, alpha: float, tau2: float | None
) -> ModifierSlope:
    y = np.array([trial.estimate for trial in trials])
    v = np.array([trial.se for trial in trials]) ** 2
    spread = float(np.ptp(x))
    columns = np.column_stack([np.ones(len(x)), (x - x.mean()) / spread])
    left = reml(y, v, columns)
    fit = weighted(y, v, columns, left)
    slope = float(fit.coefficients[1]) / spread
    se = math.sqrt(float(fit.covariance[1, 1]) * fit.scale) / spread
    half = float(stats.t.isf(alpha / 2, fit.df)) * se
    p = 2 * float(stats.t.sf(abs(slope) / se, fit.df)) if se > 0 else float(slope == 0)
    explained = max(0.0, 1 - left / tau2) if tau2 else None
    return ModifierSlope(
        name, unit, len(x), slope, se, fit.df, slope - half, slope + half, p, left, explained
    )


def small_study(y: Floats, v: Floats) -> SmallStudy | None:
    """The effect regressed on its standard error in the mixed-effects model; None below ten trials.

    The regression of Egger et al. (1997, BMJ 315:629) with the variance between trials allowed for (Sterne and
    Egger 2005), tested by the normal law.
    """
    se = np.sqrt(v)
    if len(y) < FEWEST_FOR_SMALL_STUDY or np.ptp(se) <= 1e-9 * se.max():
        return None
    columns = np.column_stack([np.ones(len(y)), se])
    fit = weighted(y, v, columns, reml(y, v, columns))
    slope, error = float(fit.coefficients[1]), math.sqrt(float(fit.covariance[1, 1]))
    return SmallStudy(slope, error, slope / error, 2 * float(stats.norm.sf(abs(slope / error))))
