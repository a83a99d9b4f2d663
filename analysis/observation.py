"""What a tester with a test kit writes down of water whose true concentration is known.

For planning and invented data: noise sizes are assumed and no kit in particular is meant. A reading is

    true x tester's bias x exp(N(0, relative_sd)) + N(0, fixed_sd + share_sd x true) + nitrite_factor x nitrite

and is then put on the kit's steps, and cut at the lowest and highest that the kit can show.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from analysis.tank_parameters import Floats, Number


@dataclass(frozen=True)
class KitErrors:
    """How a kit and its user err, in the unit of the variable.

    Parameters
    ----------
    step : float
        What the display or the drops count in; used where the kit has no card.
    limit : float
        The lowest that the kit shows; less is written "<limit".
    relative_sd, fixed_sd, share_sd : float
        Noise from reading to reading: of the logarithm, in the unit, and as a share of the true value.
    bias_sd : float
        Between testers, SD of the logarithm.
    card : tuple of float
        The fields of a colour card, ascending: a reading is the nearest field, and more than the last is ">".
    nitrite_factor : float
        What 1 mg/L nitrite adds to a nitrate reading.
    """

    step: float
    limit: float
    relative_sd: float = 0.0
    fixed_sd: float = 0.0
    share_sd: float = 0.0
    bias_sd: float = 0.08
    card: tuple[float, ...] = ()
    nitrite_factor: float = 0.0

    @property
    def highest(self) -> float:
        """The highest that the kit shows."""
        return self.card[-1] if self.card else math.inf

    def relative_error(self, at: float) -> float:
        """Standard deviation of one reading as a share of a true value, noise and steps together; bias left out.

        A step, or the gap between the two fields of a card about the value, is as wrong as an even spread over it.
        """
        step = self.step
        if self.card:
            fields = np.asarray(self.card)
            place = int(np.clip(np.searchsorted(fields, at), 1, len(fields) - 1))
            step = float(fields[place] - fields[place - 1])
        parts = (self.relative_sd, self.share_sd, self.fixed_sd / at, step / at / math.sqrt(12))
        return math.hypot(*parts)


NITRATE_PHOTOMETER = KitErrors(step=0.1, limit=0.5, relative_sd=0.12)
"""Steps and limit: common practice, no source; noise assumed for planning."""
NITRATE_CARD = KitErrors(step=1.0, limit=1.0, relative_sd=0.20, card=(1.0, 2.0, 5.0, 10.0, 25.0, 50.0, 100.0))
"""As above."""
PHOSPHATE_PHOTOMETER = KitErrors(step=0.01, limit=0.02, fixed_sd=0.01, share_sd=0.05)
"""As above."""
PHOSPHATE_CARD = KitErrors(
    step=0.02, limit=0.02, relative_sd=0.20, fixed_sd=0.01, card=(0.02, 0.05, 0.1, 0.25, 0.5, 1.0)
)
"""As above."""


USUAL = {
    "nitrate": (NITRATE_PHOTOMETER, NITRATE_CARD),
    "phosphate": (PHOSPHATE_PHOTOMETER, PHOSPHATE_CARD),
}
"""By variable, a photometer and a colour card as keepers have them."""


@dataclass(frozen=True)
class Observed:
    """Readings as written; where ``below`` or ``above`` holds, ``value`` is the kit's limit."""

    value: Floats
    below: npt.NDArray[np.bool_]
    above: npt.NDArray[np.bool_]


def draw_bias(kit: KitErrors, rng: np.random.Generator, shape: Sequence[int]) -> Floats:
    """Draw each tester's lasting factor, of median 1."""
    return np.exp(kit.bias_sd * rng.standard_normal(shape))


def observe(
    true: Floats, kit: KitErrors, rng: np.random.Generator, *, bias: Number = 1.0, nitrite: Number = 0.0
) -> Observed:
    """Read true concentrations with a kit.

    Parameters
    ----------
    true : array
        Concentrations in the kit's unit, any shape.
    kit : KitErrors
    rng : numpy.random.Generator
    bias : float or array
        Of the testers, broadcast against ``true``.
    nitrite : float or array
        True nitrite, mg/L, broadcast against ``true``.

    Returns
    -------
    Observed
        Arrays of the shape of ``true``.
    """
    scale = np.exp(kit.relative_sd * rng.standard_normal(true.shape))
    added = (kit.fixed_sd + kit.share_sd * true) * rng.standard_normal(true.shape)
    raw = true * bias * scale + added + kit.nitrite_factor * nitrite
    if kit.card:
        fields = np.asarray(kit.card)
        shown = fields[np.searchsorted((fields[1:] + fields[:-1]) / 2, raw)]
    else:
        shown = np.round(raw / kit.step) * kit.step
    below, above = raw < kit.limit, raw > kit.highest
    value = np.where(below, kit.limit, np.where(above, kit.highest, np.maximum(shown, kit.limit)))
    return Observed(value, below, above)
