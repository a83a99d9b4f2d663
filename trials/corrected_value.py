"""The value or amount of a correction, read by the same rules as a file that is taken in."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

from schemas.errors import UsageError
from schemas.events import EVENTS, EventKind
from schemas.readings import empty_readings
from schemas.vocabulary import RowOutcome
from trials.intake.batch import take_in
from trials.register.bodies import CorrectionBody, EventCorrectionBody
from trials.register.records import SourceFile

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping

    from schemas.protocol import Protocol
    from trials.register.records import IntakeBatch


def correction_of(
    protocol: Protocol,
    reading: Mapping[str, Any],
    value: str,
    unit: str | None,
    *,
    by: str,
    why: str,
    today: dt.date,
) -> CorrectionBody:
    """Another value for a reading.

    Parameters
    ----------
    protocol : Protocol
        The protocol in force.
    reading : mapping
        The reading as it was taken in: a row of :meth:`trials.register.store.Register.seen`.
    value, unit : str
        As typed; without a unit, that of the reading holds.
    by, why : str
        Who corrects, and why.
    today : date
        The last day that a reading may be of.

    Raises
    ------
    UsageError
        Intake would hold a row with that value; the sentence says why.
    """
    written = reading["raw_unit"] if unit is None else unit
    cells = {
        "tank": reading["tank"],
        "taken_at": f"{reading['taken_at']:%Y-%m-%d %H:%M:%S}",
        "variable": reading["variable"],
        "value": value,
        "unit": written,
        "kit": reading["kit"],
    }
    batch = _taken_in(cells, protocol, today)
    if batch.count(RowOutcome.ACCEPTED) != 1 or len(batch.readings) != 1:
        raise UsageError(f"--value {value} cannot be taken in: {_reasons(batch) or 'it is not one value.'}")
    new = batch.readings.iloc[0]
    return CorrectionBody(
        reading=int(reading["reading"]),
        value=float(new["value"]),
        sign=new["sign"],
        raw_value=new["raw_value"],
        raw_unit=new["raw_unit"],
        by=by,
        why=why,
    )


def event_correction_of(
    protocol: Protocol,
    event: Mapping[str, Any],
    amount: str,
    unit: str | None,
    *,
    by: str,
    why: str,
    today: dt.date,
) -> EventCorrectionBody:
    """Another amount for an event.

    Parameters
    ----------
    protocol : Protocol
        The protocol in force.
    event : mapping
        The event as it was taken in: a row of the events of :meth:`trials.register.store.Register.seen_beside`.
    amount, unit : str
        As typed; without a unit, that of the event holds.
    by, why : str
        Who corrects, and why.
    today : date
        The last day that an event may be of.

    Raises
    ------
    UsageError
        Its kind has no amount, or intake would hold a row with this one; the sentence says why.
    """
    if not EVENTS[EventKind(event["kind"])].needs_amount:
        raise UsageError(
            f"event {event['event']} is of the kind {event['kind']}, which has no amount; --withdraw it if it is wrong."
        )
    cells = {
        "tank": event["tank"],
        "at": f"{event['at']:%Y-%m-%d %H:%M:%S}",
        "kind": event["kind"],
        "amount": amount,
        "unit": event["raw_unit"] if unit is None else unit,
    }
    batch = _taken_in(cells, protocol, today)
    if batch.count(RowOutcome.ACCEPTED) != 1 or len(batch.events) != 1:
        raise UsageError(
            f"--amount {amount} cannot be taken in: {_reasons(batch) or 'it is not one amount.'}"
        )
    new = batch.events.iloc[0]
    return EventCorrectionBody(
        event=int(event["event"]),
        amount=float(new["amount"]),
        unit=new["unit"],
        raw_amount=new["raw_amount"],
        raw_unit=new["raw_unit"],
        by=by,
        why=why,
    )


def _taken_in(cells: Mapping[str, str], protocol: Protocol, today: dt.date) -> IntakeBatch:
    """A file of one row, taken in; who corrects has looked, and says why, so that what is only unlikely is taken."""
    text = io.StringIO()
    writer = csv.DictWriter(text, list(cells), delimiter=";", lineterminator="\n")
    writer.writeheader()
    writer.writerow(cells)
    file = SourceFile("correction.csv", text.getvalue().encode())
    return take_in(file, protocol, empty_readings(), today, as_they_are={("", 2)})


def _reasons(batch: IntakeBatch) -> str:
    return " ".join(reason.text for row in batch.held() for reason in row.reasons)
