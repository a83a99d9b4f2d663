"""Holding an allocation against its protocol, and a drawn one against its own draw."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from schemas.errors import AllocationError
from schemas.plain_words import listed
from schemas.vocabulary import DesignKind
from trials.allocation.drawing import draw
from trials.register.records import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.allocation import Allocation
    from schemas.protocol import Protocol


def check(allocation: Allocation, protocol: Protocol, digest: str) -> list[Finding]:
    """Check an allocation against its protocol, and a drawn one against its own draw.

    A draw under a balance rule is redone from the baselines that the allocation carries.

    Returns
    -------
    list of Finding
        One for every tank that is wrong, ``where`` naming it; empty where all is as it must be.
    """
    findings = _unfit(allocation, protocol)
    if findings or not allocation.drawn:
        return findings
    try:
        redrawn = draw(protocol, digest, allocation.seed, dict(allocation.balance_values))
    except AllocationError as error:
        return [_finding("seed", f"The draw cannot be redone: {error}")]
    given = allocation.sequence_of()
    findings = [
        _finding(
            tank,
            f'Tank {tank} has {_arms(given[tank])}, but the seed "{allocation.seed}" gives it {listed(arms, "then")}.',
        )
        for tank, arms in redrawn.sequence_of().items()
        if given[tank] != arms
    ]
    if allocation.attempt != redrawn.attempt:
        findings.append(
            _finding(
                "attempt",
                f"Draw {allocation.attempt} is said to be the first that meets the balance rule, but that is draw "
                f"{redrawn.attempt}.",
            )
        )
    return findings


def _arms(arms: Sequence[str]) -> str:
    return f"{'arm' if len(arms) == 1 else 'the arms'} {listed(arms, 'then')}"


def _unfit(allocation: Allocation, protocol: Protocol) -> list[Finding]:
    """Find tanks, arms and periods that the protocol lacks, tanks doubled or left out, blocks and sites that differ."""
    tanks = {tank.id: tank for tank in protocol.tanks}
    arms = {arm.id for arm in protocol.arms}
    crossover = protocol.design.kind is DesignKind.CROSSOVER
    periods: list[int | None] = [*range(1, protocol.n_periods + 1)] if crossover else [None]
    times = Counter((a.tank, a.period) for a in allocation.assignments)
    findings = [
        _finding(tank, f"Tank {tank} is allocated {count} times{_in(period)}.")
        for (tank, period), count in times.items()
        if count > 1
    ]
    findings += [
        _finding(tank, f"Tank {tank} of the protocol is not allocated{_in(period)}.")
        for tank in tanks
        for period in periods
        if (tank, period) not in times
    ]
    for assignment in allocation.assignments:
        if assignment.tank not in tanks:
            findings.append(_finding(assignment.tank, f"Tank {assignment.tank} is not in the protocol."))
            continue
        tank = tanks[assignment.tank]
        if assignment.period not in periods:
            findings.append(
                _finding(
                    tank.id,
                    f"Tank {tank.id} is allocated{_in(assignment.period)}, which is not in the protocol.",
                )
            )
        if assignment.arm not in arms:
            findings.append(
                _finding(tank.id, f"Tank {tank.id} has arm {assignment.arm}, which is not in the protocol.")
            )
        if (assignment.block, assignment.site) != (tank.block, tank.site):
            findings.append(
                _finding(tank.id, f"Tank {tank.id} has another block or site than in the protocol.")
            )
    return findings


def _in(period: int | None) -> str:
    return "" if period is None else f" in period {period}"


def _finding(where: str, text: str) -> Finding:
    return Finding("allocation", where, text)
