"""Reading an allocation that somebody else made."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from schemas.allocation import Allocation
from schemas.errors import AllocationError, Mistake
from schemas.plain_words import counted, listed, nearest, quoted
from schemas.vocabulary import DesignKind
from trials.allocation.drawing import assigned
from trials.plain_files import content_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from schemas.protocol import Protocol


def read_recorded(path: Path, protocol: Protocol, *, how: str, random: bool) -> Allocation:
    """Read an allocation that somebody else made: a CSV file with the columns ``tank`` and ``arm``.

    In a crossover there is a column ``period`` as well, and a line for each tank and period. Comma, semicolon or
    tab, with or without a byte order mark, columns in any order and case; further columns and empty lines are passed
    over. A block may lack an arm (see :func:`trials.allocation.evenness.remarks`), but every tank of the protocol has
    one arm (in each period) and every arm at least one tank.

    Parameters
    ----------
    path : Path
        The file.
    protocol : Protocol
        The sealed protocol.
    how : str
        In words, how the allocation was made.
    random : bool
        Whether chance decided.

    Raises
    ------
    AllocationError
        The file cannot be read, or has mistakes: all of them are named, each with its line.
    """
    crossover = protocol.design.kind is DesignKind.CROSSOVER
    lines = _lines(path, ("tank", "period", "arm") if crossover else ("tank", "arm"))
    periods = [str(period) for period in range(1, protocol.n_periods + 1)]
    arms: dict[tuple[str, str], str] = {}
    first_seen: dict[tuple[str, str], int] = {}
    mistakes: list[Mistake] = []
    for number, cells in lines:
        place, tank, arm, period = f"line {number}", cells["tank"], cells["arm"], cells.get("period", "1")
        mistakes += _unknown(place, "tank", tank, [tank.id for tank in protocol.tanks])
        mistakes += _unknown(place, "period", period, periods)
        mistakes += _unknown(place, "arm", arm, [arm.id for arm in protocol.arms])
        if tank and (tank, period) in first_seen:
            mistakes.append(
                Mistake(
                    place,
                    f"tank {quoted(tank)} stands here again{_in(period, crossover=crossover)}",
                    f"it has line {first_seen[tank, period]} already",
                )
            )
        first_seen.setdefault((tank, period), number)
        arms.setdefault((tank, period), arm)
    mistakes += [
        Mistake(
            "the file",
            f"tank {tank.id} is missing{_in(period, crossover=crossover)}",
            "give it a line with its arm",
        )
        for tank in protocol.tanks
        for period in periods
        if (tank.id, period) not in arms
    ]
    mistakes += [
        Mistake(
            "the file", f"no tank has the arm {arm.id}", "every arm of the protocol needs at least one tank"
        )
        for arm in protocol.arms
        if arm.id not in arms.values()
    ]
    if mistakes:
        shown = "\n".join(f"  {mistake}" for mistake in mistakes)
        raise AllocationError(f"{path.name} has {counted(len(mistakes), 'mistake')}:\n{shown}")
    taken = {tank.id: [arms[tank.id, period] for period in periods] for tank in protocol.tanks}
    return Allocation(assigned(protocol, taken), drawn=False, random=random, how=how.strip().rstrip("."))


def _in(period: str, *, crossover: bool) -> str:
    return f" in period {period}" if crossover else ""


def _lines(path: Path, columns: Sequence[str]) -> list[tuple[int, dict[str, str]]]:
    """Read the line numbers and the columns of a recorded allocation."""
    text = _text(path)
    delimiter = max(",;\t", key=text.lstrip().partition("\n")[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        rows = [(reader.line_num, [cell.strip() for cell in row]) for row in reader]
    except csv.Error as error:
        raise AllocationError(
            f"{path.name} cannot be read as CSV, line {reader.line_num}: {error}; save it as CSV again."
        ) from None
    rows = [(number, row) for number, row in rows if any(row)]
    header = [cell.casefold() for cell in rows[0][1]] if rows else []
    if any(header.count(name) != 1 for name in columns):
        seen = f"its first line is {quoted(delimiter.join(rows[0][1]))}" if rows else "it is empty"
        needed = listed((f'one column "{name}"' for name in columns), "and")
        raise AllocationError(f"{path.name} needs {needed}, named in the first line; {seen}.")
    places = {name: header.index(name) for name in columns}
    return [
        (number, {name: row[place] if place < len(row) else "" for name, place in places.items()})
        for number, row in rows[1:]
    ]


def _text(path: Path) -> str:
    """Read a text file in UTF-8 or UTF-16 with its mark, else Latin-1, which differs in no tank or arm."""
    try:
        content = content_of(path)
    except OSError as error:
        raise AllocationError(f"{path} cannot be read: {(error.strerror or str(error)).lower()}.") from None
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    if b"\0" in content:
        raise AllocationError(f"{path.name} is not a text file; save it as CSV.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def _unknown(place: str, what: str, name: str, known: Sequence[str]) -> Iterator[Mistake]:
    if name in known:
        return
    meant = nearest(name, known)
    found = f"{what} {quoted(name)} is not in the protocol" if name else f"the {what} is missing"
    remedy = f"did you mean {meant}" if name and meant else f"the {what}s are {listed(known, last='and')}"
    yield Mistake(place, found, remedy)
