"""Between the frames that intake and analysis use and the columns that the database stores."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.vocabulary import RowOutcome
from trials.register.digests import values
from trials.register.kept import EVENTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from trials.register.kept import Kept
    from trials.register.records import IntakeBatch

ROW_COLUMNS = ("sheet", "row", "outcome", "cells", "reasons")
"""Columns of a row of a file, in the order in which they are stored and hashed."""


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


def kept_columns(batch: IntakeBatch, kept: Kept) -> list[list[Any]]:
    """Give what a batch brings of one kind as columns, in its order; the amount of an event may be None.

    Raises
    ------
    ValueError
        A value is missing or not finite, or it belongs to no accepted row: a fault of the caller.
    """
    frame: pd.DataFrame = getattr(batch, kept.name)[list(kept.columns)]
    may_lack = {kept.number} if kept is EVENTS else set()
    _refuse_gaps(frame.drop(columns=list(may_lack)))
    number = frame[kept.number].to_numpy(dtype=float)
    if not (np.isfinite(number) | (np.isnan(number) & bool(may_lack))).all():
        raise ValueError(f"{kept.title} have a finite {kept.number}")
    accepted = batch.rows.loc[batch.rows["outcome"] == RowOutcome.ACCEPTED.value, ["sheet", "row"]]
    if not pd.MultiIndex.from_frame(frame[["sheet", "row"]]).isin(pd.MultiIndex.from_frame(accepted)).all():
        raise ValueError(f"{kept.title} belong to an accepted row of their file")
    typed = frame.astype({kept.moment: "datetime64[us]", kept.number: float})
    columns = {name: values(typed[name]) for name in kept.columns}
    if may_lack:
        columns[kept.number] = [
            None if gap else at for at, gap in zip(number.tolist(), np.isnan(number), strict=True)
        ]
    return list(columns.values())


def kept_frame(chunks: Iterable[Sequence[Any]], file_names: Mapping[int, str], kept: Kept) -> pd.DataFrame:
    """Build the frame of one kind from what the database returns.

    Parameters
    ----------
    chunks : iterable of sequences
        Rows of its number, ``entry`` and its columns, in chunks.
    file_names : mapping
        Name of the file by the number of its entry.
    kept : Kept
        Which kind.

    Returns
    -------
    DataFrame
        Typed also when empty; sorted by the columns of ``kept.order``, and then in order of intake.
    """
    names = (kept.key, "entry", *kept.columns)
    columns: dict[str, list[Any]] = {name: [] for name in names}
    # The same few texts come back a million times: each is kept once.
    once: dict[Any, Any] = {}
    for chunk in chunks:
        for name, column in zip(names, zip(*chunk, strict=True), strict=True):
            columns[name].extend(
                map(once.setdefault, column, column) if isinstance(column[0], str) else column
            )
    columns["file"] = [file_names[entry] for entry in columns.pop("entry")]
    frame = pd.DataFrame({name: _typed(columns[name], dtype) for name, dtype in kept.dtypes.items()})
    return frame.iloc[_order(frame, kept)].reset_index(drop=True)


def _typed(column: list[Any], dtype: str) -> pd.Series[Any]:
    if dtype.startswith("datetime"):
        return pd.Series(np.array(column, dtype=dtype))
    return pd.Series(column, dtype=dtype)


def _order(frame: pd.DataFrame, kept: Kept) -> np.ndarray[Any, np.dtype[np.intp]]:
    """The order of the rows; texts are ranked first, since sorting a million of them is slow."""
    keys = [
        pd.factorize(frame[name], sort=True)[0] if kept.dtypes[name] == "str" else frame[name].to_numpy()
        for name in (*kept.order, kept.key)
    ]
    return np.lexsort(keys[::-1])


def _refuse_gaps(frame: pd.DataFrame) -> None:
    gaps = [name for name in frame.columns if frame[name].isna().any()]
    if gaps:
        raise ValueError(f"nothing may be missing in {', '.join(gaps)}; a text that was not given is empty")
