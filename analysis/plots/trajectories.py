"""Each tank over time, by block, with the phases shaded and readings beyond a kit's limit drawn as such."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from plotnine import (
    aes,
    arrow,
    facet_wrap,
    geom_line,
    geom_point,
    geom_rect,
    geom_ribbon,
    geom_segment,
    geom_text,
    ggplot,
    guide_legend,
    labs,
    scale_fill_manual,
    scale_x_continuous,
)

from analysis.numerals import count, day_words, listed, plain, quantity
from analysis.plots.axes import Axis, value_axis
from analysis.plots.theme import (
    RULE,
    SOFT,
    WIDTH,
    arm_label,
    arm_looks,
    arm_scales,
    captioned,
    columns_for,
    legend_height,
    look,
    text_width,
    wrapped,
)
from schemas.variables import variables_for
from schemas.vocabulary import DesignKind, Scale

if TYPE_CHECKING:
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

MOST_READINGS = 8000
MOST_TANKS = 240
MOST_BLOCKS = 48
"""Beyond these an eye follows no single tank: the middle of each arm is drawn instead, and the caption says so."""
_SHADES = {"baseline": "#ececec", "ramp": "#f7f1da", "assessment": "#ffffff", "washout": "#e3ebf2"}
_OTHER_SHADES = ("#ececec", "#ffffff")
_WEEKS_FROM = 42
_MOST_STEPS = 150
_NAME_SIZE = 6.5
_TAIL = 0.06


@dataclass(frozen=True)
class _Drawn:
    """The readings of one variable as they are drawn, and what was left out of the drawing."""

    points: pd.DataFrame
    panels: dict[str, str]
    """Titles of the panels by block or arm; empty for a single panel."""
    by_arm: bool
    middles: pd.DataFrame | None
    """Quartiles by arm and time, where there are too many tanks to draw each."""
    outside: int
    unknown: int
    silent: int

    @property
    def tanks(self) -> int:
        return int(self.points["tank"].nunique())

    @property
    def n(self) -> dict[str, int]:
        """Tanks drawn, by arm."""
        return {str(arm): int(n) for arm, n in self.points.groupby("arm")["tank"].nunique().items()}


def figure(
    protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, variable: str, *, width: float = WIDTH
) -> ggplot:
    """Draw the accepted readings of a variable.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings of any variables: ``tank``, ``taken_at``, ``variable``, ``value``, ``sign``.
    variable : str
        The variable to draw. The axis is logarithmic where an endpoint compares its ratios.
    """
    drawn = _shape(protocol, allocation, readings, variable)
    columns = columns_for(len(drawn.panels))
    rows = math.ceil(max(len(drawn.panels), 1) / columns)
    named = _names_fit(protocol, (width - 0.75) / columns)
    axis = _axis(protocol, drawn, variable, above=0.16 if named else 0.06)
    _, word = _time_unit(protocol)
    about = variables_for(protocol)[variable]
    legend = 0.0 if drawn.by_arm else legend_height(protocol, width)
    plot = (
        ggplot(drawn.points, aes("x", "value"))
        + _phases(protocol, drawn, axis, named=named)
        + (_tanks(drawn, axis) if drawn.middles is None else _middles(protocol, drawn.middles))
        + arm_scales(protocol, drawn.n, width, legend=not drawn.by_arm)
        + axis.scale_y()
        + scale_x_continuous(
            breaks=_ticks(protocol, last=columns < 3), labels=_tick_labels, minor_breaks=[], expand=(0, 0)
        )
        + labs(
            x=f"{word.capitalize()} since {day_words(protocol.schedule.start)}",
            y=f"{wrapped(about.title, 40, 1)}, {about.unit}",
        )
        + captioned(_caption(protocol, drawn, variable), width)
        + look(width, 1.0 + legend + rows * max(0.95, min(3.2, 3.0 / rows**0.35)))
    )
    if not drawn.panels:
        return plot
    return plot + facet_wrap("panel", ncol=columns, labeller=drawn.panels.__getitem__)


def alt_text(protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, variable: str) -> str:
    """What the figure shows, in words, from the data."""
    drawn = _shape(protocol, allocation, readings, variable)
    about = variables_for(protocol)[variable]
    title = plain(about.title, 80)
    if drawn.points.empty:
        return f"Empty chart: {title} has no reading in the phases of the trial."
    said = []
    for phase in dict.fromkeys((protocol.schedule.phases[0].id, protocol.schedule.phases[-1].id)):
        middles = drawn.points[drawn.points["phase"] == phase].groupby("arm")["value"].median()
        shown = [
            f"{quantity(float(middles[arm.id]))} {about.unit} with {plain(arm.title, 80)}"
            for arm in protocol.arms
            if arm.id in middles
        ]
        if shown:
            said.append(f"in the {phase} phase the middle reading was {listed(shown)}")
    return f"Line chart of {title} over time in {count(drawn.tanks, 'tank')}: {'; '.join(said)}."


def _shape(protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, variable: str) -> _Drawn:
    mine = readings.loc[readings["variable"] == variable, ["tank", "taken_at", "value", "sign"]]
    arms = allocation.arm_of()
    known = mine[mine["tank"].isin(list(arms)) & mine["value"].notna()]
    days = (known["taken_at"] - pd.Timestamp(protocol.schedule.start)) / pd.Timedelta(days=1)
    edges = np.cumsum([phase.days for phase in protocol.schedule.phases])
    inside = (days >= 0) & (days < edges[-1])
    day = days[inside].to_numpy(dtype=float)
    names = np.array([phase.id for phase in protocol.schedule.phases], dtype=object)
    per, _ = _time_unit(protocol)
    points = known[inside].assign(
        x=day / per,
        day=np.floor(day).astype(int),
        arm=known.loc[inside, "tank"].map(arms),
        phase=names[np.searchsorted(edges, np.floor(day), side="right")],
    )
    drawn = _Drawn(
        points=points.reset_index(drop=True),
        panels={},
        by_arm=False,
        middles=None,
        outside=len(known) - len(points),
        unknown=len(mine) - len(known),
        silent=len(arms) - points["tank"].nunique(),
    )
    if points.empty:
        return drawn
    if drawn.tanks > MOST_TANKS or len(points) > MOST_READINGS:
        return replace(drawn, middles=_medians(protocol, drawn.points, variable))
    blocks = {assignment.tank: assignment.block or "" for assignment in allocation.assignments}
    order = list(dict.fromkeys(blocks.values()))
    by_arm = protocol.design.kind is DesignKind.PARALLEL or len(order) > MOST_BLOCKS
    if by_arm:
        n = drawn.n
        panels = {arm: f"{arm_label(protocol, arm, 26)}, n = {n.get(arm, 0)}" for arm in arm_looks(protocol)}
    else:
        panels = {name: wrapped(name, 24, 1) or "no block" for name in order}
    panel = drawn.points["arm"] if by_arm else drawn.points["tank"].map(blocks)
    return replace(
        drawn,
        points=drawn.points.assign(panel=pd.Categorical(panel, list(panels))),
        panels=panels,
        by_arm=by_arm,
    )


def _axis(protocol: Protocol, drawn: _Drawn, variable: str, *, above: float) -> Axis:
    ratio = any(e.variable == variable and e.scale is Scale.RATIO for e in protocol.endpoints)
    shown = drawn.points if drawn.middles is None else drawn.middles
    values = pd.concat([shown[name] for name in ("low", "value", "high") if name in shown])
    return value_axis(values, log=ratio and bool((values > 0).all()), below=_TAIL + 0.02, above=above)


def _time_unit(protocol: Protocol) -> tuple[int, str]:
    long = sum(phase.days for phase in protocol.schedule.phases) >= _WEEKS_FROM
    return (7, "weeks") if long else (1, "days")


def _ticks(protocol: Protocol, *, last: bool) -> list[float]:
    """The edges of the phases, and the middle of those that take up much of the axis.

    Narrow panels leave out the last edge, which would run into the first of the next panel.
    """
    per, _ = _time_unit(protocol)
    edges = [0.0, *np.cumsum([phase.days for phase in protocol.schedule.phases]) / per]
    ticks = [edges[0]]
    for start, end in pairwise(edges):
        if end - start > 0.4 * edges[-1]:
            ticks.append(float(math.floor((start + end) / 2)))
        if end - ticks[-1] > 0.08 * edges[-1]:
            ticks.append(float(end))
    return ticks if last else [tick for tick in ticks if tick < edges[-1]]


def _tick_labels(ticks: list[float]) -> list[str]:
    return [quantity(tick) for tick in ticks]


def _names_fit(protocol: Protocol, panel_width: float) -> bool:
    """Whether the name of every phase can be written inside its shade; ``panel_width`` in inches."""
    phases = protocol.schedule.phases
    total = sum(phase.days for phase in phases)
    return all(text_width(phase.id, _NAME_SIZE) < panel_width * phase.days / total for phase in phases)


def _phases(protocol: Protocol, drawn: _Drawn, axis: Axis, *, named: bool) -> list[Any]:
    """Shaded phases behind the data, named inside the panels of the first row, or else in the legend."""
    per, _ = _time_unit(protocol)
    phases = protocol.schedule.phases
    names = [phase.id for phase in phases]
    ends = np.cumsum([phase.days for phase in phases]) / per
    starts = [0.0, *ends[:-1]]
    frame = pd.DataFrame({"xmin": starts, "xmax": ends, "phase": pd.Categorical(names, names)})
    shades = {name: _SHADES.get(name, _OTHER_SHADES[i % 2]) for i, name in enumerate(names)}
    shaded = [
        geom_rect(
            aes(xmin="xmin", xmax="xmax", fill="phase"),
            frame,
            ymin=axis.low,
            ymax=axis.high,
            color=RULE,
            size=0.4,
            inherit_aes=False,
            show_legend=not named,
        ),
        scale_fill_manual(shades, guide=None if named else guide_legend(order=2)),
    ]
    if not named:
        return shaded
    where = frame.assign(x=(frame["xmin"] + frame["xmax"]) / 2, y=axis.at(0.985))
    if drawn.panels:
        panels = list(drawn.panels)
        first = pd.Categorical(panels[: columns_for(len(panels))], panels)
        where = where.merge(pd.DataFrame({"panel": first}), how="cross")
    name = geom_text(
        aes("x", "y", label="phase"), where, size=_NAME_SIZE, color=SOFT, va="top", inherit_aes=False
    )
    return [*shaded, name]


def _tanks(drawn: _Drawn, axis: Axis) -> list[Any]:
    """A line for each tank; readings beyond a limit as open marks with a tail to the side where the truth lies."""
    points = drawn.points
    crowded = drawn.tanks / max(len(drawn.panels), 1) > 9
    size = 1.5 if len(drawn.panels) <= 12 and not crowded else 0.9
    measured, beyond = points[points["sign"] == ""], points[points["sign"] != ""]
    towards = np.where(beyond["sign"] == "<", -_TAIL, _TAIL)
    beyond = beyond.assign(tail=[axis.moved(v, s) for v, s in zip(beyond["value"], towards, strict=True)])
    return [
        geom_line(
            aes(group="tank", color="arm"), size=0.45, alpha=0.5 if crowded else 0.85, show_legend=False
        ),
        geom_segment(
            aes(xend="x", yend="tail", color="arm"),
            beyond,
            size=0.4,
            arrow=arrow(length=0.03, type="closed", angle=25),
            show_legend=False,
        ),
        geom_point(aes(color="arm", shape="arm"), measured, size=size, stroke=0.2),
        geom_point(
            aes(color="arm", shape="arm"), beyond, size=size, stroke=0.5, fill="white", show_legend=False
        ),
    ]


def _middles(protocol: Protocol, middles: pd.DataFrame) -> list[Any]:
    """Draw the median of each arm and the middle half of its readings."""
    looks = arm_looks(protocol)
    ribbons = [
        geom_ribbon(
            aes(ymin="low", ymax="high"), middles[middles["arm"] == arm], fill=look.colour, alpha=0.18
        )
        for arm, look in looks.items()
    ]
    return [
        *ribbons,
        geom_line(aes(color="arm"), middles, size=0.8, show_legend=False),
        geom_point(aes(color="arm", shape="arm"), middles, size=1.4, stroke=0.2),
    ]


def _middle_days(protocol: Protocol, variable: str) -> int:
    """Days that one point of the medians stands for: those from one sampling to the next, at least."""
    every = next((s.every_days for s in protocol.schedule.sampling if s.variable == variable), 1)
    total = sum(phase.days for phase in protocol.schedule.phases)
    return max(every, math.ceil(total / _MOST_STEPS))


def _medians(protocol: Protocol, points: pd.DataFrame, variable: str) -> pd.DataFrame:
    """Quartiles by arm and step of days; a reading a day or two late stays with its sampling."""
    per, _ = _time_unit(protocol)
    step = _middle_days(protocol, variable)
    by = points.assign(x=points["day"] // step * step / per).groupby(["arm", "x"])["value"]
    quartiles = {"low": by.quantile(0.25), "value": by.median(), "high": by.quantile(0.75)}
    return pd.DataFrame(quartiles).reset_index()


def _caption(protocol: Protocol, drawn: _Drawn, variable: str) -> list[str]:
    points = drawn.points
    below, above = int((points["sign"] == "<").sum()), int((points["sign"] == ">").sum())
    said = [f"n: {count(drawn.tanks, 'tank')}, {count(len(points), 'reading')}."]
    crowded = drawn.middles is not None
    if crowded:
        step = _middle_days(protocol, variable)
        span = "day" if step == 1 else f"{step} days"
        said.append(
            f"Too many to draw each: lines are medians, bands the middle half of the readings of each {span}."
        )
    else:
        said.append("Each line is a tank.")
    if below or above:
        beyond = listed(
            [f"{n} {word} a kit's limit" for n, word in ((below, "below"), (above, "above")) if n]
        )
        how = (
            "entered at the limit"
            if crowded
            else "drawn open at the limit, with an arrow to where the truth lies"
        )
        said.append(f"{beyond}: {how}.")
    if drawn.silent:
        said.append(f"{count(drawn.silent, 'tank')} without a reading.")
    if drawn.outside:
        said.append(f"{count(drawn.outside, 'reading')} outside the phases not drawn.")
    if drawn.unknown:
        said.append(f"{count(drawn.unknown, 'reading')} without an arm or a number not drawn.")
    return said
