"""What was understood of a file, in sentences, so that nothing is understood in silence."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from trials.intake.columns import quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from trials.intake.recognise import Place
    from trials.intake.tables import RawTable
    from trials.intake.values import Understanding

_DECIMALS = {".": "points", ",": "commas"}


def on_tables(tables: Sequence[RawTable], decimal: str) -> Iterator[str]:
    """Decimal sign and blank rows."""
    if decimal:
        yield f"Decimals are written with {_DECIMALS[decimal]}."
    blank = sum(table.blank for table in tables)
    if blank:
        yield f"{_counted(blank, 'blank row was', 'blank rows were')} passed over."


def on_units(accepted: pd.DataFrame, by: Understanding) -> Iterator[str]:
    """Names and units that were understood as something else, with the factor and the readings it touched."""
    for text, named in by.names_met.items():
        if not named.is_plain:
            form = f" as {named.counted_as}" if named.counted_as else ""
            yield f"{quoted(text)} was taken as {named.variable.id}{form}."
    counts = Counter(dict(accepted.groupby(["variable", "raw_unit"], observed=True).size()))
    for (variable_id, unit), known in by.conversions.items():
        variable, count = by.names.of(variable_id), counts[variable_id, unit]
        if count and (known.factor, known.offset) != (1, 0):
            shift = f" and {known.offset:+.6g} added" if known.offset else ""
            form = f" of {variable.form}" if variable.form else ""
            yield (
                f"{_counted(count, 'reading', 'readings')} of {variable_id} in {unit}: multiplied by "
                f"{known.factor:.6g}{shift} to give {variable.unit}{form}."
            )
        if count and known.note:
            yield f"{variable_id} in {unit}: {known.note}."


def on_readings(
    accepted: pd.DataFrame, outside: Sequence[tuple[str, NDArray[np.int64]]], place: Place
) -> Iterator[str]:
    """Censored readings, and those that deserve a look."""
    for sign, side in (("<", "below"), (">", "above")):
        count = int((accepted["sign"] == sign).sum())
        if count:
            yield f"{_counted(count, 'reading', 'readings')} taken as {side} the limit that is given."
    for phrase, lines in outside:
        yield (
            f"{_counted(len(lines), 'reading', 'readings')} of {phrase} taken and worth a look: "
            f"{place.of(lines)}."
        )


def on_checks(count: int) -> Iterator[str]:
    """Readings of check samples, which are kept apart."""
    if count:
        yield f"{_counted(count, 'reading', 'readings')} of check samples taken, apart from those of tanks."


def on_partly_known(count: int) -> Iterator[str]:
    """Rows of a wide table of which some readings were in."""
    if count:
        rows = _counted(count, "row holds", "rows hold")
        yield f"{rows} some readings that are in already; only the new ones were taken."


def _counted(count: int, one: str, many: str) -> str:
    return f"{count:,} {one if count == 1 else many}"
