"""Small turns of phrase that the sentences about mistakes share."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

_SHOWN = 60


def quoted(value: Any) -> str:
    """A value as it may stand in a sentence: texts in quotes and cut to a readable length.

    Examples
    --------
    >>> quoted("ramp"), quoted(True), quoted(3), quoted([1, 2])
    ('"ramp"', 'true', '3', 'a list')
    """
    if isinstance(value, str):
        shown = " ".join(value.split())
        return f'"{shown}"' if len(shown) <= _SHOWN else f'"{shown[:_SHOWN]}..."'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return "a list"
    return "a table" if isinstance(value, dict) else str(value)


def listed(words: Iterable[str], last: str = "or") -> str:
    """Words in a row, as read aloud.

    Examples
    --------
    >>> listed(["control", "reference", "test"])
    'control, reference or test'
    """
    row = list(words)
    return row[0] if len(row) == 1 else f"{', '.join(row[:-1])} {last} {row[-1]}"


def counted(number: int, noun: str) -> str:
    """A number with its noun.

    Examples
    --------
    >>> counted(1, "arm"), counted(0, "arm"), counted(3, "arm")
    ('1 arm', 'no arms', '3 arms')
    """
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


def nearest(word: str, known: Sequence[str], cutoff: float = 0.6) -> str | None:
    """The known word that is spelt most like this one, whatever the case; None where none is close."""
    folded = {candidate.casefold(): candidate for candidate in known}
    close = difflib.get_close_matches(word.casefold(), folded, n=1, cutoff=cutoff)
    return folded[close[0]] if close else None
