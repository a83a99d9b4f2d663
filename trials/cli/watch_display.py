"""A watched trial on the terminal: whether anybody is needed first, then site by site, within 80 columns."""

from __future__ import annotations

import textwrap
from itertools import groupby
from typing import TYPE_CHECKING

from trials.cli.display import out, table

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from analysis.watch.due import DueRow
    from analysis.watch.findings import Finding
    from analysis.watch.watching import Watch
    from trials.register.records import SealedTrial

WIDTH = 80
MOST_FOR_INFORMATION = 5
"""Findings for information shown of a site; --json has all."""
_MARKS = {"now": "NOW", "soon": "soon", "information": "info"}


def show(sealed: SealedTrial, watch: Watch, written: Sequence[Path]) -> None:
    """Everything that a person should read, the most urgent first."""
    from analysis.numerals import day_words

    fill(first_line(watch))
    fill(f"{sealed.id} on {day_words(watch.today)}. {watch.stands}")
    for site, findings in groupby(watch.findings, key=lambda one: one.site):
        out()
        out(site or "The whole trial")
        _findings(list(findings))
    _coming(watch)
    _due(watch.due)
    _cautions(watch.findings)
    for path in written:
        out(f"Written: {path}")


def first_line(watch: Watch) -> str:
    """Whether something needs a person, and how much of it."""
    counts = {name: sum(one.severity == name for one in watch.findings) for name in _MARKS}
    if not watch.needs_a_person:
        return "Nothing needs a person." + (
            f" {counts['information']} for information." if counts["information"] else ""
        )
    parts = [f"{counts['now']} now"] if counts["now"] else []
    parts += [f"{counts['soon']} soon"] if counts["soon"] else []
    return f"Something needs a person: {' and '.join(parts)}."


def _findings(findings: list[Finding]) -> None:
    shown = 0
    for one in findings:
        if not one.needs_a_person:
            shown += 1
            if shown > MOST_FOR_INFORMATION:
                continue
        fill(one.sentence, f"  {_MARKS[one.severity].ljust(5)}", 7)
        for text in (one.to_do, one.to_record):
            if text:
                fill(text, "       > ", 9)
    if shown > MOST_FOR_INFORMATION:
        out(f"       and {shown - MOST_FOR_INFORMATION} more for information; --json has them all.")


def _coming(watch: Watch) -> None:
    from analysis.numerals import count, day_words
    from analysis.watch.watching import AHEAD
    from schemas.plain_words import listed

    out()
    if not watch.coming:
        out(f"Nothing is due in the next {AHEAD} days.")
        return
    for day, group in groupby(watch.coming, key=lambda one: one.day):
        sites = list(group)
        tanks: dict[str, int] = {}
        for one in sites:
            for variable, names in one.tanks.items():
                tanks[variable] = tanks.get(variable, 0) + len(names)
        alike: dict[int, list[str]] = {}
        for variable, number in tanks.items():
            alike.setdefault(number, []).append(variable)
        what = ", ".join(
            f"{listed(names, 'and')} of {count(number, 'tank')}" for number, names in alike.items()
        )
        where = (
            f" at {count(len(sites), 'site')}"
            if len(sites) > 1
            else f" at {sites[0].site}"
            if sites[0].site
            else ""
        )
        when = "today" if day == watch.today else f"in {count((day - watch.today).days, 'day')}"
        fill(f"Due {when}, {day_words(day)}: {what}{where}.", "", 2)


def _due(rows: Sequence[DueRow]) -> None:
    """What became of the due readings so far, one line a site."""
    if not any(row.due for row in rows):
        return
    sites = sorted({row.site or "" for row in rows})
    lines = []
    for site in (*sites, None) if len(sites) > 1 else sites:
        own = [row for row in rows if site is None or (row.site or "") == site]
        lines.append(
            (
                "all" if site is None else site or "all",
                *(
                    f"{number:,}"
                    for number in (
                        sum(row.due for row in own),
                        sum(row.on_day for row in own),
                        sum(row.off_day for row in own),
                        sum(row.due_today for row in own),
                        sum(len(row.late) for row in own),
                        sum(len(row.missing) for row in own),
                    )
                ),
            )
        )
    out()
    table(("readings", "due so far", "on the day", "off it", "today", "late", "missing"), lines)


def _cautions(findings: Sequence[Finding]) -> None:
    from analysis.watch.findings import ABOUT_ANIMALS
    from trials.cautions import cautions_at_the_tank

    if any(one.kind in ABOUT_ANIMALS and one.needs_a_person for one in findings):
        out()
        for caution in cautions_at_the_tank():
            fill(f"Caution: {caution}")


def fill(text: str = "", start: str = "", indent: int = 0) -> None:
    """A text on standard output, in lines that fit a terminal."""
    out(
        textwrap.fill(
            text,
            WIDTH,
            initial_indent=start,
            subsequent_indent=" " * indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
    )
