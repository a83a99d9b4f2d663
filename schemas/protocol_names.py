"""Names in a protocol: used but not defined, defined twice, alike but for case."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.derived_variables import DERIVED
from schemas.plain_words import listed, nearest, quoted
from schemas.protocol_draft import text
from schemas.protocol_places import Fault, Path

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from schemas.protocol_draft import Draft, Row


def unknown(path: Path, name: str, noun: str, known: Sequence[str]) -> Fault:
    """A name that stands for nothing, with the nearest that does and all there are."""
    known = list(dict.fromkeys(known))
    close = nearest(name, known)
    there_are = f"the {noun}s are {listed(known, 'and')}" if len(known) > 1 else ""
    if len(known) == 1:
        there_are = f"the only {noun} is {known[0]}"
    hint = f'the nearest is "{close}", and ' if close and len(known) > 1 else ""
    article = "an" if noun[0] in "aeiou" else "a"
    return Fault(path, f"{quoted(name)} is not {article} {noun} of this protocol", hint + there_are)


def unknown_variable(path: Path, name: str, draft: Draft) -> Fault | None:
    """A variable that neither the catalogue nor the protocol has; None where it is known or cannot be told."""
    if name in draft.variables or not draft.are_named(draft.raw.get("variables", [])):
        return None
    if name in DERIVED:
        return Fault(
            path,
            f"{quoted(name)} is not read but worked out from {DERIVED[name].from_what}",
            "leave it out here; only a secondary or safety endpoint may name it",
        )
    wanted = name.strip().casefold()
    meant = next(
        (
            variable.id
            for variable in draft.variables.values()
            if variable and wanted in {other.casefold() for other in (variable.id, *variable.names)}
        ),
        None,
    )
    close = meant or nearest(name, list(draft.variables))
    remedy = (
        f'write "{close}" if that is meant, or describe it under [[variables]]'
        if close
        else f"the built-in variables are {listed(draft.variables, 'and')}; "
        "describe any other under [[variables]]"
    )
    return Fault(path, f"{quoted(name)} is not a variable that is known", remedy)


def duplicates(rows: Iterable[tuple[int, Row]], path: Path, key: str, noun: str) -> list[Fault]:
    """Items of a list that bear a name which an earlier one has, letter for letter or but for case."""
    faults = []
    seen: dict[str, tuple[str, int]] = {}
    for position, row in rows:
        name = text(row, key)
        if name is None:
            continue
        first = seen.setdefault(name.casefold(), (name, position))
        if first[1] == position:
            continue
        found = (
            f"{quoted(name)} is the {key} of {noun} {first[1] + 1} already"
            if first[0] == name
            else f"{quoted(name)} differs from {quoted(first[0])} only in capital letters"
        )
        faults.append(Fault((*path, position, key), found, f"give every {noun} {_own(key)}"))
    return faults


def _own(key: str) -> str:
    return "an id of its own" if key == "id" else f"its own {key}"
