"""Looking for any change made to the register after it was written."""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from typing import TYPE_CHECKING

from pydantic import ValidationError
from sqlalchemy import select

from schemas.errors import RegisterError
from trials import allocation
from trials.allocation.baseline import baseline_means
from trials.protocol_file import from_canonical
from trials.register import queries, tables
from trials.register.accepting import acceptance_findings
from trials.register.amending import KINDS, corrected, corrections
from trials.register.audit_amendments import amendment_findings, kept_files
from trials.register.bodies import AllocationBody, IntakeBody, SealBody
from trials.register.chain import GENESIS, Kind, first_fault
from trials.register.digests import canonical_lines, lines_digest
from trials.register.frames import ROW_COLUMNS, kept_frame
from trials.register.kept import ALL, READINGS
from trials.register.records import Finding

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from typing import Any

    from sqlalchemy import Connection

    from schemas.protocol import Protocol
    from trials.register.bodies import KeptFile, Stored
    from trials.register.home import Home
    from trials.register.kept import Kept
    from trials.register.records import Entry

_LOST_HEAD = "Entries were cut off, or the chain was made anew: none has the digest that was noted elsewhere,"


def findings(home: Home, connection: Connection, head: str | None) -> list[Finding]:
    """Find what does not hold: pages, triggers, chain, files, protocols, allocations, rows and readings.

    Entries from the first break of the chain on are not looked at further: nothing that they say can be trusted.
    Entries that are masked for the account are held to the chain by their links alone.

    Parameters
    ----------
    home : Home
        Where the register lives.
    connection : Connection
        An open transaction.
    head : str or None
        The digest of an entry that was noted elsewhere, if any; it has to be in the chain.
    """
    damage = list(home.damage(connection))
    if damage:
        return damage
    entries = queries.entries(connection)
    found = list(home.guards(connection))
    masked = queries.masked(connection)
    chain = sorted([*entries, *masked], key=lambda entry: entry.number)
    fault = first_fault(chain, {entry.number for entry in masked})
    if fault:
        number, sentence = fault
        found.append(Finding("chain", f"entry {number}", sentence))
    if head is not None and head not in {GENESIS, *(entry.digest for entry in chain)}:
        found.append(Finding("chain", "head", f"{_LOST_HEAD} {head}."))
    sound = [entry for entry in entries if fault is None or entry.number < fault[0]]
    try:
        found += _contents(connection, sound, whole=fault is None)
    except RegisterError as error:
        found.append(Finding("entry", "register", str(error)))
    return found


def _contents(connection: Connection, entries: Sequence[Entry], *, whole: bool) -> Iterator[Finding]:
    """Whether files, protocols, allocations, rows and readings are what the entries say they are."""
    named: dict[str, str] = {}
    protocols: dict[str, tuple[str, Protocol]] = {}
    intakes = {}
    for entry in entries:
        match entry.kind:
            case Kind.SEAL:
                seal = SealBody.of(entry)
                named |= _names(seal.source, seal.tanks) | {seal.protocol: f"protocol of {entry.trial}"}
                yield from _protocol(connection, entry, seal, protocols)
            case Kind.ALLOCATION:
                body = AllocationBody.of(entry)
                named |= _names(body.file)
                yield from _allocation(entry, body, protocols)
                yield from _baselines(connection, entry, body, protocols)
            case Kind.INTAKE:
                intakes[entry.number] = intake = IntakeBody.of(entry)
                named |= _names(intake.file)
                yield from _intake(connection, entry, intake)
                yield from acceptance_findings(connection, entry, intake)
            case kind if kind in KINDS:
                named |= dict(kept_files(entry))
            case _:
                yield Finding(
                    "entry", f"entry {entry.number}", f'An entry of kind "{entry.kind}" is not known here.'
                )
    sealed = {trial: protocol for trial, (_, protocol) in protocols.items()}
    yield from amendment_findings(connection, entries, sealed)
    if whole:
        yield from _files(connection, named)
        yield from _strays(connection, intakes)


def _names(*files: KeptFile | None) -> dict[str, str]:
    return {file.digest: file.name for file in files if file}


def _files(connection: Connection, named: dict[str, str]) -> Iterator[Finding]:
    """Whether each kept file has its digest, and each has an entry that names it."""
    kept = connection.execute(select(tables.files.c.digest)).scalars().all()
    for digest in kept:
        content = queries.content(connection, digest) or b""
        name = named.get(digest)
        if name is None:
            yield Finding("file", digest, f"The file {digest} is kept, but no entry names it.")
        elif hashlib.sha256(content).hexdigest() != digest:
            yield Finding(
                "file", name, f"The file {name} is not the one that was sent: its digest is another."
            )
    for digest in named.keys() - set(kept):
        yield Finding("file", named[digest], f"The file {named[digest]} ({digest}) is not kept any more.")


def _protocol(
    connection: Connection, entry: Entry, seal: SealBody, protocols: dict[str, tuple[str, Protocol]]
) -> Iterator[Finding]:
    content = queries.content(connection, seal.protocol)
    if content is None or hashlib.sha256(content).hexdigest() != seal.protocol:
        return  # said of the file
    try:
        protocol = from_canonical(content)
    except ValidationError:
        yield Finding("protocol", entry.trial, f"The protocol sealed by entry {entry.number} cannot be read.")
        return
    if protocol.trial.id != entry.trial:
        yield Finding(
            "protocol", entry.trial, f"Entry {entry.number} seals the protocol of {protocol.trial.id}."
        )
    protocols[entry.trial] = (seal.protocol, protocol)


def _allocation(
    entry: Entry, body: AllocationBody, protocols: dict[str, tuple[str, Protocol]]
) -> Iterator[Finding]:
    if entry.trial not in protocols:
        yield Finding(
            "allocation",
            entry.trial,
            f"The allocation of entry {entry.number} has no protocol to be checked against.",
        )
        return
    digest, protocol = protocols[entry.trial]
    if body.protocol != digest:
        yield Finding("allocation", entry.trial, f"Entry {entry.number} allocates for another protocol.")
    yield from allocation.check(body.allocation, protocol, digest)


def _baselines(
    connection: Connection, entry: Entry, body: AllocationBody, protocols: dict[str, tuple[str, Protocol]]
) -> Iterator[Finding]:
    """Whether a draw under a balance rule was held against the readings that were in when it was made."""
    if not body.allocation.balance_values or entry.trial not in protocols:
        return
    chunks = (
        [row for row in chunk if row.entry < entry.number]
        for chunk in queries.kept_of_trial(connection, READINGS, entry.trial)
    )
    try:
        readings = kept_frame(filter(None, chunks), defaultdict(str), READINGS)
    except ValueError:
        return  # a moment was changed, as is said of the readings
    made = queries.entries(connection, trial=entry.trial, kind=Kind.CORRECTION)
    readings = corrected(readings, corrections(e for e in made if e.number < entry.number))
    means = baseline_means(protocols[entry.trial][1], readings)
    for tank, value in body.allocation.balance_values:
        if not math.isclose(means.get(tank, math.nan), value, rel_tol=1e-9):
            seen = f"give {means[tank]:g}" if tank in means else "hold none of it"
            yield Finding(
                "allocation",
                tank,
                f"Tank {tank} was drawn with a baseline of {value:g}, but the readings taken in before entry "
                f"{entry.number} {seen}.",
            )


def _intake(connection: Connection, entry: Entry, body: IntakeBody) -> Iterator[Finding]:
    where, name = f"entry {entry.number}", body.file.name
    outcomes: list[str] = []

    def watched() -> Iterator[Sequence[Any]]:
        for chunk in queries.rows_of(connection, entry.number):
            outcomes.extend(row[ROW_COLUMNS.index("outcome")] for row in chunk)
            yield chunk

    if _digest(watched()) != body.rows_digest:
        yield Finding(
            "rows", where, f"The rows of {name} (entry {entry.number}) are not those that were taken in."
        )
    counts = tuple(outcomes.count(outcome) for outcome in ("accepted", "held", "repeated"))
    if (len(outcomes), *counts) != (body.rows, body.accepted, body.held, body.repeated):
        yield Finding(
            "rows", where, f"The rows of {name} (entry {entry.number}) are not as many as its entry says."
        )
    for kept in ALL:
        if not _is_as_taken_in(connection, entry.number, kept, body.stored(kept.name)):
            yield Finding(
                kept.name,
                where,
                f"The {kept.title} of {name} (entry {entry.number}) are not those that were taken in.",
            )


def _is_as_taken_in(connection: Connection, entry: int, kept: Kept, said: Stored | None) -> bool:
    """Whether what is stored of a kind under an entry has the digest and the numbers that the entry says."""
    numbers: list[int] = []

    def numbered() -> Iterator[Sequence[Any]]:
        for chunk in queries.kept_of(connection, kept, entry):
            numbers.extend(row[0] for row in chunk)
            yield [row[1:] for row in chunk]

    digest = _digest(numbered())
    if said is None:
        return not numbers
    return digest == said.digest and numbers == list(range(said.first, said.first + said.count))


def _digest(chunks: Iterable[Sequence[Any]]) -> str:
    return lines_digest(line for chunk in chunks for line in canonical_lines(list(zip(*chunk, strict=True))))


def _strays(connection: Connection, intakes: dict[int, IntakeBody]) -> Iterator[Finding]:
    """Rows, readings and events under an entry that took no file in."""
    for table in (tables.rows, *(kept.table for kept in ALL)):
        for number in connection.execute(select(table.c.entry).distinct()).scalars():
            if number not in intakes:
                yield Finding(
                    table.name,
                    f"entry {number}",
                    f"There are {table.name} of entry {number}, which is no intake.",
                )
