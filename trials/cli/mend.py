"""Putting right and writing down: amendments."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path  # noqa: TC003 - typer reads the annotation at run time
from typing import TYPE_CHECKING, Annotated, Any

import typer

from schemas.errors import UsageError
from trials.cli.options import (
    DEFAULT_REGISTER,
    JsonOption,
    RegisterOption,
    TrialArgument,
    now,
    number,
    number_option,
    today,
)

if TYPE_CHECKING:
    from trials.kit_correction import TypedCorrection
    from trials.register.bodies import TankBody
    from trials.register.records import Entry, SealedTrial
    from trials.register.store import Register

DayOption = dt.datetime | None
MINUS = "\N{MINUS SIGN}"
_NUMBERS = ("--factor", "--offset", "--nitrite-factor")
"""What a kit is corrected by."""


def _signed(text: str | float) -> float:
    """A number that may be below 0."""
    shown = str(text).strip().replace(MINUS, "-")
    return -number(shown.removeprefix("-")) if shown.startswith("-") else number(shown.removeprefix("+"))


@dataclass(frozen=True)
class _Said:
    """What was typed after ``amend``, beside the trial."""

    reading: int | None
    event: int | None
    amount: str | None
    value: str | None
    unit: str | None
    withdraw: bool
    tank: str | None
    deviation: str | None
    treated_as: str | None
    dropout: str | None
    rescue: str | None
    since: DayOption
    at: DayOption
    protocol: Path | None
    close: bool
    kit: TypedCorrection
    why: str
    by: str


def amend(
    trial: TrialArgument = None,
    *,
    reading: Annotated[
        int | None, typer.Option("--reading", help="A reading's number, as `fairtank history` shows it.")
    ] = None,
    event: Annotated[
        int | None, typer.Option("--event", help="An event's number, as `fairtank history` shows it.")
    ] = None,
    amount: Annotated[
        str | None, typer.Option("--amount", help="With --event: what was given, changed or lost, e.g. 2.5.")
    ] = None,
    value: Annotated[
        str | None, typer.Option("--value", help='With --reading: what it should say, e.g. 12.5 or "<0.03".')
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option("--unit", help="With --value or --amount: its unit; without it, the one sent."),
    ] = None,
    withdraw: Annotated[
        bool,
        typer.Option(
            "--withdraw",
            help="With --reading or --event: leave it out; it stays recorded. With --kit: take a correction back.",
        ),
    ] = False,
    tank: Annotated[str | None, typer.Option("--tank", help="The tank that something happened to.")] = None,
    deviation: Annotated[
        str | None, typer.Option("--deviation", help="With --tank: what was done otherwise than registered.")
    ] = None,
    treated_as: Annotated[
        str | None, typer.Option("--treated-as", help="With --deviation: the arm it was in fact treated as.")
    ] = None,
    dropout: Annotated[
        str | None, typer.Option("--dropout", help="With --tank: how it left the trial.")
    ] = None,
    rescue: Annotated[
        str | None, typer.Option("--rescue", help="With --tank: what was done for the animals' sake.")
    ] = None,
    since: Annotated[
        DayOption,
        typer.Option("--from", formats=["%Y-%m-%d"], help="First day of the deviation or dropout."),
    ] = None,
    at: Annotated[DayOption, typer.Option("--at", formats=["%Y-%m-%d"], help="Day of the rescue.")] = None,
    protocol: Annotated[
        Path | None, typer.Option("--protocol", help="The amended protocol, a TOML file.")
    ] = None,
    close_data_entry: Annotated[
        bool, typer.Option("--close-data-entry", help="Take no file in any more; arms may be shown.")
    ] = False,
    kit: Annotated[
        str | None,
        typer.Option(
            "--kit", help="A kit whose readings are put right in an analysis beside; they stay as read."
        ),
    ] = None,
    site: Annotated[str | None, typer.Option("--site", help="With --kit: only at this site.")] = None,
    variable: Annotated[
        str | None,
        typer.Option("--variable", help="With --kit: what it measures, where it measures several."),
    ] = None,
    factor: Annotated[
        float | None, number_option("--factor", "With --kit: what its readings are multiplied by, e.g. 1.1.")
    ] = None,
    offset: Annotated[
        float | None,
        typer.Option(
            "--offset",
            parser=_signed,
            metavar="NUMBER",
            help="With --kit: what is added to its readings then, in the usual unit; may be below 0.",
        ),
    ] = None,
    nitrite_factor: Annotated[
        float | None,
        number_option("--nitrite-factor", "With --kit: nitrate that it reads for 1 mg/L of nitrite."),
    ] = None,
    why: Annotated[str, typer.Option("--why", help="The reason. Always needed.")] = "",
    by: Annotated[str, typer.Option("--by", help="Who says so. Always needed.")] = "",
    location: RegisterOption = DEFAULT_REGISTER,
    as_json: JsonOption = False,
) -> None:
    """Record one thing: a corrected reading, event or kit, what happened to a tank, an amended protocol, or the end of data entry.

    Nothing that is recorded is changed: an amendment is an entry of its own, and what it amends stays to be seen.
    """
    from trials.cli import display
    from trials.kit_correction import TypedCorrection
    from trials.register.store import Register

    said = _Said(
        reading=reading,
        event=event,
        amount=amount,
        value=value,
        unit=unit,
        withdraw=withdraw,
        tank=tank,
        deviation=deviation,
        treated_as=treated_as,
        dropout=dropout,
        rescue=rescue,
        since=since,
        at=at,
        protocol=protocol,
        close=close_data_entry,
        kit=TypedCorrection(kit or "", site, variable, factor, offset, nitrite_factor),
        why=why.strip(),
        by=by.strip(),
    )
    what = _one_thing(said)
    with Register.open(location) as record:
        sealed = record.find(trial)
        entry, shown = _record(record, sealed, what, said)
    if as_json:
        display.json_document(
            {"trial": sealed.id, "entry": entry.number, "kind": entry.kind, "at": entry.at, "text": shown}
        )
        return
    for line in shown:
        display.out(line)
    display.out(f"Recorded as entry {entry.number} ({entry.kind}).")


def _one_thing(said: _Said) -> str:
    """Which of the things that can be recorded is meant.

    Raises
    ------
    UsageError
        None or several are, or an option stands without the one it belongs to.
    """
    given = [
        name
        for name, on in (
            ("--value", said.value is not None),
            ("--amount", said.amount is not None),
            ("--withdraw", said.withdraw and not said.kit.kit),
            ("--kit", bool(said.kit.kit)),
            ("--deviation", said.deviation is not None),
            ("--dropout", said.dropout is not None),
            ("--rescue", said.rescue is not None),
            ("--protocol", said.protocol is not None),
            ("--close-data-entry", said.close),
        )
        if on
    ]
    if len(given) != 1:
        raise UsageError(
            (
                f"{' and '.join(given)} are several things; record one at a time"
                if given
                else "say what to record"
            )
            + ": --reading with --value or --withdraw, --event with --amount or --withdraw, --kit with --factor, --offset, "
            "--nitrite-factor or --withdraw, --tank with --deviation, --dropout or --rescue, --protocol, or "
            "--close-data-entry."
        )
    (what,) = given
    options = {
        "--reading": said.reading is not None,
        "--event": said.event is not None,
        "--unit": said.unit is not None,
        "--tank": bool(said.tank),
        "--treated-as": said.treated_as is not None,
        "--from": said.since is not None,
        "--at": said.at is not None,
        "--site": said.kit.site is not None,
        "--variable": said.kit.variable is not None,
        "--factor": said.kit.factor is not None,
        "--offset": said.kit.offset is not None,
        "--nitrite-factor": said.kit.nitrite_factor is not None,
    }
    needs, may = {
        "--value": (["--reading"], ["--unit"]),
        "--amount": (["--event"], ["--unit"]),
        "--withdraw": (["--reading" if said.event is None else "--event"], []),
        "--deviation": (["--tank", "--from"], ["--treated-as"]),
        "--dropout": (["--tank", "--from"], []),
        "--rescue": (["--tank", "--at"], []),
        "--kit": ([], ["--site", "--variable", *_NUMBERS]),
        "--protocol": ([], []),
        "--close-data-entry": ([], []),
    }[what]
    if what == "--kit":
        numbers = [name for name in _NUMBERS if options[name]]
        if said.withdraw and numbers:
            raise UsageError(f"{' and '.join(numbers)} cannot stand with --withdraw.")
        if not (said.withdraw or numbers):
            raise UsageError("--kit needs --factor, --offset, --nitrite-factor or --withdraw too.")
    missing = [name for name in needs if not options[name]]
    missing += [name for name, text in (("--why", said.why), ("--by", said.by)) if not text]
    if missing:
        raise UsageError(f"{what} needs {' and '.join(missing)} too.")
    astray = [name for name, on in options.items() if on and name not in (*needs, *may)]
    if astray:
        raise UsageError(f"{' and '.join(astray)} cannot stand with {what}.")
    return what


def _record(record: Register, sealed: SealedTrial, what: str, said: _Said) -> tuple[Entry, list[str]]:
    """Record it; the entry, and what a person should know of it."""
    from trials.kit_correction import correct_kit
    from trials.register.bodies import ClosureBody

    if said.event is not None:
        return _correct_event(record, sealed, said)
    if said.kit.kit:
        return correct_kit(record, sealed, said.kit, now(), by=said.by, why=said.why)
    if what in ("--value", "--withdraw"):
        return _correct(record, sealed, said)
    if what == "--protocol":
        return _amend_protocol(record, sealed, said)
    if what == "--close-data-entry":
        waiting = len(record.held(sealed.id))
        entry = record.amend(sealed.id, ClosureBody(by=said.by, why=said.why), now())
        shown = [f"Data entry of {sealed.id} is closed: no file is taken in any more, and arms may be shown."]
        if waiting:
            shown.append(f"{waiting} held rows were still waiting and stay out of the analysis.")
        return entry, shown
    body = _tank_body(what, said)
    entry = record.amend(sealed.id, body, now())
    return entry, [f"Tank {body.tank}, {body.day}: {body.what}"]


def _correct(record: Register, sealed: SealedTrial, said: _Said) -> tuple[Entry, list[str]]:
    from trials.corrected_value import correction_of
    from trials.register.bodies import CorrectionBody

    number = said.reading or 0
    record.history(sealed.id, reading=number)  # a number that is not there is said so here
    if said.withdraw:
        body = CorrectionBody(reading=number, by=said.by, why=said.why)
    else:
        taken_in = record.seen(sealed.id).set_index("reading", drop=False)
        body = correction_of(
            sealed.protocol,
            dict(zip(taken_in.columns, taken_in.loc[number], strict=True)),
            said.value or "",
            said.unit,
            by=said.by,
            why=said.why,
            today=today(),
        )
    entry = record.amend(sealed.id, body, now())
    lines = record.history(sealed.id, reading=number)
    return entry, [f"Reading {number}: {line.text}" for line in (lines[0], lines[-1])]


def _correct_event(record: Register, sealed: SealedTrial, said: _Said) -> tuple[Entry, list[str]]:
    from trials.corrected_value import event_correction_of
    from trials.register.bodies import EventCorrectionBody

    number = said.event or 0
    record.history(sealed.id, event=number)  # a number that is not there is said so here
    if said.withdraw:
        body = EventCorrectionBody(event=number, by=said.by, why=said.why)
    else:
        taken_in = record.seen_beside(sealed.id).events.set_index("event", drop=False)
        body = event_correction_of(
            sealed.protocol,
            dict(zip(taken_in.columns, taken_in.loc[number], strict=True)),
            said.amount or "",
            said.unit,
            by=said.by,
            why=said.why,
            today=today(),
        )
    entry = record.amend(sealed.id, body, now())
    lines = record.history(sealed.id, event=number)
    return entry, [f"Event {number}: {line.text}" for line in (lines[0], lines[-1])]


def _amend_protocol(record: Register, sealed: SealedTrial, said: _Said) -> tuple[Entry, list[str]]:
    from trials.protocol_file import load

    assert said.protocol is not None  # noqa: S101 - _one_thing saw it
    entry = record.amend_protocol(sealed.id, load(said.protocol), now(), by=said.by, why=said.why)
    amendment = record.amendments(sealed.id)[-1]
    shown = [f"  {line}" for line in amendment.changed]
    seen = "Data had been taken in by then." if amendment.data_seen else "No data had been taken in."
    shown += [f"Digest {amendment.digest}", seen]
    if amendment.data_seen and amendment.primary_changed:
        shown.append(
            "The analysis of a primary endpoint is another one now: its results will be called exploratory."
        )
    return entry, shown


def _tank_body(what: str, said: _Said) -> TankBody:
    from trials.register.bodies import DeviationBody, DropoutBody, RescueBody

    day = (said.at if what == "--rescue" else said.since) or now()
    common: dict[str, Any] = {"tank": said.tank, "day": day.date(), "by": said.by, "why": said.why}
    text = (said.deviation or said.dropout or said.rescue or "").strip()
    if not text:
        raise UsageError(f'{what} needs words on what happened, e.g. {what} "the pump stood still".')
    if what == "--deviation":
        return DeviationBody(what=text, treated_as=said.treated_as, **common)
    return (DropoutBody if what == "--dropout" else RescueBody)(what=text, **common)
