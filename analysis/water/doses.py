"""A dose as people write it, the carbon and oxygen demand in it, and the equal dose of another source.

A dose of pellets is what stands in the reactor; a dose of what dissolves is given each day or week. Only the
pellets' carbon that is worn off in a day compares with a daily dose.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import StrEnum

from analysis.water.carbon import Product, decimal
from schemas.errors import UnitError, WaterError
from schemas.plain_words import quoted
from schemas.units import to_canonical
from schemas.variables import catalogue

_MASSES = {"g": 1.0, "mg": 1e-3, "kg": 1e3}
_MILLILITRES = {"ml": 1.0, "l": 1e3, "ul": 1e-3, "µl": 1e-3}
_TIMES = {
    1.0: ("d", "day", "days"),
    7.0: ("w", "wk", "week", "weeks"),
    1 / 24: ("h", "hour", "hours"),
}
_DAYS = {word: days for days, words in _TIMES.items() for word in words}
_ASKED = 'write it like "50 g / 100 L", "0.3 mL / 100 L / d", "1 mL/d" or "0.5 mg C / L / d"'


class Basis(StrEnum):
    """What makes doses of two sources equal."""

    CARBON = "carbon"
    OXYGEN = "oxygen"


@dataclass(frozen=True)
class Dose:
    """An amount, for so many litres, at once or per day.

    Parameters
    ----------
    amount : float
        In ``unit``; per day where ``daily``.
    unit : str
        ``g`` or ``mL`` of the product, or ``g C`` of carbon.
    litres : float or None
        Water that the amount is for; None means the whole tank, whatever it holds.
    daily : bool
        Given every day, against standing or given once.
    """

    amount: float
    unit: str
    litres: float | None = None
    daily: bool = False

    def __str__(self) -> str:
        water = "" if self.litres is None else f" / {self.litres:g} L"
        return f"{self.amount:g} {self.unit}{water}{' / d' if self.daily else ''}"

    def for_litres(self, litres: float) -> Dose:
        """The dose of so much water; one for a whole tank is taken to be that tank's."""
        scale = 1.0 if self.litres is None else litres / self.litres
        return replace(self, amount=self.amount * scale, litres=litres)


def parse_dose(text: str) -> Dose:
    """A dose from its text.

    Parameters
    ----------
    text : str
        Amount with g, mg, kg or mL; then, with ``/`` or ``per``, litres (``100 L``, ``20 US gal``, ``L``) and a
        time (``d``, ``week``); ``mg C`` and ``g C`` state carbon itself.

    Raises
    ------
    WaterError
        The text is no dose.

    Examples
    --------
    >>> parse_dose("0.1 mL per 100 L per day")
    Dose(amount=0.1, unit='mL', litres=100.0, daily=True)
    >>> parse_dose("256 mg/L")
    Dose(amount=0.256, unit='g', litres=1.0, daily=False)
    """
    head, *rest = (part.strip() for part in re.split(r"/|\bper\b", text))
    found = re.fullmatch(r"([\d.,]+)\s*([a-zµ]+)(?:\s*(?:of\s+)?(c|carbon))?", head, re.IGNORECASE)
    if not found:
        raise WaterError(f"{quoted(text)} is not a dose; {_ASKED}.")
    unit = found[2].casefold()
    mass, volume = _MASSES.get(unit), _MILLILITRES.get(unit)
    if (mass is None and volume is None) or (volume is not None and found[3]):
        raise WaterError(f'a dose is not counted in "{head.removeprefix(found[1]).strip()}"; {_ASKED}.')
    amount = decimal(found[1]) * (mass or volume or 1.0)
    if amount == 0:
        raise WaterError(f"{quoted(text)} is a dose of nothing; {_ASKED}.")
    dose = Dose(amount, "mL" if volume else "g C" if found[3] else "g")
    for part in rest:
        dose = _narrowed(dose, part, text)
    return dose


def _narrowed(dose: Dose, part: str, text: str) -> Dose:
    """The dose with one more "per": a time or a volume, each once."""
    number, unit = _number_and_word(part)
    days = _DAYS.get(unit.casefold())
    if days is not None and not dose.daily:
        return replace(dose, amount=dose.amount / (days * number), daily=True)
    if days is None and unit.casefold() == "tank" and number == 1 and dose.litres is None:
        return dose
    if days is None and dose.litres is None:
        try:
            return replace(dose, litres=to_canonical(number, unit, catalogue()["volume"]))
        except UnitError as error:
            raise WaterError(f"{quoted(text)}: {error}") from None
    raise WaterError(f'{quoted(text)} says "per {part}" twice over; {_ASKED}.')


def _number_and_word(part: str) -> tuple[float, str]:
    found = re.fullmatch(r"([\d.,]*)\s*(.*)", part)
    number = decimal(found[1]) if found and found[1] else 1.0
    if not found or not found[2] or number == 0:
        raise WaterError(f'"per {part}" is no volume or time; {_ASKED}.')
    return number, found[2].strip()


def carbon_of(dose: Dose, product: Product) -> float:
    """Grams of carbon in a dose: for its litres, per day where it is daily."""
    if dose.unit == "g C":
        return dose.amount
    return _grams(dose, product) * product.source.carbon_share


def oxygen_demand_of(dose: Dose, product: Product) -> float:
    """Grams of oxygen that burn a dose wholly: for its litres, per day where it is daily."""
    if dose.unit == "g C":
        return dose.amount * product.source.oxygen_per_carbon
    return _grams(dose, product) * product.source.oxygen_demand


def equal_dose(dose: Dose, product: Product, other: Product, basis: Basis) -> Dose:
    """The dose of another source that holds as much carbon, or takes as much oxygen.

    Returns
    -------
    Dose
        For the same litres and time; mL of a liquid, g of what is weighed. Of a polymer it is what must be worn
        off, not what must stand in the reactor.

    Raises
    ------
    WaterError
        The other source is never dosed; or one is a standing stock of polymer and the other dissolves.
    """
    if not other.source.dosed:
        raise WaterError(other.source.cautions[0])
    if product.source.solid != other.source.solid and not dose.daily and dose.unit != "g C":
        raise WaterError(
            f"{dose} of {product.label} has no daily rate to compare with {other.label}: say what is worn off or "
            "given in a day, e.g. with `/ d`."
        )
    if basis is Basis.CARBON:
        grams = carbon_of(dose, product) / other.source.carbon_share
    else:
        grams = oxygen_demand_of(dose, product) / other.source.oxygen_demand
    if other.grams_per_ml is None:
        return replace(dose, amount=grams, unit="g")
    return replace(dose, amount=grams / other.grams_per_ml, unit="mL")


def per_litre(grams: float, dose: Dose, volume: float | None = None) -> float:
    """mg/L (per day where the dose is daily) from grams for the litres of a dose.

    Parameters
    ----------
    grams : float
        As :func:`carbon_of` gives it.
    dose : Dose
    volume : float, optional
        Net litres of the tank; needed where the dose is for a whole tank.
    """
    litres = dose.litres if dose.litres is not None else volume
    if litres is None:
        raise WaterError(f"{dose} is for a whole tank: give its net volume in litres.")
    return 1000 * grams / litres


def _grams(dose: Dose, product: Product) -> float:
    """Grams of the pure source in a dose."""
    if dose.unit == "g":
        if product.grams_per_ml is not None:
            raise WaterError(f"{product.label} is measured in mL; {dose} would need its density.")
        return dose.amount
    if product.grams_per_ml is None:
        raise WaterError(
            f"{product.label} must be weighed: {dose} is a volume, and pellets or powder in a beaker are half air."
        )
    return dose.amount * product.grams_per_ml
