"""A trial from the entries that seal and amend its protocol, each kept under its digest."""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING

from pydantic import ValidationError

from schemas.errors import RegisterError
from trials.protocol_file import from_canonical
from trials.register import queries
from trials.register.bodies import AmendmentBody, SealBody
from trials.register.chain import Kind
from trials.register.records import SealedTrial

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from schemas.protocol import Protocol
    from trials.register.records import Entry

VERIFY = "`fairtank verify` says where, and a copy from before holds what was sent."


def sealed_by(connection: Connection, entry: Entry) -> SealedTrial:
    """The trial as the entry of its seal has it."""
    seal = SealBody.of(entry)
    protocol = kept_protocol(connection, entry.trial, seal.protocol)
    return SealedTrial(entry.trial, protocol, seal.protocol, dt.datetime.fromisoformat(entry.at))


def in_force(connection: Connection, sealed: SealedTrial) -> SealedTrial:
    """The trial with the protocol of its last amendment; as sealed where there is none."""
    amended = queries.entries(connection, trial=sealed.id, kind=Kind.AMENDMENT)
    if not amended:
        return sealed
    digest = AmendmentBody.of(amended[-1]).protocol
    return replace(sealed, protocol=kept_protocol(connection, sealed.id, digest), digest=digest)


def kept_protocol(connection: Connection, trial: str, digest: str) -> Protocol:
    """A protocol of a trial by its digest; raises RegisterError where it was changed or cannot be read."""
    content = queries.content(connection, digest)
    if content is None or hashlib.sha256(content).hexdigest() != digest:
        raise RegisterError(f"The protocol of {trial} was changed after it was sealed; {VERIFY}")
    try:
        return from_canonical(content)
    except ValidationError:
        raise RegisterError(
            f"The protocol of {trial} is not in the form that this fairtank reads; use the one that sealed it."
        ) from None
