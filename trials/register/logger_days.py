"""The days of loggers that a register holds, read off the rows of the files that they came in as."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pandas as pd

from schemas.logger_days import NUMBERS
from trials.register import queries
from trials.register.bodies import IntakeBody
from trials.register.chain import Kind
from trials.register.frames import ROW_COLUMNS

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from trials.register.bodies import StreamBody

_TEXTS = ("tank", "variable", "unit", "outcome")


def streams(connection: Connection, trial: str | None) -> dict[int, tuple[str, StreamBody]]:
    """Each stream that was taken in, by the number of its entry: the digest of the file of its days, and what it was."""
    bodies = {e.number: IntakeBody.of(e) for e in queries.entries(connection, trial=trial, kind=Kind.INTAKE)}
    return {number: (body.file.digest, body.stream) for number, body in bodies.items() if body.stream}


def logger_days(connection: Connection, trial: str) -> pd.DataFrame:
    """Every day of every logger of a trial, by entry and row.

    Returns
    -------
    DataFrame
        ``entry``, ``row``, ``tank``, ``variable``, ``unit``, ``outcome`` (accepted, held, repeated: what became of the
        median as a reading), ``day`` (datetime64[us]), ``median`` and the columns of
        :data:`schemas.logger_days.NUMBERS`, NaN where not known.
    """
    rows: list[dict[str, Any]] = []
    for number in streams(connection, trial):
        for chunk in queries.rows_of(connection, number):
            for values in chunk:
                row = dict(zip(ROW_COLUMNS, values, strict=True))
                rows.append({"entry": number, **row, **json.loads(row["cells"])})
    columns: dict[str, Any] = {name: pd.Series([row[name] for row in rows], dtype=str) for name in _TEXTS}
    columns |= {name: pd.Series([row[name] for row in rows], dtype="int64") for name in ("entry", "row")}
    columns["day"] = pd.Series([row["taken_at"][:10] for row in rows], dtype="datetime64[us]")
    columns["median"] = pd.Series([float(row["value"]) for row in rows], dtype=float)
    for name in NUMBERS:
        columns[name] = pd.Series([float(row[name] or "nan") for row in rows], dtype=float)
    return pd.DataFrame(columns)
