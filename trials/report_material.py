"""All that a report is made of, gathered from the register."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from schemas.events import empty_events
from trials.environment import environment
from trials.kits import kits_of
from trials.register.chain import Kind
from trials.registered_analysis import deviation_sentences

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from analysis.kits.comparison import KitComparison
    from analysis.records import Analysis
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from trials.register.records import Entry, HeldRow, SealedTrial
    from trials.register.store import Register


@dataclass(frozen=True)
class ReportMaterial:
    """All that a report is made of.

    Parameters
    ----------
    protocol, digest, registered_at
        What was registered, under which digest, and when.
    allocation, allocated_at
        Which tank had which arm, and when that was recorded.
    readings, held
        Accepted readings, and rows that still wait for a person.
    analysis
        The registered analysis of these readings.
    head, entries
        Digest of the register's last entry, and the entries of this trial.
    fairtank, environment
        Versions: of fairtank, and of what it runs on by name.
    made_at
        The moment of the report.
    invented
        Whether the trial is made up; the report then says so on its first line.
    deviations, cautions
        What went otherwise than registered, and cautions of this trial beside the usual ones, in sentences.
    events
        Husbandry events of the trial's tanks.
    kits
        How the kits measured, by check samples and duplicates; None where nothing is known.
    sealed_digest
        The digest that the draw rests on; another one than ``digest`` where the protocol was amended.
    """

    protocol: Protocol
    digest: str
    registered_at: dt.datetime
    allocation: Allocation
    allocated_at: dt.datetime | None
    readings: pd.DataFrame
    held: Sequence[HeldRow]
    analysis: Analysis
    head: str
    entries: Sequence[Entry]
    fairtank: str
    environment: Mapping[str, str]
    made_at: dt.datetime
    invented: bool = False
    deviations: tuple[str, ...] = field(default=())
    cautions: tuple[str, ...] = field(default=())
    sealed_digest: str | None = None
    kits: KitComparison | None = None
    events: pd.DataFrame = field(default_factory=empty_events)


def material_from(
    record: Register, sealed: SealedTrial, allocation: Allocation, analysis: Analysis, *, made_at: dt.datetime
) -> ReportMaterial:
    """Gather what the report of a registered trial is made of.

    A trial that calls itself invented, in its title or its lead's name, is reported as such.
    """
    entries = record.entries(sealed.id)
    shared = [entry.at for entry in entries if entry.kind == Kind.ALLOCATION]
    names = f"{sealed.protocol.trial.title} {sealed.protocol.trial.lead or ''}"
    return ReportMaterial(
        protocol=sealed.protocol,
        digest=sealed.digest,
        registered_at=sealed.registered_at,
        allocation=allocation,
        allocated_at=dt.datetime.fromisoformat(shared[0]) if shared else None,
        readings=record.readings(sealed.id),
        held=record.held(sealed.id),
        analysis=analysis,
        head=record.head(),
        entries=entries,
        fairtank=analysis.fairtank,
        environment=environment(),
        made_at=made_at,
        invented="invented" in names.casefold(),
        deviations=tuple(deviation_sentences(record, sealed.id)),
        sealed_digest=record.find(sealed.id, as_sealed=True).digest,
        events=record.events(sealed.id),
        kits=kits_of(record, sealed),
    )
