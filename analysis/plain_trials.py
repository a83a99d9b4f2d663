"""Trials drawn from a plain assumption: normal tank numbers with an effect an arm, on the working scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.simulation import Drawn
from schemas.vocabulary import Baseline

if TYPE_CHECKING:
    from analysis.precision import Layout


@dataclass(frozen=True)
class PlainTrials:
    """Tank numbers as planning assumes them.

    Blocks, tanks of a crossover and periods cancel in the analysis, so nothing is drawn for them.

    Parameters
    ----------
    layout : Layout
    effects : tuple of float
        True effect of each arm.
    sd : tuple of float
        Of each arm: between tanks of one block (all tanks in parallel arms, periods of a tank in a crossover).
    baseline : Baseline
        How the baseline enters the analysis.
    correlation : float
        Of baseline and outcome between those tanks; the baseline varies as the outcome does.
    lost : float
        Probability that a tank ends without a number, whatever its arm.
    effect_sd : float
        How unsure the effects are: each arm whose effect is not 0 gets its own normal deviation in each trial.
        With ``sd_cv``, the uncertain size of ``sd``, power becomes its mean over what is believed (assurance).
    sd_cv : float
        Coefficient of variation of a lognormal factor, shared by all arms of a trial.
    """

    layout: Layout
    effects: tuple[float, ...]
    sd: tuple[float, ...]
    baseline: Baseline = Baseline.NONE
    correlation: float = 0.0
    lost: float = 0.0
    effect_sd: float = 0.0
    sd_cv: float = 0.0

    def draw(self, rng: np.random.Generator, number: int) -> Drawn:
        """So many trials; the same streams in the same order whatever the settings."""
        shape = (number, len(self.layout.arm))
        before, after = rng.standard_normal(shape), rng.standard_normal(shape)
        lost = rng.random(shape) < self.lost
        unsure = self.effect_sd * rng.standard_normal((number, len(self.effects)))
        spread = np.log1p(self.sd_cv**2)
        factor = np.exp(np.sqrt(spread) * rng.standard_normal((number, 1)) - spread / 2)

        effects = np.asarray(self.effects) + np.where(np.asarray(self.effects) != 0, unsure, 0.0)
        sd = factor * np.asarray(self.sd)[self.layout.arm]
        start = sd * before
        null = sd * (self.correlation * before + np.sqrt(1 - self.correlation**2) * after)
        if self.baseline is Baseline.CHANGE:
            null = null - start
        null[lost] = np.nan
        x = start if self.baseline is Baseline.ADJUST else None
        return Drawn(null + effects[:, self.layout.arm], x, effects, null, x)
