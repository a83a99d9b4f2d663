"""What is in a chunk: which values can be used, as numbers, and why the others cannot."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import pandera.pandas as pa
import pyarrow.compute as pc

from analysis.logger_days import VALUE, Bounds
from schemas.errors import IntakeError, UnitError
from schemas.readings import HoldReason, readings_schema
from schemas.variables import variables_for
from trials.intake.columns import CodedColumn
from trials.intake.headers import layout_of
from trials.intake.names import VariableNames
from trials.intake.numerals import decimal_sign
from trials.intake.tables import RawTable
from trials.streams.cells import CODE, REASONS, coded, moments, numbers
from trials.streams.held_values import MOST_EXAMPLES, HeldValues

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from schemas.protocol import Protocol
    from schemas.units import Conversion
    from trials.intake.headers import Layout
    from trials.streams.cells import Moments
    from trials.streams.sources import Chunk, Source

_REASON_OF = {reason.value: reason for reason in HoldReason}
_DAY = dt.timedelta(days=1)


class ReadChunk(NamedTuple):
    """The values of a chunk that can be used, and how many rows and values it has in all."""

    used: NDArray[np.void]
    rows: int
    total: int


@dataclass(frozen=True)
class Trial:
    """A protocol as streams are read with it, on the day of intake; a sensor is a variable in a tank.

    Sensors are numbered tank by tank, in the order of the protocol, and within a tank by :attr:`variables`.
    """

    protocol: Protocol
    today: dt.date

    @cached_property
    def names(self) -> VariableNames:
        """The names of its variables."""
        return VariableNames(variables_for(self.protocol))

    @cached_property
    def variables(self) -> tuple[str, ...]:
        """The ids of its variables."""
        return tuple(self.names.ids)

    @cached_property
    def tanks(self) -> tuple[str, ...]:
        """The ids of its tanks."""
        return tuple(tank.id for tank in self.protocol.tanks)

    @cached_property
    def schema(self) -> pa.DataFrameSchema:
        """What the values of a chunk are held against."""
        return readings_schema(self.protocol, self.today, draft=True)

    def sensor(self, number: int) -> tuple[str, str]:
        """Tank and variable of a sensor."""
        tank, variable = divmod(number, len(self.variables))
        return self.tanks[tank], self.variables[variable]

    @cached_property
    def usual(self) -> list[Bounds]:
        """The soft bounds of each sensor."""
        soft = [self.names.of(variable).soft for variable in self.variables]
        return [Bounds(*(bounds or (-np.inf, np.inf))) for bounds in soft] * len(self.tanks)

    @cached_property
    def stop(self) -> list[Bounds]:
        """The values of each sensor that no stop rule asks about."""
        each = []
        for variable in self.variables:
            rules = [rule for rule in self.protocol.stop_rules if rule.variable == variable]
            low = max((rule.below for rule in rules if rule.below is not None), default=-np.inf)
            high = min((rule.above for rule in rules if rule.above is not None), default=np.inf)
            each.append(Bounds(low, high))
        return each * len(self.tanks)


@dataclass(frozen=True)
class _Column:
    """Values of one column of a chunk with what stands beside them; ``rows`` are their places in the chunk."""

    rows: NDArray[np.int64]
    tank: CodedColumn
    moments: Moments
    variable: CodedColumn
    unit: CodedColumn
    texts: Any


class ChunkReader:
    """Reads the chunks of one file.

    Parameters
    ----------
    source : Source
        The file.
    trial : Trial
        What it is for.

    Raises
    ------
    IntakeError
        Its columns are not those of a logger's file.
    """

    def __init__(self, source: Source, trial: Trial) -> None:
        columns = (CodedColumn.constant("", 0),) * len(source.header)
        table = RawTable("", source.header, columns, np.zeros(0, dtype=np.int64))
        layout = layout_of(table, trial.names, source.name)
        if layout is None or layout.unclear:
            unclear = next(iter(layout.unclear.values()), "") if layout else ""
            raise IntakeError(f"{source.name}: {unclear or 'it holds no columns of readings.'}")
        self._layout: Layout = layout
        self._source, self._trial = source, trial
        self._decimal: str | None = None if source.separator else "."
        self._conversions: dict[tuple[str, str], Conversion | HoldReason] = {}
        self.remarks = layout.remarks
        roles = ("tank", "taken_at", "time", "variable", "value", "unit")
        known = [place for role, place in layout.roles.items() if role in roles]
        self.places = sorted({*known, *(column.place for column in layout.variables)})

    def read(self, chunk: Chunk, held: HeldValues) -> ReadChunk:
        """The values of a chunk; those that cannot be used are counted in ``held``."""
        if self._decimal is None:
            self._decimal = self._decimal_of(chunk)
        used, count = [], 0
        for column in self._columns(chunk):
            values, reason = self._values(column)
            used.append(values[reason == 0])
            count += len(values)
            self._hold(chunk, column, reason, held)
        return ReadChunk(np.concatenate(used) if used else np.zeros(0, dtype=VALUE), chunk.length, count)

    def _decimal_of(self, chunk: Chunk) -> str:
        """The decimal sign of a text, from its first chunk."""
        cells: list[str] = []
        for place in self.value_places:
            cells += pc.unique(chunk.columns[place]).to_pylist()
        return decimal_sign(cells, self._source.separator)

    @property
    def value_places(self) -> list[int]:
        """The places of the columns that hold values."""
        variables = self._layout.variables
        return [column.place for column in variables] or [self._layout.roles["value"]]

    def _columns(self, chunk: Chunk) -> list[_Column]:
        roles, rows = self._layout.roles, np.arange(chunk.length)
        tank = coded(chunk.columns[roles["tank"]])
        taken = chunk.columns[roles["taken_at"]]
        if "time" in roles:
            times = chunk.columns[roles["time"]]
            taken = pc.binary_join_element_wise(taken.cast("string"), times.cast("string"), " ")
        when = moments(taken)
        if not self._layout.variables:
            unit = CodedColumn.constant("", chunk.length)
            if "unit" in roles:
                unit = coded(chunk.columns[roles["unit"]])
            variable = coded(chunk.columns[roles["variable"]])
            return [_Column(rows, tank, when, variable, unit, chunk.columns[roles["value"]])]
        found, empty = [], np.ones(chunk.length, dtype=bool)
        given = {column.place: _given(chunk.columns[column.place]) for column in self._layout.variables}
        for there in given.values():
            empty &= ~there
        for number, column in enumerate(self._layout.variables):
            # An empty cell is no value, but a row without any is one that is held.
            there = given[column.place] | (empty & (number == 0))
            rows = np.flatnonzero(there)
            texts = chunk.columns[column.place].filter(pc.equal(there, True))
            variable = CodedColumn.constant(column.named.text, len(rows))
            unit = CodedColumn.constant(column.unit, len(rows))
            own = when.spread(rows)
            found.append(_Column(rows, tank.take(rows), own, variable, unit, texts))
        return found

    def _values(self, column: _Column) -> tuple[NDArray[np.void], NDArray[np.int8]]:
        """All values of a column, and for each why it cannot be used, 0 where it can."""
        read = numbers(column.texts, self._decimal or "")
        places = {tank: place for place, tank in enumerate(self._trial.tanks)}
        tank = column.tank.spread([places.get(text, -1) for text in column.tank.cells], np.int64)
        named = [self._trial.names.find(text) for text in column.variable.cells]
        ids = [
            found.variable.id if found else text
            for found, text in zip(named, column.variable.cells, strict=True)
        ]
        of = {variable: place for place, variable in enumerate(self._trial.variables)}
        variable = column.variable.spread([of.get(name, -1) for name in ids], np.int64)
        factor, offset, refused = self._converted(column)
        value = read.value * factor + offset
        no_tank = column.tank.spread([not text for text in column.tank.cells], bool)
        no_variable = column.variable.spread([not text for text in column.variable.cells], bool)
        never_zero = column.variable.spread([bool(n and n.variable.zero_is_censored) for n in named], bool)
        at = column.moments.clock
        reason = np.select(
            [
                no_tank,
                tank < 0,
                column.moments.reason != 0,
                no_variable,
                variable < 0,
                read.reason != 0,
                refused != 0,
                (read.value == 0) & never_zero,
            ],
            [
                CODE[HoldReason.NO_TANK],
                CODE[HoldReason.UNKNOWN_TANK],
                column.moments.reason,
                CODE[HoldReason.NO_VARIABLE],
                CODE[HoldReason.UNKNOWN_VARIABLE],
                read.reason,
                refused,
                CODE[HoldReason.ZERO],
            ],
            0,
        ).astype(np.int8)
        self._review(column, ids, value, reason)
        today = np.datetime64(self._trial.today, "us").astype(np.int64)
        reason[(reason == 0) & (at >= today)] = CODE[HoldReason.DAY_NOT_OVER]
        values = np.empty(len(value), dtype=VALUE)
        values["sensor"] = tank * len(self._trial.variables) + variable
        values["at"], values["offset"], values["value"] = at, column.moments.offset, value
        return values, reason

    def _converted(
        self, column: _Column
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int8]]:
        """Factor and offset to the canonical unit, or the reason why the unit is not taken."""
        width = len(column.unit.cells)
        pairs, codes = np.unique(
            column.variable.codes.astype(np.int64) * width + column.unit.codes, return_inverse=True
        )
        factor, offset = np.ones(len(pairs)), np.zeros(len(pairs))
        refused = np.zeros(len(pairs), dtype=np.int8)
        for place, pair in enumerate(pairs.tolist()):
            found = self._conversion(column.variable.cells[pair // width], column.unit.cells[pair % width])
            if isinstance(found, HoldReason):
                refused[place] = CODE[found]
            else:
                factor[place], offset[place] = found.factor, found.offset
        return factor[codes], offset[codes], refused[codes]

    def _conversion(self, name: str, unit: str) -> Conversion | HoldReason:
        if (name, unit) not in self._conversions:
            named = self._trial.names.find(name)
            found: Conversion | HoldReason = HoldReason.UNKNOWN_VARIABLE
            if named:
                try:
                    found = named.conversion(unit)
                except UnitError:
                    found = HoldReason.UNIT_REFUSED if unit else HoldReason.NO_UNIT
            self._conversions[name, unit] = found
        return self._conversions[name, unit]

    def _review(
        self, column: _Column, ids: list[str], value: NDArray[np.float64], reason: NDArray[np.int8]
    ) -> None:
        """Adds what the schema of the trial refuses to the reasons of values that have none yet."""
        fit = np.flatnonzero(reason == 0)
        variable = CodedColumn(column.variable.codes, tuple(ids)).map(str)
        drafts = pd.DataFrame(
            {
                "tank": column.tank.take(fit).categorical(),
                "taken_at": column.moments.clock[fit].view("datetime64[us]"),
                "variable": variable.take(fit).categorical(),
                "value": value[fit],
                "sign": CodedColumn.constant("", len(fit)).categorical(),
                "replicate": np.ones(len(fit), dtype=np.int64),
            }
        )
        try:
            self._trial.schema.validate(drafts, lazy=True)
        except pa.errors.SchemaErrors as refused:
            # A check across columns reports one line a column, so each pair of check and index is taken once.
            failures = refused.failure_cases[["check", "index"]].drop_duplicates()
            for check, found in failures.groupby("check"):
                rows = fit[found["index"].to_numpy(dtype=np.int64)]
                reason[rows[reason[rows] == 0]] = CODE[_REASON_OF[str(check)]]

    def _hold(self, chunk: Chunk, column: _Column, reason: NDArray[np.int8], held: HeldValues) -> None:
        counts = np.bincount(reason, minlength=len(REASONS) + 1)
        for code in (np.flatnonzero(counts[1:]) + 1).tolist():
            places = np.flatnonzero(reason == code)[:MOST_EXAMPLES].tolist()
            held.add(
                REASONS[code - 1], int(counts[code]), [self._shown(chunk, column, place) for place in places]
            )

    def _shown(self, chunk: Chunk, column: _Column, place: int) -> str:
        """A value with what stands beside it, as sent."""
        row = int(column.rows[place])
        cells = [chunk.columns[self._layout.roles[role]][row].as_py() for role in ("tank", "taken_at")]
        name = column.variable.cells[column.variable.codes[place]]
        unit = column.unit.cells[column.unit.codes[place]]
        value = column.texts[place].as_py()
        texts = ["" if cell is None else str(cell)[:40] for cell in (*cells, name, value, unit)]
        return f"{self._source.name}, row {chunk.first + row}: {', '.join(texts)}"


def _given(column: Any) -> NDArray[np.bool_]:
    """Where something stands in a column."""
    there = column.is_valid()
    if column.type in ("string", "large_string"):
        there = pc.and_(there, pc.not_equal(pc.utf8_trim_whitespace(pc.fill_null(column, "")), ""))
    if str(column.type) in ("float", "double", "halffloat"):
        there = pc.and_(there, pc.fill_null(pc.invert(pc.is_nan(column)), False))
    given: NDArray[np.bool_] = there.to_numpy(zero_copy_only=False)
    return given
