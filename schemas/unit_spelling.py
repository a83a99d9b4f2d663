"""How people write units, and the one spelling that each is brought to.

A unit is an amount (``mg/L``, ``umol/L``, ``dKH``) and, where a mass may be counted in several forms, the
form after "as" (``mg/L as N``). Text that is not understood is only tidied, never guessed at.
"""

from __future__ import annotations

import re
import unicodedata

_PER_VOLUME = {
    ("g", "L"): "g/L",
    ("mg", "L"): "mg/L",
    ("ug", "L"): "ug/L",
    ("ng", "L"): "ng/L",
    ("g", "m3"): "mg/L",
    ("mg", "m3"): "ug/L",
    ("mol", "L"): "mol/L",
    ("mmol", "L"): "mmol/L",
    ("umol", "L"): "umol/L",
    ("nmol", "L"): "nmol/L",
    ("mol", "m3"): "mmol/L",
    ("mmol", "m3"): "umol/L",
    ("umol", "m3"): "nmol/L",
    ("eq", "L"): "eq/L",
    ("meq", "L"): "meq/L",
    ("ueq", "L"): "ueq/L",
    ("mval", "L"): "meq/L",
    ("eq", "m3"): "meq/L",
    ("meq", "m3"): "ueq/L",
    ("mg", "kg"): "mg/kg",
    ("ug", "kg"): "ug/kg",
    ("mmol", "kg"): "mmol/kg",
    ("umol", "kg"): "umol/kg",
}
_NUMERATORS = {
    "milligram": "mg",
    "milligrams": "mg",
    "microgram": "ug",
    "micrograms": "ug",
    "mcg": "ug",
    "micromol": "umol",
    "micromole": "umol",
    "micromoles": "umol",
    "millimol": "mmol",
    "millimole": "mmol",
    "millimoles": "mmol",
} | {numerator: numerator for numerator, _ in _PER_VOLUME}
_DENOMINATORS = {
    "l": "L",
    "lt": "L",
    "ltr": "L",
    "litre": "L",
    "liter": "L",
    "litres": "L",
    "liters": "L",
    "dm3": "L",
    "m3": "m3",
    "kg": "kg",
}
# Capital M is molar; a small one is the metre, so these alone are told apart by case.
_MOLAR = {"M": "mol/L", "mM": "mmol/L", "uM": "umol/L", "nM": "nmol/L"}
_SINGLE = {
    "ppm": ("ppm", "parts per million"),
    "ppb": ("ppb", "parts per billion"),
    "ppt": ("ppt", "parts per thousand", "‰", "o/oo", "0/00"),
    "PSU": ("psu", "pss", "pss-78", "practical salinity units", "practical salinity"),
    "SG": ("sg", "s.g", "specific gravity"),
    "mS/cm": ("ms/cm",),
    "uS/cm": ("us/cm",),
    "dKH": ("dkh", "°dkh", "kh", "°kh", "dh", "°dh", "deg dkh", "deg kh", "degrees kh", "degrees dkh"),
    "°C": (
        *("°c", "c", "cel", "celsius", "centigrade", "degc", "deg c", "degree c", "degrees c"),
        *("deg celsius", "degree celsius", "degrees celsius"),
    ),
    "°F": (
        *("°f", "f", "fahrenheit", "degf", "deg f", "degree f", "degrees f"),
        *("deg fahrenheit", "degree fahrenheit", "degrees fahrenheit"),
    ),
    "K": ("k", "kelvin"),
    "mV": ("mv", "millivolt", "millivolts"),
    "V": ("v", "volt", "volts"),
    "pH": ("ph", "ph unit", "ph units"),
    "1": ("1", "-", "none", "unitless", "dimensionless"),
    "%": ("%", "percent", "per cent", "% sat", "%sat", "% saturation", "percent saturation"),
    "L": ("l", "litre", "litres", "liter", "liters"),
    "mL": ("ml", "millilitre", "millilitres", "milliliter", "milliliters"),
    "m3": ("m3", "cubic metre", "cubic metres"),
    "gal": ("gal", "gallon", "gallons"),
    "US gal": ("us gal", "us gallon", "us gallons", "gal us"),
    "imp gal": ("imp gal", "imperial gallon", "imperial gallons", "uk gal", "gal uk"),
    "L/h": ("l/h", "l/hr", "l/hour", "lph", "litres/hour", "liters/hour"),
    "L/min": ("l/min", "lpm", "litres/minute", "liters/minute"),
    "mL/min": ("ml/min",),
    "US gal/h": ("us gal/h", "us gal/hr", "us gallons/hour", "us gph"),
    "gal/h": ("gph", "gal/h", "gal/hr", "gallons/hour"),
}
_SINGLE_OF = {spelling: unit for unit, spellings in _SINGLE.items() for spelling in spellings}
_FORMS = {
    "N": ("n", "nitrogen"),
    "P": ("p", "phosphorus", "phosphorous"),
    "Si": ("si", "silicon"),
    "C": ("c", "carbon"),
    "Ca": ("ca", "calcium", "ca2+"),
    "Mg": ("mg", "magnesium", "mg2+"),
    "O2": ("o2", "oxygen"),
    "NO3": ("no3", "no3-", "nitrate"),
    "NO2": ("no2", "no2-", "nitrite"),
    "NH3": ("nh3", "ammonia"),
    "NH4": ("nh4", "nh4+", "ammonium"),
    "PO4": ("po4", "po43-", "po4-3", "po4---", "phosphate", "orthophosphate"),
    "P2O5": ("p2o5",),
    "SiO2": ("sio2", "silica"),
    "SiO3": ("sio3", "sio32-"),
    "SiO4": ("sio4", "sio44-"),
    "CaCO3": ("caco3", "calcium-carbonate"),
    "CaO": ("cao",),
    "HCO3": ("hco3", "hco3-", "bicarbonate"),
    "NO3-N": ("no3-n", "no3n", "no3--n", "n-no3", "nitrate-n", "nitrate-nitrogen"),
    "NO2-N": ("no2-n", "no2n", "no2--n", "n-no2", "nitrite-n", "nitrite-nitrogen"),
    "NH3-N": ("nh3-n", "nh3n", "n-nh3", "ammonia-n", "ammonia-nitrogen"),
    "NH4-N": ("nh4-n", "nh4n", "nh4+-n", "n-nh4", "ammonium-n", "ammonium-nitrogen"),
    "TAN": ("tan", "total-ammonia-nitrogen"),
    "PO4-P": ("po4-p", "po4p", "po43--p", "p-po4", "phosphate-p", "phosphate-phosphorus"),
    "SiO2-Si": ("sio2-si", "si-sio2", "silicate-si"),
    "SiO4-Si": ("sio4-si", "si-sio4"),
}
_FORM_OF = {spelling: form for form, spellings in _FORMS.items() for spelling in spellings}
_ELEMENTS = frozenset({"N", "P", "Si", "C", "Ca", "Mg"})

_DENOMINATOR = "|".join(sorted(_DENOMINATORS, key=len, reverse=True))
_INVERSE = re.compile(r"(?<=\S)\s+(?:(l|kg)\s?-\s?1|(d?m)\s?-\s?3)(?!\d)", re.IGNORECASE)
_FRACTION = re.compile(rf"([^/]+)/({_DENOMINATOR})(?![A-Za-z0-9])([^/]*)", re.IGNORECASE)
_GLUED = re.compile(rf"({'|'.join(sorted(_NUMERATORS, key=len, reverse=True))}|ppm|ppb)-?(.+)", re.IGNORECASE)


def normalise_unit(text: str) -> str:
    """The one spelling of a unit, whatever the case, spaces, micro sign, superscripts or order.

    Parameters
    ----------
    text : str
        A unit as somebody wrote it.

    Returns
    -------
    str
        The amount, followed by ``as`` and the form where one is named. A text that is not understood comes
        back with its spaces and signs tidied.

    Examples
    --------
    >>> [normalise_unit(text) for text in ("mg/l", "NO3-N mg/L", "µg P/L", "mg·L⁻¹", "degF", "µM")]
    ['mg/L', 'mg/L as NO3-N', 'ug/L as P', 'mg/L', '°F', 'umol/L']
    """
    tidy = _tidy(text)
    single = _SINGLE_OF.get(tidy.casefold())
    if single is not None:
        return single
    return _concentration(tidy) or tidy


def _tidy(text: str) -> str:
    """Signs brought to plain ones, brackets and multiplication dots to spaces, ``L-1`` to ``/L``."""
    # The ordinal and ring signs stand in for the degree sign; NFKC would make letters of them.
    text = unicodedata.normalize("NFKC", text.replace("º", "°").replace("˚", "°")).replace("μ", "u")
    text = re.sub("[\u2010-\u2015\u2212]", "-", text)
    text = re.sub(r"\b((?:[A-Za-z]\.){2,})", lambda letters: letters[0].replace(".", ""), text)
    text = re.sub(r"(?<!\d)\.|\.(?!\d)|[\[\](){},;:·⋅*^_\"]", " ", text)
    text = " ".join(text.split())
    text = re.sub(r"(?i)(?<!parts) per (?!cent\b)", "/", text)
    text = re.sub(r"° (?=\S)", "°", text)
    text = _INVERSE.sub(lambda unit: f"/{unit[1]}" if unit[1] else f"/{unit[2]}3", text)
    return re.sub(r" ?/ ?", "/", text)


def _concentration(tidy: str) -> str | None:
    """An amount per volume or mass with its form, e.g. ``mg/L as N``; None where it is not one."""
    fraction = _FRACTION.fullmatch(tidy)
    words = [*fraction[1].split(), *fraction[3].split()] if fraction else tidy.split()
    denominator = _DENOMINATORS[fraction[2].casefold()] if fraction else None
    words = [part for word in words for part in _unglued(word)]
    for place, word in enumerate(words):
        amount = _amount(word, denominator)
        if amount is not None:
            rest = words[:place] + words[place + 1 :]
            if not rest:
                return amount
            form = _form(rest)
            return f"{amount} as {form}" if form else None
    return None


def _unglued(word: str) -> list[str]:
    """``mgN`` and ``mg-N`` as two words."""
    glued = _GLUED.fullmatch(word)
    if glued and word.casefold() not in _NUMERATORS and glued[2].casefold() in _FORM_OF:
        return [glued[1], glued[2]]
    return [word]


def _amount(word: str, denominator: str | None) -> str | None:
    if denominator is None:
        return _MOLAR.get(word) or (word.casefold() if word.casefold() in {"ppm", "ppb"} else None)
    return _PER_VOLUME.get((_NUMERATORS.get(word.casefold(), ""), denominator))


def _form(words: list[str]) -> str | None:
    """The chemical form that words name: ``as N``, ``NO3 - N``, ``nitrate as N``; None where they do not."""
    folded = [word.casefold().removeprefix("-") for word in words]
    if "as" not in folded:
        return _FORM_OF.get("-".join(filter(None, folded)))
    split = folded.index("as")
    substance = _FORM_OF.get("-".join(folded[:split]))
    counted = _FORM_OF.get("-".join(filter(None, folded[split + 1 :])))
    if not folded[:split] or substance == counted:
        return counted
    # "N as NO3" says two things; only a substance counted as one of its elements is plain.
    if substance is None or counted is None or substance in _ELEMENTS:
        return None
    return _FORM_OF.get(f"{substance}-{counted}".casefold())
