"""The register's chain as a pack shows it: whole entries, entries without what may name people, and bare links.

The digest of an entry covers its body. Where the body is withheld nobody can hash it again: its digest still stands in
the entry after it, so that no entry can be taken out, put in or moved without breaking the chain, but what the line
shows of the entry is then the publisher's word.
"""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.errors import PackError
from trials.register.chain import GENESIS, entry_digest
from trials.register.records import Entry, Finding

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

_LEFT_OUT = frozenset({"why", "what", "note", "remarks", "name", "rows_digest", "readings_digest"})
"""What a withheld body does not show: free texts, names of files, and digests by which guesses could be tried out."""

_FIELDS = ("number", "trial", "kind", "at", "body", "shown", "previous", "digest")


@dataclass(frozen=True)
class ChainLine:
    """One entry of the chain.

    Parameters
    ----------
    number, previous, digest
        Its place in the chain.
    trial, kind, at : str or None
        None in a bare link, the entry of another trial.
    body : str or None
        The body, canonical JSON; None where it is withheld.
    shown : dict or None
        What is shown of a withheld body.
    """

    number: int
    trial: str | None
    kind: str | None
    at: str | None
    body: str | None
    shown: dict[str, Any] | None
    previous: str
    digest: str

    @property
    def content(self) -> dict[str, Any]:
        """The body, or what is shown of it."""
        if self.body is None:
            return self.shown or {}
        content: dict[str, Any] = json.loads(self.body)
        return content

    @property
    def moment(self) -> dt.datetime:
        """When it was recorded."""
        return dt.datetime.fromisoformat(self.at or "")


def lines_of(
    entries: Iterable[Entry], trial: str, *, whole: bool, code: Callable[[str], str]
) -> list[ChainLine]:
    """The chain as a pack of one trial shows it.

    Parameters
    ----------
    entries : iterable of Entry
        All entries of the register.
    trial : str
        The trial of the pack.
    whole : bool
        Whether bodies that may name people are shown as they are.
    code : callable
        Gives what is shown for a person's name.
    """
    return [_line(entry, trial, whole=whole, code=code) for entry in entries]


def _line(entry: Entry, trial: str, *, whole: bool, code: Callable[[str], str]) -> ChainLine:
    if entry.trial != trial:
        return ChainLine(entry.number, None, None, None, None, None, entry.previous, entry.digest)
    body = json.loads(entry.body)
    # The protocol is a registered document, the name of its file included.
    shown = body if whole or entry.kind == "seal" else _without_names(body, code)
    known = shown == body
    return ChainLine(
        entry.number,
        entry.trial,
        entry.kind,
        entry.at,
        entry.body if known else None,
        None if known else shown,
        entry.previous,
        entry.digest,
    )


def _without_names(value: Any, code: Callable[[str], str]) -> Any:
    """A body without free texts and names of files, at any depth, and with persons as ``code`` has them."""
    if isinstance(value, list):
        return [_without_names(item, code) for item in value]
    if not isinstance(value, dict):
        return value
    return {
        name: code(item) if name == "by" and isinstance(item, str) else _without_names(item, code)
        for name, item in value.items()
        if name not in _LEFT_OUT
        # Events and readings of check samples have a count, a first number and a digest.
        and not (name == "digest" and "count" in value)
    }


def names_in(value: Any) -> Iterator[str]:
    """Who says what a body says, at any depth: names, or what is shown for them."""
    if isinstance(value, dict):
        for name, item in value.items():
            if name == "by" and isinstance(item, str):
                yield item
            else:
                yield from names_in(item)
    elif isinstance(value, list):
        for item in value:
            yield from names_in(item)


def write_lines(lines: Iterable[ChainLine]) -> bytes:
    """Write the chain as JSON Lines; what a line does not have is left out."""
    return "".join(
        json.dumps({k: v for k in _FIELDS if (v := getattr(line, k)) is not None}, ensure_ascii=False) + "\n"
        for line in lines
    ).encode()


def read_lines(content: bytes, path: str) -> tuple[ChainLine, ...]:
    """Read the chain.

    Raises
    ------
    PackError
        A line is no entry of a chain.
    """
    lines = []
    for number, text in enumerate(content.split(b"\n")[:-1] if content.endswith(b"\n") else [content], 1):
        try:
            raw = json.loads(text)
            line = ChainLine(**{name: raw.pop(name, None) for name in _FIELDS})
        except (AttributeError, RecursionError, TypeError, ValueError):
            raise PackError(f"{path}, line {number}, is not JSON as an entry of the chain is.") from None
        if raw or not _is_entry(line):
            raise PackError(f"{path}, line {number}, is not an entry of the chain.")
        lines.append(line)
    if not any(line.kind == "seal" for line in lines):
        raise PackError(f"{path} has no entry that seals a protocol.")
    return tuple(lines)


def _is_entry(line: ChainLine) -> bool:
    """Whether a line is a bare link, or an entry with its body or something in its place."""
    if not (type(line.number) is int and isinstance(line.previous, str) and isinstance(line.digest, str)):
        return False
    stated = (line.trial, line.kind, line.at)
    if stated == (None, None, None):
        return line.body is None and line.shown is None
    if not all(isinstance(text, str) for text in stated):
        return False
    try:
        offset = line.moment.utcoffset()
        content = line.content
    except ValueError:
        return False
    one = (line.body is None) != (line.shown is None) and isinstance(line.body, str | None)
    return one and isinstance(content, dict) and offset is not None


def chain_findings(lines: Sequence[ChainLine], head: str) -> Iterator[Finding]:
    """What is wrong with a chain: its order, its links, the digest of every entry whose body is there, its head."""
    previous = GENESIS
    for place, line in enumerate(lines, 1):
        where = f"record/chain.jsonl, entry {line.number}"
        if line.number != place:
            yield Finding(
                "chain", where, f"Entry {place} is not there; entry {line.number} stands in its place."
            )
            return
        if line.previous != previous:
            yield Finding("chain", where, f"Entry {line.number} does not follow from the one before it.")
        if line.body is not None and line.digest != entry_digest(_entry(line)):
            yield Finding("chain", where, f"Entry {line.number} was changed: its digest is another.")
        previous = line.digest
    if previous != head:
        yield Finding(
            "chain", "record/head.txt", "The head of the chain is not the digest of its last entry."
        )


def _entry(line: ChainLine) -> Entry:
    return Entry(
        line.number,
        line.trial or "",
        line.kind or "",
        line.at or "",
        line.body or "",
        line.previous,
        line.digest,
    )
