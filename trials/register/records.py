"""What the register hands out and takes in: plain frozen records, no database in sight."""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - kept importable for readers of the annotations
import hashlib
import json
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from schemas.events import empty_events
from schemas.protocol import Protocol  # noqa: TC001 - as above
from schemas.readings import empty_check_readings
from schemas.vocabulary import RowOutcome

if TYPE_CHECKING:
    import pandas as pd

    from trials.register.bodies import StreamBody


@dataclass(frozen=True)
class SourceFile:
    """A file as it was sent: its bare name and its bytes."""

    name: str
    content: bytes = field(repr=False)

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the bytes, lower-case hexadecimal."""
        return hashlib.sha256(self.content).hexdigest()


@dataclass(frozen=True)
class SealedTrial:
    """A registered trial. ``digest`` is the SHA-256 of the canonical protocol.

    After an amendment, protocol and digest are those in force; the draw rests on those that were sealed.
    """

    id: str
    protocol: Protocol
    digest: str
    registered_at: dt.datetime


@dataclass(frozen=True)
class Entry:
    """One link of the chain. ``body`` is canonical JSON; ``digest`` covers it and the digest before."""

    number: int
    trial: str
    kind: str
    at: str
    body: str
    previous: str
    digest: str


@dataclass(frozen=True)
class Reason:
    """Why a row is held: a stable code for programs, a sentence with the remedy for people."""

    code: str
    text: str


@dataclass(frozen=True)
class HeldRow:
    """A row that waits for a person. ``cells`` are the texts of the row by header, as sent."""

    file: str
    sheet: str
    row: int
    cells: dict[str, str]
    reasons: tuple[Reason, ...]
    taken_in_at: str = ""
    entry: int = 0


@dataclass(frozen=True)
class IntakeBatch:
    """What became of one file.

    Parameters
    ----------
    file : SourceFile
        The file, byte for byte.
    rows : DataFrame
        One row a row of the file: ``sheet`` (empty for CSV), ``row`` (1-based, as a spreadsheet shows it),
        ``outcome`` (accepted, held, repeated), ``cells`` (JSON object of header to text, as sent) and
        ``reasons`` (JSON list of ``{"code", "text"}``; ``[]`` unless held).
    readings : DataFrame
        One row a new reading: ``sheet``, ``row``, ``tank``, ``taken_at`` (naive, as on the person's clock),
        ``utc_offset`` (text, empty when not given), ``variable``, ``value`` (canonical unit; the limit when
        censored), ``sign`` ("", "<", ">"), ``replicate`` (int), ``kit``, ``by``, ``note``, ``raw_value``,
        ``raw_unit`` (texts, empty when not given).
    remarks : tuple of str
        What was understood of the file, in sentences: separator, decimal sign, units, columns left alone.
    events : DataFrame
        One row a new event: ``sheet``, ``row``, ``tank``, ``at`` (naive, as on the person's clock), ``utc_offset``,
        ``kind``, ``amount`` (canonical unit; NaN where there is none), ``unit``, ``by``, ``note``, ``raw_amount``,
        ``raw_unit`` (texts, empty when not given).
    checks : DataFrame
        One row a new reading of a check sample, as ``readings`` but with ``site`` and ``sample`` in place of ``tank``.
    stream : StreamBody or None
        What the file, one of a logger's days, was worked out of; None for a file that was sent.
    """

    file: SourceFile
    rows: pd.DataFrame
    readings: pd.DataFrame
    remarks: tuple[str, ...] = ()
    events: pd.DataFrame = field(default_factory=empty_events)
    checks: pd.DataFrame = field(default_factory=empty_check_readings)
    stream: StreamBody | None = None

    def count(self, outcome: str) -> int:
        """Rows that ended as ``outcome``."""
        return int((self.rows["outcome"] == outcome).sum())

    def held(self) -> list[HeldRow]:
        """The rows that wait for a person, in the order of the file."""
        waiting = self.rows[self.rows["outcome"] == RowOutcome.HELD.value]
        return [
            HeldRow(
                self.file.name,
                str(sheet),
                int(row),
                json.loads(cells),
                tuple(Reason(reason["code"], reason["text"]) for reason in json.loads(reasons)),
            )
            for sheet, row, cells, reasons in zip(
                *(waiting[name].tolist() for name in ("sheet", "row", "cells", "reasons")), strict=True
            )
        ]


@dataclass(frozen=True)
class Beside:
    """What a trial has taken in beside the readings of its tanks, to recognise repeats.

    Parameters
    ----------
    events, checks : DataFrame
        With the columns of :meth:`Register.events` and :meth:`Register.check_readings`, as they were taken in.
    """

    events: pd.DataFrame = field(default_factory=empty_events)
    checks: pd.DataFrame = field(default_factory=empty_check_readings)


@dataclass(frozen=True)
class TankEvent:
    """A deviation, a dropout or a rescue, as recorded under ``entry`` at ``at``."""

    entry: int
    at: dt.datetime
    kind: str
    tank: str
    day: dt.date
    what: str
    by: str
    why: str
    treated_as: str | None = None


@dataclass(frozen=True)
class Amendment:
    """A change of the protocol: its digest before and after, and in sentences what differs.

    ``data_seen`` says that readings were in already, ``primary_changed`` that the analysis of a primary endpoint is
    another one.
    """

    entry: int
    at: dt.datetime
    before: str
    digest: str
    changed: tuple[str, ...]
    data_seen: bool
    primary_changed: bool
    by: str
    why: str


@dataclass(frozen=True)
class HistoryLine:
    """One thing that the register knows of a reading, an event or a tank.

    ``reading`` and ``event`` are the numbers that ``fairtank amend`` asks for; ``by`` and ``why`` are empty where nobody
    said.
    """

    entry: int
    at: str
    kind: str
    text: str
    reading: int | None = None
    by: str = ""
    why: str = ""
    event: int | None = None


@dataclass(frozen=True)
class Finding:
    """Something that a check found: what kind, where, and the sentence for a person."""

    what: str
    where: str
    text: str
