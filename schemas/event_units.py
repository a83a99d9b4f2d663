"""Units that amounts of events are written in, and what each is in millilitres, litres, grams or animals.

All factors are exact by definition: 1 lb = 453.59237 g and 1 oz = lb / 16 (International Yard and Pound Agreement,
1959), 1 US gal = 231 cubic inches = 3.785411784 L and 1 US fl oz = gal / 128 (NIST Handbook 44, appendix C), 1 imp
gal = 4.54609 L and 1 imp fl oz = gal / 160 (Weights and Measures Act 1985, schedule 1). All from memory.
"""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

from schemas.errors import UnitError
from schemas.plain_words import listed, quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

GRAMS: Mapping[str, float] = {"mg": 1e-3, "g": 1.0, "kg": 1e3, "oz": 28.349523125, "lb": 453.59237}
MILLILITRES: Mapping[str, float] = {
    "uL": 1e-3,
    "mL": 1.0,
    "L": 1e3,
    "US fl oz": 29.5735295625,
    "imp fl oz": 28.4130625,
}
LITRES: Mapping[str, float] = {
    "mL": 1e-3,
    "L": 1.0,
    "m3": 1e3,
    "US gal": 3.785411784,
    "imp gal": 4.54609,
}
COUNT: Mapping[str, float] = {"1": 1.0}
PERCENT = "%"

_SPELLINGS = {
    "uL": ("ul", "μl", "microlitre", "microlitres", "microliter", "microliters"),
    "mL": ("ml", "mls", "cc", "cm3", "millilitre", "millilitres", "milliliter", "milliliters"),
    "L": ("l", "lt", "ltr", "ltrs", "dm3", "litre", "litres", "liter", "liters"),
    "m3": ("m3", "cubic metre", "cubic metres", "cubic meter", "cubic meters"),
    "mg": ("mg", "milligram", "milligrams"),
    "g": ("g", "gm", "gram", "grams", "gramme", "grammes"),
    "kg": ("kg", "kgs", "kilo", "kilos", "kilogram", "kilograms"),
    "oz": ("oz", "ounce", "ounces"),
    "lb": ("lb", "lbs", "pound", "pounds"),
    "fl oz": ("fl oz", "fl. oz", "floz", "fluid ounce", "fluid ounces"),
    "US fl oz": ("us fl oz", "us fl. oz", "us fluid ounce", "us fluid ounces"),
    "imp fl oz": ("imp fl oz", "imp fl. oz", "imperial fluid ounce", "imperial fluid ounces", "uk fl oz"),
    "gal": ("gal", "gals", "gallon", "gallons"),
    "US gal": ("us gal", "us gals", "us gallon", "us gallons", "gal us"),
    "imp gal": ("imp gal", "imp gals", "imperial gallon", "imperial gallons", "uk gal", "gal uk"),
    PERCENT: ("%", "percent", "per cent", "% of volume", "% of tank", "% of tank volume"),
    "1": (
        *("", "1", "-", "animal", "animals", "fish", "coral", "corals", "head", "heads", "piece", "pieces"),
        *("pcs", "pc", "no", "count", "individual", "individuals", "colony", "colonies", "snail", "snails"),
    ),
}
_UNIT_OF = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings}
_TWO_MEANINGS = {
    "fl oz": "a fluid ounce is another one in the United States and in the United Kingdom",
    "gal": "a gallon is another one in the United States and in the United Kingdom",
}


def normalise_event_unit(text: str) -> str:
    """The one spelling of a unit of events; text that is not understood is only tidied.

    Examples
    --------
    >>> normalise_event_unit(" Millilitres "), normalise_event_unit("ML"), normalise_event_unit("drops")
    ('mL', 'mL', 'drops')
    """
    tidy = " ".join(unicodedata.normalize("NFKC", text).split())
    return _UNIT_OF.get(tidy.casefold().removesuffix("."), tidy)


def unit_error(text: str, what: str, accepted: Iterable[str]) -> UnitError:
    """Why a unit is not taken: it means two things, is no measure of this, or is missing.

    Parameters
    ----------
    text : str
        As written.
    what : str
        What the amount is of, e.g. ``water change``.
    accepted : iterable of str
        The units that are taken.
    """
    choices = [unit for unit in accepted if unit != "1"]
    remedy = f"write {listed(choices)}" if choices else "leave the unit empty, since animals are counted"
    unit = normalise_event_unit(text)
    if unit in ("", "1"):
        return UnitError(f"the amount of a {what} has no unit: {remedy}.")
    if unit in _TWO_MEANINGS and f"US {unit}" in choices:
        return UnitError(f"{quoted(text)} can be read two ways, for {_TWO_MEANINGS[unit]}: {remedy}.")
    if unit == "oz" and "US fl oz" in choices:
        return UnitError(f"{quoted(text)} can be a weight or a measure of liquid: {remedy}.")
    return UnitError(f"a {what} is not counted in {quoted(text)}: {remedy}.")
