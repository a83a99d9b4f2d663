"""Numbers and names as people read them: sensible digits, a true minus sign, one harmless line of text.

Results are never rounded where they are computed; they are rounded here, where they are shown.
"""

from __future__ import annotations

import math
import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable

MINUS = "\u2212"
ABSENT = "\u2013"
MOST_PLACES = 8


def plain(text: str, longest: int = 10_000) -> str:
    r"""One line of text without control characters and marks that turn the direction of writing.

    Text in a right-to-left script keeps its own direction; only the marks that would turn the sentence
    around it are taken out. Longer texts end in an ellipsis.

    Examples
    --------
    >>> plain("Polymer\n pellets,\u202e fluidised")
    'Polymer pellets, fluidised'
    >>> plain("Polymer pellets, fluidised", 12)
    'Polymer pel…'
    """
    # Joiners hold emoji and some scripts together and turn nothing.
    kept = (c if unicodedata.category(c) not in {"Cc", "Zl", "Zp"} else " " for c in text)
    shown = "".join(c for c in kept if c in "\u200c\u200d" or not _unwritable(c))
    shown = " ".join(shown.split())
    return shown if len(shown) <= longest else f"{shown[: longest - 1].rstrip()}…"


def _unwritable(character: str) -> bool:
    """Marks of direction, halves of characters, and the two that no document of XML may hold."""
    return character in "\ufffe\uffff" or unicodedata.category(character) in {"Cf", "Cs"}


def count(number: int, noun: str, plural: str = "") -> str:
    """A number of things: ``1 tank``, ``2 tanks``, ``1,200 boxes``."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def day_words(day: dt.date) -> str:
    """A date that reads the same on every continent: ``2 March 2026``."""
    return f"{day.day} {day:%B %Y}"


def places_for(size: float | None, significant: int = 2) -> int:
    """Decimal places that show a number of this size with so many significant digits.

    Examples
    --------
    >>> places_for(0.145), places_for(14.5), places_for(2.2)
    (2, 0, 1)
    """
    if not size or not math.isfinite(size):
        return significant
    return min(max(significant - 1 - math.floor(math.log10(abs(size))), 0), MOST_PLACES)


def places_apart(values: Iterable[float | None], landmarks: Iterable[float], places: int) -> int:
    """Decimal places at which no value looks equal to a landmark that it does not reach.

    An interval that ends at 19.8 % must not be printed as ending at the 20 % it is read against.

    Examples
    --------
    >>> places_apart([19.8, 51.2], [0, 20], 0)
    1
    """
    marks = tuple(landmarks)
    for value in values:
        for mark in marks:
            while value is not None and _confused(value, mark, places) and places < MOST_PLACES:
                places += 1
    return places


def _confused(value: float, mark: float, places: int) -> bool:
    apart = abs(value - mark)
    # Differences at the last bits are noise of the arithmetic, not news.
    return apart > 1e-9 * max(1.0, abs(mark)) and round(value, places) == round(mark, places)


def number(value: float | None, places: int) -> str:
    """A number with fixed decimal places; a dash where there is none.

    Examples
    --------
    >>> number(0.145, 2), number(-0.001, 2), number(12345.678, 1)
    ('0.14', '0.00', '12,345.7')
    """
    if value is None or math.isnan(value):
        return ABSENT
    if math.isinf(value):
        return f"{MINUS if value < 0 else ''}∞"
    shown = f"{value:,.{places}f}"
    if not any(digit in "123456789" for digit in shown):
        shown = shown.lstrip("-")
    return shown.replace("-", MINUS)


def quantity(value: float | None, significant: int = 3) -> str:
    """A number on its own, with so many significant digits and no trailing zeros.

    Examples
    --------
    >>> quantity(0.8), quantity(12.345), quantity(0.00312), quantity(1840), quantity(3e12)
    ('0.8', '12.3', '0.00312', '1,840', '3e+12')
    """
    if value is None or not math.isfinite(value):
        return number(value, 0)
    if value and not 1e-6 <= abs(value) < 1e9:
        return f"{value:.{significant - 1}e}".replace(".00e", "e").replace("-", MINUS)
    shown = number(value, places_for(value, significant) if value else 0)
    return shown.rstrip("0").rstrip(".") if "." in shown else shown


def p_value(p: float | None, alpha: float = 0.05) -> str:
    """A p-value with two or three decimals, more where it would else look like ``alpha``.

    Examples
    --------
    >>> p_value(0.034), p_value(0.4321), p_value(0.0000123), p_value(0.0499), p_value(0.999)
    ('0.034', '0.43', '< 0.001', '0.0499', '> 0.99')
    """
    if p is None:
        return ABSENT
    if p < 0.001:
        return "< 0.001"
    if p > 0.99:
        return "> 0.99" if p < 1 else "1"
    return number(p, places_apart([p], [alpha], 3 if p < 0.1 else 2))
