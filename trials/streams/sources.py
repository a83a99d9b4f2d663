"""A file of a logger as chunks of columns: what both kinds of files have in common."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from schemas.errors import FairtankError, IntakeError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from trials.streams.held_values import HeldValues

ROWS = 1 << 16
"""About as many rows as a chunk has."""


@dataclass(frozen=True)
class Chunk:
    """Some rows that follow each other: their columns as arrays of Arrow by place, and the number of the first, from 1."""

    columns: dict[int, Any]
    first: int
    length: int


class Source(Protocol):
    """A file that can be read chunk by chunk; ``odd`` are the rows met with more or fewer cells than the header."""

    name: str
    header: tuple[str, ...]
    separator: str
    odd: HeldValues

    @property
    def parts(self) -> int:
        """In how many parts it can be read."""

    @property
    def rows(self) -> int:
        """How many rows it has, or hardly more."""

    def chunks(self, places: list[int], part: int | None = None) -> Iterator[Chunk]:
        """The columns at these places, of all rows or of one part; raises IntakeError where it is damaged."""


def open_source(path: Path, name: str, headings: Any) -> Source:
    """A file by what its bytes are: Parquet, or text with separators.

    Raises
    ------
    IntakeError
        It cannot be read at all.
    FairtankError
        pyarrow is not installed.
    """
    refuse_without_arrow()
    from trials.streams.csv_stream import CsvSource
    from trials.streams.parquet_stream import MAGIC, ParquetSource

    try:
        with path.open("rb") as file:
            magic = file.read(len(MAGIC))
        return ParquetSource(path, name) if magic == MAGIC else CsvSource(path, name, headings)
    except OSError as error:
        raise IntakeError(f"{name} cannot be read: {error.strerror or error}.") from None


def refuse_without_arrow() -> None:
    """Refuse to go on where pyarrow is not installed."""
    try:
        import pyarrow as _  # noqa: F401, ICN001
    except ImportError:
        raise FairtankError(
            'Streams of loggers need pyarrow, which is not installed; install it with pip install "fairtank[streams]".'
        ) from None
