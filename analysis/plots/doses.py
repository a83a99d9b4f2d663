"""What each tank was given of its arm's carbon, summed over time, against the full dose that was registered."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd
from plotnine import (
    aes,
    facet_wrap,
    geom_segment,
    ggplot,
    labs,
    scale_x_continuous,
    scale_y_continuous,
)

from analysis.numerals import count, day_words, plain, quantity
from analysis.plots.marked import geom_tank_line, geom_tank_point, told
from analysis.plots.theme import (
    INK,
    WIDTH,
    arm_label,
    arm_scales,
    captioned,
    look,
    nothing,
    text_width,
)
from analysis.plots.timeline import Timeline, tick_labels
from analysis.water.doses import parse_dose
from schemas.errors import WaterError
from schemas.events import EventKind, amount_in_words
from schemas.plain_words import listed
from schemas.protocol import BASELINE_PHASE

if TYPE_CHECKING:
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

_GIVEN = (EventKind.DOSE.value, EventKind.POLYMER_ADDED.value)
_MOST_MARKS = 400
_PER = 100.0
"""Litres that amounts are given for, as people write doses."""


def figure(
    protocol: Protocol, allocation: Allocation, events: pd.DataFrame, *, width: float = WIDTH
) -> ggplot:
    """Draw the sums of doses and of pellets added, one panel an arm and unit.

    Parameters
    ----------
    events : DataFrame
        ``tank``, ``at``, ``kind``, ``amount``, ``unit``, as the register gives them.
    """
    timeline = Timeline.of(protocol)
    given = _given(protocol, allocation, events, timeline)
    if given.empty:
        return nothing("No dose is recorded in the phases of the trial.", width)
    columns = min(given["panel"].nunique(), 1 if width < 5 else 3)
    letters = int((width - 0.8) / columns / text_width("m", 8.5))
    titles = {
        str(
            panel
        ): f"{arm_label(protocol, str(mine['arm'].iloc[0]), letters)}\n{mine['unit'].iloc[0]}{_per(given)}, n = {mine['tank'].nunique()}"
        for panel, mine in given.groupby("panel", sort=False)
    }
    plan = _planned(protocol, given, timeline)
    given, plan = (
        frame.assign(panel=pd.Categorical(frame["panel"], list(titles))) for frame in (given, plan)
    )
    rows = math.ceil(len(titles) / columns)
    crowded = len(given) > _MOST_MARKS
    return (
        ggplot(given, aes("x", "sum"))
        + geom_segment(aes("x", "y", xend="xend", yend="yend"), plan, linetype="dashed", color=INK, size=0.6)
        + geom_tank_line(aes(group="run", color="arm", told="line"), size=0.5, alpha=0.8, show_legend=False)
        + (
            []
            if crowded
            else [
                geom_tank_point(
                    aes(color="arm", shape="arm", told="told"), size=0.8, stroke=0.2, show_legend=False
                )
            ]
        )
        + facet_wrap("panel", ncol=columns, labeller=titles.__getitem__, scales="free_y")
        + arm_scales(protocol, {}, width, legend=False)
        + scale_x_continuous(
            breaks=timeline.ticks(last=columns < 3),
            labels=tick_labels,
            minor_breaks=[],
            limits=(0, timeline.days / timeline.per),
            expand=(0, 0),
        )
        + scale_y_continuous(
            limits=(0, None), labels=lambda ticks: [quantity(tick) for tick in ticks], minor_breaks=[]
        )
        + labs(x=timeline.title.replace("'", "\u2019"), y="Given so far")
        + captioned(_caption(given, plan, events), width)
        + look(width, 1.1 + rows * 2.4)
    )


def alt_text(protocol: Protocol, allocation: Allocation, events: pd.DataFrame) -> str:
    """Say in words, from the data, what the figure shows."""
    given = _given(protocol, allocation, events, Timeline.of(protocol))
    if given.empty:
        return "Empty chart: no dose is recorded in the phases of the trial."
    said = []
    for _, mine in given.groupby("panel", sort=False):
        ends = mine.groupby("run")["sum"].max()
        said.append(
            f"with {plain(protocol.arm(mine['arm'].iloc[0]).title, 80)}, {quantity(float(ends.median()))} "
            f"{mine['unit'].iloc[0]}{_per(given)} in the middle tank (from {quantity(float(ends.min()))} to "
            f"{quantity(float(ends.max()))}) in {count(len(mine), 'dose')}"
        )
    return f"Line chart of doses summed over time. Given by the end: {listed(said, last='and')}."


def _given(
    protocol: Protocol, allocation: Allocation, events: pd.DataFrame, timeline: Timeline
) -> pd.DataFrame:
    """Doses with their time and their sum so far, by tank and period; for 100 L where every volume is known."""
    known = events["tank"].isin(list(allocation.sequence_of()))
    mine = events[events["kind"].isin(_GIVEN) & events["amount"].notna() & known]
    columns = ["tank", "at", "amount", "unit", "kind"]
    placed = timeline.place(allocation, mine[columns].rename(columns={"at": "taken_at"}))
    volumes = {tank.id: tank.volume_L for tank in protocol.tanks}
    litres = placed["tank"].map(volumes).astype(float)
    scaled = bool(len(placed)) and bool(litres.notna().all())
    placed = placed.assign(
        scaled=scaled,
        share=placed["amount"] * (_PER / litres if scaled else 1.0),
        x=placed["day"] / timeline.per,
    ).sort_values(["tank", "period", "unit", "day"], kind="stable")
    titles = {arm.id: plain(arm.title, 60) for arm in protocol.arms}
    order = {arm.id: place for place, arm in enumerate(protocol.arms)}
    runs = placed["tank"] + "|" + placed["period"].astype(str) + "|" + placed["unit"]
    placed = placed.assign(
        run=runs,
        sum=placed.groupby(runs)["share"].cumsum(),
        panel=placed["arm"] + "|" + placed["unit"],
        line=[
            told(tank, f"{tank}, {titles[arm]}")
            for tank, arm in zip(placed["tank"], placed["arm"], strict=True)
        ],
        told=[
            told(tank, f"{tank}, {titles[arm]}, {day_words(at)}: {amount_in_words(amount, unit)}")
            for tank, arm, at, amount, unit in zip(
                *(placed[name] for name in ("tank", "arm", "taken_at", "amount", "unit")), strict=True
            )
        ],
    )
    return placed.sort_values("arm", key=lambda arms: arms.map(order), kind="stable", ignore_index=True)


def _per(given: pd.DataFrame) -> str:
    return f" / {_PER:g} L" if given["scaled"].any() else " a tank"


def _planned(protocol: Protocol, given: pd.DataFrame, timeline: Timeline) -> pd.DataFrame:
    """The registered full dose: what stands as a level, what is given daily as a slope from the first day after baseline."""
    rows = []
    first = next((s.after for s in timeline.spans if s.phase == BASELINE_PHASE), 0)
    for panel, mine in given.groupby("panel", sort=False):
        arm = protocol.arm(str(mine["arm"].iloc[0]))
        try:
            dose = parse_dose(arm.carbon.full_dose if arm.carbon and arm.carbon.full_dose else "")
        except WaterError:
            continue
        per_tank = dose.litres is None
        if (
            dose.unit != mine["unit"].iloc[0]
            or per_tank == bool(given["scaled"].any())
            or protocol.n_periods > 1
        ):
            continue
        full = dose.amount if per_tank else dose.for_litres(_PER).amount
        days = timeline.days - first
        start, end = (0.0, full * days) if dose.daily else (full, full)
        rows.append((panel, first / timeline.per, start, timeline.days / timeline.per, end))
    return pd.DataFrame(rows, columns=["panel", "x", "y", "xend", "yend"])


def _caption(given: pd.DataFrame, plan: pd.DataFrame, events: pd.DataFrame) -> list[str]:
    counted = events["kind"].isin(_GIVEN)
    left_out = int(counted.sum()) - len(given)
    return [
        f"n: {count(given['tank'].nunique(), 'tank')}, {count(len(given), 'dose')} as recorded; each line is a tank.",
        "Dashed: the registered full dose from the first day after the baseline, without a ramp."
        if len(plan)
        else "",
        "Pellets given are not carbon used: only what is worn off counts, and weighing alone tells it."
        if (given["kind"] == EventKind.POLYMER_ADDED.value).any()
        else "",
        f"{count(left_out, 'dose')} outside the phases, without an arm or without an amount not drawn."
        if left_out
        else "",
    ]
