"""Nitrate against phosphate in each tank: whether both fell as growth takes them, and whether phosphate ran out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
from plotnine import (
    aes,
    annotate,
    arrow,
    facet_wrap,
    geom_segment,
    ggplot,
    labs,
    scale_x_continuous,
    scale_y_continuous,
)

from analysis.numerals import count, plain, quantity
from analysis.plots.axes import value_axis
from analysis.plots.marked import geom_tank_point, told
from analysis.plots.theme import (
    INK,
    WIDTH,
    arm_label,
    arm_looks,
    arm_scales,
    captioned,
    look,
    nothing,
    text_width,
)
from analysis.plots.timeline import Timeline
from analysis.water.stoichiometry import DEFAULT_CELLS
from schemas.protocol import BASELINE_PHASE

if TYPE_CHECKING:
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

_STALL = "#f3dcd2"
BOTH = ("nitrate", "phosphate")


def measured(protocol: Protocol) -> bool:
    """Whether a trial measures both, so that there is something to draw."""
    return {*BOTH} <= {sampling.variable for sampling in protocol.schedule.sampling}


def figure(
    protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, spent: float, *, width: float = WIDTH
) -> ggplot:
    """Draw each tank's days with both readings after the baseline, and its way from baseline to end.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings: ``tank``, ``taken_at``, ``variable``, ``value``, ``sign``.
    spent : float
        mg/L of phosphate at and below which it counts as run out.
    """
    days = _days(protocol, allocation, readings)
    if days.empty:
        return nothing("No day of any tank has both nitrate and phosphate.", width)
    ways = _ways(days)
    n = {str(arm): int(k) for arm, k in days.groupby("arm")["tank"].nunique().items()}
    columns = min(len(n), 2 if width < 5 else 3)
    letters = int((width - 0.6) / columns / text_width("m", 8.5))
    titles = {
        arm: f"{arm_label(protocol, arm, letters)}\nn = {n[arm]}" for arm in arm_looks(protocol) if arm in n
    }
    x, y = (value_axis([0.0, *days[name]], log=False) for name in ("phosphate", "nitrate"))
    rows = -(-len(titles) // columns)
    days, ways = (frame.assign(panel=pd.Categorical(frame["arm"], list(titles))) for frame in (days, ways))
    return (
        ggplot(days, aes("phosphate", "nitrate"))
        + annotate("rect", xmin=0, xmax=spent, ymin=0, ymax=y.high, fill=_STALL)
        + _growth_lines(ways, x.high)
        + _marks(protocol, days, ways)
        + facet_wrap("panel", ncol=columns, labeller=titles.__getitem__)
        + arm_scales(protocol, {}, width, legend=False)
        + scale_x_continuous(
            limits=(0, x.high), breaks=list(x.ticks), labels=x.labels, expand=(0, 0), minor_breaks=[]
        )
        + scale_y_continuous(
            limits=(0, y.high), breaks=list(y.ticks), labels=y.labels, expand=(0, 0), minor_breaks=[]
        )
        + labs(x="Phosphate, mg/L", y="Nitrate, mg/L")
        + captioned(_caption(days, spent), width)
        + look(width, 1.1 + rows * 2.4)
    )


def alt_text(protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, spent: float) -> str:
    """Say in words, from the data, what the figure shows."""
    days = _days(protocol, allocation, readings)
    if days.empty:
        return "Empty chart: no day of any tank has both nitrate and phosphate."
    ways = _ways(days)
    said = []
    for arm in protocol.arms:
        mine, low = ways[ways["arm"] == arm.id], days[days["arm"] == arm.id]
        if mine.empty:
            continue
        ends = mine[["phosphate", "nitrate", "phosphate_end", "nitrate_end"]].median()
        spent_days = int((low["phosphate"] <= spent).sum())
        said.append(
            f"with {plain(arm.title, 80)} the middle tank went from {quantity(ends['nitrate'])} mg/L nitrate and "
            f"{quantity(ends['phosphate'])} mg/L phosphate to {quantity(ends['nitrate_end'])} and "
            f"{quantity(ends['phosphate_end'])}, and {count(spent_days, 'day')} of a tank had phosphate at or below "
            f"{quantity(spent)} mg/L"
        )
    return f"Nitrate against phosphate in each tank: {'; '.join(said)}."


def _days(protocol: Protocol, allocation: Allocation, readings: pd.DataFrame) -> pd.DataFrame:
    """Days of a tank with both: daily means, arm, period, phase; censored where a reading of either is."""
    known = readings["tank"].isin(list(allocation.sequence_of())) & readings["value"].notna()
    mine = readings.loc[
        known & readings["variable"].isin(BOTH), ["tank", "taken_at", "variable", "value", "sign"]
    ]
    columns = ["tank", "on", "arm", "period", "phase", "nitrate", "phosphate", "censored"]
    if mine.empty:
        return pd.DataFrame(columns=columns)
    placed = Timeline.of(protocol).place(allocation, mine)
    placed = placed.assign(on=placed["taken_at"].dt.normalize(), censored=placed["sign"] != "")
    keys = ["tank", "on", "arm", "period", "phase"]
    means = placed.groupby([*keys, "variable"])["value"].mean().unstack("variable")  # noqa: PD010 - one value a cell
    means = means.reindex(columns=list(BOTH)).dropna()
    censored = placed.groupby(keys)["censored"].any()
    found: pd.DataFrame = means.join(censored).reset_index()
    return found


def _ways(days: pd.DataFrame) -> pd.DataFrame:
    """Each tank's means over its first and its last phase with both, one row a tank and period that has two phases."""
    ordered = days.sort_values("on")
    keys = ["tank", "period", "arm"]
    phases = ordered.groupby(keys)["phase"].agg(["first", "last"]).reset_index()
    phases = phases[phases["first"] != phases["last"]]
    means = ordered.groupby([*keys, "phase"])[["phosphate", "nitrate"]].mean().reset_index()
    start = phases.merge(means, left_on=[*keys, "first"], right_on=[*keys, "phase"])
    return start.merge(means, left_on=[*keys, "last"], right_on=[*keys, "phase"], suffixes=("", "_end"))


def _growth_lines(ways: pd.DataFrame, reach: float) -> list[Any]:
    """Through each arm's middle start, the line along which both fall when bacteria only grow."""
    slope = DEFAULT_CELLS.nitrate_per_phosphate
    rows = []
    for panel, mine in ways.groupby("panel", observed=True):
        x, y = float(mine["phosphate"].median()), float(mine["nitrate"].median())
        low = max(0.0, x - y / slope)
        rows.append((panel, low, y - slope * (x - low), x, y))
    lines = pd.DataFrame(rows, columns=["panel", "x", "y", "xend", "yend"])
    lines["panel"] = pd.Categorical(lines["panel"], ways["panel"].cat.categories)
    lines = lines[lines["x"] <= reach]
    return [
        geom_segment(aes("x", "y", xend="xend", yend="yend"), lines, linetype="dashed", color=INK, size=0.6)
    ]


def _marks(protocol: Protocol, days: pd.DataFrame, ways: pd.DataFrame) -> list[Any]:
    after = days[days["phase"] != BASELINE_PHASE]
    titles = {arm.id: plain(arm.title, 60) for arm in protocol.arms}
    after = after.assign(
        told=[
            told(
                tank,
                f"{tank}, {titles[arm]}, {on:%Y-%m-%d}: nitrate {quantity(n)}, phosphate {quantity(p)} mg/L",
            )
            for tank, arm, on, n, p in zip(
                *(after[name] for name in ("tank", "arm", "on", "nitrate", "phosphate")), strict=True
            )
        ]
    )
    look_of = aes(color="arm", shape="arm", told="told")
    marks = [
        geom_tank_point(
            look_of,
            after[~after["censored"].astype(bool)],
            size=0.7,
            stroke=0.2,
            alpha=0.5,
            show_legend=False,
        )
    ]
    open_marks = after[after["censored"].astype(bool)]
    if len(open_marks):
        marks.append(
            geom_tank_point(look_of, open_marks, size=0.9, stroke=0.4, fill="white", show_legend=False)
        )
    ends = ways.rename(columns={"phosphate_end": "xend", "nitrate_end": "yend"})
    return [
        *marks,
        geom_segment(
            aes(xend="xend", yend="yend", color="arm"),
            ends,
            size=0.7,
            arrow=arrow(length=0.07, type="closed", angle=22),
            show_legend=False,
        ),
    ]


def _caption(days: pd.DataFrame, spent: float) -> list[str]:
    cells = DEFAULT_CELLS
    ratio = f"{cells.carbon:g}:{cells.nitrogen:g}:{cells.phosphorus:g}"
    censored = int(days["censored"].sum())
    return [
        f"n: {count(days['tank'].nunique(), 'tank')}, {count(len(days), 'day')} with both.",
        "Arrow: a tank's mean from its first phase to its last; small marks: its days after the baseline.",
        (
            f"Dashed, from the middle tank's start: the fall if bacteria only grow (C:N:P {ratio} by atoms, "
            f"{quantity(cells.nitrate_per_phosphate)} mg nitrate a mg phosphate); steeper is denitrification or another loss."
        ),
        f"Shaded: phosphate at or below {quantity(spent)} mg/L, where nitrate stalls whatever is dosed.",
        f"Open marks: {count(censored, 'day')} with a reading beyond a kit's limit, drawn at the limit."
        if censored
        else "",
    ]
