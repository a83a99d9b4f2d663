"""Parquet files of loggers, chunk by chunk; a part is a row group."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from schemas.errors import IntakeError
from trials.streams.held_values import HeldValues
from trials.streams.sources import ROWS, Chunk

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MAGIC = b"PAR1"
_BUFFER = 1 << 20


class ParquetSource:
    """A Parquet file.

    Parameters
    ----------
    path : Path
        Where it is.
    name : str
        What it is called in sentences.
    """

    separator = ""

    def __init__(self, path: Path, name: str) -> None:
        self.name = name
        self._path = path
        with self._opened() as file:
            self.header = tuple(map(str, file.schema_arrow.names))
            groups = file.metadata
            self._sizes = [groups.row_group(place).num_rows for place in range(groups.num_row_groups)]
        self.odd = HeldValues()

    @property
    def parts(self) -> int:
        """Its row groups."""
        return len(self._sizes)

    @property
    def rows(self) -> int:
        """As its footer says."""
        return sum(self._sizes)

    def chunks(self, places: list[int], part: int | None = None) -> Iterator[Chunk]:
        """The columns at these places; raises IntakeError where the file is damaged."""
        groups = list(range(self.parts)) if part is None else [part]
        first = sum(self._sizes[: groups[0]]) + 1 if groups else 1
        with self._opened() as file:
            batches = file.iter_batches(ROWS, row_groups=groups, columns=[self.header[p] for p in places])
            while batch := self._next(batches):
                columns = {place: batch.column(self.header[place]) for place in places}
                yield Chunk(columns, first, batch.num_rows)
                first += batch.num_rows

    def _next(self, batches: Iterator[Any]) -> Any:
        try:
            return next(batches, None)
        except (pa.ArrowException, OSError) as error:
            raise self._damaged(error) from None

    def _opened(self) -> Any:
        try:
            # Without buffering ahead, which would hold whole row groups.
            file = pq.ParquetFile(self._path, pre_buffer=False, buffer_size=_BUFFER)
        except (pa.ArrowException, OSError) as error:
            raise self._damaged(error) from None
        for one, other in pairwise(sorted(map(str, file.schema_arrow.names))):
            if one == other:
                file.close()
                raise IntakeError(f'{self.name} has two columns called "{one}"; rename one.')
        return file

    def _damaged(self, error: Exception) -> IntakeError:
        return IntakeError(
            f"{self.name} cannot be read as Parquet ({' '.join(str(error).split())[:200]}); write it again from the logger's "
            "own data."
        )
