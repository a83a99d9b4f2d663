"""Every comparison of an endpoint: estimate and interval against no difference and the worthwhile difference."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import pandas as pd
from plotnine import (
    aes,
    annotate,
    element_blank,
    element_text,
    geom_point,
    geom_segment,
    geom_text,
    ggplot,
    labs,
    scale_y_continuous,
    theme,
)

from analysis.numerals import MINUS, count, number, plain, quantity
from analysis.plots.axes import Axis, value_axis
from analysis.plots.theme import (
    INK,
    RULE,
    SOFT,
    WIDTH,
    arm_scales,
    captioned,
    look,
    nothing,
    text_width,
    wrapped,
)
from analysis.wording import (
    arm_title,
    contrast_sentence,
    error_words,
    estimate_words,
    interval_words,
    margins,
    measure,
    number_unit,
    sentence,
)
from schemas.vocabulary import Better, Scale, Variance

if TYPE_CHECKING:
    from analysis.records import Contrast, EndpointResult
    from schemas.protocol import Protocol

NARROW = 3.7
"""Inches; the width for a page on a phone, where the text of the wide figure would be too small to read."""
_WIDE_FROM = 5.0
_ZONE = "#ececec"
_WIDEST = 40.0
"""Ratios beyond which the axis ends."""
_NEAR_TICKS = (0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.25, 1.5, 1.75, 2)
_FAR_TICKS = (0.02, 0.05, 0.1, 0.25, 0.5, 0.75, 1, 1.5, 2, 4, 10, 20, 40)
_TICK_ROOM = 0.38
"""Inches that the label of a tick takes."""
_TEXT = 8.0
_LINE = 0.155
"""Inches from one line of text to the next."""


@dataclass(frozen=True)
class _Plan:
    """Where everything goes, in inches: on a wide figure words stand beside the intervals, else above them."""

    wide: bool
    left: float
    inner: float
    right: float

    @classmethod
    def of(cls, width: float) -> _Plan:
        """The plan for a figure of this width."""
        if width < _WIDE_FROM:
            return cls(wide=False, left=0.0, inner=width - 0.12, right=0.0)
        left, right = 0.29 * width, 0.28 * width
        return cls(wide=True, left=left, inner=width - 0.12 - left - right, right=right)

    def letters(self, room: float) -> int:
        """How many letters of the figure's text fit in so many inches."""
        return int(room / text_width("m", _TEXT))


def figure(endpoint: EndpointResult, protocol: Protocol, *, width: float = WIDTH) -> ggplot:
    """Draw the comparisons of an endpoint, one below the other, in the order registered."""
    plan = _Plan.of(width)
    axis = _axis(endpoint, plan)
    shown = [contrast for contrast in endpoint.contrasts if contrast.estimate is not None]
    if not shown:
        return nothing("No comparison has an estimate to draw.", width)
    rows, top = _rows(endpoint, protocol, shown, axis, plan)
    whole = replace(axis, low=axis.at(-plan.left / plan.inner), high=axis.at(1 + plan.right / plan.inner))
    middle = (plan.left + plan.inner / 2) / (plan.left + plan.inner + plan.right)
    return (
        ggplot(rows, aes(y="y"))
        + _zones(endpoint, axis, rows, top, plan)
        + _intervals(rows)
        + _words(rows, whole)
        + arm_scales(protocol, {}, width, legend=False)
        + whole.scale_x(lambda ticks: [_tick(endpoint, tick) for tick in ticks])
        + scale_y_continuous(limits=(0, top), breaks=[], minor_breaks=[], expand=(0, 0))
        + labs(x=_axis_title(endpoint, protocol, plan), y="")
        + captioned(_caption(endpoint, rows, axis), width)
        + look(width, top + (0.9 if plan.wide else 1.45))
        + theme(
            panel_border=element_blank(),
            panel_grid_major_y=element_blank(),
            axis_title_x=element_text(ha=middle),
            axis_title_y=element_blank(),
            axis_text_y=element_blank(),
        )
    )


def alt_text(endpoint: EndpointResult, protocol: Protocol) -> str:
    """Say in words, from the data, what the figure shows."""
    said = [contrast_sentence(endpoint, contrast, protocol) for contrast in endpoint.contrasts]
    return f"Estimates with {_level(endpoint)} % intervals for {plain(endpoint.title, 80)}. {' '.join(said)}"


def _axis(endpoint: EndpointResult, plan: _Plan) -> Axis:
    """The axis of the intervals, with "no difference" and the worthwhile difference always on it."""
    ratio = endpoint.scale is Scale.RATIO
    values = [1.0 if ratio else 0.0, *(margins(endpoint) or ())]
    for contrast in endpoint.contrasts:
        limits = contrast.randomisation
        drawn = [contrast.estimate, contrast.low, contrast.high]
        drawn += [limits.low, limits.high] if limits else []
        values += [value for value in drawn if value is not None]
    if not ratio:
        axis = value_axis(values, log=False)
        ticks = list(axis.ticks)
    else:
        axis = value_axis([min(max(value, 1 / _WIDEST), _WIDEST) for value in values], log=True)
        near = axis.high / axis.low < 5
        ticks = [float(t) for t in (_NEAR_TICKS if near else _FAR_TICKS) if axis.low <= t <= axis.high]
    none, *sides = values[: 1 + 2 * (endpoint.worthwhile is not None)]
    outwards = sorted(ticks, key=lambda tick: abs(axis.share(tick) - axis.share(none)))
    kept: list[float] = []
    for tick in dict.fromkeys([none, *sides, *outwards]):
        # What the intervals are read against comes first, then each tick whose label has room.
        if all(abs(axis.share(tick) - axis.share(other)) * plan.inner >= _TICK_ROOM for other in kept):
            kept.append(tick)
    return replace(axis, ticks=tuple(sorted(kept)))


def _rows(
    endpoint: EndpointResult, protocol: Protocol, shown: list[Contrast], axis: Axis, plan: _Plan
) -> tuple[pd.DataFrame, float]:
    """Words and places of each comparison, and the height of them all; built from the lowest upwards."""
    records = []
    foot = 0.06
    what = "block" if endpoint.n_blocks and endpoint.variance is Variance.OWN else "tank"
    for contrast in reversed(shown):
        room = plan.letters(plan.left - 0.1 if plan.wide else plan.inner - 0.1)
        title = wrapped(arm_title(protocol, contrast.test), room, 2)
        title += "\n" + wrapped(f"v {arm_title(protocol, contrast.reference)}", room, 2)
        title += f"\nn = {count(contrast.n, what)}"
        size = estimate_words(endpoint, contrast)
        allowed = interval_words(endpoint, contrast)
        verdict = str(contrast.verdict or ("" if allowed else "no interval"))
        read = "\n".join(filter(None, [allowed, verdict]))
        if plan.wide:
            room = plan.letters(plan.right) + 4
            read = "\n".join(wrapped(line, room, 2) for line in read.splitlines())
            lines = max(title.count("\n") + 1, read.count("\n") + 2)
            y, head = foot + lines * _LINE / 2 + 0.06, foot + lines * _LINE + 0.06
            heads = {"title_at": head, "size_at": head, "read_at": head - _LINE, "side": 1.0}
        else:
            read = f"{allowed}; {verdict}" if allowed and verdict else read
            read = wrapped(read, plan.letters(plan.inner - 0.1), 2)
            titled = title.count("\n") + 1
            y = foot + 0.2
            head = y + 0.12 + (titled + 1 + read.count("\n") + 1) * _LINE
            size_at = head - titled * _LINE
            heads = {"title_at": head, "size_at": size_at, "read_at": size_at - _LINE, "side": 0.0}
        words = {"title": title, "size": size, "read": read, "arm": contrast.test}
        records.append({"y": y, **heads, **words, **_ends(contrast, axis)})
        foot = head + 0.12
    columns = ["y", "title_at", "size_at", "read_at", "side", "title", "size", "read", "arm"]
    columns += ["estimate", "low", "high", "r_low", "r_high"]
    return pd.DataFrame(records, columns=columns), foot + 0.2


def _ends(contrast: Contrast, axis: Axis) -> dict[str, float]:
    """Estimate and limits, kept on the axis: a limit beyond it, or without a bound, stands on its edge."""

    def place(value: float | None, unbounded: float) -> float:
        return min(max(unbounded if value is None else value, axis.low), axis.high)

    ends = dict.fromkeys(("low", "high", "r_low", "r_high"), math.nan)
    ends["estimate"] = place(contrast.estimate, math.nan)
    if contrast.low is not None or contrast.high is not None:
        ends |= {"low": place(contrast.low, axis.low), "high": place(contrast.high, axis.high)}
    if contrast.randomisation:
        limits = contrast.randomisation
        ends |= {"r_low": place(limits.low, axis.low), "r_high": place(limits.high, axis.high)}
    return ends


def _zones(endpoint: EndpointResult, axis: Axis, rows: pd.DataFrame, top: float, plan: _Plan) -> list[Any]:
    """Shade what is too small to matter, name what lies on either side, and draw "no difference"."""
    none = 1.0 if endpoint.scale is Scale.RATIO else 0.0
    strips = [(0.0, top - 0.2)]
    if not plan.wide:  # lines keep clear of the words above each interval
        strips = [(y - 0.19, y + 0.11) for y in rows["y"]]
    layers: list[Any] = [annotate("segment", x=axis.low, xend=axis.high, y=0, yend=0, color=RULE, size=0.6)]
    sides = margins(endpoint)
    if sides:
        low, high = sorted(sides)
        layers.append(annotate("rect", xmin=low, xmax=high, ymin=0, ymax=top, fill=_ZONE))
        layers.append(_lines((low, high), strips, linetype="dashed", color=SOFT))
        layers.append(_zone_names(endpoint, axis, low, high, top, plan))
    return [*layers, _lines((none,), strips, color=INK)]


def _lines(places: tuple[float, ...], strips: list[tuple[float, float]], **style: str) -> Any:
    frame = pd.DataFrame([(x, y, end) for x in places for y, end in strips], columns=["x", "y", "end"])
    return geom_segment(aes(x="x", xend="x", yend="end"), frame, size=0.4, **style)


def _zone_names(
    endpoint: EndpointResult, axis: Axis, low: float, high: float, top: float, plan: _Plan
) -> Any:
    """Name each zone in the longest words that fit it."""
    better = ("worthwhile", "better")
    worse = ("worse by as much", "worse")
    left, right = (better, worse) if endpoint.better is Better.LOWER else (worse, better)
    names = []
    inside = ("too small to matter", "too small")
    for words, start, end in ((left, axis.low, low), (inside, low, high), (right, high, axis.high)):
        room = (axis.share(end) - axis.share(start)) * plan.inner
        said = next((word for word in words if text_width(word, 7.0) < room), None)
        if said:
            names.append((axis.at((axis.share(start) + axis.share(end)) / 2), top - 0.1, said))
    frame = pd.DataFrame(names, columns=["x", "y", "name"])
    return geom_text(aes(x="x", label="name"), frame, size=7.0, color=SOFT)


def _intervals(rows: pd.DataFrame) -> list[Any]:
    known, redrawn = rows[rows["low"].notna()], rows[rows["r_low"].notna()]
    below = redrawn.assign(y=redrawn["y"] - 0.1)
    return [
        geom_segment(aes(x="low", xend="high", yend="y", color="arm"), known, size=1.3),
        geom_segment(aes(x="r_low", xend="r_high", yend="y", color="arm"), below, size=0.5),
        geom_point(aes(x="estimate", color="arm", shape="arm"), rows, size=3.2, stroke=0.7, fill="white"),
    ]


def _words(rows: pd.DataFrame, whole: Axis) -> list[Any]:
    """Write what is compared on the left, and what was found on the right or below it."""
    wide = bool(rows["side"].max() > 0) if len(rows) else True
    edge = whole.at(1.0) if wide else whole.at(0.012)
    placed = rows.assign(left=whole.at(0.0 if wide else 0.012), edge=edge)
    style: dict[str, Any] = {"size": _TEXT, "va": "top", "color": INK}
    ha = "right" if wide else "left"
    return [
        geom_text(aes(x="left", y="title_at", label="title"), placed, ha="left", **style),
        geom_text(aes(x="edge", y="size_at", label="size"), placed, ha=ha, fontweight="bold", **style),
        geom_text(aes(x="edge", y="read_at", label="read"), placed, ha=ha, **style),
    ]


def _tick(endpoint: EndpointResult, value: float) -> str:
    if endpoint.scale is Scale.DIFFERENCE:
        return f"+{quantity(value)}" if value > 0 else quantity(value)
    if value == 1:
        return "1\nequal"
    if value > 2:
        return f"{quantity(value)}\ntimes"
    percent = (value - 1) * 100
    return f"{quantity(value)}\n{'+' if percent > 0 else MINUS}{number(abs(percent), 0)} %"


def _axis_title(endpoint: EndpointResult, protocol: Protocol, plan: _Plan) -> str:
    about = sentence(measure(endpoint, protocol).rstrip(","))
    unit = number_unit(endpoint, protocol)
    how = ", ratio of the two arms" if endpoint.scale is Scale.RATIO else ", difference of the two arms"
    if endpoint.scale is Scale.DIFFERENCE and unit:
        how += f", {unit}"
    return wrapped(f"{about}{how}", plan.letters(plan.inner) + 2, 3)


def _level(endpoint: EndpointResult) -> str:
    return quantity((1 - endpoint.alpha) * 100)


def _caption(endpoint: EndpointResult, rows: pd.DataFrame, axis: Axis) -> list[str]:
    said = [
        (
            f"Mark and thick line: estimate and {_level(endpoint)} % interval of each comparison taken alone, from "
            f"{error_words(endpoint)}."
        )
    ]
    if rows["r_low"].notna().any():
        said.append("Thin line: interval by the randomisation test.")
    if endpoint.worthwhile is not None:
        said.append("Grey: smaller than the worthwhile difference.")
    ends = rows[["low", "high", "r_low", "r_high"]]
    if ((ends == axis.low) | (ends == axis.high)).any(axis=None):
        said.append("A line that reaches the end of the axis goes on beyond it.")
    left_out = len(endpoint.contrasts) - len(rows)
    if left_out:
        said.append(f"{count(left_out, 'comparison')} without an estimate not drawn.")
    return said
