"""What the commands show of loggers: the values of a stream, and what a check of the files found."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from trials.cli import display

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from trials.streams.intake import Taken


@contextmanager
def running(total: int, label: str, *, quiet: bool) -> Iterator[Callable[[int], None]]:
    """Adds up what is told piece by piece, and shows it against a total."""
    with display.counting(total, label, quiet=quiet) as tell:
        done = 0

        def step(more: int) -> None:
            nonlocal done
            done += more
            tell(min(done, total))

        yield step


def document(taken: Taken, folder: Path | None) -> dict[str, Any]:
    """A stream as JSON data."""
    files = [
        {
            "file": file.name,
            "digest": file.digest,
            "size": file.size,
            "taken_in_by_entry": taken.earlier.get(file.digest),
        }
        for file in taken.files
    ]
    stream = taken.batch.stream if taken.batch else None
    counts = stream.model_dump(mode="json", include={"rows", "values", "used", "repeated"}) if stream else {}
    held = (
        [{"code": h.code, "values": h.count, "examples": list(h.remarks)} for h in stream.held]
        if stream
        else []
    )
    return {"files": files, **counts, "held": held, "kept_in": str(folder) if folder else None}


def show(taken: Taken) -> None:
    """What became of the values; the days are shown as readings."""
    from schemas.readings import HoldReason

    meanings = {reason.value: reason.meaning for reason in HoldReason}
    for file in taken.files:
        if file.digest in taken.earlier:
            display.out(f"{file.name} was taken in before, by entry {taken.earlier[file.digest]}.")
    stream = taken.batch.stream if taken.batch else None
    if stream is None:
        display.out("Nothing is new; nothing was stored.")
        return
    held = sum(one.count for one in stream.held)
    display.out(
        f"Logger: {stream.rows:,} rows with {stream.values:,} values = {stream.used:,} used + {stream.repeated:,} repeated "
        f"+ {held:,} held"
    )
    for one in stream.held:
        display.out(f"  held, {one.count:,} values: {meanings.get(one.code, one.code)} ({one.code})")
        for example in one.remarks:
            display.out(f"    {example}")
    display.out("Days, each with its median as a reading:")
