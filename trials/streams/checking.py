"""The files of loggers held against the register: their digests, and their days worked out once more."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.errors import FairtankError, IntakeError
from schemas.plain_words import listed
from trials.protocol_file import from_canonical
from trials.register.records import Finding
from trials.streams.raw_files import RawFile, digest_of
from trials.streams.sources import refuse_without_arrow
from trials.streams.taking_in import read_stream

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from trials.register.bodies import StreamBody
    from trials.register.store import Register


def check_streams(
    record: Register, trial: str | None, folder: Path | None, say: Callable[[str], None]
) -> tuple[list[Finding], list[str]]:
    """Check every stream of a trial, or of all, whose files are in a folder.

    Parameters
    ----------
    record : Register
        Whole, as :meth:`Register.check` says.
    trial : str or None
        None checks those of all trials.
    folder : Path or None
        Keeps the files under their digests; None where nobody said which one does.
    say : callable
        Told of each step as it begins.

    Returns
    -------
    findings : list of Finding
        Files that were changed, and days that do not come out again.
    notes : list of str
        What could not be checked, because files or what reads them are not there.
    """
    found: list[Finding] = []
    notes: list[str] = []
    if folder is None:
        return [], ["The files of loggers were not looked at: name the folder that keeps them with --keep."]
    try:
        refuse_without_arrow()
    except FairtankError as error:
        return [], [f"The days of loggers were not worked out again. {error}"]
    for entry, (days, body) in record.streams(trial).items():
        missing = [file.name or file.digest for file in body.files if not (folder / file.digest).exists()]
        if missing:
            notes.append(
                f"Of entry {entry}, {listed(missing, 'and')} {'is' if len(missing) == 1 else 'are'} not in {folder}, so that "
                "the days were not worked out again; they are held to the chain."
            )
            continue
        say(f"Working the days of entry {entry} out again")
        found += _stream(record, entry, days, body, folder)
    return found, notes


def _stream(record: Register, entry: int, days: str, body: StreamBody, folder: Path) -> Iterator[Finding]:
    where = f"entry {entry}"
    files = [RawFile(file.name, file.digest, file.size, folder / file.digest) for file in body.files]
    changed = [file for file in files if digest_of(file.path) != file.digest]
    for file in changed:
        text = f"The logger's file {file.name} in {folder} is not the one that was taken in: its digest is another."
        yield Finding("stream", where, text)
    if changed:
        return
    protocol = from_canonical(record.file(body.protocol))
    try:
        again = read_stream(files, protocol, body.day)
    except IntakeError as error:
        yield Finding("stream", where, f"The files of entry {entry} cannot be read any more: {error}")
        return
    if again.days is None or again.days.content != record.file(days):
        yield Finding(
            "stream", where, f"The days of entry {entry} do not come out of the logger's files again."
        )
    if again.body(files, body.protocol, body.day) != body:
        yield Finding(
            "stream",
            where,
            f"Values of the logger's files are not used, repeated and held as entry {entry} says.",
        )
