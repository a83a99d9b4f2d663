"""What a tank of the model is like, with the standing of each number, and how unlike tanks are drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, get_type_hints

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Sequence

Floats = npt.NDArray[np.float64]
Number = float | Floats

NITROGEN_IN_PROTEIN = 0.16
"""g/g: the usual 6.25 g of protein per g of nitrogen, from memory."""


@dataclass(frozen=True)
class Standing:
    """What stands behind a parameter's value.

    Parameters
    ----------
    unit : str
        ``share`` marks fractions, which :func:`vary` keeps at or below 1.
    source : str
        Where the value comes from: published, from memory, common practice, computed, or assumed.
    cv : float
        Coefficient of variation between unrelated tanks, assumed for planning.
    """

    unit: str
    source: str
    cv: float = 0.0


_COMMON = "common practice, no source"
_ASSUMED = "assumed for planning"
_GROWTH = "published: within the range of del Giorgio & Cole 1998, growth efficiency of natural plankton"
_CELLS = "published: near 45:9:1 of Goldman, Caron & Dennett 1987, Limnol. Oceanogr. 32:1239"
_SOLID_LAG = f"{_COMMON}; 9 to 110 d in Read et al. 2024, Mar. Pollut. Bull. 117114"
_PELLETS = f"{_COMMON}: pellets last six to nine months, which is faster than published erosion in the sea"


@dataclass(frozen=True)
class TankParameters:
    """What a tank is like. Each field is a number or an array; all broadcast to one shape of tanks."""

    feed: Annotated[Number, Standing("mg dry/L/d", _COMMON, cv=0.30)] = 3.0
    protein: Annotated[Number, Standing("share", _COMMON)] = 0.45
    feed_phosphorus: Annotated[Number, Standing("share", _COMMON)] = 0.012
    nitrogen_released: Annotated[Number, Standing("share", _ASSUMED, cv=0.15)] = 0.45
    """Of the feed's nitrogen, what reaches the water net of skimmer, algae, corals and fish."""
    phosphorus_released: Annotated[Number, Standing("share", _ASSUMED, cv=0.25)] = 0.35
    water_change: Annotated[Number, Standing("1/d", "computed: 10 % a week")] = 0.015
    nitrogen_sink: Annotated[Number, Standing("1/d", f"{_ASSUMED}, tuned", cv=0.40)] = 0.007
    """Tuned to 19.6 mg/L nitrate at rest."""
    phosphorus_sink: Annotated[Number, Standing("1/d", f"{_ASSUMED}, tuned", cv=0.40)] = 0.32
    """Tuned to 0.115 mg/L phosphate at rest."""
    rock_affinity: Annotated[Number, Standing("L/L", _ASSUMED, cv=0.30)] = 15.0
    """Phosphorus bound to rock and sand over phosphorus in the water, at rest."""
    rock_exchange: Annotated[Number, Standing("1/d", _ASSUMED, cv=0.30)] = 0.05
    growth_yield: Annotated[Number, Standing("share", _GROWTH, cv=0.20)] = 0.30
    cell_c_to_n: Annotated[Number, Standing("mol/mol", _CELLS)] = 5.0
    cell_c_to_p: Annotated[Number, Standing("mol/mol", _CELLS)] = 50.0
    liquid_lag: Annotated[Number, Standing("d", _COMMON, cv=0.25)] = 9.6
    liquid_spread: Annotated[Number, Standing("d", _ASSUMED)] = 3.0
    solid_lag: Annotated[Number, Standing("d", _SOLID_LAG, cv=0.25)] = 24.0
    solid_spread: Annotated[Number, Standing("d", _ASSUMED)] = 4.0
    pellet_rate: Annotated[Number, Standing("1/d", _PELLETS, cv=0.30)] = 0.0035
    pellet_carbon: Annotated[Number, Standing("share", "computed: poly-3-hydroxybutyrate, C4H6O2")] = 0.5581
    liquid_anoxic: Annotated[Number, Standing("share", f"{_ASSUMED}: the key unknown", cv=0.40)] = 0.04
    solid_anoxic: Annotated[Number, Standing("share", f"{_ASSUMED}: the key unknown", cv=0.40)] = 0.15
    nitrogen_per_carbon: Annotated[Number, Standing("g N/g C", "computed: 5 g O2 demand per g N")] = 0.60
    """Nitrate reduced by carbon burnt without oxygen: 0.60 for the polymer, 0.80 for ethanol."""
    half_nitrogen: Annotated[Number, Standing("mg N/L", _ASSUMED)] = 0.1
    half_phosphorus: Annotated[Number, Standing("mg P/L", _ASSUMED)] = 0.005
    nitrogen_start: Annotated[Number, Standing("1", _ASSUMED, cv=0.15)] = 1.0
    """First nitrate over nitrate at rest."""
    phosphorus_start: Annotated[Number, Standing("1", _ASSUMED, cv=0.15)] = 1.0
    """First phosphate over phosphate at rest."""

    @property
    def nitrogen_at_rest(self) -> Number:
        """N of an undosed tank in balance, mg N/L."""
        supply = self.feed * self.protein * NITROGEN_IN_PROTEIN * self.nitrogen_released
        return supply / (self.water_change + self.nitrogen_sink)

    @property
    def phosphorus_at_rest(self) -> Number:
        """P of an undosed tank in balance, mg P/L."""
        supply = self.feed * self.feed_phosphorus * self.phosphorus_released
        return supply / (self.water_change + self.phosphorus_sink)


STANDING: dict[str, Standing] = {
    name: hint.__metadata__[0] for name, hint in get_type_hints(TankParameters, include_extras=True).items()
}
"""Standing by parameter."""


def vary(
    base: TankParameters,
    rng: np.random.Generator,
    shape: Sequence[int],
    *,
    within: float = 1.0,
    spread: float = 1.0,
) -> TankParameters:
    """Draw tanks around ``base``: lognormal factors of mean 1 with each parameter's own ``cv``.

    Parameters
    ----------
    base : TankParameters
        Fields broadcast to ``shape``.
    rng : numpy.random.Generator
        Draws are taken field by field, in the order of the class.
    shape : sequence of int
        Any leading axes (draws, trials, blocks); the last axis holds the tanks of one block.
    within : float
        Share of the variance (of logarithms) that is between the tanks of one block; 1 for unrelated tanks,
        near 0 for tanks matched in everything. The rest is shared by the block.
    spread : float
        Multiplies every ``cv``: 1 for tanks of different keepers, less for a row built alike.

    Returns
    -------
    TankParameters
        Varied fields have shape ``shape``; fields without ``cv`` are left as they are.
    """
    blocks = (*shape[:-1], 1)
    drawn: dict[str, Number] = {}
    for name, standing in STANDING.items():
        if standing.cv == 0.0:
            continue
        sd = np.sqrt(np.log1p((spread * standing.cv) ** 2))
        shared, own = rng.standard_normal(blocks), rng.standard_normal(shape)
        deviation = np.sqrt(1 - within) * shared + np.sqrt(within) * own
        value = getattr(base, name) * np.exp(sd * deviation - sd**2 / 2)
        drawn[name] = np.minimum(value, 1.0) if standing.unit == "share" else value
    return replace(base, **drawn)


def feed_wobble(
    rng: np.random.Generator, days: int, shape: Sequence[int], *, sd: float = 0.25, memory: float = 0.9
) -> Floats:
    """Draw the daily relative deviation of the feed, x: a stationary first-order autoregression.

    Returns shape (days, *shape), kept at or above -1 (nothing fed). The defaults are assumed for planning.
    """
    noise = rng.standard_normal((days, *shape))
    wobble = np.empty_like(noise)
    wobble[0] = sd * noise[0]
    fresh = sd * np.sqrt(1 - memory**2)
    for day in range(1, days):
        wobble[day] = memory * wobble[day - 1] + fresh * noise[day]
    return np.maximum(wobble, -1.0)
