"""A table of events to drafts, one a row: kind, amount and moment as far as they can be read, the rest held."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from schemas.errors import UnitError
from schemas.event_units import COUNT, PERCENT, normalise_event_unit
from schemas.events import EVENTS, amount_in_words, kind_like, kind_named, kind_near, kinds_in_words
from schemas.readings import HoldReason
from schemas.vocabulary import Sign
from trials.intake.columns import quoted, stripped
from trials.intake.dates import read_moment
from trials.intake.drafts import hold_rows
from trials.intake.headers import Layout
from trials.intake.holds import told
from trials.intake.names import key
from trials.intake.numerals import read_quantity
from trials.intake.odd_rows import hold_odd_rows
from trials.intake.review import before_the_start, in_the_future, unknown_tank

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator

    from schemas.events import EventForm, EventKind
    from schemas.protocol import Protocol
    from trials.intake.columns import Cell
    from trials.intake.dates import Moment
    from trials.intake.events_columns import EventLayout
    from trials.intake.holds import Finding, Holds
    from trials.intake.numerals import Quantity
    from trials.intake.tables import RawTable

_LONGEST_UNIT = 64


@dataclass(frozen=True)
class EventDraft:
    """One row that holds an event and can be read whole.

    ``line`` is its position among all rows of the file, ``timed`` says whether a time of day was given, and the
    ``amount`` is NaN for a kind that has none.
    """

    line: int
    tank: str
    at: dt.datetime
    timed: bool
    utc_offset: str
    kind: EventKind
    amount: float
    unit: str
    by: str
    note: str
    raw_amount: str
    raw_unit: str


@dataclass
class EventReader:
    """Reads the events of one file, row by row, and remembers what has to be told of it.

    Parameters
    ----------
    protocol : Protocol
        The registered protocol.
    decimal : str
        Decimal sign of the file, empty where undecided.
    today : date
        The last day that an event may be of.
    holds : Holds
        Where reasons go.
    likened : dict
        Lines by text and kind, where the kind was taken by likeness.
    called : dict
        Kinds by text, where the kind was called by another of its names.
    converted : dict
        How many by kind, unit as written, unit as kept and factor; the factor is NaN for a share of the tank's volume.
    unusual : dict
        Lines by kind and unit, where the amount deserves a second look.
    unread : int
        Events whose amount is kept as text only.
    """

    protocol: Protocol
    decimal: str
    today: dt.date
    holds: Holds
    likened: dict[tuple[str, EventKind], list[int]] = field(default_factory=dict)
    called: dict[str, EventKind] = field(default_factory=dict)
    converted: dict[tuple[EventKind, str, str, float], int] = field(default_factory=dict)
    unusual: dict[tuple[EventKind, str], list[int]] = field(default_factory=dict)
    unread: int = 0

    def __post_init__(self) -> None:
        self._volumes = {tank.id: tank.volume_L for tank in self.protocol.tanks}
        self._moments: dict[Cell, Moment] = {}
        self._quantities: dict[tuple[type, Cell], Quantity] = {}

    def drafts_of(self, table: RawTable, layout: EventLayout, first_line: int) -> Iterator[EventDraft]:
        """The rows that can be read; of all others the holds have every reason.

        Parameters
        ----------
        table, layout : RawTable, EventLayout
            The table, and what its columns are.
        first_line : int
            Position of its first row among all rows of the file.
        """
        dated = Layout({"tank": layout.roles["tank"], "taken_at": layout.roles["at"]}, (), ())
        odd = hold_odd_rows(table, dated, first_line, {key(tank) for tank in self._volumes}, self.holds)
        hold_rows(table, first_line, odd, self.holds)
        held = self.holds.lines(first_line + len(table))
        unwhole = {*table.short, *table.surplus, *np.flatnonzero(odd).tolist()}
        columns = {role: table.columns[place].by_row() for role, place in layout.roles.items()}
        for row in range(len(table)):
            if row not in unwhole:
                draft = self._draft({role: cells[row] for role, cells in columns.items()}, first_line + row)
                if draft is not None and not held[first_line + row]:
                    yield draft

    def _draft(self, cells: dict[str, Cell], line: int) -> EventDraft | None:
        texts = {
            role: stripped(cells.get(role, "")) for role in ("tank", "kind", "unit", "by", "note", "amount")
        }
        faults: list[Finding] = []
        if texts["tank"] not in self._volumes:
            faults.append(unknown_tank(texts["tank"], self.protocol))
        moment = self._moment(cells["at"])
        faults += self._faults_of(moment)
        kind = self._kind(texts["kind"], line, faults)
        amount, unit, raw_unit = math.nan, "", texts["unit"]
        if kind is not None and EVENTS[kind].needs_amount:
            amount, unit, raw_unit = self._amount(EVENTS[kind], cells.get("amount", ""), texts, line, faults)
        elif kind is not None and texts["amount"]:
            self.unread += 1
        for finding in faults:
            self.holds.add(line, *finding)
        if faults or kind is None or moment.at is None:
            return None
        return EventDraft(
            line, texts["tank"], moment.at, moment.timed, moment.offset, kind, amount, unit,
            texts["by"], texts["note"], texts["amount"], raw_unit,
        )  # fmt: skip

    def _moment(self, cell: Cell) -> Moment:
        if cell not in self._moments:
            self._moments[cell] = read_moment(cell)
        return self._moments[cell]

    def _faults_of(self, moment: Moment) -> list[Finding]:
        if moment.finding is not None:
            return [moment.finding]
        if moment.at is not None and moment.at.date() < self.protocol.schedule.start:
            return [before_the_start(moment.at, self.protocol)]
        if moment.at is not None and moment.at.date() > self.today:
            return [in_the_future(moment.at, self.today)]
        return []

    def _kind(self, text: str, line: int, faults: list[Finding]) -> EventKind | None:
        named = kind_named(text)
        if named is not None:
            if key(text) != key(named):
                self.called.setdefault(text, named)
            return named
        if not text:
            sentence = f"The kind of event is missing: write one of {kinds_in_words()}."
            faults.append((HoldReason.NO_KIND, sentence))
            return None
        like = kind_like(text)
        if like is not None:
            self.likened.setdefault((text, like), []).append(line)
            return like
        near = kind_near(text)
        remedy = f"did you mean {near}?" if near else f"write one of {kinds_in_words()}."
        sentence = f"{quoted(text)} is not a kind of event that is known; {remedy}"
        faults.append((HoldReason.UNKNOWN_KIND, sentence))
        return None

    def _amount(
        self, form: EventForm, cell: Cell, texts: dict[str, str], line: int, faults: list[Finding]
    ) -> tuple[float, str, str]:
        """Amount and unit as they are kept, and the unit as it was used; NaN with a fault where there are none."""
        nothing = (math.nan, "", texts["unit"])
        quantity = self._quantity(cell)
        fault = _fault_of(quantity, form, texts)
        if fault is not None:
            faults.append(fault)
            return nothing
        raw_unit = texts["unit"] or quantity.unit
        try:
            amount, unit = form.to_canonical(
                quantity.number, raw_unit[:_LONGEST_UNIT], self._volumes.get(texts["tank"])
            )
        except UnitError as error:
            missing = normalise_event_unit(raw_unit) in COUNT
            # Of a tank that nobody knows, the volume is not known either, which is said of the tank.
            if missing or texts["tank"] in self._volumes or normalise_event_unit(raw_unit) != PERCENT:
                reason = HoldReason.NO_UNIT if missing else HoldReason.UNIT_REFUSED
                faults.append((reason, told("", str(error))))
            return nothing
        bound = self._out_of_bounds(form, amount, unit, texts)
        if bound is not None:
            faults.append(bound)
            return nothing
        self._note_conversion(form, raw_unit, unit)
        low, high = form.soft[unit]
        if not low <= amount <= high:
            self.unusual.setdefault((form.kind, unit), []).append(line)
        return amount, unit, raw_unit

    def _quantity(self, cell: Cell) -> Quantity:
        known_by = (type(cell), cell)
        if known_by not in self._quantities:
            self._quantities[known_by] = read_quantity(cell, self.decimal)
        return self._quantities[known_by]

    def _out_of_bounds(
        self, form: EventForm, amount: float, unit: str, texts: dict[str, str]
    ) -> Finding | None:
        written = f"{texts['amount']} {texts['unit']}".strip()
        if form.whole and not float(amount).is_integer():
            sentence = f"A {form.noun} of {written} is not a whole number of animals: count them."
            return HoldReason.NOT_WHOLE, sentence
        low, high = form.hard[unit]
        volume = self._volumes.get(texts["tank"])
        if (
            form.takes_percent
            and volume is not None
            and low <= amount <= high
            and amount > volume * (1 + 1e-9)
        ):
            sentence = (
                f"A {form.noun} of {written} is more than the {volume:g} L that {texts['tank']} holds: look at number and "
                "unit, and write several changes into rows of their own."
            )
            return HoldReason.OUT_OF_BOUNDS, sentence
        if low <= amount <= high:
            return None
        possible = f"{amount_in_words(low, unit)} to {amount_in_words(high, unit)}"
        sentence = (
            f"A {form.noun} of {written} is not possible: {possible} is. Look at the number and at the unit."
        )
        return HoldReason.OUT_OF_BOUNDS, sentence

    def _note_conversion(self, form: EventForm, raw_unit: str, unit: str) -> None:
        normal = normalise_event_unit(raw_unit)
        if normal != unit:
            factor = math.nan if normal == PERCENT else form.units[normal][1]
            how = (form.kind, raw_unit, unit, factor)
            self.converted[how] = self.converted.get(how, 0) + 1


def _fault_of(quantity: Quantity, form: EventForm, texts: dict[str, str]) -> Finding | None:
    """Why a cell is no amount."""
    written = texts["amount"]
    if not written:
        example = "how many" if form.whole else f"a number and its unit, such as {next(iter(form.hard))}"
        sentence = f"A {form.noun} means nothing without its amount: write {example}, or take the row out."
        return HoldReason.NO_AMOUNT, sentence
    if quantity.not_detected or quantity.sign is not Sign.MEASURED:
        sentence = f"{quoted(written)} is not an amount: write the number that was given, without any sign."
        return HoldReason.NOT_A_NUMBER, sentence
    if quantity.finding is not None:
        reason, sentence = quantity.finding
        if reason is HoldReason.NOT_A_NUMBER:
            sentence = (
                f"{quoted(written)} is not a number; write one number, and its unit in the column unit."
            )
        return reason, sentence
    inside, outside = normalise_event_unit(quantity.unit), normalise_event_unit(texts["unit"])
    if quantity.unit and texts["unit"] and inside != outside:
        sentence = (
            f"The cell says {quoted(quantity.unit)} and its unit is {quoted(texts['unit'])}: write the number alone, and "
            "the unit that is right."
        )
        return HoldReason.TWO_UNITS, sentence
    return None
