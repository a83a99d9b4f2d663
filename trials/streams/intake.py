"""Files of loggers, from where they lie to the register: kept, read, and their days recorded, or nothing at all."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trials.spreading import spreading
from trials.streams.raw_files import Keeping
from trials.streams.sources import refuse_without_arrow
from trials.streams.taking_in import as_batch, read_stream

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    from trials.register.records import IntakeBatch, SealedTrial
    from trials.register.store import Register
    from trials.streams.raw_files import RawFile

    Step = Callable[[int], None]

ENDINGS = frozenset({".csv", ".tsv", ".txt", ".parquet", ".pq"})
"""Endings of the files of loggers that are taken from a folder."""


@dataclass(frozen=True)
class How:
    """How files are taken in.

    Parameters
    ----------
    folder : Path or None
        Keeps the files; None keeps and stores nothing.
    cluster : str or None
        Address of the scheduler of a Dask cluster, whose workers see the files; None works here.
    copying, reading : context manager
        Give what is told of bytes and of rows as they are done.
    """

    folder: Path | None
    cluster: str | None
    copying: AbstractContextManager[Step]
    reading: AbstractContextManager[Step]


@dataclass(frozen=True)
class Taken:
    """What became of files of loggers: the entries that some came in by before, and the days of all.

    ``batch`` is None where every one of them was taken in before.
    """

    files: tuple[RawFile, ...]
    earlier: dict[str, int]
    batch: IntakeBatch | None


def take_in_stream(
    record: Register,
    sealed: SealedTrial,
    paths: Sequence[Path],
    moment: dt.datetime,
    day: dt.date,
    how: How,
) -> Taken:
    """Take the files of a logger in, all of them as one stream.

    Where some were taken in before, the days are worked out of all, so that a day that is spread over an old and a new
    file is whole; a day that comes out as it is in the register is a repeated one.

    Parameters
    ----------
    record : Register
        Holds the trial.
    sealed : SealedTrial
        The trial with the protocol in force.
    paths : sequence of Path
        The files.
    moment, day : datetime, date
        When they are taken in.
    how : How
        Where to, and by whom.

    Raises
    ------
    IntakeError
        A file cannot be read at all.
    FairtankError
        A file cannot be kept, or the disk is full.
    """
    refuse_without_arrow()
    known = {f.digest: number for number, (_, body) in record.streams(sealed.id).items() for f in body.files}
    with Keeping(how.folder) as keeping:
        with how.copying as step:
            each = {file.digest: file for file in (keeping.take(path, step) for path in paths)}
        files = tuple(each.values())
        earlier = {digest: known[digest] for digest in each if digest in known}
        if len(earlier) == len(files):
            return Taken(files, earlier, None)
        seen, beside = record.seen(sealed.id), record.seen_beside(sealed.id)
        spread = nullcontext() if how.cluster is None else spreading(cluster=how.cluster)
        with spread as spread_out, how.reading as step:
            stream = read_stream(files, sealed.protocol, day, spread_out=spread_out, step=step)
        batch = as_batch(stream, files, sealed, seen, beside, day)
        if how.folder is not None:
            keeping.settle()
            record.record_intake(sealed.id, [batch], moment)
    return Taken(files, earlier, batch)
