"""Columns of a chunk made numbers: moments, values and names, each distinct text understood once where it must be."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analysis.logger_days import NO_OFFSET
from schemas.readings import HoldReason
from schemas.vocabulary import Sign
from trials.intake.columns import CodedColumn, stripped
from trials.intake.dates import clock_offset, read_moments
from trials.intake.numerals import read_quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

REASONS = tuple(HoldReason)
"""A reason is kept for each value as its place here plus 1; 0 is none."""

CODE = {reason: place for place, reason in enumerate(REASONS, 1)}

_WITH_MINUTES = len("2026-04-03 18:30")
_OFFSET_AT_END = r"^(?P<local>.{16,}?)\s?(?P<offset>Z|[+-][0-9]{2}:?[0-9]{2})$"


class Moments(NamedTuple):
    """Microseconds since 1970 on the logger's clock, minutes that it is ahead of UTC, and a reason where there is none."""

    clock: NDArray[np.int64]
    offset: NDArray[np.int16]
    reason: NDArray[np.int8]

    def spread(self, codes: NDArray[Any]) -> Moments:
        """One for each row."""
        return Moments(self.clock[codes], self.offset[codes], self.reason[codes])


class Numbers(NamedTuple):
    """Values as written, NaN with a reason where there is none."""

    value: NDArray[np.float64]
    reason: NDArray[np.int8]


def coded(column: Any) -> CodedColumn:
    """A column of names as distinct texts, without spaces around them; nothing is an empty text."""
    if not pa.types.is_dictionary(column.type):
        column = column.cast(pa.string()).dictionary_encode()
    texts = ["" if text is None else str(text) for text in column.dictionary.to_pylist()]
    codes = pc.fill_null(column.indices.cast(pa.int32()), len(texts)).to_numpy(zero_copy_only=False)
    return CodedColumn(codes, (*texts, "")).map(stripped)


def moments(column: Any) -> Moments:
    """When values were taken; a date without a time of day is none of a logger."""
    if pa.types.is_timestamp(column.type):
        return _typed(column)
    if not pa.types.is_dictionary(column.type):
        column = column.cast(pa.string()).dictionary_encode()
    texts = pc.utf8_trim_whitespace(pc.fill_null(column.dictionary.cast(pa.string()), ""))
    codes = pc.fill_null(column.indices.cast(pa.int32()), len(texts)).to_numpy(zero_copy_only=False)
    texts = pa.concat_arrays([texts, pa.array([""])]) if len(codes) and codes.max() == len(texts) else texts
    return (_plain(texts) or _with_offset(texts) or _one_by_one(texts)).spread(codes)


def _typed(column: Any) -> Moments:
    """Of a type of its own; one with a zone is shown on the clock of that zone."""
    missing = column.is_null().to_numpy(zero_copy_only=False)
    reason = np.where(missing, CODE[HoldReason.NO_DATE], 0).astype(np.int8)
    exact = column.cast(pa.timestamp("us", column.type.tz), safe=False)
    local = exact if column.type.tz is None else pc.local_timestamp(exact)
    at = _micros(local)
    if column.type.tz is None:
        return Moments(at, np.full(len(at), NO_OFFSET, dtype=np.int16), reason)
    ahead = (at - _micros(exact)) // 60_000_000
    return Moments(at, ahead.astype(np.int16), reason)


def _micros(column: Any) -> NDArray[np.int64]:
    whole: NDArray[np.int64] = pc.fill_null(column.cast(pa.int64()), 0).to_numpy(zero_copy_only=False)
    return whole


def _plain(texts: Any) -> Moments | None:
    """All at once, where all are ISO 8601 with a time of day and without an offset."""
    at = _iso(texts)
    if at is None:
        return None
    return Moments(at, np.full(len(at), NO_OFFSET, dtype=np.int16), np.zeros(len(at), dtype=np.int8))


def _with_offset(texts: Any) -> Moments | None:
    """All at once, where all are ISO 8601 with a time of day and an offset."""
    found = pc.extract_regex(texts, _OFFSET_AT_END)
    if found.null_count:
        return None
    at, ends = _iso(found.field("local")), found.field("offset").dictionary_encode()
    ahead = [_minutes(clock_offset(text)) for text in ends.dictionary.to_pylist()]
    if at is None or None in ahead:
        return None
    offset = np.array(ahead, dtype=np.int16)[ends.indices.to_numpy(zero_copy_only=False)]
    return Moments(at, offset, np.zeros(len(at), dtype=np.int8))


def _iso(texts: Any) -> NDArray[np.int64] | None:
    shortest = pc.min(pc.utf8_length(texts)).as_py()
    if shortest is not None and shortest < _WITH_MINUTES:
        return None
    try:
        return _micros(texts.cast(pa.timestamp("us")))
    except pa.ArrowInvalid:
        return None


def _one_by_one(texts: Any) -> Moments:
    read = read_moments(texts.to_pylist())
    at = read.instants.astype(np.int64)
    offset = np.array([_minutes(text) for text in read.offsets], dtype=np.int16)
    reason = np.array([CODE[finding[0]] if finding else 0 for finding in read.findings], dtype=np.int8)
    reason[(reason == 0) & ~read.timed] = CODE[HoldReason.NOT_A_TIME]
    at[reason != 0] = 0
    return Moments(at, offset, reason)


def _minutes(offset: str | None) -> int | None:
    """Minutes ahead of UTC of an offset such as ``+02:00``."""
    if offset is None:
        return None
    if not offset:
        return NO_OFFSET
    return int(offset[0] + "1") * (60 * int(offset[1:3]) + int(offset[4:6]))


def numbers(column: Any, decimal: str) -> Numbers:
    """Values as written, of texts with this decimal sign or of numbers."""
    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if (
        pa.types.is_integer(column.type)
        or pa.types.is_floating(column.type)
        or pa.types.is_decimal(column.type)
    ):
        value = pc.fill_null(column.cast(pa.float64()), math.nan).to_numpy(zero_copy_only=False)
        return _finite(value, np.isnan(value))
    texts = pc.utf8_trim_whitespace(pc.fill_null(column.cast(pa.string()), ""))
    read = _cast(texts, decimal)
    if read is not None:
        return _finite(read, np.zeros(len(read), dtype=bool))
    distinct = texts.dictionary_encode()
    codes = distinct.indices.to_numpy(zero_copy_only=False)
    value, reason = _read(distinct.dictionary.to_pylist(), decimal)
    return Numbers(value[codes], reason[codes])


def _cast(texts: Any, decimal: str) -> NDArray[np.float64] | None:
    """All at once, where all are plain numbers with that decimal sign."""
    other = {".": ",", ",": "."}.get(decimal)
    if other is None or pc.any(pc.match_substring(texts, other)).as_py():
        return None
    plain = texts if decimal == "." else pc.replace_substring(texts, decimal, ".")
    try:
        value: NDArray[np.float64] = plain.cast(pa.float64()).to_numpy(zero_copy_only=False)
    except pa.ArrowInvalid:
        return None
    return value


def _read(texts: list[str], decimal: str) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    value, reason = np.full(len(texts), math.nan), np.zeros(len(texts), dtype=np.int8)
    for place, text in enumerate(texts):
        quantity = read_quantity(text, decimal)
        if quantity.finding:
            reason[place] = CODE[quantity.finding[0]]
        elif quantity.sign is not Sign.MEASURED or quantity.unit:
            reason[place] = CODE[HoldReason.NOT_A_NUMBER]
        else:
            value[place] = quantity.number
    return value, reason


def _finite(value: NDArray[np.float64], missing: NDArray[np.bool_]) -> Numbers:
    reason = np.where(np.isfinite(value), 0, CODE[HoldReason.NOT_A_NUMBER]).astype(np.int8)
    reason[missing] = CODE[HoldReason.NO_VALUE]
    return Numbers(value, reason)
