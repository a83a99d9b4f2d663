"""How much of what was due is in, by arm: tanks that stop reporting in one arm alone can tilt a comparison."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.numerals import count
from analysis.watch.findings import Finding, Kind, Severity

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from analysis.watch.due import DueRow
    from analysis.watch.watched import Watched

LOW_SHARE = 0.80
"""Of due readings that are in, below which an arm is called incomplete: our own line, no source."""
APART = 0.15
"""Difference of that share between arms that is worth a look: our own line, no source."""
FEWEST = 10
"""Due readings of an arm before anything is said."""


def completeness_by_arm(watched: Watched, rows: Iterable[DueRow]) -> dict[str, tuple[int, int]]:
    """By arm of today, readings that are in, and those that were due before today or are in; late ones are not in."""
    found: dict[str, tuple[int, int]] = {}
    for row in rows:
        arm = watched.arm(row.tank)
        if arm is not None:
            have = row.on_day + row.off_day
            before = found.get(arm.id, (0, 0))
            found[arm.id] = (before[0] + have, before[1] + row.due - row.due_today)
    return found


def completeness_findings(watched: Watched, rows: Iterable[DueRow]) -> Iterator[Finding]:
    """Arms of which little is in, or much less than of another."""
    counts = {
        arm: numbers for arm, numbers in completeness_by_arm(watched, rows).items() if numbers[1] >= FEWEST
    }
    if not counts:
        return
    shares = {arm: have / due for arm, (have, due) in counts.items()}
    low, apart = min(shares.values()) < LOW_SHARE, max(shares.values()) - min(shares.values()) > APART
    if not (low or apart):
        return
    each = "; ".join(
        f"{watched.name(arm)} {100 * shares[arm]:.0f} % ({have:,} of {count(due, 'reading')})"
        for arm, (have, due) in sorted(counts.items(), key=lambda item: watched.name(item[0]))
    )
    why = (
        "The arms differ: what is missing may have to do with how the tanks fare, and a comparison could then mislead."
        if apart
        else "The fewer readings are in, the less the trial can show."
    )
    yield Finding(
        Kind.COMPLETENESS,
        Severity.SOON,
        f"Of what was due so far, this much is in: {each}. {why}",
        "Ask the sites for what they have, and why the rest was not measured.",
        'Record the reasons: fairtank amend --tank TANK --deviation "..." --from DATE --why ... --by ...',
    )
