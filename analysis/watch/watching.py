"""A trial as it stands on a day: all findings, the due table, and the sampling days to come."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.numerals import count, day_words
from analysis.watch.carbon import carbon_findings
from analysis.watch.completeness import completeness_findings
from analysis.watch.due import coming_days, due_findings, due_rows
from analysis.watch.falls import fall_findings
from analysis.watch.findings import Finding, Kind, Severity, in_order
from analysis.watch.levels import level_findings
from analysis.watch.signs import sign_findings
from analysis.watch.stalls import stall_findings
from analysis.watch.stop_rules import stop_rule_findings
from schemas.protocol import BASELINE_PHASE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from analysis.watch.due import DueRow, SamplingDay
    from analysis.watch.watched import Watched

    Look = Callable[[Watched], Iterator[Finding]]

AHEAD = 7
"""Days that are looked ahead."""


@dataclass(frozen=True)
class Watch:
    """What watching a trial gave.

    Parameters
    ----------
    today : date
    stands : str
        Where the trial stands, as a sentence.
    findings : tuple of Finding
        Site by site, the most urgent first.
    due : tuple of DueRow
    coming : tuple of SamplingDay
        What is still to be measured today and in the next seven days.
    """

    today: dt.date
    stands: str
    findings: tuple[Finding, ...]
    due: tuple[DueRow, ...]
    coming: tuple[SamplingDay, ...]

    @property
    def needs_a_person(self) -> bool:
        """Whether anybody has to do anything."""
        return any(one.needs_a_person for one in self.findings)

    def of_site(self, site: str) -> Watch:
        """The same, of one site alone."""
        return replace(
            self,
            findings=tuple(one for one in self.findings if one.site == site),
            due=tuple(row for row in self.due if row.site == site),
            coming=tuple(day for day in self.coming if day.site == site),
        )


LOOKS: tuple[Look, ...] = (
    stop_rule_findings,
    level_findings,
    fall_findings,
    stall_findings,
    sign_findings,
    carbon_findings,
)
"""Everything that is looked for in the record itself; each takes the trial and gives its findings."""


def watch(watched: Watched, also: Iterable[Finding] = (), *, closed: bool = False) -> Watch:
    """Look at a trial.

    Parameters
    ----------
    watched : Watched
    also : iterable of Finding
        What was found elsewhere: rows that wait, kits that fail.
    closed : bool
        Whether data entry is closed; everything is then for information alone.
    """
    rows = due_rows(watched)
    found = [
        *(one for look in LOOKS for one in look(watched)),
        *due_findings(watched, rows),
        *completeness_findings(watched, rows),
        *_allocation(watched),
        *_left(watched),
        *also,
    ]
    if closed:
        found = [replace(one, severity=Severity.INFORMATION) for one in found]
    return Watch(
        today=watched.today,
        stands=_stands(watched, closed=closed),
        findings=in_order(found),
        due=rows,
        coming=coming_days(watched, rows, AHEAD),
    )


def _stands(watched: Watched, *, closed: bool) -> str:
    protocol, today = watched.protocol, watched.today
    start = min((protocol.schedule.start, *(protocol.schedule.starts or {}).values()))
    if closed:
        return "Data entry is closed; nothing below asks for anything any more."
    if today < start:
        return f"The trial begins on {day_words(start)}, in {count((start - today).days, 'day')}."
    if today > protocol.last_day:
        return (
            f"The trial ended on {day_words(protocol.last_day)}. Once all readings are in, close it: "
            "fairtank amend --close-data-entry."
        )
    phases = {protocol.phase_of(today, tank.id) for tank in protocol.tanks}
    if len(phases) > 1:
        return "Cohorts are in different phases today."
    phase = next(iter(phases))
    if phase is None:
        return "The tanks are between two periods."
    first, after = next(w for w in protocol.windows(phase, protocol.tanks[0].id) if w[0] <= today < w[1])
    return f"Day {(today - first).days + 1} of {(after - first).days} of the phase {phase}, which ends on {day_words(after - dt.timedelta(days=1))}."


def _allocation(watched: Watched) -> Iterator[Finding]:
    """A trial whose treatment begins, or has begun, without a draw."""
    protocol = watched.protocol
    if watched.allocation is not None or watched.today > protocol.last_day:
        return
    begins = protocol.phase_days.get(BASELINE_PHASE, (None, protocol.schedule.start))[1]
    ahead = (begins - watched.today).days
    if ahead > AHEAD:
        return
    when = f"begin on {day_words(begins)}" if ahead > 0 else f"should have begun on {day_words(begins)}"
    yield Finding(
        Kind.ALLOCATION,
        Severity.SOON if ahead > 0 else Severity.NOW,
        f"Treatments {when}, and no tank has an arm yet.",
        to_record="Draw the allocation: fairtank allocate --seed, or --recorded FILE for one made elsewhere.",
        since=begins,
    )


def _left(watched: Watched) -> Iterator[Finding]:
    for tank, day in watched.left.items():
        if day <= watched.today:
            yield Finding(
                Kind.LEFT,
                Severity.INFORMATION,
                f"Tank {tank} left the trial on {day_words(day)}: nothing of it is due from that day on. It stays in the "
                "analysis as allocated, with the readings it has.",
                site=watched.site_of.get(tank),
                tank=tank,
                since=day,
            )
