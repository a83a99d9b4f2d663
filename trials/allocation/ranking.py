"""The draw, step by step: what is ranked by which text, and what each rank takes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from string import ascii_uppercase
from typing import TYPE_CHECKING

import numpy as np

from analysis.balance import gaps, meets
from analysis.designs import incomplete_sets
from analysis.sequence_order import ordered
from analysis.sequences import crossover_sequences
from schemas.errors import AllocationError
from schemas.plain_words import counted, listed
from schemas.vocabulary import DesignKind
from trials.allocation.seeds import settle_seed

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from schemas.protocol import Balance, Protocol, Tank

ATTEMPTS = 100_000
"""Draws that are tried under a balance rule before it is given up."""
_BATCH = 500


@dataclass(frozen=True)
class RankedTank:
    """A tank's line of the draw: ``sha256`` is the hexadecimal SHA-256 of ``text`` in UTF-8.

    ``block`` is empty where tanks are ranked all together; ``rank`` counts from 1 within the block. ``arms`` is the
    tank's one arm, in a crossover its arms by period.
    """

    block: str
    rank: int
    tank: str
    text: str
    sha256: str
    arms: tuple[str, ...]


@dataclass(frozen=True)
class RankedName:
    """A line of the draw that comes before the tanks: a block that takes a set of arms, an arm that takes a letter."""

    what: str
    rank: int
    name: str
    text: str
    sha256: str
    takes: tuple[str, ...]


@dataclass(frozen=True)
class Derivation:
    """A whole draw.

    Parameters
    ----------
    seed : str
        As settled.
    tanks : tuple of RankedTank
        Blocks in the order of the protocol, ranks ascending.
    names : tuple of RankedName
        Blocks of incomplete blocks, arms of a crossover; empty in other designs.
    given : tuple of tuple of str
        What is given out, in order: sets of arms, or sequences of letters; empty in other designs.
    attempt : int or None
        The counter of the first draw that met the balance rule.
    notes : tuple of str
        What the draw reached, in sentences.
    """

    seed: str
    tanks: tuple[RankedTank, ...]
    names: tuple[RankedName, ...] = ()
    given: tuple[tuple[str, ...], ...] = ()
    attempt: int | None = None
    notes: tuple[str, ...] = ()


def derivation(
    protocol: Protocol, digest: str, seed: str | None, baseline: Mapping[str, float] | None = None
) -> Derivation:
    """Rank the tanks and give them their arms, with all that is needed to redo it by hand.

    Every ranking is by the SHA-256 of a UTF-8 text, as hexadecimal, smallest first. Neither a digest, a block, a
    tank nor an arm can hold ``|``, so no two things that are ranked together share a text.

    Parallel arms, blocks and before-after: tanks are ranked by ``digest|seed|block|tank`` (within their block in a
    design in blocks, else all together) and take the arms in the protocol's order, starting again after the last.
    Under a balance rule the text is ``digest|seed|block|tank|k``, and the first k = 1, 2, ... is taken whose
    allocation meets the rule.

    Incomplete blocks: blocks are ranked by ``digest|seed|block`` among those of their size and take the sets of
    :func:`analysis.designs.incomplete_sets` in order; the tanks of a block, ranked as above, take the arms of its
    set in the protocol's order.

    Crossover: arms are ranked by ``digest|seed|arm`` and take the letters A, B, ...; the tanks of a cohort (block),
    ranked as above, take the sequences of letters in turn, each cohort going on where the last one ended.

    Parameters
    ----------
    protocol : Protocol
        The sealed protocol.
    digest : str
        Its digest, lower-case hexadecimal.
    seed : str or None
        As given to the command; None where the protocol holds it.
    baseline : mapping of str to float, optional
        Baseline of each tank, for a balance rule.

    Raises
    ------
    AllocationError
        A seed that :func:`settle_seed` refuses; a tank without a baseline, or a balance rule that no draw meets.
    """
    settled = settle_seed(protocol, seed)
    draw = _Draw(protocol, digest, settled)
    if protocol.design.kind is DesignKind.INCOMPLETE_BLOCKS:
        return _incomplete_blocks(draw)
    if protocol.design.kind is DesignKind.CROSSOVER:
        return _crossover(draw)
    if protocol.design.balance is not None:
        return _balanced(draw, protocol.design.balance, baseline or {})
    return Derivation(settled, draw.in_turn())


def rehearsed(protocol: Protocol) -> Derivation:
    """Rehearse the draw of incomplete blocks or of a crossover with neither digest nor seed.

    Which sets or sequences are given out does not depend on them, only who gets which.
    """
    draw = _Draw(protocol, "", "")
    return _crossover(draw) if protocol.design.kind is DesignKind.CROSSOVER else _incomplete_blocks(draw)


@dataclass(frozen=True)
class _Draw:
    """The protocol with what every text begins with."""

    protocol: Protocol
    digest: str
    seed: str

    @property
    def arms(self) -> list[str]:
        return [arm.id for arm in self.protocol.arms]

    def blocks(self) -> dict[str, list[Tank]]:
        """The tanks by the block they are ranked in; one block without a name where all are ranked together."""
        apart = self.protocol.design.kind not in {DesignKind.PARALLEL, DesignKind.BEFORE_AFTER}
        blocks: dict[str, list[Tank]] = {}
        for tank in self.protocol.tanks:
            blocks.setdefault((tank.block or "") if apart else "", []).append(tank)
        return blocks

    def text(self, *parts: str) -> str:
        return "|".join((self.digest, self.seed, *parts))

    def ranked(self, names: Iterable[str]) -> list[tuple[str, str, str]]:
        """SHA-256, text and name of blocks or arms, by rank."""
        return _ranked((name, self.text(name)) for name in names)

    def tanks(self, tanks: Iterable[Tank], suffix: str = "") -> list[tuple[str, str, str]]:
        """SHA-256, text and name of tanks, by rank."""
        return _ranked((tank.id, self.text(tank.block or "", tank.id) + suffix) for tank in tanks)

    def in_turn(self, suffix: str = "") -> tuple[RankedTank, ...]:
        """Every block's tanks with the arms in the protocol's order, again and again."""
        arms = self.arms
        return tuple(
            RankedTank(block, rank, tank, text, sha256, (arms[(rank - 1) % len(arms)],))
            for block, tanks in self.blocks().items()
            for rank, (sha256, text, tank) in enumerate(self.tanks(tanks, suffix), 1)
        )


def _ranked(texts: Iterable[tuple[str, str]]) -> list[tuple[str, str, str]]:
    return sorted((hashlib.sha256(text.encode()).hexdigest(), text, name) for name, text in texts)


def _incomplete_blocks(draw: _Draw) -> Derivation:
    blocks, arms = draw.blocks(), draw.arms
    sizes = sorted(len(tanks) for tanks in blocks.values())
    found = incomplete_sets(len(arms), sizes)
    names, sets = [], {}
    for size in sorted(set(sizes)):
        alike = (block for block, tanks in blocks.items() if len(tanks) == size)
        waiting = [arm_set for arm_set in found.sets if len(arm_set) == size]
        for rank, (sha256, text, block) in enumerate(draw.ranked(alike), 1):
            sets[block] = tuple(arms[arm] for arm in waiting[rank - 1])
            names.append(RankedName("block", rank, block, text, sha256, sets[block]))
    tanks = tuple(
        RankedTank(block, rank, tank, text, sha256, (sets[block][rank - 1],))
        for block, members in blocks.items()
        for rank, (sha256, text, tank) in enumerate(draw.tanks(members), 1)
    )
    given = tuple(tuple(arms[arm] for arm in arm_set) for arm_set in found.sets)
    return Derivation(draw.seed, tanks, tuple(names), given, notes=(found.sentence,))


def _crossover(draw: _Draw) -> Derivation:
    sequences = ordered(crossover_sequences(len(draw.arms), draw.protocol.n_periods), len(draw.arms))
    letters = [_letter(place) for place in range(len(draw.arms))]
    names = tuple(
        RankedName("arm", rank, arm, text, sha256, (letters[rank - 1],))
        for rank, (sha256, text, arm) in enumerate(draw.ranked(draw.arms), 1)
    )
    tanks: list[RankedTank] = []
    for block, members in draw.blocks().items():
        for rank, (sha256, text, tank) in enumerate(draw.tanks(members), 1):
            sequence = sequences[len(tanks) % len(sequences)]
            arms = tuple(names[letter].name for letter in sequence)
            tanks.append(RankedTank(block, rank, tank, text, sha256, arms))
    given = tuple(tuple(letters[letter] for letter in sequence) for sequence in sequences)
    return Derivation(draw.seed, tuple(tanks), names, given)


def _letter(place: int) -> str:
    return ascii_uppercase[place % 26] + (str(place // 26 + 1) if place >= 26 else "")


def _balanced(draw: _Draw, balance: Balance, baseline: Mapping[str, float]) -> Derivation:
    """The first draw whose arms' mean baselines lie close enough together."""
    lacking = [tank.id for tank in draw.protocol.tanks if tank.id not in baseline]
    if lacking:
        raise AllocationError(
            f"The draw is held against the baseline {balance.variable}, which {listed(lacking, 'and')} "
            f"{'has' if len(lacking) == 1 else 'have'} no reading of; take the baseline readings in first."
        )
    blocks = list(draw.blocks().values())
    values = np.array([baseline[tank.id] for tanks in blocks for tank in tanks])
    closest = np.inf
    for first in range(1, ATTEMPTS + 1, _BATCH):
        labels = _labels(draw, blocks, range(first, first + _BATCH))
        met = np.flatnonzero(meets(labels, values, balance.max_gap))
        if len(met):
            attempt = first + int(met[0])
            gap = float(gaps(labels[met[:1]], values)[0])
            note = (
                f"Draw {attempt} is the first that meets the balance rule: the arms' mean baseline {balance.variable} "
                f"differs by {gap:.4g} at most, and {balance.max_gap:g} is allowed."
            )
            return Derivation(draw.seed, draw.in_turn(f"|{attempt}"), attempt=attempt, notes=(note,))
        closest = min(closest, float(gaps(labels, values).min()))
    raise AllocationError(
        f"None of {counted(ATTEMPTS, 'draw')} brings the arms' mean baseline {balance.variable} within "
        f"{balance.max_gap:g} of one another; the closest differs by {closest:.4g}, so the rule cannot be met with "
        "these tanks. Record an allocation made elsewhere, or register a protocol with a wider rule."
    )


def _labels(draw: _Draw, blocks: Sequence[Sequence[Tank]], attempts: range) -> NDArray[np.int64]:
    """The arm of each tank, by block, in each of many draws."""
    arms = len(draw.arms)
    labels = np.empty((len(attempts), sum(map(len, blocks))), dtype=np.int64)
    first = 0
    for tanks in blocks:
        begun = [hashlib.sha256(draw.text(tank.block or "", tank.id).encode()) for tank in tanks]
        for row, attempt in enumerate(attempts):
            hashes = []
            for start in begun:
                whole = start.copy()
                whole.update(b"|%d" % attempt)
                hashes.append(whole.digest())
            for rank, place in enumerate(sorted(range(len(tanks)), key=hashes.__getitem__)):
                labels[row, first + place] = rank % arms
        first += len(tanks)
    return labels
