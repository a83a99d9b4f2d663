"""Times of day in a column of their own, joined with the dates beside them."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from schemas.readings import HoldReason
from trials.intake.columns import CodedColumn, quoted, stripped, text_of
from trials.intake.dates import OFFSET, Moments, clock_offset
from trials.intake.numerals import plain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from trials.intake.columns import Cell
    from trials.intake.holds import Finding

_CLOCK = re.compile(
    rf"(?P<hour>[0-9]{{1,2}})(?:[:.](?P<minute>[0-9]{{2}})(?:[:.](?P<second>[0-9]{{2}})(?:[.,][0-9]+)?)?)?"
    rf"\s*(?P<half>[ap]\.?m\.?)?\s*(?:h|hrs?|o'clock)?\s*(?P<offset>{OFFSET})?",
    re.IGNORECASE,
)
_DAY = dt.timedelta(days=1)
_REMEDY = "write hours and minutes, such as 18:30"


class TimeOfDay(NamedTuple):
    """What a cell of a time column holds: the time since midnight, or why not; neither where it is empty."""

    since_midnight: dt.timedelta | None = None
    offset: str = ""
    finding: Finding | None = None


def read_time(cell: Cell) -> TimeOfDay:
    """One cell of a column of times."""
    if isinstance(cell, dt.time):
        return TimeOfDay(dt.timedelta(hours=cell.hour, minutes=cell.minute, seconds=cell.second))
    if isinstance(cell, dt.timedelta) and dt.timedelta() <= cell < _DAY:
        return TimeOfDay(dt.timedelta(seconds=int(cell.total_seconds())))
    text = plain(text_of(cell))
    if not text:
        return TimeOfDay()
    found = _CLOCK.fullmatch(text) if isinstance(cell, str) else None
    if not found or (found["minute"] is None and not found["half"]):
        return TimeOfDay(finding=(HoldReason.NOT_A_TIME, f"{quoted(text)} is not a time of day; {_REMEDY}."))
    hour, minute, second = (int(found[name] or 0) for name in ("hour", "minute", "second"))
    offset = clock_offset(found["offset"])
    half = (found["half"] or "").casefold()
    if (half and not 1 <= hour <= 12) or hour > 23 or minute > 59 or second > 59 or offset is None:
        return TimeOfDay(
            finding=(HoldReason.NOT_A_TIME, f"{quoted(text)} is a time that no clock shows; {_REMEDY}.")
        )
    if half:
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    return TimeOfDay(dt.timedelta(hours=hour, minutes=minute, seconds=second), offset)


def with_times(taken: CodedColumn, moments: Moments, times: CodedColumn) -> tuple[NDArray[np.int32], Moments]:
    """The moments of dates and times that stand in two columns.

    Parameters
    ----------
    taken, moments : CodedColumn, Moments
        The column of dates, and what its distinct cells say.
    times : CodedColumn
        The column of times, as long.

    Returns
    -------
    codes : array
        For each row the place of its pair among the distinct ones.
    moments : Moments
        Of each distinct pair. A date that has a time already and another one beside it is held.
    """
    width = max(len(times.cells), 1)
    pairs, codes = np.unique(taken.codes.astype(np.int64) * width + times.codes, return_inverse=True)
    clock = [read_time(cell) for cell in times.cells]
    instants = moments.instants[pairs // width].copy()
    offsets, timed, findings = [], [], []
    for place, pair in enumerate(pairs.tolist()):
        date, time = divmod(pair, width)
        read, offset, has_time, finding = (
            clock[time],
            moments.offsets[date],
            bool(moments.timed[date]),
            moments.findings[date],
        )
        if finding is None and read.finding is not None:
            finding = read.finding
        elif finding is None and read.since_midnight is not None:
            midnight = instants[place].astype("datetime64[D]").astype(instants.dtype)
            at = midnight + np.timedelta64(read.since_midnight)
            if has_time and (at != instants[place] or (offset and read.offset and offset != read.offset)):
                shown = quoted(stripped(times.cells[time]))
                finding = (
                    HoldReason.TWO_TIMES,
                    (
                        f"{quoted(stripped(taken.cells[date]))} has a time of its own and the time beside it is {shown}: "
                        "leave one of the two."
                    ),
                )
            instants[place], has_time, offset = at, True, read.offset or offset
        if finding is not None:
            instants[place] = np.datetime64("NaT")
        offsets.append(offset)
        timed.append(has_time)
        findings.append(finding)
    joined = Moments(instants, tuple(offsets), np.array(timed, dtype=bool), tuple(findings))
    return codes.astype(np.int32), joined
