"""What may be typed into a cell: rules that a spreadsheet program checks, with a message that helps.

A value's cell is formatted as text, so that no program turns ``3.4`` into a date or ``0,03`` into 3. What is typed is
made a number inside the formula: signs taken off, comma and point both read as the decimal sign, which the program
itself shows by ``MID(1/2,2,1)``. A rule is a help and no lock, for pasting goes past it; intake looks again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.numerals import plain

if TYPE_CHECKING:
    import datetime as dt

    from trials.sheets.asked import Asked, Threshold

LONGEST_TITLE, LONGEST_MESSAGE, LONGEST_FORMULA = 32, 255, 255
"""What a workbook can hold of a message and a formula of a rule (ECMA-376 part 1, 18.3.1.32; from memory)."""
_TINY = 1e-6


def number_in(cell: str) -> str:
    """A formula for the number in a cell, whatever its sign and decimal sign."""
    bare = f'SUBSTITUTE(SUBSTITUTE({cell},"<",""),">","")'
    return f'VALUE(SUBSTITUTE(SUBSTITUTE({bare},",","."),".",MID(1/2,2,1)))'


def value_rule(asked: Asked, cell: str) -> dict[str, Any]:
    """The rule for a value: a number within what is possible, or one with < or > before it.

    Parameters
    ----------
    asked : Asked
    cell : str
        The first cell that the rule is for, without dollar signs.
    """
    low, high = asked.bounds
    # One comparison in place of two, because a rule's formula is short: the middle moved up keeps the lowest out.
    shift = _TINY if asked.variable.zero_is_censored and low == 0 else 0.0
    middle, half = (low + high) / 2 + shift, (high - low) / 2 + (0.0 if shift else _TINY)
    within = f"ABS({number_in(cell)}-{middle!r})<={half!r}"
    nothing = f'{cell}="nd"' if asked.variable.zero_is_censored and asked.kits else ""
    return {
        "validate": "custom",
        "value": f"=IF({nothing},TRUE,{within})" if nothing else f"={within}",
        "input_title": _cut(_title(asked), LONGEST_TITLE),
        "input_message": _cut(f"The number as the kit shows it. {asked.help}", LONGEST_MESSAGE),
        "error_title": "This cannot be a reading",
        "error_message": _cut(
            f"{asked.title} lies between {asked.range_in_words}. Write one number as the kit shows it"
            + (
                f", or < and its lowest step, such as {asked.example}."
                if asked.variable.zero_is_censored
                else "."
            ),
            LONGEST_MESSAGE,
        ),
    }


def amount_rule(cell: str) -> dict[str, Any]:
    """The rule for the amount of an event: a number that is not below 0."""
    return {
        "validate": "custom",
        "value": f"={number_in(cell)}>=0",
        "error_title": "This is not an amount",
        "error_message": "Write a number alone, such as 2.5 or 2,5; the unit has a column of its own.",
    }


def outside_usual(asked: Asked, cell: str) -> str | None:
    """A formula that is true where a value deserves a second look."""
    if asked.usual is None:
        return None
    low, high = asked.usual
    number = number_in(cell)
    return f"=IFERROR(OR({number}<{low!r},{number}>{high!r}),FALSE)"


def meets(threshold: Threshold, cell: str) -> str:
    """A formula that is true where a value meets a stop rule, were it to stay so."""
    number = number_in(cell)
    bounds = [f"{number}<{threshold.below!r}"] if threshold.below is not None else []
    bounds += [f"{number}>{threshold.above!r}"] if threshold.above is not None else []
    return f"=IFERROR(OR({','.join(bounds)}),FALSE)"


def date_rule(first: dt.date, last: dt.date, *, planned: bool) -> dict[str, Any]:
    """The rule for a day: from the trial's first on."""
    what = "The planned day. If you measured on another, write that one over it." if planned else "The day."
    return {
        "validate": "date",
        "criteria": "between",
        "minimum": first,
        "maximum": last,
        "input_title": "Day",
        "input_message": f"{what} Year-month-day, such as {first}.",
        "error_title": "This is not a day of the trial",
        "error_message": f"Write year-month-day, such as {first}; the trial begins on {first}.",
    }


def whole_number_rule() -> dict[str, Any]:
    """The rule for the number of a test."""
    return {
        "validate": "integer",
        "criteria": "between",
        "minimum": 1,
        "maximum": 20,
        "input_title": "Test",
        "input_message": "Empty, unless the same water was tested again: then 2 for the second test, in a row of its own.",
        "error_title": "This is not the number of a test",
        "error_message": "Leave it empty, or write 2 or 3 for a second or third test of the same water.",
    }


def choice_rule(source: str, what: str, *, strict: bool = True) -> dict[str, Any]:
    """A drop-down over a range of the hidden sheet of lists."""
    return {
        "validate": "list",
        "source": source,
        "error_type": "stop" if strict else "information",
        "error_title": "Not in the list",
        "error_message": _cut(f"Choose {what} from the list.", LONGEST_MESSAGE),
    }


def _title(asked: Asked) -> str:
    return f"{asked.title}, {asked.shown_unit}" if asked.shown_unit else asked.title


def _cut(text: str, longest: int) -> str:
    return plain(text, longest)
