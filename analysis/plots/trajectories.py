"""Each tank over time, by block, with the phases shaded and readings beyond a kit's limit drawn as such."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
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
    scale_size_identity,
    scale_x_continuous,
)

from analysis.numerals import count, day_words, plain, quantity
from analysis.plots.axes import Axis, value_axis
from analysis.plots.marked import geom_tank_line, geom_tank_point, told
from analysis.plots.stop_lines import rules_in_words, stop_lines, stop_rules
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
    nothing,
    text_width,
    wrapped,
)
from analysis.plots.timeline import Timeline, tick_labels
from schemas.plain_words import listed
from schemas.variables import variables_for
from schemas.vocabulary import DesignKind, Scale

if TYPE_CHECKING:
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

MOST_READINGS = 8000
MOST_TANKS = 240
MOST_PANELS = 48
"""Beyond these an eye follows no single tank: the middle of each arm is drawn instead, and the caption says so."""
_SHADES = {"baseline": "#ececec", "ramp": "#f7f1da", "assessment": "#ffffff", "washout": "#e3ebf2"}
_OTHER_SHADES = ("#ececec", "#ffffff")
_WITHOUT_BLOCKS = (DesignKind.PARALLEL, DesignKind.BEFORE_AFTER)
_MOST_STEPS = 150
_NAME_SIZE = 6.5
_TAIL = 0.06
_TANK_DAY = ["tank", "period", "on"]
_NEAR = 0.25
"""A stop rule is drawn if the axis need not grow by more than this share of the readings' span."""


@dataclass(frozen=True)
class _Drawn:
    """The readings of one variable as they are drawn, and what was left out of the drawing."""

    points: pd.DataFrame
    panels: dict[str, str]
    """Titles of the panels by block, tank or arm; empty for a single panel."""
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
    timeline = Timeline.of(protocol)
    drawn = _shape(protocol, allocation, readings, variable, timeline)
    if drawn.points.empty:
        return nothing(
            f"No reading of {wrapped(variables_for(protocol)[variable].title, 40, 1)} to draw.", width
        )
    columns = columns_for(len(drawn.panels))
    rows = math.ceil(max(len(drawn.panels), 1) / columns)
    named = _names_fit(timeline, (width - 0.75) / columns)
    rules = stop_rules(protocol, variable)
    axis, shown = _axis(protocol, drawn, variable, rules, above=0.16 if named else 0.06)
    about = variables_for(protocol)[variable]
    legend = 0.0 if drawn.by_arm else legend_height(protocol, width)
    plot = (
        ggplot(drawn.points, aes("x", "value"))
        + _phases(timeline, drawn, axis, named=named)
        + stop_lines(shown)
        + (_tanks(protocol, drawn, axis) if drawn.middles is None else _middles(protocol, drawn.middles))
        + arm_scales(protocol, drawn.n, width, legend=not drawn.by_arm)
        + axis.scale_y()
        + scale_x_continuous(
            breaks=timeline.ticks(last=columns < 3),
            labels=tick_labels,
            minor_breaks=[],
            limits=(0, timeline.days / timeline.per),
            expand=(0, 0),
        )
        + labs(x=timeline.title.replace("'", "\u2019"), y=f"{wrapped(about.title, 40, 1)}, {about.unit}")
        + captioned([*_caption(protocol, drawn, variable), *rules_in_words(rules, shown, about.unit)], width)
        + look(width, 1.0 + legend + rows * max(0.95, min(3.2, 3.0 / rows**0.35)))
    )
    if not drawn.panels:
        return plot
    return plot + facet_wrap("panel", ncol=columns, labeller=drawn.panels.__getitem__)


def alt_text(protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, variable: str) -> str:
    """Say in words, from the data, what the figure shows."""
    drawn = _shape(protocol, allocation, readings, variable, Timeline.of(protocol))
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
            said.append(f"in the {phase} phase the middle reading was {listed(shown, last='and')}")
    return f"Line chart of {title} over time in {count(drawn.tanks, 'tank')}: {'; '.join(said)}."


def _shape(
    protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, variable: str, timeline: Timeline
) -> _Drawn:
    mine = readings.loc[readings["variable"] == variable, ["tank", "taken_at", "value", "sign"]]
    allocated = set(allocation.sequence_of())
    known = mine[mine["tank"].isin(allocated) & mine["value"].notna()]
    points = timeline.place(allocation, known)
    points = points.assign(x=points["day"] / timeline.per, on=np.floor(points["day"]))
    drawn = _Drawn(
        points=points,
        panels={},
        by_arm=False,
        middles=None,
        outside=len(known) - len(points),
        unknown=len(mine) - len(known),
        silent=len(allocated) - points["tank"].nunique(),
    )
    if points.empty:
        return drawn
    if drawn.tanks > MOST_TANKS or len(points) > MOST_READINGS:
        return replace(drawn, middles=_medians(protocol, points, variable, timeline.per))
    groups = {a.tank: (a.block or "") if protocol.n_periods == 1 else a.tank for a in allocation.assignments}
    titles = {group: wrapped(group, 24, 1) or "no block" for group in groups.values()}
    by_arm = protocol.design.kind in _WITHOUT_BLOCKS or len(titles) > MOST_PANELS
    if by_arm:
        n = drawn.n
        titles = {arm: f"{arm_label(protocol, arm, 26)}, n = {n.get(arm, 0)}" for arm in arm_looks(protocol)}
    panel = points["arm"] if by_arm else points["tank"].map(groups)
    return replace(
        drawn,
        points=points.assign(panel=pd.Categorical(panel, list(titles))),
        panels=titles,
        by_arm=by_arm,
    )


def _axis(
    protocol: Protocol, drawn: _Drawn, variable: str, rules: list[tuple[str, float, int]], *, above: float
) -> tuple[Axis, list[float]]:
    """The axis over all readings, and the bounds of the stop rules that lie on it or near it."""
    ratio = any(e.variable == variable and e.scale is Scale.RATIO for e in protocol.endpoints)
    shown = drawn.points if drawn.middles is None else drawn.middles
    values = pd.concat([shown[name] for name in ("low", "value", "high") if name in shown])
    log = ratio and bool((values > 0).all())
    plain_axis = value_axis(values, log=log, below=0, above=0)
    bounds = [bound for _, bound, _ in rules if bound > 0 or not log]
    near = [bound for bound in bounds if -_NEAR <= plain_axis.share(bound) <= 1 + _NEAR]
    return value_axis([*values, *near], log=log, below=_TAIL + 0.02, above=above), near


def _names_fit(timeline: Timeline, panel_width: float) -> bool:
    """Whether the name of every phase can be written inside its shade; ``panel_width`` in inches."""
    return all(
        text_width(span.phase, _NAME_SIZE) < panel_width * (span.after - span.first) / timeline.days
        for span in timeline.spans
    )


def _phases(timeline: Timeline, drawn: _Drawn, axis: Axis, *, named: bool) -> list[Any]:
    """Shade the phases behind the data and name them in the panels of the first row, or else in the legend."""
    names = list(dict.fromkeys(span.phase for span in timeline.spans))
    frame = pd.DataFrame(
        {
            "xmin": [span.first / timeline.per for span in timeline.spans],
            "xmax": [span.after / timeline.per for span in timeline.spans],
            "phase": pd.Categorical([span.phase for span in timeline.spans], names),
        }
    )
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


def _tanks(protocol: Protocol, drawn: _Drawn, axis: Axis) -> list[Any]:
    """A line for each tank; readings beyond a limit as open marks with a tail to the side where the truth lies.

    Where a tank was read more than once on a day, the line goes through the day's mean and the readings are small.
    """
    crowded = drawn.tanks / max(len(drawn.panels), 1) > 9
    size = 1.5 if len(drawn.panels) <= 12 and not crowded else 0.9
    again = drawn.points.duplicated(_TANK_DAY, keep=False)
    points = drawn.points.assign(
        size=np.where(again, size * 0.55, size), told=_reading_words(protocol, drawn.points)
    )
    measured, beyond = points[points["sign"] == ""], points[points["sign"] != ""]
    towards = np.where(beyond["sign"] == "<", -_TAIL, _TAIL)
    beyond = beyond.assign(tail=[axis.moved(v, s) for v, s in zip(beyond["value"], towards, strict=True)])
    runs = _daily(protocol, drawn.points)
    return [
        geom_tank_line(
            aes(group="run", color="arm", told="told"),
            runs,
            size=0.45,
            alpha=0.5 if crowded else 0.85,
            show_legend=False,
        ),
        geom_segment(
            aes(xend="x", yend="tail", color="arm"),
            beyond,
            size=0.4,
            arrow=arrow(length=0.03, type="closed", angle=25),
            show_legend=False,
        ),
        geom_tank_point(aes(color="arm", shape="arm", size="size", told="told"), measured, stroke=0.2),
        geom_tank_point(
            aes(color="arm", shape="arm", size="size", told="told"),
            beyond,
            stroke=0.5,
            fill="white",
            show_legend=False,
        ),
        scale_size_identity(guide=None),
    ]


def _daily(protocol: Protocol, points: pd.DataFrame) -> pd.DataFrame:
    """Where each tank's line passes: the mean of each day's readings, as the analysis takes them."""
    alike = [*_TANK_DAY, "arm", "panel"]
    means = points.groupby([name for name in alike if name in points], observed=True)[["x", "value"]].mean()
    means = means.reset_index()
    titles = {arm.id: plain(arm.title, 60) for arm in protocol.arms}
    words = means["tank"] + ", " + means["arm"].map(titles)
    return means.assign(
        run=means["tank"] + "|" + means["period"].astype(str),
        told=[told(tank, text) for tank, text in zip(means["tank"], words, strict=True)],
    )


def _reading_words(protocol: Protocol, points: pd.DataFrame) -> list[str]:
    """What the title of each mark says: tank, arm, day and reading."""
    titles = {arm.id: plain(arm.title, 60) for arm in protocol.arms}
    columns = zip(*(points[name] for name in ("tank", "arm", "taken_at", "sign", "value")), strict=True)
    return [
        told(tank, f"{tank}, {titles[arm]}, {day_words(at)}: {sign}{quantity(value)}")
        for tank, arm, at, sign, value in columns
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


def _medians(protocol: Protocol, points: pd.DataFrame, variable: str, per: int) -> pd.DataFrame:
    """Take quartiles by arm and step of days; a reading a day or two late stays with its sampling."""
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
        if points.duplicated(_TANK_DAY).any():
            said.append(
                "Readings of one tank on one day are small marks, and the line passes through their mean."
            )
    if below or above:
        beyond = listed(
            [f"{n:,} {word} a kit's limit" for n, word in ((below, "below"), (above, "above")) if n],
            last="and",
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
