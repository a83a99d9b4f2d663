"""What is recorded beside files and readings: whether it may be, and what it does to the readings."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from sqlalchemy import select

from schemas.errors import RegisterError
from schemas.events import amount_in_words
from schemas.plain_words import listed, nearest, quoted
from schemas.variables import variables_for
from schemas.vocabulary import DesignKind
from trials.register import queries, tables
from trials.register.bodies import (
    AmendmentBody,
    ClosureBody,
    CorrectionBody,
    DeviationBody,
    DropoutBody,
    EventCorrectionBody,
    IntakeBody,
    KitCorrectionBody,
    RescueBody,
    TankBody,
    UnmaskingBody,
)
from trials.register.chain import Kind
from trials.register.kept import CHECKS, EVENTS, READINGS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence
    from typing import Any

    import pandas as pd
    from sqlalchemy import Connection

    from analysis.kits.correction import KitCorrection
    from schemas.protocol import Protocol
    from trials.register.bodies import Body
    from trials.register.kept import Kept
    from trials.register.records import Entry

KINDS: dict[Kind, type[Body]] = {
    Kind.CORRECTION: CorrectionBody,
    Kind.EVENT_CORRECTION: EventCorrectionBody,
    Kind.KIT_CORRECTION: KitCorrectionBody,
    Kind.DEVIATION: DeviationBody,
    Kind.DROPOUT: DropoutBody,
    Kind.RESCUE: RescueBody,
    Kind.AMENDMENT: AmendmentBody,
    Kind.CLOSURE: ClosureBody,
    Kind.UNMASKING: UnmaskingBody,
}
"""The body of each kind of entry that a person adds to the record."""

TANK_KINDS: dict[str, type[TankBody]] = {
    Kind.DEVIATION: DeviationBody,
    Kind.DROPOUT: DropoutBody,
    Kind.RESCUE: RescueBody,
}


def kind_of(body: Body) -> Kind:
    """The kind of entry that a body belongs to."""
    return next(kind for kind, form in KINDS.items() if form is type(body))


def refuse_unfit(connection: Connection, trial: str, protocol: Protocol, body: Body) -> None:
    """Refuse what does not fit the trial.

    Raises
    ------
    RegisterError
        No such reading, event, tank or arm, or it is recorded already.
    """
    match body:
        case EventCorrectionBody():
            _refuse_event_correction(connection, trial, body)
        case CorrectionBody():
            _refuse_correction(connection, trial, body)
        case KitCorrectionBody():
            _refuse_kit_correction(connection, trial, protocol, body)
        case TankBody():
            _refuse_tank(protocol, body)
        case ClosureBody():
            closed = first(connection, trial, Kind.CLOSURE)
            if closed:
                raise RegisterError(f"Data entry of {trial} is closed already, since {closed.at}.")


def _refuse_correction(connection: Connection, trial: str, body: CorrectionBody) -> None:
    held = refuse_unknown_reading(connection, trial, body.reading)
    last = corrections(queries.entries(connection, trial=trial, kind=Kind.CORRECTION)).get(body.reading)
    now = (last.value, last.sign) if last else (held.value, held.sign)
    if now == (body.value, body.sign):
        says = "is withdrawn already" if body.value is None else f"says {body.sign}{body.value:g} already"
        raise RegisterError(f"Reading {body.reading} of {trial} {says}; nothing was changed.")


def _refuse_event_correction(connection: Connection, trial: str, body: EventCorrectionBody) -> None:
    held = refuse_unknown_event(connection, trial, body.event)
    last = event_corrections(queries.entries(connection, trial=trial, kind=Kind.EVENT_CORRECTION)).get(
        body.event
    )
    if body.amount is None and last is not None and last.amount is None:
        raise RegisterError(f"Event {body.event} of {trial} is withdrawn already; nothing was changed.")
    if body.amount is not None and held.amount is None:
        raise RegisterError(
            f"Event {body.event} of {trial} is of the kind {held.kind}, which has no amount; withdraw it if it is wrong."
        )
    now = (last.amount, last.unit) if last else (held.amount, held.unit)
    if now == (body.amount, body.unit) and body.amount is not None:
        says = amount_in_words(body.amount, body.unit)
        raise RegisterError(f"Event {body.event} of {trial} says {says} already; nothing was changed.")


def _refuse_kit_correction(
    connection: Connection, trial: str, protocol: Protocol, body: KitCorrectionBody
) -> None:
    wrong = kit_fault(protocol, kits_known(connection, trial, protocol), body)
    if wrong:
        raise RegisterError(wrong)
    made = kit_corrections(queries.entries(connection, trial=trial, kind=Kind.KIT_CORRECTION))
    last = next((one for one in reversed(made) if one.key == (body.kit, body.variable, body.site)), None)
    now = (last.factor, last.offset, last.nitrite_factor) if last else (1.0, 0.0, 0.0)
    if now == (body.factor, body.offset, body.nitrite_factor):
        says = "are corrected like that already" if last else "would stay as they are"
        raise RegisterError(
            f"Readings of {body.variable} by the kit {quoted(body.kit)} {says}; nothing was recorded."
        )


def kits_known(connection: Connection, trial: str, protocol: Protocol, before: int | None = None) -> set[str]:
    """Kits of a trial: those of its protocol, and those that readings taken in (before an entry) name."""
    known = {kit.id for kit in protocol.kits}
    for kept in (READINGS, CHECKS):
        query = (
            select(kept.table.c.kit)
            .join(tables.entries, tables.entries.c.number == kept.table.c.entry)
            .where(tables.entries.c.trial == trial)
            .distinct()
        )
        if before is not None:
            query = query.where(tables.entries.c.number < before)
        known |= set(connection.execute(query).scalars())
    return known - {""}


def kit_fault(protocol: Protocol, kits: Collection[str], body: KitCorrectionBody) -> str | None:
    """Why a correction of a kit does not fit a trial, as a sentence; None where it does."""
    trial = protocol.trial.id
    if body.kit not in kits:
        close = nearest(body.kit, sorted(kits))
        some = listed(sorted(kits)[:8], "and") if kits else "none"
        remedy = f"did you mean {close}?" if close else f"those that are named: {some}."
        return f"{quoted(body.kit)} is no kit of {trial}; {remedy}"
    if body.variable not in variables_for(protocol):
        return f"{quoted(body.variable)} is no variable that {trial} knows."
    sites = {tank.site for tank in protocol.tanks if tank.site}
    if body.site is not None and body.site not in sites:
        close = nearest(body.site, sorted(sites))
        some = listed(sorted(sites)[:8], "and") if sites else "none"
        remedy = f"did you mean {close}?" if close else f"its sites are {some}."
        return f"{quoted(body.site)} is no site of {trial}; {remedy}"
    if body.nitrite_factor and body.variable != "nitrate":
        return f"A nitrite factor is for nitrate; {body.variable} is not disturbed by nitrite."
    return None


def _refuse_tank(protocol: Protocol, body: TankBody) -> None:
    refuse_unknown_tank(protocol, body.tank)
    treated_as = body.treated_as if isinstance(body, DeviationBody) else None
    if treated_as is None:
        return
    arms = [arm.id for arm in protocol.arms]
    if treated_as not in arms:
        raise RegisterError(
            f"{quoted(treated_as)} is not an arm of {protocol.trial.id}; its arms are {listed(arms, last='and')}."
        )
    if protocol.design.kind is DesignKind.CROSSOVER:
        raise RegisterError(
            f"{protocol.trial.id} is a crossover, where a tank takes its arms in turn, and this version analyses no "
            "crossover as treated; record the deviation without the arm."
        )


def first(connection: Connection, trial: str, kind: Kind) -> Entry | None:
    """The first entry of a kind in a trial; None where there is none."""
    return next(iter(queries.entries(connection, trial=trial, kind=kind)), None)


def readings_in(entries: Iterable[Entry]) -> bool:
    """Whether any of these entries took data in that an amendment may have been made after: readings, or events."""
    bodies = (IntakeBody.of(entry) for entry in entries if entry.kind == Kind.INTAKE)
    return any(body.readings > 0 or body.events for body in bodies)


def refuse_unknown_tank(protocol: Protocol, tank: str) -> None:
    """Refuse a tank that the trial does not have; raises RegisterError."""
    tanks = [known.id for known in protocol.tanks]
    if tank not in tanks:
        close = nearest(tank, tanks)
        some = f"{', '.join(tanks[:8])}{' and others' if len(tanks) > 8 else ''}"
        remedy = f"did you mean {close}?" if close else f"its tanks are {some}."
        raise RegisterError(f"{quoted(tank)} is not a tank of {protocol.trial.id}; {remedy}")


def refuse_unknown_reading(connection: Connection, trial: str, number: int) -> Any:
    """Give a reading of a trial as it was taken in, with its ``entry``; raises RegisterError where there is none."""
    return _known(connection, trial, READINGS, number)


def refuse_unknown_event(connection: Connection, trial: str, number: int) -> Any:
    """Give an event of a trial as it was taken in, with its ``entry``; raises RegisterError where there is none."""
    return _known(connection, trial, EVENTS, number)


def _known(connection: Connection, trial: str, kept: Kept, number: int) -> Any:
    table = kept.table
    query = (
        select(table)
        .join(tables.entries, tables.entries.c.number == table.c.entry)
        .where(tables.entries.c.trial == trial, table.c[kept.key] == number)
    )
    found = connection.execute(query).first()
    if found is None:
        raise RegisterError(
            f"{trial} has no {kept.key} {number}; `fairtank history {trial} --tank TANK` shows the numbers of a tank's "
            f"{kept.title}."
        )
    return found


def corrections(entries: Iterable[Entry]) -> dict[int, CorrectionBody]:
    """The last correction of each reading, by its number."""
    found = (CorrectionBody.of(entry) for entry in entries if entry.kind == Kind.CORRECTION)
    return {body.reading: body for body in found}


def event_corrections(entries: Iterable[Entry]) -> dict[int, EventCorrectionBody]:
    """The last correction of each event, by its number."""
    found = (EventCorrectionBody.of(entry) for entry in entries if entry.kind == Kind.EVENT_CORRECTION)
    return {body.event: body for body in found}


def kit_corrections(entries: Iterable[Entry]) -> list[KitCorrection]:
    """The corrections of kits, in the order of recording."""
    return [
        KitCorrectionBody.of(entry).made_at(dt.datetime.fromisoformat(entry.at))
        for entry in entries
        if entry.kind == Kind.KIT_CORRECTION
    ]


def corrected_events(events: pd.DataFrame, by_number: Mapping[int, EventCorrectionBody]) -> pd.DataFrame:
    """The events with their corrections in force: other amounts put in, withdrawn events left out."""
    return _corrected(events, "event", "amount", ("unit", "raw_amount", "raw_unit"), by_number)


def corrected(readings: pd.DataFrame, by_number: Mapping[int, CorrectionBody]) -> pd.DataFrame:
    """The readings with their corrections in force: other values put in, withdrawn readings left out."""
    return _corrected(readings, "reading", "value", ("sign", "raw_value", "raw_unit"), by_number)


def _corrected(
    frame: pd.DataFrame, key: str, number: str, beside: Sequence[str], by_number: Mapping[int, Any]
) -> pd.DataFrame:
    concerned = frame[key].isin(list(by_number))
    if not concerned.any():
        return frame
    frame = frame.copy()
    for place, which in frame.loc[concerned, key].items():
        body = by_number[which]
        if getattr(body, number) is not None:
            for column in (number, *beside):
                frame.loc[place, column] = getattr(body, column)
    withdrawn = [which for which, body in by_number.items() if getattr(body, number) is None]
    return frame[~frame[key].isin(withdrawn)].reset_index(drop=True)
