"""The report's tables of what was registered and what became of the tanks: records in, rows of text out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.numerals import (
    ABSENT,
    count,
    day_words,
    plain,
    quantity,
)
from analysis.wording import (
    arm_title,
    margin_words,
    variable_title,
)
from schemas.plain_words import listed
from schemas.variables import variables_for
from schemas.vocabulary import Baseline, EndpointRole

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.records import Analysis, EndpointResult
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from trials.register.records import HeldRow

MOST_ROWS = 150
"""Rows of a table on the page; longer ones say how many they leave to the files beside it."""


@dataclass(frozen=True)
class Table:
    """A table as it is shown: the first column heads its row; ``numbers`` are columns set as figures."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()
    left_out: int = 0

    @property
    def spans(self) -> tuple[int, ...]:
        """Rows that each row's heading stands for: 0 where the heading of the row above goes on."""
        starts = [i for i, row in enumerate(self.rows) if i == 0 or row[0] != self.rows[i - 1][0]]
        ends = [*starts[1:], len(self.rows)]
        lengths = dict(
            zip(starts, (end - start for start, end in zip(starts, ends, strict=True)), strict=True)
        )
        return tuple(lengths.get(i, 0) for i in range(len(self.rows)))


def table(
    caption: str, head: Sequence[str], rows: Iterable[Sequence[str]], numbers: Iterable[int] = ()
) -> Table:
    """Make a table of at most :data:`MOST_ROWS` rows and count those left out."""
    whole = [tuple(row) for row in rows]
    return Table(
        caption,
        tuple(head),
        tuple(whole[:MOST_ROWS]),
        frozenset(numbers),
        max(len(whole) - MOST_ROWS, 0),
    )


def flow(endpoint: EndpointResult, protocol: Protocol) -> Table:
    """Count the tanks of each arm: allocated, followed, analysed; and sampling days."""
    rows: list[tuple[str, ...]] = [
        (
            arm_title(protocol, arm.arm),
            f"{arm.allocated:,}",
            f"{arm.followed:,}",
            f"{arm.analysed:,}",
            f"{arm.days:,} of {arm.days_due:,}" if arm.days_due else f"{arm.days:,}",
        )
        for arm in endpoint.flow
    ]
    sums = [
        sum(getattr(arm, name) for arm in endpoint.flow) for name in ("allocated", "followed", "analysed")
    ]
    days, due = sum(arm.days for arm in endpoint.flow), sum(arm.days_due for arm in endpoint.flow)
    rows.append(("All arms", *(f"{n:,}" for n in sums), f"{days:,} of {due:,}" if due else f"{days:,}"))
    return table(
        f"Tanks and sampling days for {plain(endpoint.title, 80)}, {endpoint.phase} phase",
        ("Arm", "Allocated", "With a reading", "Analysed", "Sampling days kept"),
        rows,
        range(1, 5),
    )


def missing(analysis: Analysis, protocol: Protocol) -> Table:
    """List every tank without a number, with the reason, endpoint by endpoint."""
    rows = [
        (
            tank.tank,
            tank.block or ABSENT,
            arm_title(protocol, tank.arm),
            plain(endpoint.title, 80),
            tank.why_missing,
        )
        for endpoint in analysis.endpoints
        for tank in endpoint.tanks
        if tank.y is None
    ]
    return table("Tanks that could not be analysed", ("Tank", "Block", "Arm", "Endpoint", "Why"), rows)


def held(rows: Sequence[HeldRow]) -> Table:
    """List the rows that still wait for a person."""
    return table(
        "Rows still held, not analysed",
        ("File", "Sheet", "Row", "Why"),
        [
            (
                plain(row.file, 80),
                plain(row.sheet, 40) or ABSENT,
                str(row.row),
                " ".join(plain(r.text, 400) for r in row.reasons),
            )
            for row in rows
        ],
        [2],
    )


def arms(protocol: Protocol) -> Table:
    """Show what each arm was."""
    return table(
        "Arms",
        ("Arm", "Role", "Carbon source", "Full dose"),
        [
            (
                plain(arm.title),
                str(arm.role),
                plain(arm.carbon.source) if arm.carbon else "none",
                plain(arm.carbon.full_dose or "") or ABSENT if arm.carbon else ABSENT,
            )
            for arm in protocol.arms
        ],
    )


def phases(protocol: Protocol) -> Table:
    """Show the phases with their days."""
    return table(
        "Phases" + (f", repeated in each of {protocol.n_periods} periods" if protocol.n_periods > 1 else ""),
        ("Phase", "First day", "Days"),
        [
            (phase.id, day_words(protocol.phase_days[phase.id][0]), f"{phase.days:,}")
            for phase in protocol.schedule.phases
        ],
        [2],
    )


def sampling(protocol: Protocol) -> Table:
    """Show how often each variable was to be measured."""
    return table(
        "Sampling",
        ("Variable", "Every"),
        [
            (variable_title(protocol, s.variable).capitalize(), count(s.every_days, "day"))
            for s in protocol.schedule.sampling
        ],
    )


def endpoints(analysis: Analysis, protocol: Protocol) -> Table:
    """Show what was registered to be compared."""
    words = {
        Baseline.NONE: "not used",
        Baseline.CHANGE: "subtracted",
        Baseline.ADJUST: "allowed for",
    }
    return table(
        "Endpoints as registered",
        ("Endpoint", "Role", "Number of a tank", "Phase", "Baseline", "Compared as", "Better", "Worthwhile"),
        [
            (
                plain(e.title),
                str(e.role) + ("" if e.role is EndpointRole.PRIMARY else ", exploratory"),
                f"{e.summary} of {variable_title(protocol, e.variable)}",
                e.phase,
                words[e.baseline],
                str(e.scale),
                str(e.better),
                margin_words(e) or "none",
            )
            for e in analysis.endpoints
        ],
    )


def stop_rules(protocol: Protocol) -> Table:
    """Show when a treatment was to be changed for the animals' sake."""
    rows = []
    for rule in protocol.stop_rules:
        unit = plain(variables_for(protocol)[rule.variable].unit, 30)
        bounds = [
            f"{word} {quantity(bound)} {unit if unit != '1' else ''}".strip()
            for word, bound in (("below", rule.below), ("above", rule.above))
            if bound is not None
        ]
        rows.append(
            (
                variable_title(protocol, rule.variable).capitalize(),
                listed(bounds),
                count(rule.consecutive, "reading") + (" in a row" if rule.consecutive > 1 else ""),
                plain(rule.action, 300),
            )
        )
    return table("Stop rules as registered", ("Variable", "When", "For", "Then"), rows)


def shared_out(allocation: Allocation, protocol: Protocol) -> Table:
    """Show which tank had which arm: by block, or by arm where there are no blocks; by tank in a crossover."""
    caption = "Which tank had which arm"
    names = [arm_title(protocol, arm.id, 60) for arm in protocol.arms]
    if protocol.n_periods > 1:
        rows = [
            (tank, *(arm_title(protocol, arm, 60) for arm in sequence))
            for tank, sequence in allocation.sequence_of().items()
        ]
        return table(caption, ("Tank", *(f"Period {i}" for i in range(1, protocol.n_periods + 1))), rows)
    blocks = dict.fromkeys(assignment.block for assignment in allocation.assignments)
    held: dict[tuple[str | None, str], list[str]] = {}
    for assignment in allocation.assignments:
        held.setdefault((assignment.block, assignment.arm), []).append(assignment.tank)
    cells = {
        block: [", ".join(held.get((block, arm.id), ())) or ABSENT for arm in protocol.arms]
        for block in blocks
    }
    if len(cells) > 1:
        return table(caption, ("Block", *names), [(block or ABSENT, *row) for block, row in cells.items()])
    return table(caption, ("Arm", "Tanks"), list(zip(names, *cells.values(), strict=True)))
