"""Where in a protocol a fault lies: the path to it, its wording for a person, and its order in the file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from schemas.errors import Mistake
from schemas.plain_words import quoted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Path = tuple[str | int, ...]

_NAMED_BY = {"sampling": "variable"}
"""The key that tells the items of a list apart; ``id`` elsewhere."""


class Fault(NamedTuple):
    """A mistake with the path of keys and positions (from 0) to it."""

    path: Path
    found: str
    remedy: str


def pattern(path: Path) -> str:
    """The path without positions, e.g. ``endpoints.phase``: what kind of place it is.

    Examples
    --------
    >>> pattern(("endpoints", 2, "phase"))
    'endpoints.phase'
    """
    return ".".join(part for part in path if isinstance(part, str))


def place(path: Path, raw: Mapping[str, Any], tank_places: Sequence[str] = ()) -> str:
    """A path in words: items by their name where it is theirs alone, else by number from 1.

    Parameters
    ----------
    path : tuple
        Keys and positions.
    raw : mapping
        The protocol as read.
    tank_places : sequence of str
        Where each tank stands, if not in the protocol itself: ``tanks.csv line 5``.

    Examples
    --------
    >>> place(("endpoints", 0, "phase"), {"endpoints": [{"id": "nitrate-mean"}]})
    'endpoints "nitrate-mean".phase'
    """
    if len(path) > 1 and path[0] == "tanks" and isinstance(path[1], int) and tank_places:
        return ", ".join((tank_places[path[1]], *(str(part) for part in path[2:])))
    words = ""
    node: Any = raw
    key = ""
    for part in path:
        if isinstance(part, int):
            words += _item(node, part, _NAMED_BY.get(key, "id"))
            node = node[part] if isinstance(node, list) and part < len(node) else None
        else:
            key = part
            words += f".{part}" if words else part
            node = node.get(part) if isinstance(node, dict) else None
    return words or "the protocol"


def _item(items: Any, position: int, name_key: str) -> str:
    names = [item.get(name_key) if isinstance(item, dict) else None for item in items]
    name = names[position] if position < len(names) else None
    if isinstance(name, str) and name.strip() and names.count(name) == 1:
        return f" {quoted(name)}"
    return f"[{position + 1}]"


def in_order(faults: list[Fault], raw: Mapping[str, Any]) -> list[Fault]:
    """The faults in the order of the file; what is missing comes after what its table holds."""
    return sorted(faults, key=lambda fault: _position(fault.path, raw))


def _position(path: Path, raw: Mapping[str, Any]) -> list[int]:
    position = []
    node: Any = raw
    for part in path:
        if isinstance(part, int):
            position.append(part)
            node = node[part] if isinstance(node, list) and part < len(node) else None
        else:
            keys = list(node) if isinstance(node, dict) else []
            position.append(keys.index(part) if part in keys else len(keys))
            node = node.get(part) if isinstance(node, dict) else None
    return position


def as_mistakes(
    faults: list[Fault], raw: Mapping[str, Any], tank_places: Sequence[str] = ()
) -> list[Mistake]:
    """The faults as mistakes for a person, in the order of the file."""
    return [
        Mistake(*map(_one_line, (place(fault.path, raw, tank_places), fault.found, fault.remedy)))
        for fault in in_order(faults, raw)
    ]


def _one_line(text: str) -> str:
    """Text from the file may hold line breaks and control signs; a sentence may not."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
