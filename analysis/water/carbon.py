"""Carbon sources: what share of each is carbon, what oxygen burning it takes, and how strong a product is.

Both follow from the formula and the standard atomic weights. A polymer blend with fillers, plasticiser or starch
has another share, unknown unless its maker states it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from types import MappingProxyType

from schemas.chemistry import ATOMIC_WEIGHTS, composition
from schemas.errors import WaterError
from schemas.plain_words import listed, nearest, quoted

ETHANOL_DENSITY = 0.78924
"""g/mL at 20 °C; International Organization of Legal Metrology, R 22, from memory."""
GLACIAL_ACETIC_DENSITY = 1.0492
"""g/mL at 20 °C, from memory."""

_FLAMMABLE = (
    "Ethanol is flammable: a 40 % bottle gives off vapour that burns from about 26 °C, stronger ones below. Keep "
    "bottles small, closed, away from lamps, heaters and pumps, and out of children's reach."
)
_OXYGEN = (
    "Dissolved carbon takes oxygen as fast as bacteria grow: dose by day, split or drip it, keep the skimmer "
    "running, and watch the fish at dawn, when oxygen is lowest."
)
_ACID = "Vinegar lowers pH for a while: drip it or split it. Stronger than 6 % burns skin and eyes; do not use it."
_REACTOR = (
    "A clogged or stopped reactor turns black and makes hydrogen sulfide, which kills: on a smell of rotten eggs "
    "leave, ventilate, and run its water to waste, never into the tank."
)
_POISON = (
    "Methanol is poisonous, swallowed or breathed in: it is listed for comparison with the literature and never "
    "dosed in a home."
)


@dataclass(frozen=True)
class CarbonSource:
    """A substance that feeds bacteria.

    Parameters
    ----------
    id, title : str
    atoms : mapping of str to float
        Atoms of each element in a molecule, a repeating unit, or the mean unit of a copolymer.
    solid : bool
        A polymer that stays in a reactor and is worn down, against what dissolves at once.
    density : float or None
        g/mL of the pure liquid, where strengths are by volume.
    cautions : tuple of str
        Said wherever the source is used.
    dosed : bool
        False for what is only ever compared with, never given.
    """

    id: str
    title: str
    atoms: MappingProxyType[str, float]
    solid: bool = False
    density: float | None = None
    cautions: tuple[str, ...] = ()
    dosed: bool = True

    @property
    def molar_mass(self) -> float:
        """Grams per mole of ``atoms``."""
        return sum(ATOMIC_WEIGHTS[element] * count for element, count in self.atoms.items())

    @property
    def carbon_share(self) -> float:
        """Grams of carbon per gram."""
        return ATOMIC_WEIGHTS["C"] * self.atoms["C"] / self.molar_mass

    @property
    def oxygen_demand(self) -> float:
        """Grams of oxygen that burn a gram to carbon dioxide and water (nitrogen, if any, to ammonia)."""
        atoms = self.atoms
        hydrogen = atoms["H"] + atoms.get("Na", 0) - 3 * atoms.get("N", 0)
        return self._grams_of_oxygen(atoms["C"] + hydrogen / 4 - atoms["O"] / 2)

    def _grams_of_oxygen(self, molecules: float) -> float:
        return molecules * 2 * ATOMIC_WEIGHTS["O"] / self.molar_mass

    @property
    def oxygen_per_carbon(self) -> float:
        """Grams of oxygen demand per gram of carbon."""
        return self.oxygen_demand / self.carbon_share


@dataclass(frozen=True)
class Product:
    """A source as it stands on the shelf.

    Parameters
    ----------
    source : CarbonSource
    label : str
        The words it was named by, tidied.
    grams_per_ml : float or None
        Of the source in a millilitre; None for what is weighed pure.
    """

    source: CarbonSource
    label: str
    grams_per_ml: float | None = None

    @property
    def carbon_per_ml(self) -> float | None:
        """Grams of carbon in a millilitre."""
        return None if self.grams_per_ml is None else self.grams_per_ml * self.source.carbon_share


def phbv(valerate: float = 8.0) -> CarbonSource:
    """Poly(hydroxybutyrate-co-hydroxyvalerate) with so many mol % of valerate."""
    if not 0 <= valerate <= 100:
        raise WaterError(f"{valerate:g} mol % of valerate is outside 0 to 100.")
    share = valerate / 100
    atoms = {"C": 4 + share, "H": 6 + 2 * share, "O": 2.0}
    title = f"Poly(hydroxybutyrate-co-hydroxyvalerate), {valerate:g} mol % valerate"
    return CarbonSource("phbv", title, MappingProxyType(atoms), solid=True, cautions=(_REACTOR,))


def _polymer(id_: str, title: str, unit: str) -> CarbonSource:
    return CarbonSource(id_, title, _atoms(unit), solid=True, cautions=(_REACTOR,))


def _dissolved(
    id_: str, title: str, formula: str, *cautions: str, density: float | None = None
) -> CarbonSource:
    return CarbonSource(id_, title, _atoms(formula), density=density, cautions=(_OXYGEN, *cautions))


def _atoms(formula: str) -> MappingProxyType[str, float]:
    return MappingProxyType({element: float(count) for element, count in composition(formula).items()})


SOURCES = MappingProxyType(
    {
        source.id: source
        for source in (
            _polymer("phb", "Poly-3-hydroxybutyrate", "C4H6O2"),
            phbv(),
            _polymer("pcl", "Polycaprolactone", "C6H10O2"),
            _polymer("pla", "Polylactic acid", "C3H4O2"),
            _polymer("pbs", "Polybutylene succinate", "C8H12O4"),
            _dissolved("ethanol", "Ethanol", "C2H6O", _FLAMMABLE, density=ETHANOL_DENSITY),
            _dissolved("acetic-acid", "Acetic acid", "C2H4O2", _ACID, density=GLACIAL_ACETIC_DENSITY),
            _dissolved("sodium-acetate", "Sodium acetate, anhydrous", "C2H3O2Na"),
            _dissolved("glucose", "Glucose, anhydrous", "C6H12O6"),
            _dissolved("glucose-monohydrate", "Glucose monohydrate", "C6H14O7"),
            _dissolved("sucrose", "Sucrose", "C12H22O11"),
            CarbonSource("methanol", "Methanol", _atoms("CH4O"), cautions=(_POISON,), dosed=False),
        )
    }
)
"""Sources by id. Polylactic acid by itself is nearly inert in ambient sea water (Haider et al. 2019, Angew. Chem.,
from memory)."""

BIOMASS = CarbonSource("biomass", "Bacterial cells", _atoms("C5H7O2N"))
"""The cell formula of waste-water practice, from memory."""

_NAMES = {
    "vinegar": "acetic-acid",
    "acetic acid": "acetic-acid",
    "acetate": "sodium-acetate",
    "sodium acetate": "sodium-acetate",
    "dextrose": "glucose",
    "glucose monohydrate": "glucose-monohydrate",
    "sugar": "sucrose",
    "table sugar": "sucrose",
    "alcohol": "ethanol",
}
_PRODUCT = re.compile(r"([a-z][a-z -]*?)(?:\s*([\d.,]+)\s*(.*))?", re.IGNORECASE)
_BY_VOLUME = ("%", "%vol", "%v/v", "%byvolume", "%abv", "vol%")
_BY_MASS_IN_VOLUME = ("%", "%w/v", "%acid", "%acidity")
_VALERATE = ("mol%", "%", "%hv", "mol%hv", "mol%valerate")


def product(text: str) -> Product:
    """A source with its strength, as somebody names it.

    Parameters
    ----------
    text : str
        ``phb``, ``phbv 12 mol %``, ``ethanol 40 %`` (by volume), ``vinegar 5 %`` (by mass in volume), ``sucrose``
        (dry), ``sucrose 100 g/L`` (dissolved), ``acetic acid 100 %`` (glacial).

    Raises
    ------
    WaterError
        The source is not known, or a liquid comes without its strength.

    Examples
    --------
    >>> round(product("ethanol 40 %").carbon_per_ml, 6)
    0.164615
    """
    found = _PRODUCT.fullmatch(" ".join(text.split()))
    name = (found[1] if found else text).strip().casefold()
    key = _NAMES.get(name, name.replace(" ", "-"))
    if found is None or key not in SOURCES:
        close = nearest(name, [*SOURCES, *_NAMES])
        guess = f" (did you mean {close}?)" if close else ""
        raise WaterError(
            f"{quoted(text)} is no carbon source known here{guess}; known: {listed(SOURCES, 'and')}."
        )
    source = SOURCES[key]
    if found[2] is None:
        if key in ("ethanol", "acetic-acid"):
            usual = "40" if key == "ethanol" else "5"
            raise WaterError(
                f'{name} comes in many strengths; write it with the name, e.g. "{name} {usual} %".'
            )
        return Product(source, name)
    strength, unit = decimal(found[2]), found[3].replace(" ", "").casefold()
    if key == "phbv" and unit in _VALERATE:
        return Product(phbv(strength), f"phbv {strength:g} mol %")
    grams = _grams_per_ml(source, strength, unit)
    if grams is None:
        raise WaterError(
            f"the strength in {quoted(text)} is not understood; write % by volume for ethanol, % (g in 100 mL) for "
            "vinegar, g/L for a solution, and nothing for what is weighed dry."
        )
    return Product(source, f"{name} {strength:g} {'g/L' if unit == 'g/l' else '%'}", grams)


def _grams_per_ml(source: CarbonSource, strength: float, unit: str) -> float | None:
    if source.solid or strength <= 0:
        return None
    if unit == "g/l" and strength <= 1500:
        return strength / 1000
    if source.id == "ethanol" and unit in _BY_VOLUME and strength <= 100:
        return ETHANOL_DENSITY * strength / 100
    if source.id == "acetic-acid" and unit in _BY_MASS_IN_VOLUME and strength <= 100:
        return GLACIAL_ACETIC_DENSITY if strength == 100 else strength / 100
    return None


def decimal(text: str) -> float:
    """A plain number with a decimal point or comma; ``1,500`` can be read two ways and is refused.

    Examples
    --------
    >>> decimal("0,25")
    0.25
    """
    if not re.fullmatch(r"\d+(?:[.,]\d+)?|[.,]\d+", text):
        raise WaterError(f'"{text}" is not a number; write it like 0.5.')
    if re.fullmatch(r"[1-9]\d{0,2},\d{3}", text):
        raise WaterError(
            f'"{text}" can be read two ways; write {text.replace(",", "")} or {text.replace(",", ".")}.'
        )
    return float(text.replace(",", "."))
