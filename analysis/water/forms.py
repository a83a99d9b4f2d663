"""One concentration in another form: ion, element, amount of substance, by volume or by mass of water.

The conversions are those that readings go through when they are taken in; a content by mass of water is
brought to one by volume with the density, which only the salinity and temperature can give.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from schemas.chemistry import composition, molar_mass
from schemas.errors import WaterError
from schemas.units import Conversion, conversion, normalise_unit

if TYPE_CHECKING:
    from schemas.variables import Variable

_PER_KILOGRAM = "/kg"


@dataclass(frozen=True)
class Converted:
    """A value in another unit, with what was assumed on the way."""

    value: float
    unit: str
    notes: tuple[str, ...]


def convert(
    value: float, unit: str, wanted: str, variable: Variable, kilograms_per_litre: float | None = None
) -> Converted:
    """A value of a variable in another of its units.

    Parameters
    ----------
    value : float
    unit, wanted : str
        Any spelling of a unit of the variable; ``mg/kg``, ``umol/kg`` and the like where the density is given.
        ppm and ppb are by volume (mg/L and µg/L), as the hobby means them; by mass they are mg/kg and µg/kg.
    variable : Variable
    kilograms_per_litre : float, optional
        What a litre of the water weighs.

    Raises
    ------
    UnitError
        The variable is not measured in such a unit, or the density is missing.

    Examples
    --------
    >>> from schemas.variables import catalogue
    >>> convert(10, "mg/L NO3-N", "umol/L", catalogue()["nitrate"]).value  # doctest: +ELLIPSIS
    713.92...
    """
    there = _conversion(unit, variable, kilograms_per_litre)
    back = _conversion(wanted, variable, kilograms_per_litre)
    notes = tuple(dict.fromkeys(note for note in (there.note, back.note) if note))
    return Converted(back.from_canonical(there.to_canonical(value)), normalise_unit(wanted) or "1", notes)


def _conversion(unit: str, variable: Variable, kilograms_per_litre: float | None) -> Conversion:
    spelt = normalise_unit(unit)
    amount, joint, form = spelt.partition(" as ")
    if kilograms_per_litre is None or not amount.endswith(_PER_KILOGRAM):
        return conversion(unit, variable)
    by_volume = conversion(amount.removesuffix(_PER_KILOGRAM) + "/L" + joint + form, variable)
    return replace(by_volume, factor=by_volume.factor * kilograms_per_litre)


def mass_with_same(element: str, have: str, wanted: str) -> float:
    """Grams of one compound that hold as much of an element as one gram of another.

    Parameters
    ----------
    element : str
        Symbol of the element that both hold.
    have, wanted : str
        Plain formulas.

    Examples
    --------
    Nitrate that complete oxidation makes of a gram of nitrite:

    >>> round(mass_with_same("N", "NO2", "NO3"), 6)
    1.347767
    """
    atoms = [composition(formula).get(element, 0) for formula in (have, wanted)]
    if 0 in atoms:
        raise WaterError(f"{have if not atoms[0] else wanted} holds no {element}.")
    return molar_mass(wanted) / atoms[1] / (molar_mass(have) / atoms[0])
