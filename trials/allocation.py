"""Sharing the tanks out over the arms so that anyone can redo it, and recording what others drew.

No random generator is used, since its stream may change from one version to the next. Tanks are ranked by the
SHA-256 of a text that holds the digest of the sealed protocol and a seed that came after the seal; down that
ranking they take the arms in the protocol's order. Any SHA-256 tool gives the same allocation.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.allocation import Allocation, Assignment
from schemas.errors import AllocationError, Mistake
from schemas.plain_words import counted, listed, nearest, quoted
from schemas.vocabulary import DesignKind
from trials.register.records import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from schemas.protocol import Protocol, Tank

DRAWN_DESIGNS = (DesignKind.PARALLEL, DesignKind.BLOCKS)


@dataclass(frozen=True)
class RankedTank:
    """One line of the draw: ``sha256`` is the hexadecimal SHA-256 of ``text`` in UTF-8.

    ``block`` is empty in a parallel design; ``rank`` counts from 1 within the block.
    """

    block: str
    rank: int
    tank: str
    text: str
    sha256: str
    arm: str


def settle_seed(protocol: Protocol, seed: str | None) -> str:
    """Settle the text that the draw hashes: the seed given, or the one written in the protocol.

    Surrounding spaces are taken off; all else stays as typed.

    Raises
    ------
    AllocationError
        No seed to be had; a seed other than the one sealed; a seed for a protocol that named no source for it,
        which would let its giver choose the draw; or a character in it that cannot be seen.
    """
    given = None if seed is None else seed.strip()
    sealed = protocol.design.seed
    if sealed is not None:
        if given not in (None, sealed):
            raise AllocationError(
                f'The seed "{given}" is not the one sealed in the protocol, "{sealed}"; leave the seed out.'
            )
        return sealed
    source = protocol.design.seed_from
    if source is None:
        raise AllocationError(
            "The protocol names neither a seed nor where one comes from (design.seed_from), so a draw could be "
            "chosen after the seal; record an allocation made elsewhere instead, with how it was made."
        )
    if not given:
        raise AllocationError(f"The draw needs its seed, which the protocol takes from: {source}.")
    unseen = next((character for character in given if not character.isprintable()), None)
    if unseen is not None:
        raise AllocationError(
            f"The seed holds a character that cannot be seen (U+{ord(unseen):04X}), so nobody could type it again; "
            "type the seed with plain characters and spaces."
        )
    return given


def derivation(protocol: Protocol, digest: str, seed: str | None) -> tuple[RankedTank, ...]:
    """Rank the tanks and give them their arms, with all that is needed to redo it by hand.

    Within a block (in a parallel design: among all tanks) tanks are ranked by the SHA-256 of the UTF-8 text
    ``digest|seed|block|tank``, as hexadecimal, smallest first, and take the arms in the protocol's order, starting
    again after the last one. Neither a digest, a block nor a tank can hold ``|``, so no two tanks share a text.

    Parameters
    ----------
    protocol : Protocol
        The sealed protocol, of a parallel or block design.
    digest : str
        Its digest, lower-case hexadecimal.
    seed : str or None
        As given to the command; None where the protocol holds it.

    Returns
    -------
    tuple of RankedTank
        Blocks in the order of the protocol, ranks ascending.

    Raises
    ------
    AllocationError
        A design that is not drawn this way, or a seed that :func:`settle_seed` refuses.
    """
    if protocol.design.kind not in DRAWN_DESIGNS:
        raise AllocationError(
            f'A "{protocol.design.kind}" design cannot be drawn here; the designs that can are '
            f"{listed(DRAWN_DESIGNS, last='and')}."
        )
    settled = settle_seed(protocol, seed)
    ranked: list[RankedTank] = []
    for block, tanks in _blocks(protocol).items():
        hashed = []
        for tank in tanks:
            text = f"{digest}|{settled}|{tank.block or ''}|{tank.id}"
            hashed.append((hashlib.sha256(text.encode()).hexdigest(), text, tank.id))
        for position, (sha256, text, tank_id) in enumerate(sorted(hashed)):
            arm = protocol.arms[position % len(protocol.arms)].id
            ranked.append(RankedTank(block, position + 1, tank_id, text, sha256, arm))
    return tuple(ranked)


def draw(protocol: Protocol, digest: str, seed: str | None) -> Allocation:
    """Draw the allocation of a parallel or block design; arguments and errors as :func:`derivation`."""
    arms = {ranked.tank: ranked.arm for ranked in derivation(protocol, digest, seed)}
    settled = settle_seed(protocol, seed)
    how = protocol.design.seed_from or "the lead chose the seed and wrote it in the protocol"
    return Allocation(_assign(protocol, arms), drawn=True, random=True, how=how, seed=settled)


def instructions(protocol: Protocol, digest: str, seed: str | None) -> list[str]:
    """Give the lines that let a person redo the draw: the rule, then one line a tank by block and rank."""
    among = "Within each block the tanks" if protocol.design.kind is DesignKind.BLOCKS else "The tanks"
    order = ", ".join(arm.id for arm in protocol.arms)
    lines = [
        f"{among} are ranked by the SHA-256, in hexadecimal, smallest first, of the text digest|seed|block|tank.",
        f"Down that ranking they take the arms in the protocol's order ({order}), starting again after the last.",
    ]
    for ranked in derivation(protocol, digest, seed):
        place = f"block {ranked.block}, rank {ranked.rank}" if ranked.block else f"rank {ranked.rank}"
        lines.append(
            f'{place}: {ranked.tank} takes {ranked.arm}; SHA-256 of "{ranked.text}" is {ranked.sha256}'
        )
    return lines


def read_recorded(path: Path, protocol: Protocol, *, how: str, random: bool) -> Allocation:
    """Read an allocation that somebody else made: a CSV file with the columns ``tank`` and ``arm``.

    Comma, semicolon or tab, with or without a byte order mark, columns in any order and case; further columns and
    empty lines are passed over. A block may lack an arm (see :func:`remarks`), but every tank of the protocol has
    one arm and every arm at least one tank.

    Parameters
    ----------
    path : Path
        The file.
    protocol : Protocol
        The sealed protocol.
    how : str
        In words, how the allocation was made.
    random : bool
        Whether chance decided.

    Raises
    ------
    AllocationError
        The file cannot be read, or has mistakes: all of them are named, each with its line.
    """
    lines, table = _table(path)
    arms: dict[str, str] = {}
    first_seen: dict[str, int] = {}
    mistakes: list[Mistake] = []
    for number, tank, arm in zip(lines, table["tank"], table["arm"], strict=True):
        place = f"line {number}"
        mistakes += _unknown(place, "tank", tank, [tank.id for tank in protocol.tanks])
        mistakes += _unknown(place, "arm", arm, [arm.id for arm in protocol.arms])
        if tank and tank in first_seen:
            mistakes.append(
                Mistake(
                    place, f"tank {quoted(tank)} stands here again", f"it has line {first_seen[tank]} already"
                )
            )
        first_seen.setdefault(tank, number)
        arms.setdefault(tank, arm)
    mistakes += [
        Mistake("the file", f"tank {tank.id} is missing", "give it a line with its arm")
        for tank in protocol.tanks
        if tank.id not in arms
    ]
    mistakes += [
        Mistake(
            "the file", f"no tank has the arm {arm.id}", "every arm of the protocol needs at least one tank"
        )
        for arm in protocol.arms
        if arm.id not in arms.values()
    ]
    if mistakes:
        shown = "\n".join(f"  {mistake}" for mistake in mistakes)
        raise AllocationError(f"{path.name} has {counted(len(mistakes), 'mistake')}:\n{shown}")
    return Allocation(_assign(protocol, arms), drawn=False, random=random, how=how.strip().rstrip("."))


def remarks(protocol: Protocol, allocation: Allocation) -> list[str]:
    """Say in sentences where the arms are not shared out evenly; empty where they are."""
    sentences = []
    arm_of = allocation.arm_of()
    for block, tanks in _blocks(protocol).items():
        counts = Counter({arm.id: 0 for arm in protocol.arms})
        counts.update(arm_of[tank.id] for tank in tanks if tank.id in arm_of)
        where = f"Block {block}" if block else "The trial"
        absent = [arm for arm, count in counts.items() if count == 0]
        if absent:
            sentences.append(f"{where} has no tank with {listed(absent)}.")
        elif len(set(counts.values())) > 1:
            shares = ", ".join(f"{count} with {arm}" for arm, count in counts.items())
            why = "; the first arms of the protocol take the tanks left over" if allocation.drawn else ""
            sentences.append(f"{where} has {len(tanks)} tanks for {len(counts)} arms: {shares}{why}.")
    return sentences


def check(allocation: Allocation, protocol: Protocol, digest: str) -> list[Finding]:
    """Check an allocation against its protocol, and a drawn one against its own draw.

    Returns
    -------
    list of Finding
        One for every tank that is wrong, ``where`` naming it; empty where all is as it must be.
    """
    findings = _unfit(allocation, protocol)
    if findings or not allocation.drawn:
        return findings
    try:
        redrawn = draw(protocol, digest, allocation.seed)
    except AllocationError as error:
        return [_finding("seed", f"The draw cannot be redone: {error}")]
    given = allocation.arm_of()
    return [
        _finding(tank, f'Tank {tank} has arm {given[tank]}, but the seed "{allocation.seed}" gives it {arm}.')
        for tank, arm in redrawn.arm_of().items()
        if given[tank] != arm
    ]


def _assign(protocol: Protocol, arms: Mapping[str, str]) -> tuple[Assignment, ...]:
    """Write out the arm of every tank in the protocol's order, with its block and site."""
    return tuple(Assignment(tank.id, arms[tank.id], tank.block, tank.site) for tank in protocol.tanks)


def _blocks(protocol: Protocol) -> dict[str, list[Tank]]:
    """Gather the tanks by the block they are ranked in; one block without a name in a parallel design."""
    blocks: dict[str, list[Tank]] = {}
    for tank in protocol.tanks:
        name = (tank.block or "") if protocol.design.kind is DesignKind.BLOCKS else ""
        blocks.setdefault(name, []).append(tank)
    return blocks


def _unfit(allocation: Allocation, protocol: Protocol) -> list[Finding]:
    """Find tanks and arms that the protocol lacks, tanks doubled or left out, blocks and sites that differ."""
    tanks = {tank.id: tank for tank in protocol.tanks}
    arms = {arm.id for arm in protocol.arms}
    times = Counter(assignment.tank for assignment in allocation.assignments)
    findings = [
        _finding(tank, f"Tank {tank} is allocated {count} times.")
        for tank, count in times.items()
        if count > 1
    ]
    findings += [
        _finding(tank, f"Tank {tank} of the protocol is not allocated.")
        for tank in tanks
        if tank not in times
    ]
    for assignment in allocation.assignments:
        if assignment.tank not in tanks:
            findings.append(_finding(assignment.tank, f"Tank {assignment.tank} is not in the protocol."))
            continue
        tank = tanks[assignment.tank]
        if assignment.arm not in arms:
            findings.append(
                _finding(tank.id, f"Tank {tank.id} has arm {assignment.arm}, which is not in the protocol.")
            )
        if (assignment.block, assignment.site) != (tank.block, tank.site):
            findings.append(
                _finding(tank.id, f"Tank {tank.id} has another block or site than in the protocol.")
            )
    return findings


def _table(path: Path) -> tuple[list[int], dict[str, list[str]]]:
    """Read the line numbers and the two columns of a recorded allocation."""
    text = _text(path)
    delimiter = max(",;\t", key=text.lstrip().partition("\n")[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        rows = [(reader.line_num, [cell.strip() for cell in row]) for row in reader]
    except csv.Error as error:
        raise AllocationError(
            f"{path.name} cannot be read as CSV, line {reader.line_num}: {error}; save it as CSV again."
        ) from None
    rows = [(number, row) for number, row in rows if any(row)]
    header = [cell.casefold() for cell in rows[0][1]] if rows else []
    for name in ("tank", "arm"):
        if header.count(name) != 1:
            seen = f"its first line is {quoted(delimiter.join(rows[0][1]))}" if rows else "it is empty"
            raise AllocationError(
                f'{path.name} needs one column "tank" and one column "arm", named in the first line; {seen}.'
            )
    places = {name: header.index(name) for name in ("tank", "arm")}
    columns = {
        name: [row[place] if place < len(row) else "" for _, row in rows[1:]]
        for name, place in places.items()
    }
    return [number for number, _ in rows[1:]], columns


def _text(path: Path) -> str:
    """Read a text file in UTF-8 or UTF-16 with its mark, else Latin-1, which differs in no tank or arm."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise AllocationError(f"{path} cannot be read: {(error.strerror or str(error)).lower()}.") from None
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    if b"\0" in content:
        raise AllocationError(f"{path.name} is not a text file; save it as CSV.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def _unknown(place: str, what: str, name: str, known: Sequence[str]) -> Iterator[Mistake]:
    if name in known:
        return
    meant = nearest(name, known)
    found = f"{what} {quoted(name)} is not in the protocol" if name else f"the {what} is missing"
    remedy = f"did you mean {meant}" if name and meant else f"the {what}s are {listed(known, last='and')}"
    yield Mistake(place, found, remedy)


def _finding(where: str, text: str) -> Finding:
    return Finding("allocation", where, text)
