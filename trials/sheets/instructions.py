"""What the people at a site are told, in plain words: the same on the workbook's front page and on the phone's page."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.numerals import count, day_words, plain
from schemas.plain_words import listed
from schemas.variables import variables_for
from trials.cautions import usual_cautions
from trials.sheets.asked import stop_rule_in_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.protocol import CheckSample, Protocol
    from trials.sheets.asked import Asked
    from trials.sheets.due import DueRow

SAMPLING = (
    "Take the water at the same hour each time: before the lights come on, before feeding and before any dose.",
    "Rinse the tube three times with water of the same tank. Clean and dry it between tanks.",
    "Follow the kit's own instructions to the second, for shaking and waiting change what it shows.",
    "If the water is cloudy, filter it first. Test within the hour.",
    "Use the same kit for the whole trial. Where a new box is opened, say so in the note.",
    "Measure all tanks of the site on the same day, whatever they are given, and in an order that you change.",
)
"""Common practice, no source."""


@dataclass(frozen=True)
class Section:
    """A heading, and what stands under it."""

    title: str
    lines: tuple[str, ...]


def lead_of(protocol: Protocol) -> str:
    """Whom to tell."""
    return plain(protocol.trial.lead, 200) if protocol.trial.lead else "the trial's lead"


def when(protocol: Protocol, rows: Sequence[DueRow], asked: Sequence[Sequence[Asked]]) -> tuple[str, ...]:
    """How often each variable is measured at the site, and the phases."""
    titles = {units[0].variable.id: units[0].title for units in asked}
    every = {sampling.variable: sampling.every_days for sampling in protocol.schedule.sampling}
    together: dict[tuple[dt.date, ...], list[str]] = {}
    for variable in titles:
        days = tuple(sorted({row.day for row in rows if variable in row.variables}))
        if days:
            together.setdefault(days, []).append(variable)
    lines = []
    for days, variables in together.items():
        names = _sentence([titles[variable] for variable in variables])
        often = f"every {count(every[variables[0]], 'day')}, {day_words(days[0])} to {day_words(days[-1])}"
        lines.append(
            f"{names}: {often}, {count(len(days), 'day')} in all."
            if len(days) > 1
            else f"{names}: on {day_words(days[0])}."
        )
    tanks = list(dict.fromkeys(row.tank for row in rows))
    if tanks:
        phases = []
        for phase in protocol.phase_days:
            spans = [
                f"{day_words(first)} to {day_words(after - dt.timedelta(days=1))}"
                for first, after in protocol.windows(phase, tanks[0])
            ]
            phases.append(f"{phase} {listed(spans, 'and')}")
        lines.append(f"The phases: {'; '.join(phases)}.")
    lines.append("A day that was missed is measured as soon as you can, under the day on which you measured.")
    return tuple(lines)


def _sentence(titles: Sequence[str]) -> str:
    """Titles in a row at the start of a sentence."""
    return listed([titles[0], *map(inside, titles[1:])], "and")


def inside(title: str) -> str:
    """A title inside a sentence; abbreviations such as pH and DO stay as they are."""
    return title if any(c.isupper() for c in title[1:]) else title[:1].lower() + title[1:]


def writing(asked: Sequence[Sequence[Asked]]) -> tuple[str, ...]:
    """How a reading is written down."""
    example = next((units[0].example for units in asked if units[0].variable.zero_is_censored), "<0.02")
    cards = [
        f"{plain(kit.id)} ({listed([f'{step:g}' for step in kit.steps], 'and')})"
        for units in asked
        for one in units
        for kit in one.kits
        if kit.steps
    ]
    lines = [
        "Write the number as the kit shows it, in the unit that stands above it; do not convert. A point or a comma will do.",
        f"Where the kit shows nothing, write < and its lowest step, such as {example}. Never 0.",
        "Where the kit is at the end of its scale, write > and its highest step.",
        "Leave a field empty where you measured nothing. Never fill in what you think it would have been.",
        "A second test of the same water is a reading of its own, with 2 as its replicate.",
    ]
    if cards:
        lines.insert(1, f"With a colour card write the step that looks nearest: {'; '.join(cards)}.")
    return tuple(lines)


def check_samples(samples: Sequence[CheckSample], checked: Sequence[Sequence[Asked]]) -> tuple[str, ...]:
    """What the waters of known content are, without what is in them, and how they are measured."""
    if not samples:
        return ()
    titles = {units[0].variable.id: units[0].title for units in checked}
    lines = [
        f"{plain(sample.title, 120) if sample.title else 'The bottle'} is written down as {sample.id}: measure "
        f"{inside(titles[sample.variable])}."
        for sample in samples
    ]
    return (
        *lines,
        (
            "Measure it when the lead says so, exactly as you measure a tank: same kit, same person, same care. Two tests of the "
            "same bottle on one day are numbered 1 and 2 as replicate."
        ),
        "It shows how the sites' kits compare. Never change a reading of a tank because of it.",
    )


def stop_rules(protocol: Protocol) -> tuple[str, ...]:
    """The registered stop rules, and what to do when one is met."""
    variables = variables_for(protocol)
    rules = [stop_rule_in_words(rule, variables[rule.variable]) for rule in protocol.stop_rules]
    if not rules:
        return (
            (
                "This trial has registered none. If animals suffer, stop the treatment, help them, and tell "
                f"{lead_of(protocol)}: that is always allowed and never counts against a tank."
            ),
        )
    return (
        *rules,
        (
            f"Act at once and do not wait for an answer; then write it down under events and tell {lead_of(protocol)}. Helping "
            "animals is always allowed and never counts against a tank."
        ),
    )


def cautions(protocol: Protocol) -> tuple[str, ...]:
    """The usual cautions, which give way to local rules, vets and licensed people."""
    return (
        *usual_cautions(protocol),
        "All this is common practice and no advice for your case: local rules, vets and licensed professionals decide.",
    )


def other_units(asked: Sequence[Sequence[Asked]]) -> tuple[str, ...]:
    """Kits of the protocol whose unit is not the one of the workbook's column."""
    return tuple(
        f"{listed([plain(kit.id) for kit in units.kits], 'and')}: shows {units.title.casefold()} in {units.shown_unit}, not in "
        f"{first.shown_unit}. Do not convert: ask for a sheet for that kit, or use the page for the phone."
        for first, *others in asked
        for units in others
    )
