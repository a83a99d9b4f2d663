"""What a pack shows of an entry's body, read as the register reads bodies: nothing of another form comes further."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import ValidationError

from schemas.errors import PackError
from trials.pack import layout
from trials.register.amending import KINDS
from trials.register.bodies import AllocationBody, Body, IntakeBody, SealBody
from trials.register.chain import Kind

if TYPE_CHECKING:
    from trials.pack.chain_lines import ChainLine

B = TypeVar("B", bound=Body)

_FIRST: dict[str, type[Body]] = {
    Kind.SEAL: SealBody,
    Kind.ALLOCATION: AllocationBody,
    Kind.INTAKE: IntakeBody,
}
FORMS: dict[str, type[Body]] = _FIRST | {str(kind): form for kind, form in KINDS.items()}
"""The form of the body of each kind of entry."""

_NO_DIGEST = "0" * 64
_FILLED: dict[str, Any] = {
    "why": "left out",
    "what": "left out",
    "remarks": [],
    "rows_digest": _NO_DIGEST,
    "readings_digest": _NO_DIGEST,
}
_FILLED_INSIDE: dict[str, dict[str, Any]] = {
    **{name: {"name": "left out"} for name in ("file", "source", "tanks")},
    **{name: {"digest": _NO_DIGEST} for name in ("events", "checks")},
    "as_they_are": {"why": "left out"},
}


def stand_in(line: ChainLine, form: type[B]) -> B:
    """The body of an entry, with words in the place of what is left out.

    Raises
    ------
    PackError
        What is shown has another form than a body of that kind.
    """
    shown = line.content
    filled = {name: value for name, value in _FILLED.items() if name in form.model_fields} | shown
    for name, inside in filled.items():
        if isinstance(inside, dict) and name in _FILLED_INSIDE:
            filled[name] = _FILLED_INSIDE[name] | inside
    try:
        return form.model_validate_json(json.dumps(filled))
    except ValidationError:
        raise PackError(
            f"{layout.CHAIN}, entry {line.number}, is not in the form of its kind, {line.kind}."
        ) from None


def refuse_other_forms(lines: list[ChainLine]) -> None:
    """Refuse entries of a trial whose body has another form than that of their kind.

    Raises
    ------
    PackError
        The first of them, or one of a kind that this version does not know.
    """
    for line in lines:
        form = FORMS.get(line.kind or "")
        if form is None:
            raise PackError(
                f"{layout.CHAIN}, entry {line.number}: its kind, {line.kind}, is not known to this fairtank."
            )
        stand_in(line, form)
