"""All that the sheets of one site are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.numerals import count, plain
from schemas.errors import UsageError
from schemas.plain_words import listed, nearest, quoted
from trials.sheets import instructions
from trials.sheets.asked import asked_for
from trials.sheets.doses import masked_arms, tank_doses
from trials.sheets.due import due_rows
from trials.sheets.instructions import Section

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from analysis.masking import Mask
    from schemas.allocation import Allocation
    from schemas.protocol import CheckSample, Protocol, Tank
    from trials.sheets.asked import Asked
    from trials.sheets.doses import TankDose
    from trials.sheets.due import DueRow

SHEET_FORMAT = "1"
"""Of the hidden identity; another one means that intake has to look twice."""
GIVEN = "What each tank is given"
"""Heading of the doses, where the steps of a ramp follow."""
_LONGEST = 300


@dataclass(frozen=True)
class SiteSheet:
    """One site of a trial, as its people need it.

    Parameters
    ----------
    protocol : Protocol
    digest : str
        Of the protocol in force.
    site : str
        Empty for tanks that name no site.
    tanks : tuple of Tank
    asked : tuple of tuple of Asked
        What is measured; for each variable its units, the workbook's first.
    rows : tuple of DueRow
    checked : tuple of tuple of Asked
        Likewise for the variables of check samples.
    arms : tuple of TankDose
        What each tank is given, or with ``masked`` the letter of its arm; empty before the draw.
    masked : bool
    title : str
        The trial's title, harmless and on one line; with letters for arms where masked.
    """

    protocol: Protocol
    digest: str
    site: str
    tanks: tuple[Tank, ...]
    asked: tuple[tuple[Asked, ...], ...]
    checked: tuple[tuple[Asked, ...], ...]
    rows: tuple[DueRow, ...]
    arms: tuple[TankDose, ...]
    masked: bool
    title: str

    @property
    def trial(self) -> str:
        """The trial's id."""
        return self.protocol.trial.id

    @property
    def name(self) -> str:
        """The start of every file name of this site."""
        return f"{self.trial}-{self.site}" if self.site else self.trial

    @property
    def lead(self) -> str:
        """Whom to tell."""
        return instructions.lead_of(self.protocol)

    @property
    def place(self) -> str:
        """The site, as it stands in a heading."""
        return f"Site {self.site}" if self.site else "All tanks"

    @property
    def samples(self) -> tuple[CheckSample, ...]:
        """The check samples that every site measures."""
        return self.protocol.check_samples or ()

    @property
    def everything_asked(self) -> tuple[tuple[Asked, ...], ...]:
        """What is measured in tanks, then what is measured in check samples alone."""
        sampled = {units[0].variable.id for units in self.asked}
        return (*self.asked, *(units for units in self.checked if units[0].variable.id not in sampled))

    @property
    def columns(self) -> tuple[Asked, ...]:
        """The columns of the workbook: each variable in its first unit."""
        return tuple(units[0] for units in self.asked)

    @property
    def days(self) -> tuple[dt.date, dt.date]:
        """The days that a date may lie between: the trial's first, and a year after its last."""
        last = self.protocol.last_day
        return self.protocol.schedule.start, last.replace(year=last.year + 1, day=min(last.day, 28))

    @property
    def sections(self) -> tuple[Section, ...]:
        """The instructions, less how to use the file itself, which differs between workbook and page."""
        return (
            Section("When to measure", instructions.when(self.protocol, self.rows, self.asked)),
            Section("How to take and test a sample", instructions.SAMPLING),
            Section("How to write a reading down", instructions.writing(self.asked)),
            *self._check_samples(),
            *self._treatment(),
            Section("Stop rules: animals come before data", instructions.stop_rules(self.protocol)),
            Section("Cautions", instructions.cautions(self.protocol)),
        )

    def _check_samples(self) -> tuple[Section, ...]:
        lines = instructions.check_samples(self.samples, self.checked)
        return (Section("Check samples", lines),) if lines else ()

    def _treatment(self) -> tuple[Section, ...]:
        if self.masked:
            lines = tuple(dose.line for dose in self.arms)
            note = "This sheet is for people who score without knowing: letters stand for arms. Do not ask which is which."
            return (Section("Arms", (note, *lines)),)
        if not self.arms:
            line = (
                "The tanks have not been shared out over the arms yet: dose nothing. New sheets come with the draw, and what "
                "you have written until then stays good."
            )
            return (Section(GIVEN, (line,)),)
        notes: tuple[str, ...] = (
            (
                "Give each tank exactly what stands here, and nothing else of the kind. A missed dose is never doubled; write it "
                "down under events."
            ),
        )
        if any(dose.steps for dose in self.arms):
            notes += (
                (
                    "The steps are how doses are usually raised (common practice); what the lead says goes before them, and a stop "
                    "rule goes before both."
                ),
            )
        return (Section(GIVEN, (*(dose.line for dose in self.arms), *notes)),)

    @property
    def purpose(self) -> str:
        """One sentence on what the people of the site look after."""
        names = listed([tank.id for tank in self.tanks], "and") if len(self.tanks) < 13 else ""
        return f"{count(len(self.tanks), 'tank')}{f': {names}' if names else ''}."


def site_sheets(
    protocol: Protocol,
    digest: str,
    allocation: Allocation | None,
    *,
    only: str | None = None,
    kits: Sequence[str] = (),
    mask: Mask | None = None,
) -> tuple[SiteSheet, ...]:
    """The sheets of a trial, one a site, in the order of the protocol's tanks.

    Parameters
    ----------
    protocol : Protocol
        As in force.
    digest : str
        Its digest.
    allocation : Allocation or None
        None before the draw: the sheets then say nothing of arms.
    only : str, optional
        One site alone.
    kits : sequence of str
        The kits that the site has.
    mask : Mask, optional
        Letters for arms; nothing then says what a tank is given.

    Raises
    ------
    UsageError
        No such site or kit, or nothing is sampled.
    """
    if not protocol.schedule.sampling:
        raise UsageError(
            "The protocol's schedule has no sampling, so there is nothing to write down; name variables under "
            "schedule.sampling."
        )
    asked = asked_for(protocol, kits)
    checked = asked_for(protocol, kits, [sample.variable for sample in protocol.check_samples or ()])
    by_site: dict[str, list[Tank]] = {}
    for tank in protocol.tanks:
        by_site.setdefault(tank.site or "", []).append(tank)
    if only is not None:
        by_site = {only: by_site[only]} if only in by_site else _refuse(only, list(by_site))
    title = plain(protocol.trial.title, _LONGEST)
    found = []
    for site, tanks in by_site.items():
        arms: tuple[TankDose, ...] = ()
        if allocation is not None:
            arms = masked_arms(tanks, allocation, mask) if mask else tank_doses(protocol, tanks, allocation)
        found.append(
            SiteSheet(
                protocol=protocol,
                digest=digest,
                site=site,
                tanks=tuple(tanks),
                asked=asked,
                checked=checked,
                rows=due_rows(protocol, tanks),
                arms=arms,
                masked=mask is not None,
                title=mask.text(title) if mask else title,
            )
        )
    return tuple(found)


def _refuse(site: str, known: Sequence[str]) -> dict[str, list[Tank]]:
    names = [name for name in known if name]
    if not names:
        raise UsageError(f"No tank names a site, so there is no site {quoted(site)}; leave --site out.")
    near = nearest(site, names)
    hint = f"did you mean {quoted(near)}?" if near else f"its sites are {listed(names, 'and')}."
    raise UsageError(f"No tank of this protocol is at the site {quoted(site)}; {hint}")
