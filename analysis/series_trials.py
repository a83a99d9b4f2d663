"""Before-after trials drawn from a plain assumption: a series of differences that remembers the day before.

A treated system less its control is one number a sampling day, with the correlation ``memory`` one day apart; each
trial is analysed as the reading of such a trial is taken, by least squares with serial correlation estimated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.precision import Layout
from analysis.simulation import Drawn

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SeriesTrials:
    """Series of so many sampling days.

    Parameters
    ----------
    before, after : tuple of float
        Sampling days.
    effect : float
        True change, working scale.
    sd : float
        Of the difference between the two systems on one day.
    memory : float
        Correlation of such differences one day apart, from 0 to below 1.
    effect_sd, sd_cv : float
        As in :class:`analysis.plain_trials.PlainTrials`.
    """

    before: tuple[float, ...]
    after: tuple[float, ...]
    effect: float
    sd: float
    memory: float
    effect_sd: float = 0.0
    sd_cv: float = 0.0

    def layout(self, test: str, reference: str) -> Layout:
        """Days before stand as the reference arm and days after as the test arm, in one block."""
        arm = np.repeat([0, 1], [len(self.before), len(self.after)])
        return Layout((reference, test), arm, np.zeros(len(arm), dtype=np.int64), blocked=False)

    def draw(self, rng: np.random.Generator, number: int) -> Drawn:
        """So many trials, and the same series without any change."""
        day = np.array([*self.before, *self.after])
        fresh = rng.standard_normal((number, len(day)))
        kept = self.memory ** np.diff(day)
        noise = np.empty_like(fresh)
        noise[:, 0] = fresh[:, 0]
        for at, share in enumerate(kept, start=1):
            noise[:, at] = share * noise[:, at - 1] + np.sqrt(1 - share**2) * fresh[:, at]
        spread = np.log1p(self.sd_cv**2)
        noise *= self.sd * np.exp(np.sqrt(spread) * rng.standard_normal((number, 1)) - spread / 2)
        changes = self.effect + self.effect_sd * rng.standard_normal(number)
        later = np.repeat([0.0, 1.0], [len(self.before), len(self.after)])
        effects = np.column_stack([np.zeros(number), changes])
        return Drawn(noise + changes[:, None] * later, None, effects, noise)
