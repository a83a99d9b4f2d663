"""Rows of a wide table in which nothing was measured: planned days to come, as on a recording sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trials.intake.columns import is_blank

if TYPE_CHECKING:
    from trials.intake.headers import Layout
    from trials.intake.tables import RawTable

_MOST_NAMED = 8


def without_unmeasured(table: RawTable, layout: Layout) -> tuple[RawTable, list[str]]:
    """The table without rows that give a tank and a day and no value, and how many there were.

    Of a long table each row says that something was measured, so none is taken out. Rows above the header, and rows
    that are wider or narrower than it, are left for others to look at.
    """
    if not layout.variables:
        return table, []
    measured = np.zeros(len(table), dtype=bool)
    measured[: table.above] = True
    measured[[*table.short, *table.surplus]] = True
    for place in (*(column.place for column in layout.variables), *layout.unclear):
        measured |= _filled(table, place)
    if measured.all():
        return table, []
    count = int((~measured).sum())
    remarks = [
        "1 row in which nothing was measured was passed over."
        if count == 1
        else f"{count:,} rows in which nothing was measured were passed over."
    ]
    noted = ~measured & (_filled(table, layout.roles["note"]) if "note" in layout.roles else False)
    numbers = [f"{number}" for number in table.numbers[noted].tolist()]
    if numbers:
        more = f" and {len(numbers) - _MOST_NAMED:,} more" if len(numbers) > _MOST_NAMED else ""
        remarks.append(
            f"A note without a value stands in row {', '.join(numbers[:_MOST_NAMED])}{more}: it is kept with the file, "
            "and no reading carries it."
        )
    return table.take(measured), remarks


def _filled(table: RawTable, place: int) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    column = table.columns[place]
    return column.spread([not is_blank(cell) for cell in column.cells], bool)
