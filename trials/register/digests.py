"""Digests of tables: what an intake entry says of its rows and readings, and the digest of a trial's data.

A table is written as lines, one a row, each a JSON array in the canonical form of RFC 8785 and ended by a line feed;
its digest is the SHA-256 of these lines in UTF-8. Anyone who has the lines redoes it with any SHA-256 tool.
"""

from __future__ import annotations

import hashlib
from itertools import islice
from json.encoder import encode_basestring
from typing import TYPE_CHECKING, Any

import numpy as np
import rfc8785

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    import pandas as pd

DATA_COLUMNS = (
    "tank",
    "variable",
    "taken_at",
    "utc_offset",
    "replicate",
    "sign",
    "value",
    "kit",
    "raw_value",
    "raw_unit",
)
"""What the digest of a trial's data covers: the measurement, not who wrote it down nor in which file."""

_CHUNK = 1_000


def canonical_lines(columns: Sequence[Sequence[Any]]) -> list[str]:
    """Write the rows of a table as JSON arrays in the form of RFC 8785.

    The columns are encoded one by one, each different value once: a hundred times quicker than row by row.

    Parameters
    ----------
    columns : sequence of sequences
        Columns of equal length, each of one type: str, int or finite float, or None where nothing is.

    Raises
    ------
    rfc8785.FloatDomainError
        A number that is not finite.
    """
    encoded = [map(_encoding(column).__getitem__, column) for column in columns]
    return [f"[{cells}]" for cells in map(",".join, zip(*encoded, strict=True))]


def lines_digest(lines: Iterable[str]) -> str:
    """Hash lines, each ended by a line feed; lower-case hexadecimal."""
    hashed = hashlib.sha256()
    for chunk in _chunks(lines):
        hashed.update("".join(f"{line}\n" for line in chunk).encode())
    return hashed.hexdigest()


def table_digest(columns: Sequence[Sequence[Any]]) -> str:
    """Hash a table, given by its columns, in the order of its rows."""
    length = len(columns[0])
    starts = range(0, length, _CHUNK)
    return lines_digest(
        line
        for start in starts
        for line in canonical_lines([column[start : start + _CHUNK] for column in columns])
    )


def data_digest(readings: pd.DataFrame) -> str:
    """Hash the measurements of a trial, whatever their order and the files they came in.

    The lines hold :data:`DATA_COLUMNS` in that order and are sorted by code point (``LC_ALL=C sort``).

    Parameters
    ----------
    readings : DataFrame
        Accepted readings as the register returns them.
    """
    columns = [values(readings[name]) for name in DATA_COLUMNS]
    return lines_digest(sorted(canonical_lines(columns)))


def values(column: pd.Series[Any]) -> list[Any]:
    """Take a column as it is stored and hashed: texts, ints, floats, and moments as text."""
    kind = column.dtype.kind
    if kind == "M":
        return _moments(column)
    # A column of texts gives its values ten times quicker by way of an array of objects.
    return column.tolist() if kind in "iuf" else column.to_numpy(dtype=object).tolist()


def _moments(column: pd.Series[Any]) -> list[str]:
    """Write naive moments as ISO 8601: to the second, with a fraction only where there is one."""
    exact = column.to_numpy(dtype="datetime64[us]")
    whole = exact.astype("datetime64[s]")
    texts: list[str] = np.datetime_as_string(whole, unit="s").tolist()
    for place in np.flatnonzero(whole != exact):
        texts[place] = np.datetime_as_string(exact[place], unit="us")
    return texts


def _encoding(column: Sequence[Any]) -> dict[Any, str]:
    """The JSON of each different value of a column."""
    first = next((value for value in column if value is not None), "")
    encode: Any = (
        encode_basestring if isinstance(first, str) else _number if isinstance(first, float) else str
    )
    return {value: "null" if value is None else encode(value) for value in set(column)}


def _number(value: float) -> str:
    """Write a float as RFC 8785 does, which differs from Python in whole numbers and exponents."""
    text = repr(value)
    if text.endswith(".0"):
        return str(int(value))
    # An exponent, or the letters of "nan" and "inf", which are refused.
    return rfc8785.dumps(value).decode() if "e" in text or "n" in text else text


def _chunks(lines: Iterable[str]) -> Iterator[list[str]]:
    iterator = iter(lines)
    while chunk := list(islice(iterator, _CHUNK)):
        yield chunk
