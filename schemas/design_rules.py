"""Rules that belong to one kind of design: what its blocks, periods, phases and error have to be."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from schemas.plain_words import counted, listed, quoted
from schemas.protocol import BASELINE_PHASE, FILLED_DESIGNS, POOLED_DESIGNS
from schemas.protocol_draft import CENTURY, Draft, day, text, whole, word
from schemas.protocol_names import unknown, unknown_variable
from schemas.protocol_places import Fault
from schemas.vocabulary import ArmRole, DesignKind, Variance

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

BALANCED_DESIGNS = (DesignKind.PARALLEL, DesignKind.BLOCKS)


def design_faults(draft: Draft) -> list[Fault]:
    """Faults of a design that are seen only against its tanks, schedule and analysis."""
    own: dict[str | None, Callable[[Draft], Iterator[Fault]]] = {
        DesignKind.INCOMPLETE_BLOCKS: _incomplete_blocks,
        DesignKind.CROSSOVER: _crossover,
        DesignKind.BEFORE_AFTER: _before_after,
    }
    return [
        *(own[draft.kind](draft) if draft.kind in own else ()),
        *_crossover_keys(draft),
        *_balance(draft),
        *_variance(draft),
        *_imputations(draft),
    ]


def _incomplete_blocks(draft: Draft) -> Iterator[Fault]:
    """Blocks have to leave some arm out, join all arms, and leave spread over to judge a difference by."""
    arms, sizes = len(set(draft.arm_ids)), {block: len(tanks) for block, tanks in draft.blocks.items()}
    if not sizes or draft.blockless or arms < 2:
        return
    alone = [block for block, size in sizes.items() if size == 1]
    for block in alone:
        yield Fault(
            ("tanks", draft.blocks[block][0], "block"),
            f"block {quoted(block)} has 1 tank",
            "every block needs two tanks or more, since a tank alone is compared with nothing",
        )
    if alone:
        return
    if all(size >= arms for size in sizes.values()):
        yield Fault(
            ("design", "kind"),
            f"every block has {arms} tanks or more, one for each arm",
            f'write kind = "{DesignKind.BLOCKS}"',
        )
        return
    # A block joins at most as many arms as it has tanks: blocks hang together as the links of a chain do.
    joined = 1 + sum(min(size, arms) - 1 for size in sizes.values())
    if joined < arms:
        yield Fault(
            ("tanks",),
            f"stand in {counted(len(sizes), 'block')}, which join {counted(joined, 'arm')} of {arms} at most",
            "every arm has to be compared with every other, if only through a third; add blocks or tanks",
        )
    elif sum(sizes.values()) - len(sizes) < arms:
        yield Fault(
            ("tanks",),
            f"{sum(sizes.values())} in {counted(len(sizes), 'block')} for {arms} arms leave no spread to judge a "
            "difference by",
            "add blocks or tanks",
        )


def _crossover(draft: Draft) -> Iterator[Fault]:
    design, periods = draft.table("design"), whole(draft.table("design"), "periods")
    if "periods" not in design:
        yield Fault(
            ("design", "periods"),
            "is missing",
            "write how many periods every tank goes through, e.g. periods = 2",
        )
    if periods is not None and periods >= 2:
        yield from _crossover_days(draft, periods)
        yield from _crossover_tanks(draft, periods)
    if draft.blocks:
        for position in draft.blockless:
            yield Fault(
                ("tanks", position, "block"),
                "is missing",
                "a crossover needs the block (cohort) of every tank, or of none",
            )
    yield from _starts(draft)


def _crossover_days(draft: Draft, periods: int) -> Iterator[Fault]:
    between = whole(draft.table("design"), "washout_days") or 0
    length = max((after for _, after in draft.windows.values()), default=0)
    total = periods * length + (periods - 1) * max(between, 0)
    if length <= CENTURY < total:
        yield Fault(
            ("design", "periods"),
            f"{periods} periods last {total} days in all",
            "check their number and the lengths, which are in days",
        )


def _crossover_tanks(draft: Draft, periods: int) -> Iterator[Fault]:
    tanks, arms = len(draft.rows("tanks")), len(set(draft.arm_ids))
    if not draft.is_list("tanks") or not tanks or arms < 2:
        return
    # Cohorts that start on days of their own have effects of period of their own.
    apart = bool(draft.table("schedule").get("starts")) and draft.blocks and not draft.blockless
    sizes = [len(block) for block in draft.blocks.values()] if apart else [tanks]
    free = sum((size - 1) * (periods - 1) for size in sizes) - (arms - 1)
    if free < 1:
        where = f" in {counted(len(sizes), 'cohort')}" if len(sizes) > 1 else ""
        yield Fault(
            ("tanks",),
            f"{tanks}{where} for {periods} periods and {arms} arms leave no spread to judge a difference by",
            f"{len(sizes) - (-arms // (periods - 1))} are the fewest that do",
        )


def _starts(draft: Draft) -> Iterator[Fault]:
    """First days of cohorts: of blocks that there are, and none before the trial's own first day."""
    starts, first = draft.table("schedule").get("starts"), day(draft.table("schedule"), "start")
    if not isinstance(starts, dict) or not draft.is_list("tanks"):
        return
    if starts and not draft.blocks:
        yield Fault(
            ("schedule", "starts"),
            "names cohorts, and no tank names its block",
            "write the block (cohort) of each tank, or leave starts out",
        )
        return
    for name, value in starts.items():
        path = ("schedule", "starts", name)
        if name not in draft.blocks:
            if not draft.blockless:
                yield unknown(path, name, "block", list(draft.blocks))
        elif isinstance(value, dt.datetime):
            yield Fault(path, f"{value} has a time of day", f"write the day alone: {value.date()}")
        elif first and (begins := day(starts, name)) is not None:
            if begins < first:
                yield Fault(
                    path,
                    f"{begins} lies before start, {first}",
                    "let start be the day of the earliest cohort",
                )
            elif (begins - first).days > CENTURY:
                yield Fault(path, f"lies in the year {begins.year}", "check the year")


def _before_after(draft: Draft) -> Iterator[Fault]:
    phases = draft.table("schedule").get("phases")
    if draft.phases and draft.are_named(phases) and BASELINE_PHASE not in draft.phase_ids:
        yield Fault(
            ("schedule", "phases"),
            f"has no phase of the id {quoted(BASELINE_PHASE)}",
            "a before-after design needs the days before the change as a phase of that id",
        )
    roles = [word(arm, "role", ArmRole) for _, arm in draft.rows("arms")]
    if draft.is_list("arms") and len(roles) > 1 and None not in roles and ArmRole.TEST not in roles:
        yield Fault(
            ("arms",), "has no arm that is changed", 'give the arm whose tanks are changed role = "test"'
        )
    tanks, arms = len(draft.rows("tanks")), len(set(draft.arm_ids))
    if draft.is_list("tanks") and 0 < tanks < arms:
        yield Fault(
            ("tanks",),
            f"has {counted(tanks, 'tank')} for {counted(arms, 'arm')}",
            "a before-after design needs a tank that is changed and one beside it that is not",
        )


def _crossover_keys(draft: Draft) -> Iterator[Fault]:
    """Keys of a crossover in a design that has no periods."""
    if draft.kind in {None, DesignKind.CROSSOVER}:
        return
    for table, key in (("design", "periods"), ("design", "washout_days"), ("schedule", "starts")):
        if key in draft.table(table):
            yield Fault(
                (table, key),
                f'does not belong to a design of kind "{draft.kind}"',
                f'leave it out; it is for "{DesignKind.CROSSOVER}" only',
            )


def _balance(draft: Draft) -> Iterator[Fault]:
    balance, path = draft.table("design").get("balance"), ("design", "balance")
    if not isinstance(balance, dict) or draft.kind is None:
        return
    if draft.kind not in BALANCED_DESIGNS:
        yield Fault(
            path,
            f'does not belong to a design of kind "{draft.kind}"',
            f"leave it out; it is for {listed(map(quoted, BALANCED_DESIGNS))} only",
        )
        return
    named = draft.phases and draft.are_named(draft.table("schedule").get("phases"))
    if named and BASELINE_PHASE not in draft.phase_ids:
        yield Fault(
            path,
            f"needs a phase of the id {quoted(BASELINE_PHASE)}, and there is none",
            "add that phase before treatment begins, or leave balance out",
        )
        return
    name = text(balance, "variable")
    fault = unknown_variable((*path, "variable"), name, draft) if name else None
    if fault:
        yield fault
    elif name and draft.windows and not draft.sampled_days(name, BASELINE_PHASE):
        yield Fault(
            (*path, "variable"),
            f"{quoted(name)} is not sampled in the baseline",
            "the draw is held against its baseline readings, so give it sampling days there",
        )


def _variance(draft: Draft) -> Iterator[Fault]:
    if draft.kind in POOLED_DESIGNS and draft.table("analysis").get("variance") == Variance.OWN:
        yield Fault(
            ("analysis", "variance"),
            f'"{Variance.OWN}" takes the error from pairs, and a design of kind "{draft.kind}" is not made of them',
            f'leave it out, or write variance = "{Variance.POOLED}"',
        )


def _imputations(draft: Draft) -> Iterator[Fault]:
    """Filling in is asked for where the design has an analysis that can use it."""
    if "imputations" in draft.table("analysis") and draft.kind not in {None, *FILLED_DESIGNS}:
        yield Fault(
            ("analysis", "imputations"),
            f'does not belong to a design of kind "{draft.kind}", whose missing days are not filled in',
            f"leave it out; it is for {listed(map(quoted, FILLED_DESIGNS))} only",
        )
