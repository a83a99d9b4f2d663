"""Between the frames that intake and analysis use and the columns that the database stores."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.vocabulary import RowOutcome
from trials.register.digests import values

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from trials.register.records import IntakeBatch

ROW_COLUMNS = ("sheet", "row", "outcome", "cells", "reasons")
"""Columns of a row of a file, in the order in which they are stored and hashed."""

READING_COLUMNS = (
    "sheet",
    "row",
    "tank",
    "taken_at",
    "utc_offset",
    "variable",
    "value",
    "sign",
    "replicate",
    "kit",
    "by",
    "note",
    "raw_value",
    "raw_unit",
)
"""Columns of a reading, in the order in which they are stored and hashed."""

_RETURNED = {
    "reading": "int64",
    "tank": "str",
    "taken_at": "datetime64[us]",
    "utc_offset": "str",
    "variable": "str",
    "value": "float64",
    "sign": "str",
    "replicate": "int64",
    "kit": "str",
    "by": "str",
    "note": "str",
    "raw_value": "str",
    "raw_unit": "str",
    "file": "str",
    "sheet": "str",
    "row": "int64",
}


def row_columns(batch: IntakeBatch) -> list[list[Any]]:
    """Give the rows of a batch as columns, in the order of sheet and row.

    Raises
    ------
    ValueError
        A value is missing, or a row stands twice: a fault of the caller, not of the user.
    """
    frame = batch.rows[list(ROW_COLUMNS)].sort_values(["sheet", "row"], kind="stable")
    _refuse_gaps(frame)
    if frame.duplicated(["sheet", "row"]).any():
        raise ValueError("a row of a file has one outcome")
    return [values(frame[name]) for name in ROW_COLUMNS]


def reading_columns(batch: IntakeBatch) -> list[list[Any]]:
    """Give the readings of a batch as columns, in their order.

    Raises
    ------
    ValueError
        A value is missing or not finite, or a reading belongs to no accepted row: a fault of the caller.
    """
    frame = batch.readings[list(READING_COLUMNS)]
    _refuse_gaps(frame)
    if not np.isfinite(frame["value"].to_numpy(dtype=float)).all():
        raise ValueError("a reading has a finite value")
    accepted = batch.rows.loc[batch.rows["outcome"] == RowOutcome.ACCEPTED.value, ["sheet", "row"]]
    if not pd.MultiIndex.from_frame(frame[["sheet", "row"]]).isin(pd.MultiIndex.from_frame(accepted)).all():
        raise ValueError("a reading belongs to an accepted row of its file")
    typed = frame.astype({"taken_at": "datetime64[us]", "value": float})
    return [values(typed[name]) for name in READING_COLUMNS]


def reading_frame(chunks: Iterable[Sequence[Any]], file_names: Mapping[int, str]) -> pd.DataFrame:
    """Build the frame of readings from what the database returns.

    Parameters
    ----------
    chunks : iterable of sequences
        Rows of ``reading``, ``entry`` and :data:`READING_COLUMNS`, in chunks.
    file_names : mapping
        Name of the file by the number of its entry.

    Returns
    -------
    DataFrame
        Typed also when empty; sorted by tank, variable, taken_at, replicate, and then in order of intake.
    """
    names = ("reading", "entry", *READING_COLUMNS)
    columns: dict[str, list[Any]] = {name: [] for name in names}
    # The same few texts come back a million times: each is kept once.
    kept: dict[Any, Any] = {}
    for chunk in chunks:
        for name, column in zip(names, zip(*chunk, strict=True), strict=True):
            columns[name].extend(
                map(kept.setdefault, column, column) if isinstance(column[0], str) else column
            )
    columns["file"] = [file_names[entry] for entry in columns.pop("entry")]
    typed = {
        name: pd.Series(columns[name], dtype=dtype) for name, dtype in _RETURNED.items() if name != "taken_at"
    }
    typed["taken_at"] = pd.Series(np.array(columns["taken_at"], dtype="datetime64[us]"))
    frame = pd.DataFrame(typed, columns=list(_RETURNED))
    return frame.iloc[_order(frame)].reset_index(drop=True)


def _order(frame: pd.DataFrame) -> np.ndarray[Any, np.dtype[np.intp]]:
    """The order of the rows; texts are ranked first, since sorting a million of them is slow."""
    tank, variable = (pd.factorize(frame[name], sort=True)[0] for name in ("tank", "variable"))
    taken_at = frame["taken_at"].to_numpy()
    return np.lexsort((frame["reading"], frame["replicate"], taken_at, variable, tank))


def _refuse_gaps(frame: pd.DataFrame) -> None:
    gaps = [name for name in frame.columns if frame[name].isna().any()]
    if gaps:
        raise ValueError(f"nothing may be missing in {', '.join(gaps)}; a text that was not given is empty")
