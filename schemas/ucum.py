"""Units as codes of the Unified Code for Units of Measure (UCUM), for programs that read what is published.

UCUM (https://ucum.org/ucum, Regenstrief Institute) names units of measure; what is measured is no part of a code, so
that mg/L of nitrogen is ``mg/L``, and what is counted stands beside it. The codes are case sensitive.
"""

from __future__ import annotations

import re

from schemas.units import normalise_unit

_SPECIAL = {
    "1": "1",
    "%": "%",
    "pH": "[pH]",
    "°C": "Cel",
    "°F": "[degF]",
    "K": "K",
    # Practical salinity is a bare number; the annotation says which.
    "PSU": "{PSU}",
    "ppt": "[ppth]",
    "ppm": "[ppm]",
    "ppb": "[ppb]",
    "US gal": "[gal_us]",
    "imp gal": "[gal_br]",
    "US gal/h": "[gal_us]/h",
    "day": "d",
    "days": "d",
    "cm²": "cm2",
    "m²": "m2",
    "m³": "m3",
}
_PREFIX = r"(?:k|h|d|c|m|u|n)?"
_ATOM = rf"(?:{_PREFIX}(?:g|L|m|mol|eq|V|S|W|J|lm|lx|Pa)|s|min|h|d|wk|%|1)(?:2|3)?"
_CODE = re.compile(rf"{_ATOM}(?:[./]{_ATOM})*")


def ucum_code(unit: str) -> str | None:
    """The UCUM code of a unit as fairtank prints it; None where none is known.

    Examples
    --------
    >>> ucum_code("mg/L as N"), ucum_code("°C"), ucum_code("meq/L"), ucum_code("hands")
    ('mg/L', 'Cel', 'meq/L', None)
    """
    amount = unit.strip().partition(" as ")[0]
    for text in (amount, normalise_unit(amount)):
        if text in _SPECIAL:
            return _SPECIAL[text]
        code = text.replace("µ", "u").replace("μ", "u").replace("·", ".").replace(" ", ".")
        if _CODE.fullmatch(code):
            return code
    return None
