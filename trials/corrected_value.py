"""The value of a correction, read by the same rules as a file that is taken in."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

from schemas.errors import UsageError
from schemas.readings import empty_readings
from schemas.vocabulary import RowOutcome
from trials.intake.batch import take_in
from trials.register.bodies import CorrectionBody
from trials.register.records import SourceFile

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping

    from schemas.protocol import Protocol


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
    text = io.StringIO()
    writer = csv.DictWriter(text, list(cells), delimiter=";", lineterminator="\n")
    writer.writeheader()
    writer.writerow(cells)
    file = SourceFile("correction.csv", text.getvalue().encode())
    # Who corrects has looked, and says why: what is only unlikely is taken.
    batch = take_in(file, protocol, empty_readings(), today, as_they_are={("", 2)})
    if batch.count(RowOutcome.ACCEPTED) != 1 or len(batch.readings) != 1:
        reasons = [reason.text for row in batch.held() for reason in row.reasons]
        raise UsageError(f"--value {value} cannot be taken in: {' '.join(reasons) or 'it is not one value.'}")
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
