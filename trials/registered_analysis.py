"""The registered analysis of a trial in the register, with what the register says of how it came about."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.evaluation import beside_kit_corrections, evaluate
from analysis.followed import Happened
from analysis.masking import mask_of
from analysis.numerals import count, day_words, plain
from schemas.errors import AnalysisError, RegisterError
from schemas.variables import variables_for
from trials import __version__
from trials.register.bodies import CorrectionBody, KitCorrectionBody, UnmaskingBody
from trials.register.chain import Kind
from trials.watch import left_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.records import Analysis
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from trials.register.records import Amendment, SealedTrial, TankEvent
    from trials.register.store import Register

MASKED = (
    "Arms are shown as letters, and letters keep their arm; they are named once data entry is closed "
    "(`fairtank amend --close-data-entry`). Which arm shares the most comparisons may still be seen, and who knows the "
    "arm of one tank knows its letter."
)


@dataclass(frozen=True)
class RegisteredAnalysis:
    """An analysis with the protocol and allocation that it shows: with letters for arms where it is masked."""

    analysis: Analysis
    protocol: Protocol
    allocation: Allocation


def analyse_registered(record: Register, sealed: SealedTrial, *, masked: bool = False) -> RegisteredAnalysis:
    """Analyse a trial as registered, and as amended where it was.

    Parameters
    ----------
    record : Register
        Holds the trial.
    sealed : SealedTrial
        The trial with the protocol in force.
    masked : bool
        Whether arms are to be letters while data entry is open.

    Raises
    ------
    AnalysisError
        Nothing is allocated, or nothing is there to analyse.
    """
    allocation = record.allocation(sealed.id)
    if allocation is None:
        raise AnalysisError(
            f"{sealed.id} has no allocation yet, so there are no arms to compare; "
            f"see `fairtank allocate {sealed.id}`."
        )
    protocol, treated_as = sealed.protocol, record.treated_as(sealed.id)
    notes = register_notes(record.amendments(sealed.id), record.unmasked(sealed.id))
    masked = masked and record.closed(sealed.id) is None
    if masked:
        mask = mask_of(protocol, record.find(sealed.id, as_sealed=True).digest)
        protocol, allocation = mask.protocol(protocol), mask.allocation(allocation)
        treated_as = {tank: mask.letters[arm] for tank, arm in treated_as.items()}
        notes = [MASKED, *map(mask.text, notes)]
    readings = record.readings(sealed.id)
    happened = replace(happened_in(record, sealed.id), treated_as=treated_as, hidden=masked)
    analysis = evaluate(
        protocol,
        allocation,
        readings,
        protocol_digest=sealed.digest,
        data_digest=record.data_digest(sealed.id),
        version=__version__,
        happened=happened,
    )
    analysis = beside_kit_corrections(
        analysis,
        protocol,
        allocation,
        readings,
        record.kit_corrections(sealed.id),
        happened=happened,
    )
    noted = replace(analysis, notes=(*analysis.notes, *notes), masked=masked)
    return RegisteredAnalysis(noted, protocol, allocation)


def happened_in(record: Register, trial: str) -> Happened:
    """What the register holds beside readings: events, tanks that left, tanks treated as another arm."""
    return Happened(record.events(trial), left_of(record.deviations(trial)), record.treated_as(trial))


def unmask(record: Register, trial: str, command: str, at: dt.datetime) -> list[str]:
    """Record, once, that arms are shown before data entry is closed, and give the sentence that says so.

    A register that cannot be written, such as a copy to check, may be looked at too; the sentence then says that.
    """
    if record.closed(trial) or record.unmasked(trial):
        return []
    try:
        record.amend(trial, UnmaskingBody(command=command), at)
    except RegisterError as error:
        return [f"Arms are shown before data entry was closed, and this could not be recorded: {error}"]
    return _unmasked(record.unmasked(trial))


def register_notes(amendments: Sequence[Amendment], unmasked_at: dt.datetime | None) -> list[str]:
    """Say what the register adds to an analysis: amendments made after data were seen, arms shown early."""
    return [*_amended_after_data(amendments), *_unmasked(unmasked_at)]


def deviation_sentences(record: Register, trial: str) -> list[str]:
    """Say all that went otherwise than registered, for the report: amendments, tanks, readings, unmasking."""
    said = [sentence for amendment in record.amendments(trial) for sentence in _amendment(amendment)]
    said += [_event(event) for event in record.deviations(trial)]
    said += _corrections(record, trial)
    said += _kit_corrections(record, trial)
    said += _unmasked(record.unmasked(trial))
    return said


def _amendment(amendment: Amendment) -> Iterator[str]:
    seen = (
        "after readings had been taken in" if amendment.data_seen else "before any reading had been taken in"
    )
    yield (
        f"The protocol was amended on {day_words(amendment.at.date())}, {seen}, by {amendment.by}: "
        f"{_ended(amendment.why)} Digest before {amendment.before[:16]}…, after {amendment.digest[:16]}…. "
        f"Changed: {'; '.join(amendment.changed)}."
    )
    yield from _amended_after_data([amendment])


def _amended_after_data(amendments: Sequence[Amendment]) -> list[str]:
    return [
        f"The analysis of a primary endpoint was changed on {day_words(amendment.at.date())}, after readings had been "
        "taken in: read the primary results as exploratory."
        for amendment in amendments
        if amendment.data_seen and amendment.primary_changed
    ]


def _event(event: TankEvent) -> str:
    what = {
        Kind.DEVIATION: "deviated from the protocol from",
        Kind.DROPOUT: "left the trial on",
        Kind.RESCUE: "had a treatment for its animals' sake on",
    }[Kind(event.kind)]
    arm = f" It was in fact treated as {event.treated_as}." if event.treated_as else ""
    stays = (
        ""
        if event.kind == Kind.DEVIATION
        else " It stays in the analysis as allocated, with the readings it has."
    )
    return (
        f"Tank {event.tank} {what} {day_words(event.day)}: {_ended(event.what)} Why: {_ended(event.why)}{arm}{stays} "
        f"Recorded on {day_words(event.at.date())} by {event.by}."
    )


def _corrections(record: Register, trial: str) -> list[str]:
    in_force = record.corrections(trial).values()
    if not in_force:
        return []
    withdrawn = sum(body.value is None for body in in_force)
    entries = record.entries(trial)
    closed = next((entry.number for entry in entries if entry.kind == Kind.CLOSURE), math.inf)
    late = {CorrectionBody.of(e).reading for e in entries if e.kind == Kind.CORRECTION and e.number > closed}
    after = f", {len(late)} of them after data entry was closed" if late else ""
    changed = f"{count(len(in_force) - withdrawn, 'reading')} corrected and {withdrawn} withdrawn after intake{after}"
    return [f"{changed}; `fairtank history` shows each as it came, with who changed it and why."]


def _kit_corrections(record: Register, trial: str) -> Iterator[str]:
    units = {name: variable.unit for name, variable in variables_for(record.find(trial).protocol).items()}
    for entry in record.entries(trial):
        if entry.kind == Kind.KIT_CORRECTION:
            body, at = KitCorrectionBody.of(entry), dt.datetime.fromisoformat(entry.at)
            where = f" at {body.site}" if body.site is not None else ""
            done = body.made_at(at).in_words(units.get(body.variable, ""))
            yield (
                f"Readings of {body.variable} by the kit {plain(body.kit, 80)}{where}: {done}, in an analysis beside the "
                f"registered one, which keeps them as read. Why: {_ended(body.why)} Recorded on {day_words(at.date())} by "
                f"{body.by}."
            )


def _unmasked(at: dt.datetime | None) -> list[str]:
    if at is None:
        return []
    return [f"Arms were shown on {day_words(at.date())}, before data entry was closed; by whom is not known."]


def _ended(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."
