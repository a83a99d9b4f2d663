"""From a logger's files to the days of a trial: read in chunks, put in days, and taken in as readings."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis.logger_days import NO_OFFSET, VALUE, days_of
from schemas.errors import FairtankError, IntakeError
from schemas.readings import HoldReason
from trials.intake.batch import take_in
from trials.intake.headers import ColumnNames
from trials.register.bodies import HeldOfStream, LoggerFile, StreamBody
from trials.streams.chunks import ChunkReader, Trial
from trials.streams.day_file import day_file
from trials.streams.held_values import HeldValues
from trials.streams.sources import open_source
from trials.streams.spill import Spill

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Iterator, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from schemas.protocol import Protocol
    from trials.register.records import Beside, IntakeBatch, SealedTrial, SourceFile
    from trials.spreading import SpreadOut
    from trials.streams.raw_files import RawFile

_AT_ONCE = 16
"""Parts that are on their way from a cluster at a time."""


@dataclass
class Stream:
    """What became of the values of a stream: total = used + repeated + held; and its days as a file of readings."""

    rows: int = 0
    total: int = 0
    used: int = 0
    repeated: int = 0
    held: HeldValues = field(default_factory=HeldValues)
    remarks: list[str] = field(default_factory=list)
    days: SourceFile | None = None

    def body(self, files: Sequence[RawFile], protocol: str, day: dt.date) -> StreamBody:
        """As an entry of the register has it."""
        return StreamBody(
            files=tuple(LoggerFile(name=file.name, digest=file.digest, size=file.size) for file in files),
            protocol=protocol,
            day=day,
            rows=self.rows,
            values=self.total,
            used=self.used,
            repeated=self.repeated,
            held=tuple(
                HeldOfStream(code=reason.value, count=count, remarks=examples)
                for reason, count, examples in self.held
            ),
        )


class _Part(NamedTuple):
    """What one file, or a part of it, gives."""

    used: NDArray[np.void]
    rows: int
    total: int
    held: HeldValues


def read_stream(
    files: Sequence[RawFile],
    protocol: Protocol,
    today: dt.date,
    *,
    spread_out: SpreadOut | None = None,
    step: Callable[[int], None] = lambda _: None,
) -> Stream:
    """All days of a stream, in bounded memory, whatever the order of its rows.

    Parameters
    ----------
    files : sequence of RawFile
        Read as one: a day may be spread over several.
    protocol : Protocol
        Of the trial.
    today : date
        The day of intake; its own values are held, since it is not over.
    spread_out : callable, optional
        Reads parts of Parquet files elsewhere, as of :func:`trials.spreading.spreading`; without it they are read here,
        one after the other.
    step : callable
        Told how many rows were read, again and again.

    Raises
    ------
    IntakeError
        A file cannot be read at all.
    FairtankError
        The disk is full, or pyarrow is not installed.
    """
    trial, stream = Trial(protocol, today), Stream()
    sources = [open_source(file.path, file.name, ColumnNames(trial.names)) for file in files]
    texts = [source.name for source in sources if source.separator]
    if spread_out is not None and texts:
        raise IntakeError(
            f"{texts[0]} is text, and a cluster reads Parquet: leave --cluster out, or write it as Parquet."
        )
    readers = [ChunkReader(source, trial) for source in sources]
    for source, reader in zip(sources, readers, strict=True):
        stream.remarks += [f"{source.name}: {remark}" for remark in reader.remarks]
    expected = sum(
        source.rows * len(reader.value_places) for source, reader in zip(sources, readers, strict=True)
    )
    parts = (
        _read_here(files, trial)
        if spread_out is None
        else _read_elsewhere(files, [source.parts for source in sources], trial, spread_out)
    )
    try:
        with tempfile.TemporaryDirectory(prefix="fairtank-") as folder:
            spill = Spill(Path(folder), expected)
            for part in parts:
                spill.add(part.used)
                stream.rows += part.rows
                stream.total += part.total
                stream.held.add_all(part.held)
                step(part.rows)
            _summarise(spill, trial, files, stream)
    except OSError as error:
        raise FairtankError(
            f"The values cannot be sorted in {tempfile.gettempdir()} ({error.strerror or error}); nothing was taken in. Point "
            "TMPDIR at a folder with room for 22 bytes a value."
        ) from None
    return stream


def _summarise(spill: Spill, trial: Trial, files: Sequence[RawFile], stream: Stream) -> None:
    days = []
    for values in spill.parts():
        found = days_of(values, trial.usual, trial.stop)
        days += found.days
        stream.repeated += found.repeated
        for torn in found.torn:
            stream.held.add(HoldReason.CONFLICT_IN_FILE, len(torn), _shown(torn, trial))
    stream.used = sum(day.logged for day in days)
    stream.days = day_file(days, trial, files)


def _shown(torn: NDArray[np.void], trial: Trial) -> Iterator[str]:
    for value in torn:
        tank, variable = trial.sensor(int(value["sensor"]))
        ahead = "" if value["offset"] == NO_OFFSET else f" ({value['offset']:+d} minutes from UTC)"
        yield f"{tank}, {variable}, {np.datetime64(int(value['at']), 'us')}{ahead}: {value['value']:.6g}"


def _read_here(files: Sequence[RawFile], trial: Trial) -> Iterator[_Part]:
    for file in files:
        yield from _chunks(file, None, trial)


def _read_elsewhere(
    files: Sequence[RawFile], parts: Sequence[int], trial: Trial, spread_out: SpreadOut
) -> Iterator[_Part]:
    """Every part of every file, read by whoever is free, a few at a time."""
    tasks = [(file, part) for file, many in zip(files, parts, strict=True) for part in range(many)]
    protocol, today = trial.protocol, trial.today

    def read(number: int) -> _Part:
        file, part = tasks[number]
        own = Trial(protocol, today)
        read_parts = list(_chunks(file, part, own))
        held = HeldValues()
        for one in read_parts:
            held.add_all(one.held)
        used = [np.zeros(0, dtype=VALUE), *(one.used for one in read_parts)]
        rows, count = sum(one.rows for one in read_parts), sum(one.total for one in read_parts)
        return _Part(np.concatenate(used), rows, count, held)

    for start in range(0, len(tasks), _AT_ONCE):
        yield from spread_out(read, range(start, min(start + _AT_ONCE, len(tasks))))


def _chunks(file: RawFile, part: int | None, trial: Trial) -> Iterator[_Part]:
    """A file, or a part of it, chunk by chunk; rows with too many or too few cells come last."""
    source = open_source(file.path, file.name, ColumnNames(trial.names))
    reader = ChunkReader(source, trial)
    for chunk in source.chunks(reader.places, part):
        held = HeldValues()
        read = reader.read(chunk, held)
        yield _Part(read.used, read.rows, read.total, held)
    odd = source.odd.total
    yield _Part(np.zeros(0, dtype=VALUE), odd, odd, source.odd)


def as_batch(
    stream: Stream,
    files: Sequence[RawFile],
    sealed: SealedTrial,
    seen: pd.DataFrame,
    beside: Beside,
    day: dt.date,
) -> IntakeBatch:
    """The days of a stream as a batch to be recorded: each accepted, held or repeated, as readings are.

    Parameters
    ----------
    stream : Stream
        As read from the files.
    files : sequence of RawFile
        What it was read from.
    sealed : SealedTrial
        The trial with the protocol in force, by which it was read.
    seen, beside
        What the register holds already.
    day : date
        The day of intake.
    """
    if stream.days is None:
        raise IntakeError("nothing was read of the stream.")
    batch = take_in(stream.days, sealed.protocol, seen, day, beside)
    return replace(batch, remarks=tuple(stream.remarks), stream=stream.body(files, sealed.digest, day))
