"""Text files of loggers, chunk by chunk; separator, coding and header are found as for every other file."""

from __future__ import annotations

import codecs
from typing import TYPE_CHECKING, Any

import pyarrow as pa
from pyarrow import csv

from schemas.errors import IntakeError
from schemas.readings import HoldReason
from trials.intake.delimited import text_form
from trials.streams.held_values import HeldValues
from trials.streams.sources import Chunk

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from trials.intake.tables import Headings

_HEAD = 1 << 16
_BLOCK = 1 << 21
"""Arrow reads some blocks ahead, so that a smaller one costs less memory; a larger one is not faster."""
_SHORTEST_ROW = 24


class CsvSource:
    """A text file with separators.

    Parameters
    ----------
    path : Path
        Where it is.
    name : str
        What it is called in sentences.
    headings : Headings
        Knows the names of columns.
    """

    parts = 1

    def __init__(self, path: Path, name: str, headings: Headings) -> None:
        self.name = name
        self._path = path
        with path.open("rb") as file:
            head = file.read(_HEAD)
        # Cut at the end of a line, so that no letter of several bytes is cut; UTF-16 has two for each.
        wide = head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
        whole = head if len(head) < _HEAD or wide else head[: head.rfind(b"\n") + 1] or head
        if not whole.strip():
            raise IntakeError(f"{name} is empty.")
        self._form = text_form(whole, name, headings)
        self.header, self.separator = self._form.header, self._form.separator
        self.odd = HeldValues()

    @property
    def rows(self) -> int:
        """No more than this, for rows of a usual length."""
        return self._path.stat().st_size // _SHORTEST_ROW

    def chunks(self, places: list[int], part: int | None = None) -> Iterator[Chunk]:
        """The columns at these places, as texts; raises IntakeError where the file is damaged."""
        del part  # there is one only
        self.odd = HeldValues()
        names = [str(place) for place in range(len(self.header))]
        wanted = [names[place] for place in places]
        try:
            reader = csv.open_csv(
                self._path,
                read_options=csv.ReadOptions(
                    block_size=_BLOCK,
                    skip_rows=self._form.above + 1,
                    column_names=names,
                    encoding=self._form.encoding,
                    use_threads=False,
                ),
                parse_options=csv.ParseOptions(
                    delimiter=self._form.separator, invalid_row_handler=self._odd_row
                ),
                convert_options=csv.ConvertOptions(
                    column_types=dict.fromkeys(wanted, pa.string()),
                    include_columns=wanted,
                    strings_can_be_null=False,
                ),
            )
        except (pa.ArrowException, OSError) as error:
            if "Empty CSV file" in str(error):
                return
            raise self._damaged(error) from None
        first = 1
        with reader:
            while batch := self._next(reader):
                columns = {place: batch.column(place_in) for place_in, place in enumerate(places)}
                yield Chunk(columns, first, batch.num_rows)
                first += batch.num_rows

    def _odd_row(self, row: Any) -> str:
        many = row.actual_columns > row.expected_columns
        reason = HoldReason.TOO_MANY_CELLS if many else HoldReason.TOO_FEW_CELLS
        self.odd.add(reason, 1, [f"{self.name}: {row.text[:80]}"])
        return "skip"

    def _next(self, reader: Any) -> Any:
        try:
            return reader.read_next_batch()
        except StopIteration:
            return None
        except (pa.ArrowException, OSError) as error:
            raise self._damaged(error) from None

    def _damaged(self, error: Exception) -> IntakeError:
        said = " ".join(str(error).split())
        if "straddling object" in said:
            said = f"a line of more than {_BLOCK:,} characters"
        return IntakeError(f"{self.name} cannot be read as text with separators ({said[:200]}).")
