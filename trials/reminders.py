"""A short reminder for each site, as plain text to be pasted into a chat: what is due, what is late, what needs doing.

No arm is named: whoever doses a tank knows its arm, and a chat is read by others too.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from analysis.numerals import day_words
from analysis.watch.due import variables_in_words
from analysis.watch.findings import ABOUT_ANIMALS, Kind
from analysis.watch.watching import AHEAD
from trials.cautions import cautions_at_the_tank

if TYPE_CHECKING:
    from analysis.watch.findings import Finding
    from analysis.watch.watching import Watch

WIDTH = 78
_LATE = (Kind.LATE, Kind.SILENT)


def reminder(trial: str, site: str | None, watch: Watch) -> str:
    """The text for one site.

    Parameters
    ----------
    trial : str
        Its id: a title may name arms.
    site : str or None
        None for tanks that name no site.
    watch : Watch
        Of the whole trial.
    """
    own = [one for one in watch.findings if one.to_do and _is_of(one, site)]
    animals = [one for one in own if one.kind in ABOUT_ANIMALS]
    late = [one for one in own if one.kind in _LATE]
    other = [one for one in own if one not in animals and one not in late and one.needs_a_person]
    parts = [f"{trial}, {site or 'all tanks'}, {day_words(watch.today)}"]
    if animals:
        parts.append(_section("Needs doing, animals first:", animals))
    parts.append(_due(site, watch))
    if late:
        parts.append(_section("Late:", late))
    if other:
        parts.append(_section("Also:", other))
    if animals:
        parts.append("\n".join(_wrapped(caution, "") for caution in cautions_at_the_tank()))
    return "\n\n".join(parts) + "\n"


def _is_of(one: Finding, site: str | None) -> bool:
    """Whether a finding is a site's own; what names neither site nor tank is mostly the lead's."""
    return one.site == site and (site is not None or one.tank is not None or one.kind in _LATE)


def _due(site: str | None, watch: Watch) -> str:
    days = [one for one in watch.coming if one.site == site]
    if not days:
        return f"Nothing to measure in the next {AHEAD} days."
    lines = [f"To measure in the next {AHEAD} days:"]
    for one in days:
        when = "today" if one.day == watch.today else f"{one.day:%A} {day_words(one.day)}"
        lines.append(_wrapped(f"{when}: {variables_in_words(one.tanks)}"))
    return "\n".join(lines)


def _section(head: str, findings: list[Finding]) -> str:
    lines = [head]
    for one in findings:
        lines.append(_wrapped(one.sentence))
        if one.to_do:
            lines.append(_wrapped(one.to_do, "  > "))
    return "\n".join(lines)


def _wrapped(text: str, bullet: str = "- ") -> str:
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=bullet,
        subsequent_indent=" " * len(bullet),
        break_long_words=False,
        break_on_hyphens=False,
    )
