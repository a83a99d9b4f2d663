"""What a cell says of a value: a number, a limit with its sign, "not detected", or why it is none of these.

A comma or point can divide decimals or thousands. ``12,5`` and ``0.125`` say it themselves; ``1,500`` does
not, and is read only where the rest of the file writes its decimals with that sign and no other.
"""

from __future__ import annotations

import math
import re
import unicodedata
from typing import TYPE_CHECKING, NamedTuple

from schemas.readings import HoldReason
from schemas.vocabulary import Sign
from trials.intake.columns import quoted, stripped

if TYPE_CHECKING:
    from collections.abc import Iterable

    from trials.intake.columns import Cell
    from trials.intake.holds import Finding

_PLAIN = str.maketrans(
    {chr(wide): chr(wide - 0xFEE0) for wide in range(0xFF01, 0xFF5F)}
    | dict.fromkeys("\u00a0\u2007\u2009\u202f\u3000", " ")
    | dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212\ufe63", "-")
    | dict.fromkeys("≤≦⩽", "<=")
    | dict.fromkeys("≥≧⩾", ">=")
    | {"\ufe64": "<", "\ufe65": ">"}
)
_WORDS = re.compile(
    r"(below|under|less than|smaller than)|(?:above|over|more than|greater than)", re.IGNORECASE
)
_SIGNS = {"": Sign.MEASURED}
_SIGNS |= dict.fromkeys(("<", "<=", "=<"), Sign.BELOW) | dict.fromkeys((">", ">=", "=>"), Sign.ABOVE)
_NUMBER = r"[+-]?(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_QUANTITY = re.compile(rf"([<>]=?|=[<>])?\s*({_NUMBER})(?![0-9.,])\s*([A-Za-zµμ%°‰].*)?")
_EVIDENT = re.compile(r"[0-9]+(?:\.(?:[0-9]{1,2}|[0-9]{4,}))?")
_EITHER = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_RANGE = re.compile(rf"{_NUMBER}\s*(?:-|to|\.\.|\u2026)\s*{_NUMBER}(?:\s*[A-Za-z].*)?")
_ERROR = re.compile(
    r"#(?:DIV/0!|N/A|NAME\?|NULL!|NUM!|REF!|VALUE!|SPILL!|CALC!|ERROR!|GETTING_DATA)|Err:[0-9]{3}"
)
_TRACE = frozenset({"trace", "traces", "tr", "low", "below detection", "below limit", "under range"})
_GROUPED = re.compile(r"[<>=]*\s*[+-]?[0-9]{1,3}(?:[.,' \u2019][0-9]{3})+(?:[.,][0-9]+)?")
_NOT_DETECTED = frozenset(
    {"nd", "n.d.", "n.d", "n/d", "not detected", "none detected", "not detectable", "undetectable", "bdl"}
    | {"<lod", "< lod", "<dl", "< dl"}
)


class Quantity(NamedTuple):
    """What a cell holds. A number is missing with a finding, and where nothing was detected."""

    number: float = math.nan
    sign: Sign = Sign.MEASURED
    unit: str = ""
    finding: Finding | None = None

    @property
    def not_detected(self) -> bool:
        """Whether the limit must come from the kit."""
        return self.sign is Sign.BELOW and math.isnan(self.number)


def decimal_sign(cells: Iterable[Cell], separator: str) -> str:
    """The sign that the numbers of a file divide decimals with.

    Parameters
    ----------
    cells : iterable of Cell
        The distinct cells that hold values.
    separator : str
        What stands between the cells of a text file. Where numbers show nothing, commas between cells speak
        for decimal points, because a file with decimal commas would have been broken by them.

    Returns
    -------
    str
        ``"."``, ``","``, or ``""`` where the file shows both, or nothing.
    """
    shown = set()
    for cell in cells:
        if not isinstance(cell, str) or cell.isdecimal():
            continue
        if _EVIDENT.fullmatch(cell):
            shown.add(".")
            continue
        found = _QUANTITY.fullmatch(plain(cell))
        if found and not _EITHER.fullmatch(found[2]):
            shown |= {".", ","} & set(found[2])
    if not shown and separator == ",":
        return "."
    return shown.pop() if len(shown) == 1 else ""


def read_quantity(cell: Cell, decimal: str) -> Quantity:
    """One cell, read with the decimal sign of its file."""
    if isinstance(cell, str):
        return Quantity(float(cell)) if _EVIDENT.fullmatch(cell) else _in_text(cell, decimal)
    if isinstance(cell, bool):
        return _no(HoldReason.NOT_A_NUMBER, f"{quoted(stripped(cell))} is not a number.")
    return Quantity(cell) if isinstance(cell, float) else _date_as_value(cell)


def _in_text(cell: str, decimal: str) -> Quantity:
    text = plain(cell)
    if not text:
        return _no(
            HoldReason.NO_VALUE, "The value is missing: write what the kit showed, or take the row out."
        )
    if text.casefold() in _NOT_DETECTED:
        return Quantity(sign=Sign.BELOW)
    found = _QUANTITY.fullmatch(_with_sign(text))
    if not found or _RANGE.fullmatch(text):
        return _unreadable(cell, text)
    number = found[2]
    if _EITHER.fullmatch(number) and not (decimal and decimal in number):
        return _no(HoldReason.AMBIGUOUS_NUMBER, _both_ways(stripped(cell), number))
    value = float(number.replace(",", "."))
    if not math.isfinite(value):
        return _unreadable(cell, text)
    return Quantity(value, _SIGNS[found[1] or ""], (found[3] or "").strip())


def plain(cell: str) -> str:
    """The text with full-width signs, unusual spaces and minus signs made plain, trimmed."""
    if cell.isascii():
        return stripped(cell)
    signs = stripped(cell.translate(_PLAIN))
    return "".join(str(unicodedata.decimal(sign, sign)) for sign in signs)


def spreadsheet_finding(text: str) -> Finding | None:
    """The finding on a text that a spreadsheet leaves in place of a value; None for any other text."""
    if _ERROR.fullmatch(text):
        return (
            HoldReason.SPREADSHEET_ERROR,
            (
                f"{quoted(text)} is a spreadsheet's error and not what was measured: type what the kit showed, or leave the "
                "cell empty where nothing was measured."
            ),
        )
    if text.startswith("="):
        return (
            HoldReason.FORMULA,
            (
                f"The cell holds the formula {quoted(text)} and no result: open the file in a spreadsheet program and save it "
                "again, or type the result."
            ),
        )
    return None


def _with_sign(text: str) -> str:
    """``below 0.02`` as ``<0.02``."""
    worded = _WORDS.match(text)
    return f"{'<' if worded[1] else '>'}{text[worded.end() :]}" if worded else text


def _no(reason: HoldReason, text: str) -> Quantity:
    return Quantity(finding=(reason, text))


def _both_ways(written: str, number: str) -> str:
    whole, part = re.split(r"[.,]", number)
    decimals = part.rstrip("0") or "0"
    # Three decimals would again be three digits that can be thousands; a fourth settles it.
    small = f"{whole}.{decimals if len(decimals) < 3 else decimals + '0'}"
    return (
        f"{quoted(written)} can be {whole}{part} or {small}; write {whole}{part} or {small}, whichever it is."
    )


def _date_as_value(cell: Cell) -> Quantity:
    return _no(
        HoldReason.DATE_AS_VALUE,
        f"The workbook holds {stripped(cell)} where a value belongs; spreadsheets turn 3.4 into a date, so format "
        "the cell as a number and type the value again.",
    )


def _unreadable(cell: str, text: str) -> Quantity:
    left_over = spreadsheet_finding(text)
    if left_over:
        return Quantity(finding=left_over)
    if _RANGE.fullmatch(text):
        return _no(
            HoldReason.NOT_A_NUMBER,
            f"{quoted(stripped(cell))} is a range and not one number: write the step that the kit showed, or the nearest.",
        )
    if text.casefold().rstrip(".") in _TRACE:
        return _no(
            HoldReason.LIMIT_UNKNOWN,
            f"{quoted(stripped(cell))} gives no number: write < and the lowest step that the kit can show (such as <0.02).",
        )
    if _GROUPED.fullmatch(text):
        return _no(
            HoldReason.THOUSANDS,
            f"{quoted(stripped(cell))} has a thousands separator; write the number without it.",
        )
    return _no(
        HoldReason.NOT_A_NUMBER,
        f"{quoted(stripped(cell))} is not a number; write one number as the kit showed it, < and the lowest step where it "
        "showed nothing (such as <0.02), or leave the cell empty where nothing was measured.",
    )
