"""Looking for amendments that do not hold: each has to fit the trial, the readings and the entries before it."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from pydantic import ValidationError
from sqlalchemy import select

from trials.protocol_file import from_canonical
from trials.register import queries
from trials.register.amending import KINDS, kit_fault, kits_known, readings_in
from trials.register.bodies import (
    AmendmentBody,
    CorrectionBody,
    DeviationBody,
    EventCorrectionBody,
    KitCorrectionBody,
    SealBody,
    TankBody,
)
from trials.register.chain import Kind
from trials.register.kept import EVENTS, READINGS
from trials.register.protocol_changes import fixed_parts_changed
from trials.register.records import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from sqlalchemy import Connection

    from schemas.protocol import Protocol
    from trials.register.bodies import Body
    from trials.register.records import Entry


def amendment_findings(
    connection: Connection, entries: Sequence[Entry], sealed: Mapping[str, Protocol]
) -> Iterator[Finding]:
    """Find the amendments that do not fit what stands before them.

    Parameters
    ----------
    connection : Connection
        An open transaction.
    entries : sequence of Entry
        The entries whose chain holds, by number.
    sealed : mapping
        The sealed protocol by trial.
    """
    before: dict[str, list[Entry]] = defaultdict(list)
    for entry in entries:
        earlier = before[entry.trial]
        kinds = {e.kind for e in earlier}
        if entry.kind == Kind.INTAKE and Kind.CLOSURE in kinds:
            yield _finding(entry, "takes a file in after data entry was closed")
        if entry.kind in KINDS and entry.trial in sealed:
            body = KINDS[Kind(entry.kind)].of(entry)
            yield from _fits(connection, entry, body, earlier, sealed[entry.trial])
        earlier.append(entry)


def kept_files(entry: Entry) -> Iterator[tuple[str, str]]:
    """Digest and name of the files that an amendment of the protocol keeps."""
    if entry.kind == Kind.AMENDMENT:
        body = AmendmentBody.of(entry)
        yield body.protocol, f"amended protocol of {entry.trial}"
        yield from ((file.digest, file.name) for file in (body.source, body.tanks) if file)


def _fits(
    connection: Connection, entry: Entry, body: Body, earlier: Sequence[Entry], sealed: Protocol
) -> Iterator[Finding]:
    if isinstance(body, CorrectionBody | EventCorrectionBody):
        kept = READINGS if isinstance(body, CorrectionBody) else EVENTS
        number = getattr(body, kept.key)
        query = select(kept.table.c.entry).where(kept.table.c[kept.key] == number)
        if connection.execute(query).scalar() not in {e.number for e in earlier}:
            yield _finding(entry, f"corrects {kept.key} {number}, which {entry.trial} did not hold by then")
    elif isinstance(body, KitCorrectionBody):
        in_force = _protocol_by_then(connection, earlier, sealed)
        kits = kits_known(connection, entry.trial, in_force, before=entry.number)
        wrong = kit_fault(in_force, kits, body)
        if wrong:
            yield _finding(entry, f"corrects readings that it cannot be about: {wrong.rstrip('.')}")
    elif isinstance(body, TankBody):
        if body.tank not in {tank.id for tank in sealed.tanks}:
            yield _finding(entry, f"is about {body.tank}, which is no tank of {entry.trial}")
        if isinstance(body, DeviationBody) and body.treated_as not in {None, *(a.id for a in sealed.arms)}:
            yield _finding(entry, f"names {body.treated_as}, which is no arm of {entry.trial}")
    elif isinstance(body, AmendmentBody):
        yield from _amended(connection, entry, body, earlier, sealed)
    elif entry.kind in {e.kind for e in earlier}:
        yield _finding(entry, f"records a second {entry.kind}")


def _protocol_by_then(connection: Connection, earlier: Sequence[Entry], sealed: Protocol) -> Protocol:
    """The protocol in force after these entries; the sealed one where an amended one cannot be read, which is said of it."""
    for entry in reversed(earlier):
        if entry.kind == Kind.AMENDMENT:
            content = queries.content(connection, AmendmentBody.of(entry).protocol)
            try:
                return from_canonical(content) if content is not None else sealed
            except ValidationError:
                return sealed
    return sealed


def _amended(
    connection: Connection, entry: Entry, body: AmendmentBody, earlier: Sequence[Entry], sealed: Protocol
) -> Iterator[Finding]:
    in_force = [
        AmendmentBody.of(e).protocol if e.kind == Kind.AMENDMENT else SealBody.of(e).protocol
        for e in earlier
        if e.kind in (Kind.SEAL, Kind.AMENDMENT)
    ]
    if in_force[-1:] != [body.before]:
        yield _finding(entry, "amends another protocol than the one that was in force")
    if body.data_seen != readings_in(earlier):
        seen = "were" if readings_in(earlier) else "were not"
        yield _finding(entry, f"misstates whether readings were in: they {seen}")
    content = queries.content(connection, body.protocol)
    if content is None:
        return  # said of the file
    try:
        fixed = fixed_parts_changed(sealed, from_canonical(content))
    except ValidationError:
        yield _finding(entry, "holds a protocol that cannot be read")
        return
    if fixed:
        yield _finding(entry, f"changes what the draw rests on: {', '.join(fixed)}")


def _finding(entry: Entry, says: str) -> Finding:
    return Finding(entry.kind, f"entry {entry.number}", f"Entry {entry.number} {says}.")
