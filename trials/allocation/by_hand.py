"""The lines that let a person redo a draw by hand: the rule, then every text with its hash and what it takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.vocabulary import DesignKind
from trials.allocation.ranking import derivation

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from trials.allocation.ranking import Derivation


def instructions(protocol: Protocol, digest: str, allocation: Allocation) -> list[str]:
    """Give the lines that let a person redo a draw.

    Parameters
    ----------
    protocol : Protocol
        The sealed protocol.
    digest : str
        Its digest.
    allocation : Allocation
        A drawn allocation, with its seed and the baselines that it was held against.

    Raises
    ------
    AllocationError
        The draw cannot be redone.
    """
    derived = derivation(protocol, digest, allocation.seed, dict(allocation.balance_values))
    lines = [*_rule(protocol, derived), *_baselines(protocol, allocation)]
    for name in derived.names:
        takes = ", ".join(name.takes)
        lines.append(
            f'{name.what} {name.name}, rank {name.rank}: takes {takes}; SHA-256 of "{name.text}" is {name.sha256}'
        )
    for tank in derived.tanks:
        place = f"block {tank.block}, rank {tank.rank}" if tank.block else f"rank {tank.rank}"
        takes = ", ".join(tank.arms)
        lines.append(f'{place}: {tank.tank} takes {takes}; SHA-256 of "{tank.text}" is {tank.sha256}')
    return lines


def _rule(protocol: Protocol, derived: Derivation) -> Iterator[str]:
    kind = protocol.design.kind
    text = "digest|seed|block|tank" + ("|k" if derived.attempt else "")
    among = {
        DesignKind.BLOCKS: "Within each block the tanks",
        DesignKind.INCOMPLETE_BLOCKS: "Within each block the tanks",
        DesignKind.CROSSOVER: "Within each cohort (block) the tanks",
    }.get(kind, "The tanks")
    yield f"{among} are ranked by the SHA-256, in hexadecimal, smallest first, of the text {text}."
    order = ", ".join(arm.id for arm in protocol.arms)
    if kind is DesignKind.INCOMPLETE_BLOCKS:
        sets = "; ".join(" with ".join(arms) for arms in derived.given)
        yield (
            "Blocks are ranked in the same way by the text digest|seed|block, and those of one size take the sets of "
            f"that many arms in this order: {sets}."
        )
        yield f"Down the ranking the tanks of a block take the arms of its set in the protocol's order ({order})."
    elif kind is DesignKind.CROSSOVER:
        letters = ", ".join(name.takes[0] for name in derived.names)
        yield f"Arms are ranked in the same way by the text digest|seed|arm and take the letters {letters}."
        yield (
            "Down the ranking the tanks take the sequences of letters in turn, a cohort going on where the one before "
            f"it ended: {'; '.join(' '.join(sequence) for sequence in derived.given)}; and again from the first."
        )
    else:
        yield (
            f"Down that ranking they take the arms in the protocol's order ({order}), starting again after the last."
        )


def _baselines(protocol: Protocol, allocation: Allocation) -> Iterator[str]:
    balance = protocol.design.balance
    if balance is None:
        return
    values = ", ".join(f"{tank} {value!r}" for tank, value in allocation.balance_values)
    yield (
        f"The first k of 1, 2, ... is taken for which no two arms' mean baseline {balance.variable} differs by more "
        f"than {balance.max_gap:g}: k = {allocation.attempt}. The baselines: {values}."
    )
