"""The hash chain: each entry's digest covers the entry and the digest of the one before. Pure, no database.

The digest of an entry is the SHA-256 over six fields, each as its length in bytes (8 bytes, big-endian) followed by
its bytes in UTF-8: the digest before (lower-case hexadecimal), the number (decimal), the trial, the kind, the time
and the body (canonical JSON, RFC 8785). The first entry stands on :data:`GENESIS`. Lengths keep the fields apart, so
that no two entries share a text.

A chain shows that entries were changed, removed, put in or swapped. It cannot show that its last entries were cut
off, or that all of it was made anew: for that, its head has to be known elsewhere, as each report prints it.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import rfc8785

from trials.register.records import Entry

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Mapping

GENESIS = hashlib.sha256(b"fairtank register, format 1").hexdigest()
"""The digest that the first entry stands on."""


class Kind(StrEnum):
    """What an entry records."""

    SEAL = "seal"
    ALLOCATION = "allocation"
    INTAKE = "intake"
    CORRECTION = "correction"
    EVENT_CORRECTION = "event-correction"
    KIT_CORRECTION = "kit-correction"
    DEVIATION = "deviation"
    DROPOUT = "dropout"
    RESCUE = "rescue"
    AMENDMENT = "amendment"
    CLOSURE = "closure"
    UNMASKING = "unmasking"


def canonical(body: Mapping[str, Any]) -> str:
    """Write a body as canonical JSON, RFC 8785."""
    return rfc8785.dumps(dict(body)).decode()


def stamp(at: dt.datetime) -> str:
    """Write a moment as ISO 8601 in UTC, ending in ``Z``.

    Raises
    ------
    ValueError
        The moment carries no time zone, which is a fault of the caller, not of the user.
    """
    if at.utcoffset() is None:
        raise ValueError("a moment in the register carries its time zone")
    return at.astimezone(dt.UTC).isoformat().replace("+00:00", "Z")


def entry_digest(entry: Entry) -> str:
    """Hash an entry's fields as the module says, whatever digest it carries."""
    hashed = hashlib.sha256()
    for field in (entry.previous, str(entry.number), entry.trial, entry.kind, entry.at, entry.body):
        data = field.encode()
        hashed.update(len(data).to_bytes(8, "big"))
        hashed.update(data)
    return hashed.hexdigest()


def following(last: Entry | None, trial: str, kind: Kind, at: dt.datetime, body: Mapping[str, Any]) -> Entry:
    """Make the entry that follows ``last``; None where it is the first.

    Raises
    ------
    ValueError
        ``at`` carries no time zone.
    """
    previous = last.digest if last else GENESIS
    number = last.number + 1 if last else 1
    bare = Entry(number, trial, kind.value, stamp(at), canonical(body), previous, digest="")
    return Entry(number, trial, kind.value, bare.at, bare.body, previous, entry_digest(bare))


def first_fault(entries: Iterable[Entry], masked: Container[int] = ()) -> tuple[int, str] | None:
    """Find the first entry that does not hold.

    Parameters
    ----------
    entries : iterable of Entry
        All entries of a register, by number.
    masked : container of int
        The numbers of entries of which only the link is known: they are held to the ones before and after.

    Returns
    -------
    tuple of int and str, or None
        The number at which the chain breaks and a sentence that says how; None where it is whole.
    """
    previous = GENESIS
    for number, entry in enumerate(entries, start=1):
        if entry.number != number:
            return number, f"Entry {number} is not there; entry {entry.number} stands in its place."
        if entry.previous != previous:
            return (
                number,
                f"Entry {number} does not follow from the one before it: one of the two was changed.",
            )
        if number not in masked and entry.digest != entry_digest(entry):
            return number, f"Entry {number} was changed after it was written."
        previous = entry.digest
    return None
