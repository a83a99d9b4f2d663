"""The days of a stream as a file of readings: a median each, with what else is known of the day beside it."""

from __future__ import annotations

import csv
import hashlib
import io
from typing import TYPE_CHECKING

import numpy as np

from analysis.logger_days import intervals
from schemas.logger_days import HOUR, KIT, NUMBERS
from trials.register.records import SourceFile

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.logger_days import Day
    from trials.streams.chunks import Trial
    from trials.streams.raw_files import RawFile

COLUMNS = ("tank", "taken_at", "variable", "value", "unit", "kit", "note", *NUMBERS)


def day_file(days: Sequence[Day], trial: Trial, files: Iterable[RawFile]) -> SourceFile:
    """The days as CSV, named by the digests of the files that they come from.

    Parameters
    ----------
    days : sequence of Day
        In any order.
    trial : Trial
        Says what the sensors are.
    files : iterable of RawFile
        What they were worked out of.
    """
    own = intervals(days)
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for day in sorted(days, key=lambda day: (day.sensor, day.day)):
        writer.writerow(_row(day, trial, own.get(day.sensor, np.nan)))
    digests = "\n".join(sorted(file.digest for file in files))
    name = f"logger-days-{hashlib.sha256(digests.encode()).hexdigest()[:16]}.csv"
    return SourceFile(name, stream.getvalue().encode())


def _row(day: Day, trial: Trial, interval: float) -> list[str]:
    tank, variable = trial.sensor(day.sensor)
    # Each value stands for the interval that follows: what is left of the day has none.
    first = day.before if day.before >= interval else 0.0
    numbers = (
        day.low,
        day.high,
        day.lowest,
        day.highest,
        day.unusual * interval,
        day.stopped * interval,
        max(day.length - day.logged * interval, 0.0),
        max(day.longest - interval, first),
        interval,
    )
    return [
        tank,
        f"{day.day}T{HOUR:02}:00",
        variable,
        repr(day.median),
        trial.names.of(variable).unit,
        KIT,
        f"median of {day.logged} logged; 5 % {day.low:.6g}, 95 % {day.high:.6g}",
        str(day.logged),
        *("" if np.isnan(number) else repr(float(number)) for number in numbers),
    ]
