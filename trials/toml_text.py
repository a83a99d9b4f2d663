"""TOML text read, or the one mistake of syntax in it with its line, in words that lead to the remedy; and written."""

from __future__ import annotations

import json
import re
import textwrap
import tomllib
from typing import Any

from schemas.errors import Mistake
from schemas.plain_words import quoted

WIDTH = 112
"""Columns of a comment."""
_POSITION = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_BY_LINE = (
    (re.compile("[\u00ab\u00bb\u2018-\u201f]"), 'use straight quotes, "like these"'),
    (re.compile(r"=\s*[-+]?\d+,\d"), "write decimals with a point, e.g. 0.80"),
    (
        re.compile(r"=\s*\d{1,4}[./-]\d{1,2}[./-]\d{1,4}"),
        "write a date that exists as year-month-day, e.g. 2026-03-02",
    ),
    (re.compile(r"=\s*(?:#.*)?$"), "write a value after the equals sign"),
    (re.compile(r"=\s*[A-Za-z]"), "put texts in quotes, and write true and false in small letters"),
)
_BY_REASON = (
    ("Cannot", "this key or table stands twice, so keep one of the two"),
    ("Expected ']'", "close the square brackets that were opened"),
    ("Unclosed", "close the brackets that were opened"),
    ("Unterminated string", "close the quotes that were opened"),
    ("Unescaped", "write every backslash twice, or the text in 'single quotes'"),
    ("Expected '='", "write key = value"),
    ("Invalid initial character for a key part", "keep a { } table on one line, without a comma at its end"),
)
_DEEPEST = 32
_MOST_ENTRIES = 10_000
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_TOO_DEEP = Mistake(
    "the file", "nests brackets or tables too deeply to be a protocol", "close brackets where they end"
)
_OTHERWISE = "see that texts stand in quotes, brackets are closed, and each key has a line of its own"


def read_toml(content: bytes) -> dict[str, Any] | Mistake:
    """The table that TOML text holds, or the mistake that stops the reading.

    Parameters
    ----------
    content : bytes
        UTF-8, with or without the byte order mark that some editors write.
    """
    try:
        table = tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        return Mistake(f"line {line}", "holds a sign that is not UTF-8", "save the file as UTF-8 text")
    except tomllib.TOMLDecodeError as error:
        return _syntax_mistake(str(error), content.decode("utf-8-sig"))
    except RecursionError:
        return _TOO_DEEP
    except ValueError:  # Python turns no number of more than 4,300 figures into one
        return _too_large("the file")
    return _beyond_measure(table) or table


def _beyond_measure(table: dict[str, Any]) -> Mistake | None:
    """What no file of ours holds: tables in tables without end, entries by the ten thousand, signs that print nothing.

    And whole numbers that TOML does not have (beyond 64 bits, TOML 1.0).
    """
    waiting: list[tuple[str, Any]] = [("", table)]
    entries = 0
    for _ in range(_DEEPEST):
        inside: list[tuple[str, Any]] = []
        for place, value in waiting:
            if isinstance(value, dict):
                inside += ((f"{place}.{key}" if place else key, item) for key, item in value.items())
            elif isinstance(value, list):
                inside += ((f"{place}[{position}]", item) for position, item in enumerate(value))
            elif isinstance(value, int) and value.bit_length() >= 64:
                return _too_large(quoted(place))
            elif isinstance(value, str) and _CONTROL.search(value):
                return Mistake(quoted(place), "holds a control sign that prints nothing", "delete it")
        entries += len(inside)
        if entries > _MOST_ENTRIES:
            return Mistake(
                "the file",
                f"has more than {_MOST_ENTRIES:,} entries",
                "put a long list of tanks into a CSV file",
            )
        if not inside:
            return None
        waiting = inside
    return _TOO_DEEP


def _too_large(place: str) -> Mistake:
    return Mistake(
        place, "holds a whole number that is too large to mean anything here", "write a smaller one"
    )


def _syntax_mistake(message: str, text: str) -> Mistake:
    position = _POSITION.search(message)
    reason = message[: position.start()] if position else message
    lines = text.splitlines() or [""]
    if position and position[1]:
        number, place = int(position[1]), f"line {position[1]}, column {position[2]}"
    else:
        number = max((n for n, line in enumerate(lines, 1) if line.strip()), default=1)
        place = f"line {number}, the last"
    line = lines[min(number, len(lines)) - 1].strip()
    remedy = next((remedy for start, remedy in _BY_REASON if reason.startswith(start)), None)
    if remedy is None:
        remedy = next((remedy for sign, remedy in _BY_LINE if sign.search(line)), _OTHERWISE)
    return Mistake(place, f"{quoted(line)} cannot be read as TOML", remedy)


def toml_number(value: float) -> str:
    """A number as TOML has it."""
    return repr(float(value))


def toml_string(text: str) -> str:
    """A text as TOML has it: JSON's escapes are TOML's, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def toml_comment(text: str, hanging: str = "") -> str:
    """A comment on as many lines as it needs; ``hanging`` indents what follows a dash, or all of it in a list."""
    lead = hanging if hanging and not text.startswith("- ") else ""
    follow = hanging if text.startswith("- ") else ""
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=f"{lead}# ",
        subsequent_indent=f"{lead}# {follow}",
        break_long_words=False,
    )
