"""Rules on arms, the design and the tanks: whether there is something to compare, and enough of it."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from schemas.plain_words import counted, listed, quoted
from schemas.protocol_draft import word
from schemas.protocol_names import duplicates
from schemas.protocol_places import Fault
from schemas.vocabulary import ArmRole, DesignKind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.protocol_draft import Draft


def group_faults(draft: Draft) -> list[Fault]:
    """Faults of arms, design and tanks that are seen only across keys."""
    return [
        *duplicates(draft.rows("arms"), ("arms",), "id", "arm"),
        *_arms(draft),
        *_seed(draft),
        *duplicates(draft.rows("tanks"), ("tanks",), "id", "tank"),
        *_tanks(draft),
    ]


def _arms(draft: Draft) -> Iterator[Fault]:
    if not draft.is_list("arms"):
        return
    arms = [arm for _, arm in draft.rows("arms")]
    if len(arms) < 2:
        yield Fault(("arms",), f"has {counted(len(arms), 'arm')}", "a comparison needs two arms or more")
    roles = [word(arm, "role", ArmRole) for arm in arms]
    if arms and None not in roles and set(roles) == {ArmRole.TEST}:
        yield Fault(
            ("arms",),
            "has neither a control nor a reference",
            'give the arm that the others are compared with role = "control" (untreated) or "reference"',
        )


def _seed(draft: Draft) -> Iterator[Fault]:
    if {"seed", "seed_from"} <= draft.table("design").keys():
        yield Fault(
            ("design", "seed"),
            "stands beside seed_from",
            "keep seed_from if the seed is drawn after the protocol is sealed, or seed if it is chosen now",
        )


def _tanks(draft: Draft) -> Iterator[Fault]:
    if not draft.is_list("tanks"):
        return
    tanks, arms = draft.rows("tanks"), len(set(draft.arm_ids))
    if not tanks:
        yield Fault(("tanks",), "has no tanks", "name every tank that takes part")
    elif draft.kind == DesignKind.PARALLEL and len(tanks) < 2 * arms:
        yield Fault(
            ("tanks",),
            f"has {counted(len(tanks), 'tank')} for {counted(arms, 'arm')}",
            f"each arm needs at least two tanks, since one tank shows no spread, so {2 * arms} in all",
        )
    elif draft.kind in {DesignKind.BLOCKS, DesignKind.INCOMPLETE_BLOCKS}:
        yield from _blocks(draft)
        yield from _complete(draft, arms)
    yield from _alike(draft.blocks)


def _blocks(draft: Draft) -> Iterator[Fault]:
    """Every tank in a block, and two blocks or more."""
    if draft.blockless and not draft.blocks:
        yield Fault(
            ("tanks",), "no tank names its block", "write the block of each tank, or design kind = parallel"
        )
        return
    for position in draft.blockless:
        yield Fault(
            ("tanks", position, "block"), "is missing", "a design in blocks needs the block of every tank"
        )
    if len(draft.blocks) == 1 and not draft.blockless:
        yield Fault(
            ("tanks",),
            f"all stand in one block ({quoted(next(iter(draft.blocks)))})",
            "a design in blocks needs two blocks or more, since one block shows no spread",
        )


def _complete(draft: Draft, arms: int) -> Iterator[Fault]:
    if draft.kind != DesignKind.BLOCKS or draft.blockless:
        return
    for block, positions in draft.blocks.items():
        if len(positions) < arms:
            yield Fault(
                ("tanks", positions[0], "block"),
                f"block {quoted(block)} has {counted(len(positions), 'tank')} for {counted(arms, 'arm')}",
                f'every block needs a tank for each arm, unless kind = "{DesignKind.INCOMPLETE_BLOCKS}"',
            )


def _alike(blocks: dict[str, list[int]]) -> Iterator[Fault]:
    folded: dict[str, list[str]] = defaultdict(list)
    for block in blocks:
        folded[block.casefold()].append(block)
    for alike in folded.values():
        if len(alike) > 1:
            yield Fault(
                ("tanks", blocks[alike[1]][0], "block"),
                f"{listed(map(quoted, alike), 'and')} differ only in capital letters",
                "write one block in one way",
            )
