"""Which of nitrate, phosphate and carbon runs out first when bacteria grow, and what denitrification takes.

Growth takes nitrogen and phosphorus together, in the ratio of the cells; denitrification takes nitrate alone. The
nitrogen of growth is taken to be nitrate: bacteria prefer ammonium, so less nitrate may go than is computed.
Concentrations are mg/L of the ions NO3 and PO4 and of carbon.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from types import MappingProxyType

from analysis.water.carbon import BIOMASS, CarbonSource
from schemas.chemistry import ATOMIC_WEIGHTS, molar_mass
from schemas.errors import WaterError

NITRATE, PHOSPHATE = molar_mass("NO3"), molar_mass("PO4")
CARBON, NITROGEN = ATOMIC_WEIGHTS["C"], ATOMIC_WEIGHTS["N"]
GROWTH_EFFICIENCY = 0.30
"""Share of the carbon used that becomes cells. Published values range from below 0.05 to 0.6 (del Giorgio and Cole
1998, Annu. Rev. Ecol. Syst. 29:503); 0.1 to 0.5 with 0.3 as the middle is assumed for planning."""
OXYGEN_PER_NITRATE_N = 5.0
"""g of oxygen demand spent per g of nitrate-nitrogen denitrified, cells built on the way included: between 2.9
without growth and 5.6; assumed for planning."""
OXYGEN_PER_EQUIVALENT = 8.0
"""g of oxygen demand per electron equivalent, as the trade rounds half of 15.999."""


@dataclass(frozen=True)
class Cells:
    """Atoms of carbon, nitrogen and phosphorus in bacteria, and where the ratio comes from."""

    carbon: float = 50.0
    nitrogen: float = 10.0
    phosphorus: float = 1.0
    source: str = "given"

    @property
    def nitrate_per_phosphate(self) -> float:
        """Milligrams of nitrate taken per mg of phosphate: the line along which both fall when growth alone acts."""
        return self.nitrogen * NITRATE / (self.phosphorus * PHOSPHATE)


KNOWN_CELLS = MappingProxyType(
    {
        "50:10:1": Cells(
            50,
            10,
            1,
            "usual rounding for marine bacteria (Fagerbakke, Heldal and Norland 1996, Aquat. Microb. Ecol. 10:15), "
            "from memory",
        ),
        "45:9:1": Cells(
            45, 9, 1, "Goldman, Caron and Dennett 1987, Limnol. Oceanogr. 32:1239, published: nearly constant"
        ),
        "102:12:1": Cells(
            102, 12, 1, "Cotner et al. 2010, Front. Microbiol., published: mean of more than 120 lakes"
        ),
        "106:16:1": Cells(106, 16, 1, "Redfield, for plankton; from memory"),
        "60:12:1": Cells(60, 12, 1, "C5H7O2N with a twelfth as much phosphorus as nitrogen; from memory"),
    }
)
"""Ratios with their standing. The first is the default; N:P from 9 to 16 is plausible, and wider short of phosphate."""
DEFAULT_CELLS = KNOWN_CELLS["50:10:1"]


@dataclass(frozen=True)
class Uptake:
    """What growth takes, mg/L or mg of each."""

    nitrate: float
    phosphate: float
    cell_carbon: float
    carbon_used: float

    @property
    def nitrate_nitrogen(self) -> float:
        """The nitrate as nitrogen."""
        return self.nitrate * NITROGEN / NITRATE


@dataclass(frozen=True)
class RunsOut:
    """How far growth can go in closed water.

    Parameters
    ----------
    first : tuple of str
        What is used up: ``nitrate``, ``phosphate``, ``carbon``; more than one if they end together.
    nitrogen_to_phosphorus : float
        Atoms of nitrogen per atom of phosphorus in the water, to hold against that of the cells; infinite without
        phosphate.
    taken : Uptake
        Until something is used up.
    nitrate_left, phosphate_left : float
        mg/L.
    carbon_left : float or None
        Of the carbon given; None where no limit to it was.
    for_all_nitrate : Uptake
        What growth would need to take all the nitrate.
    alkalinity_returned : float
        meq/L, for the nitrate taken.
    """

    first: tuple[str, ...]
    nitrogen_to_phosphorus: float
    taken: Uptake
    nitrate_left: float
    phosphate_left: float
    carbon_left: float | None
    for_all_nitrate: Uptake
    alkalinity_returned: float

    @property
    def phosphate_missing(self) -> float:
        """Phosphate beyond what the water holds that taking all the nitrate would need, mg/L; 0 if enough."""
        return max(0.0, self.for_all_nitrate.phosphate - self.taken.phosphate - self.phosphate_left)


def parse_cells(text: str) -> Cells:
    """A ratio C:N:P by atoms, with its source where it is a known one.

    Examples
    --------
    >>> parse_cells("60 : 9 : 1")
    Cells(carbon=60.0, nitrogen=9.0, phosphorus=1.0, source='given')
    """
    tidy = re.sub(r"\s", "", text)
    if tidy in KNOWN_CELLS:
        return KNOWN_CELLS[tidy]
    found = re.fullmatch(r"(\d+(?:\.\d+)?):(\d+(?:\.\d+)?):(\d+(?:\.\d+)?)", tidy)
    carbon, nitrogen, phosphorus = (float(part) for part in found.groups()) if found else (0.0, 0.0, 0.0)
    if 0 in (carbon, nitrogen, phosphorus):
        raise WaterError(
            f'"{text}" is not a ratio of carbon, nitrogen and phosphorus; write it like 50:10:1.'
        )
    return Cells(carbon, nitrogen, phosphorus)


def uptake_of(carbon: float, cells: Cells = DEFAULT_CELLS, efficiency: float = GROWTH_EFFICIENCY) -> Uptake:
    """What growth on so much carbon takes.

    Parameters
    ----------
    carbon : float
        Carbon used, in any unit of mass; the result is in the same.
    cells : Cells
    efficiency : float
        Carbon in cells over carbon used, above 0 and at most 1.

    Examples
    --------
    >>> round(uptake_of(1000).nitrate, 2)
    309.74
    """
    if not 0 < efficiency <= 1:
        raise WaterError(f"a growth efficiency of {efficiency:g} is not a share above 0 and at most 1.")
    built = carbon * efficiency
    moles = built / CARBON
    return Uptake(
        nitrate=moles * cells.nitrogen / cells.carbon * NITRATE,
        phosphate=moles * cells.phosphorus / cells.carbon * PHOSPHATE,
        cell_carbon=built,
        carbon_used=carbon,
    )


def runs_out(
    nitrate: float,
    phosphate: float,
    carbon: float | None = None,
    *,
    cells: Cells = DEFAULT_CELLS,
    efficiency: float = GROWTH_EFFICIENCY,
) -> RunsOut:
    """Which is used up first in closed water without resupply, and what is left of the others.

    Parameters
    ----------
    nitrate, phosphate : float
        mg/L of the ions.
    carbon : float, optional
        mg C/L given; left out, as much as growth will take.
    cells : Cells
    efficiency : float

    Raises
    ------
    WaterError
        A concentration is negative.
    """
    for name, value in (("nitrate", nitrate), ("phosphate", phosphate), ("carbon", carbon or 0.0)):
        if value < 0:
            raise WaterError(f"{name} cannot be {value:g} mg/L.")
    per_carbon = uptake_of(1.0, cells, efficiency)
    reach = {"nitrate": nitrate / per_carbon.nitrate, "phosphate": phosphate / per_carbon.phosphate}
    if carbon is not None:
        reach["carbon"] = carbon
    used = min(reach.values())
    first = tuple(name for name, value in reach.items() if math.isclose(value, used, rel_tol=1e-12))
    taken = uptake_of(used, cells, efficiency)
    return RunsOut(
        first=first,
        nitrogen_to_phosphorus=nitrate / NITRATE * PHOSPHATE / phosphate if phosphate else math.inf,
        taken=taken,
        nitrate_left=0.0 if "nitrate" in first else nitrate - taken.nitrate,
        phosphate_left=0.0 if "phosphate" in first else phosphate - taken.phosphate,
        carbon_left=None if carbon is None else 0.0 if "carbon" in first else carbon - used,
        for_all_nitrate=uptake_of(reach["nitrate"], cells, efficiency),
        alkalinity_returned=alkalinity_returned(taken.nitrate),
    )


def alkalinity_returned(nitrate: float) -> float:
    """Alkalinity in meq/L that comes back as bacteria take nitrate (mg/L), by growth or denitrification alike.

    One equivalent per mole (charge balance). Nitrifying ammonium takes two.
    """
    return nitrate / NITRATE


@dataclass(frozen=True)
class Denitrification:
    """Denitrification with a share of the donor's electrons kept in cells, nitrate being also their nitrogen.

    Half reactions after Rittmann and McCarty, Environmental Biotechnology: per electron equivalent of the donor
    ``(1 - cell_share) / 5`` mol of nitrate are respired and ``cell_share / 28`` mol built into cells.
    """

    cell_share: float

    def __post_init__(self) -> None:
        if not 0 <= self.cell_share < 1:
            raise WaterError(
                f"the share of electrons kept in cells lies from 0 to below 1, not at {self.cell_share:g}."
            )

    @property
    def _moles(self) -> float:
        return (1 - self.cell_share) / 5 + self.cell_share / 28

    @property
    def oxygen_demand(self) -> float:
        """Grams of oxygen demand spent per g of nitrate-nitrogen removed."""
        return OXYGEN_PER_EQUIVALENT / (self._moles * NITROGEN)

    @property
    def assimilated_share(self) -> float:
        """Share of the nitrogen removed that ends in cells."""
        return self.cell_share / 28 / self._moles

    @property
    def cells_grown(self) -> float:
        """Grams of cells per g of nitrate-nitrogen removed."""
        return self.cell_share / 28 * BIOMASS.molar_mass / (self._moles * NITROGEN)


def denitrification_demand(source: CarbonSource, oxygen_demand: float = OXYGEN_PER_NITRATE_N) -> float:
    """Grams of a source spent per g of nitrate-nitrogen denitrified, at so much oxygen demand per g of nitrogen."""
    return oxygen_demand / source.oxygen_demand


def denitrified_per_carbon(source: CarbonSource, oxygen_demand: float = OXYGEN_PER_NITRATE_N) -> float:
    """Grams of nitrate-nitrogen denitrified per g of the source's carbon."""
    return source.oxygen_per_carbon / oxygen_demand


def anoxic_share_that_equals_growth(
    source: CarbonSource,
    cells: Cells = DEFAULT_CELLS,
    efficiency: float = GROWTH_EFFICIENCY,
    oxygen_demand: float = OXYGEN_PER_NITRATE_N,
) -> float:
    """Share of the carbon spent without oxygen at which denitrification removes as much nitrate as growth.

    It is small, so that a thin film without oxygen on a polymer can rule the nitrate and leave phosphate alone.
    """
    grown = uptake_of(1.0, cells, efficiency).nitrate_nitrogen
    return grown / (grown + denitrified_per_carbon(source, oxygen_demand))
