"""Check standards in the order of time, one panel for each kit at a site, with the limits of its control chart."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd
from mizani.breaks import breaks_date
from plotnine import (
    aes,
    facet_wrap,
    geom_hline,
    geom_line,
    geom_point,
    ggplot,
    labs,
    scale_color_manual,
    scale_linetype_manual,
    scale_shape_manual,
    scale_x_datetime,
)

from analysis.numerals import count, plain
from analysis.plots.theme import INK, RULE, SOFT, WIDTH, captioned, columns_for, look, nothing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.kits.charts import Chart

MOST_PANELS = 24
_OUT = "#d55e00"
_LINES = {"centre": "solid", "two": "dotted", "three": "dashed"}


def figure(charts: Sequence[Chart], *, width: float = WIDTH) -> ggplot:
    """Draw the charts; readings at which a kit is out of control have another shape as well as another colour."""
    drawn = [chart for chart in charts if chart.points]
    if not drawn:
        return nothing("No check standard has a reading to draw.", width)
    shown = drawn[:MOST_PANELS]
    names = list(dict.fromkeys(map(_panel, shown)))
    points = pd.DataFrame(
        [
            {
                "panel": _panel(chart),
                "at": point.at,
                "value": point.value,
                "state": _state(signals=point.signals),
            }
            for chart in shown
            for point in chart.points
        ]
    ).astype({"at": "datetime64[us]"})
    lines = pd.DataFrame(
        [
            {"panel": _panel(chart), "y": chart.limits.at(multiple), "line": line}
            for chart in shown
            if chart.limits
            for multiple, line in ((0, "centre"), (2, "two"), (-2, "two"), (3, "three"), (-3, "three"))
        ],
        columns=["panel", "y", "line"],
    )
    for frame in (points, lines):
        frame["panel"] = pd.Categorical(frame["panel"], names, ordered=True)
    columns = min(columns_for(len(names)), 3)
    units = list(dict.fromkeys(chart.unit for chart in shown))
    parts: list[Any] = [
        geom_line(aes("at", "value"), color=RULE, size=0.5),
        geom_point(aes("at", "value", color="state", shape="state"), size=1.8),
        facet_wrap("panel", scales="free", ncol=columns),
        scale_color_manual(values={"inside": INK, "out of control": _OUT}, name=""),
        scale_shape_manual(values={"inside": "o", "out of control": "D"}, name=""),
        scale_x_datetime(date_labels="%d %b", breaks=breaks_date(n=3)),
        labs(x="", y=f"Check standard as read, {units[0]}" if len(units) == 1 else "Check standard as read"),
        captioned(_caption(charts, shown), width),
        look(width, 0.9 + 1.9 * math.ceil(len(names) / columns)),
    ]
    if len(lines):
        parts.insert(0, geom_hline(aes(yintercept="y", linetype="line"), data=lines, color=SOFT, size=0.4))
        parts.insert(1, scale_linetype_manual(values=_LINES, guide=None))
    plot = ggplot(points)
    for part in parts:
        plot = plot + part
    return plot


def alt_text(charts: Sequence[Chart]) -> str:
    """Say in words, from the data, what the figure shows."""
    drawn = [chart for chart in charts if chart.points]
    if not drawn:
        return "Empty chart: no check standard has a reading."
    out = [f"{_panel(chart)} ({count(len(chart.signals), 'reading')})" for chart in drawn if chart.signals]
    said = f"Out of control: {', '.join(out)}." if out else "None is out of control."
    return f"Control charts of {count(len(drawn), 'check standard and kit', 'check standards and kits')} in the order of time. {said}"


def _panel(chart: Chart) -> str:
    kit = plain(chart.kit, 24) or "no kit named"
    where = f", {plain(chart.site, 20)}" if chart.site else ""
    return f"{plain(chart.sample, 20)}: {kit}{where}"


def _state(*, signals: bool) -> str:
    return "out of control" if signals else "inside"


def _caption(charts: Sequence[Chart], shown: Sequence[Chart]) -> list[str]:
    total = sum(len(chart.points) for chart in shown)
    beyond = sum(chart.censored for chart in shown)
    drawn = sum(bool(chart.points) for chart in charts)
    return [
        f"n = {total:,} readings in {count(len(shown), 'chart')}.",
        "Solid: centre; dotted: two, dashed: three standard deviations.",
        "Out of control: beyond three, or the second of three beyond two on one side.",
        f"{count(beyond, 'reading')} beyond a kit's limit cannot be drawn." if beyond else "",
        f"{drawn - len(shown)} more charts are not drawn." if drawn > len(shown) else "",
    ]
