"""Which arms stand together when blocks are too small for all of them.

In a balanced incomplete-block design every pair of arms meets in equally many blocks and every difference is
known equally well (Yates 1936, Annals of Eugenics 7:121). Where the numbers allow it the sets found here are
balanced; where they do not, they are as even as a search without chance finds them: of least tr(C^2), C the
information on the arms within blocks (Shah 1960, Annals of Mathematical Statistics 31:791; Eccleston and Hedayat
1974, Annals of Statistics 2:1238), and of greatest efficiency among those.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from schemas.errors import AllocationError
from schemas.plain_words import counted, listed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

Block = tuple[int, ...]

_EFFORT = 30_000
"""Subsets that the search for a balanced set smaller than all subsets may look at."""


@dataclass(frozen=True)
class IncompleteSets:
    """Arms (codes from 0) of each block, and how even they are.

    Parameters
    ----------
    sets : tuple of tuple of int
        Arms of each block, in the order of the sizes given; an arm stands twice in blocks larger than the arms.
    replication : int array, (arms,)
        Tanks of each arm.
    concurrence : int array, (arms, arms)
        Pairs of tanks, one of each arm, that share a block; the diagonal is the replication.
    balanced, connected : bool
        Every difference known equally well; every difference known at all from within blocks.
    efficiency : float
        Average variance of a difference in complete blocks with the same tanks and the same error, as a share of that
        here: the harmonic mean of the canonical efficiency factors (James and Wilkinson 1971, Biometrika
        58:279). lambda v / (r k) where balanced; 0 where not connected.
    sentence : str
        What was reached, in plain words.
    """

    sets: tuple[Block, ...]
    replication: Ints
    concurrence: Ints
    balanced: bool
    connected: bool
    efficiency: float
    sentence: str


def incomplete_sets(arms: int, sizes: Sequence[int]) -> IncompleteSets:
    """The most even sets of ``arms`` for blocks of the given sizes.

    Parameters
    ----------
    arms : int
        Number of arms, two or more.
    sizes : sequence of int
        Tanks of each block. A block with more tanks than arms holds every arm, some of them again.

    Raises
    ------
    AllocationError
        Fewer than two arms, no block, or a block without tanks.
    """
    if arms < 2 or not sizes or min(sizes) < 1:
        raise AllocationError("Blocks are shared out over two arms or more, and each block needs a tank.")
    places: dict[int, list[int]] = {}
    for place, size in enumerate(sizes):
        places.setdefault(size, []).append(place)
    found: dict[int, Block] = {}
    rest: list[int] = []
    for size, mine in sorted(places.items()):
        cycle = _balanced_cycle(arms, size % arms, len(mine))
        whole = len(mine) // len(cycle) * len(cycle) if cycle else 0
        for at, place in enumerate(mine[:whole]):
            found[place] = _filled(arms, size, cycle[at % len(cycle)])
        rest += mine[whole:]
    evened = _evened(arms, list(found.values()), [sizes[place] for place in rest])
    found.update(zip(rest, evened, strict=True))
    return described(arms, [found[place] for place in range(len(sizes))])


def balanced_number(arms: int, size: int) -> int:
    """Fewest blocks of ``size`` tanks known here to be balanced; every multiple of it is as well."""
    return len(_smallest_balanced(arms, size % arms)) or 1


def described(arms: int, sets: Sequence[Block]) -> IncompleteSets:
    """Counts, balance and efficiency of any sets of arms, whoever made them."""
    counts = _counts(arms, sets)
    replication = counts.sum(axis=0)
    concurrence = counts.T @ counts
    np.fill_diagonal(concurrence, replication)
    information = sum((_information(row) for row in counts), np.zeros((arms, arms)))
    balanced = bool(np.allclose(information, _even(information), atol=1e-9 * max(len(sets), 1)))
    efficiency = _efficiency(information, replication)
    connected = efficiency > 0
    sentence = _sentence(arms, sets, concurrence, balanced=balanced and connected, connected=connected)
    return IncompleteSets(
        tuple(sets), replication, concurrence, balanced and connected, connected, efficiency, sentence
    )


def _counts(arms: int, sets: Sequence[Block]) -> Ints:
    return np.array([np.bincount(block, minlength=arms) for block in sets], dtype=np.int64).reshape(-1, arms)


def _information(counts: Ints) -> Floats:
    """Information of one block on differences of arms, in units of the inverse error variance."""
    part: Floats = np.diag(counts) - np.outer(counts, counts) / counts.sum()
    return part


def _even(information: Floats) -> Floats:
    """The information of the same total that speaks of all differences alike."""
    arms = len(information)
    even: Floats = np.trace(information) / (arms - 1) * (np.eye(arms) - 1 / arms)
    return even


def _efficiency(information: Floats, replication: Ints) -> float:
    if (replication == 0).any():
        return 0.0
    root = 1 / np.sqrt(replication)
    factors = np.linalg.eigvalsh(information * np.outer(root, root))[1:]
    return float(len(factors) / np.sum(1 / factors)) if factors[0] > 1e-9 else 0.0


def _filled(arms: int, size: int, some: Block) -> Block:
    """A block of ``size``: every arm as often as it goes in, and ``some`` once more."""
    return tuple(sorted((*(tuple(range(arms)) * (size // arms)), *some)))


def _balanced_cycle(arms: int, size: int, blocks: int) -> tuple[Block, ...]:
    """Balanced sets of ``size`` that fit into ``blocks``; empty where none known is small enough."""
    cycle = _smallest_balanced(arms, size)
    return cycle if len(cycle) <= blocks else ()


@lru_cache
def _smallest_balanced(arms: int, size: int) -> tuple[Block, ...]:
    """Smallest balanced set of subsets that is found within the effort, at worst all subsets there are.

    The necessary conditions (Fisher 1940, Annals of Eugenics 10:52) leave few numbers of blocks to try: each arm
    equally often, each pair equally often, and no fewer blocks than arms.
    """
    if size == 0:
        return ((),)
    if size > arms / 2:
        everyone = range(arms)
        rest = _smallest_balanced(arms, arms - size)
        return tuple(tuple(arm for arm in everyone if arm not in block) for block in rest)
    search = _Search(arms, size)
    if size > 2:
        for blocks in range(arms, math.comb(arms, size)):
            if blocks * size % arms == 0 and blocks * size * (size - 1) % (arms * (arms - 1)) == 0:
                found = search.balanced(blocks, blocks * size * (size - 1) // (arms * (arms - 1)))
                if found:
                    return found
    return tuple(combinations(range(arms), size))


class _Search:
    """Depth-first search for sets in which every pair meets equally often, the effort shared by all tries."""

    def __init__(self, arms: int, size: int) -> None:
        self._arms, self._size, self._left = arms, size, _EFFORT

    def balanced(self, blocks: int, together: int) -> tuple[Block, ...]:
        """Sets in which every pair meets ``together`` times; empty where none is found."""
        short = dict.fromkeys(combinations(range(self._arms), 2), together)
        chosen: list[Block] = []
        return tuple(chosen) if self._extend(chosen, blocks, short) else ()

    def _extend(self, chosen: list[Block], blocks: int, short: dict[tuple[int, int], int]) -> bool:
        """Give the first pair that still has to meet every block it can have, one after the other."""
        if len(chosen) == blocks:
            return True
        one, other = next(pair for pair, wanted in short.items() if wanted)
        rest = [arm for arm in range(other + 1, self._arms) if short[one, arm] and short[other, arm]]
        for more in combinations(rest, self._size - 2):
            self._left -= 1
            if self._left < 0:
                return False
            block = (one, other, *more)
            pairs = list(combinations(block, 2))
            if not all(short[pair] for pair in pairs) or (chosen and block < chosen[-1]):
                continue
            for pair in pairs:
                short[pair] -= 1
            chosen.append(block)
            if self._extend(chosen, blocks, short):
                return True
            chosen.pop()
            for pair in pairs:
                short[pair] += 1
        return False


def _evened(arms: int, given: list[Block], sizes: list[int]) -> list[Block]:
    """Sets for further blocks that make the whole as even as exchanging one at a time can."""
    options = {
        size: [_filled(arms, size, some) for some in combinations(range(arms), size % arms)] for size in sizes
    }
    counts = {size: _counts(arms, blocks) for size, blocks in options.items()}
    parts = {size: np.array([_information(row) for row in rows]) for size, rows in counts.items()}
    so_far = _counts(arms, given)
    total = sum((_information(row) for row in so_far), np.zeros((arms, arms)))
    tally = so_far.sum(axis=0)
    choice: list[int] = []
    for size in sizes:
        choice.append(_best(total, tally, parts[size], counts[size])[0])
        total = total + parts[size][choice[-1]]
        tally = tally + counts[size][choice[-1]]
    improved = True
    while improved:
        improved = False
        for at, size in enumerate(sizes):
            without, fewer = total - parts[size][choice[at]], tally - counts[size][choice[at]]
            best, key = _best(without, fewer, parts[size], counts[size])
            if key < _key(total, tally):
                choice[at], total, tally = best, without + parts[size][best], fewer + counts[size][best]
                improved = True
    return [options[size][at] for size, at in zip(sizes, choice, strict=True)]


_Key = tuple[float, int, float, int]


def _best(total: Floats, tally: Ints, parts: Floats, counts: Ints) -> tuple[int, _Key]:
    """The option that leaves the whole most even, and how even that is."""
    squares = np.sum((total + parts) ** 2, axis=(1, 2))
    ties = np.flatnonzero(squares <= squares.min() + 1e-9)
    keys = [(_key(total + parts[at], tally + counts[at]), int(at)) for at in ties]
    key, at = min(keys)
    return at, key


def _key(total: Floats, tally: Ints) -> _Key:
    """Less is better: tr(C^2), arms still apart, variance of a difference, unevenness of the replication."""
    values = np.linalg.eigvalsh(total)
    seen = values > 1e-9
    return (
        round(float(np.sum(total**2)), 8),
        -int(seen.sum()),
        round(float(np.sum(1 / values[seen])), 8),
        int(np.sum(tally**2)),
    )


def _sentence(arms: int, sets: Sequence[Block], concurrence: Ints, *, balanced: bool, connected: bool) -> str:
    meet = _times(concurrence[np.triu_indices(arms, 1)])
    tanks = _tanks(np.diag(concurrence))
    if balanced:
        return (
            f"Balanced: every two arms meet {meet} in {counted(len(sets), 'block')}, each arm has {tanks}, and every "
            "difference is known equally well."
        )
    if not connected:
        return (
            f"{counted(len(sets), 'block').capitalize()} of this size cannot join {arms} arms: some differences cannot "
            "be told from differences between blocks."
        )
    fair = f"Not balanced, but as even as could be found: two arms meet {meet}, and an arm has {tanks}."
    sizes = {len(block) for block in sets}
    if len(sizes) > 1:
        return fair
    step = balanced_number(arms, sizes.pop())
    around = [number for number in (len(sets) // step * step, -(-len(sets) // step) * step) if number]
    return f"{fair} {listed([str(number) for number in around])} blocks would be balanced."


def _times(meetings: Ints) -> str:
    """How often two arms meet, as one says it."""
    least, most = int(meetings.min()), int(meetings.max())
    often = {1: "once", 2: "twice"}.get(most, f"{most} times")
    if least == most:
        return often
    return f"at most {often}" if least == 0 else f"{least} {'or' if most == least + 1 else 'to'} {most} times"


def _tanks(replication: Ints) -> str:
    least, most = int(replication.min()), int(replication.max())
    if least == most:
        return counted(most, "tank")
    return f"{least} {'or' if most == least + 1 else 'to'} {most} tanks"
