"""Trials of one question below each other with what they come to together, and the same as they came in by date."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pandas as pd
from plotnine import (
    aes,
    annotate,
    element_blank,
    element_text,
    geom_point,
    geom_polygon,
    geom_segment,
    geom_text,
    ggplot,
    labs,
    scale_size_identity,
    scale_y_continuous,
    theme,
)

from analysis.numerals import count, number, plain, quantity
from analysis.plots.axes import value_axis
from analysis.plots.theme import INK, RULE, SOFT, WIDTH, captioned, look, text_width, wrapped
from analysis.pooled_wording import (
    answer,
    comparison,
    interval_words,
    prediction_words,
    reported,
    size_words,
)
from schemas.vocabulary import Scale

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.plots.axes import Axis
    from analysis.pooled_records import Pooled, PooledFit, TrialEffect

_ZONE = "#ececec"
_POOLED = "#0072b2"
_TEXT = 7.5
_ROW = 0.4
"""Inches from one trial to the next: two lines of text."""
_LEFT, _RIGHT = 0.25, 0.29
"""Shares of the width for what the trials are called, and for their numbers."""
_FURTHEST = 3.0
"""Widths of the pooled interval beyond which one wide trial does not stretch the axis."""


def figure(pooled: Pooled, *, width: float = WIDTH) -> ggplot:
    """Draw every trial with its interval, the pooled interval, and where a further trial is expected."""
    rows = [
        _row(pooled, trial.low, trial.estimate, trial.high)
        | {
            "title": _trial_title(trial),
            "weight": f"weight {number(100 * weight, 0)} %",
            "published": trial.published,
            "size": 1.6 + 4.4 * weight**0.5,
        }
        for trial, weight in zip(pooled.trials, pooled.weights, strict=True)
    ]
    return _drawn(
        pooled, rows, width, ["Mark: estimate, larger with its weight; hollow: from a publication."]
    )


def cumulative_figure(pooled: Pooled, *, width: float = WIDTH) -> ggplot:
    """Draw what the trials came to together as each was added, in order of the day that it ended."""
    rows = [
        _row(pooled, fit.low, fit.estimate, fit.high)
        | {
            "title": f"{'+ ' if at else ''}{wrapped(trial.trial, 25, 1)}\n{_when(trial)}",
            "weight": count(at + 1, "trial"),
            "published": trial.published,
            "size": 2.6,
        }
        for at, (fit, trial) in enumerate(zip(pooled.cumulative, pooled.trials, strict=True))
    ]
    return _drawn(pooled, rows, width, ["Each line: all trials up to that one, pooled."])


def alt_text(pooled: Pooled) -> str:
    """Say in words, from the data, what the forest shows."""
    question = pooled.question
    said = [
        f"{plain(trial.trial, 40)} {size_words(question, trial.estimate)} "
        f"({interval_words(question, trial.low, trial.high)}, weight {number(100 * weight, 0)} %)"
        for trial, weight in zip(pooled.trials, pooled.weights, strict=True)
    ]
    return f"Forest plot. {answer(pooled)} {prediction_words(pooled)} Trials: {'; '.join(said)}."


def cumulative_alt_text(pooled: Pooled) -> str:
    """Say in words, from the data, how the estimate moved as trials came in."""
    question = pooled.question
    said = [
        f"up to {plain(fit.name, 40)} {size_words(question, fit.estimate)} "
        f"({interval_words(question, fit.low, fit.high)})"
        for fit in pooled.cumulative
    ]
    return f"Estimates as trials were added by date, {comparison(question)}: {'; '.join(said)}."


def _row(pooled: Pooled, low: float, estimate: float, high: float) -> dict[str, Any]:
    question = pooled.question
    return {
        "estimate": reported(question, estimate),
        "low": reported(question, low),
        "high": reported(question, high),
        "numbers": f"{_plain_size(pooled, estimate)} ({_plain_size(pooled, low)} to {_plain_size(pooled, high)})",
    }


def _plain_size(pooled: Pooled, value: float) -> str:
    """The number on the axis: a ratio, or a difference with its sign."""
    shown = reported(pooled.question, value)
    if pooled.question.scale is Scale.RATIO:
        return number(shown, 2) if 0.1 <= shown < 10 else quantity(shown, 2)
    return f"{'+' if shown > 0 else ''}{quantity(shown, 2)}"


def _trial_title(trial: TrialEffect) -> str:
    return f"{wrapped(trial.trial, 27, 1)}\n{_when(trial)}, {count(trial.tanks, 'tank')}"


def _when(trial: TrialEffect) -> str:
    return str(trial.ended.year) if trial.ended else "no date"


def _drawn(pooled: Pooled, rows: Sequence[dict[str, Any]], width: float, said: list[str]) -> ggplot:
    axis, whole = _axes(pooled)
    top = len(rows) + 2.0
    frame = pd.DataFrame(list(rows)).assign(y=[top - 0.5 - at for at in range(len(rows))])
    cut = (frame["low"] < axis.low) | (frame["high"] > axis.high)
    for name in ("low", "estimate", "high"):
        frame[name] = frame[name].clip(axis.low, axis.high)
    frame = frame.assign(left=whole.at(0.0), right=whole.at(1.0))
    if cut.any() or _beyond(pooled, axis):
        said = [*said, "A line that reaches the end of the axis goes on beyond it."]
    plot = ggplot(frame, aes(y="y"))
    for layer in (
        *_zones(pooled, axis, top),
        *_intervals(frame),
        *_together(pooled, axis, whole),
        *_words(frame),
        whole.scale_x(axis.labels),
        scale_y_continuous(limits=(0, top + 0.35), breaks=[], minor_breaks=[], expand=(0, 0)),
        scale_size_identity(guide=None),
        labs(x=_axis_title(pooled), y=""),
        captioned([*said, *_caption(pooled)], width),
        look(width, (top + 0.35) * _ROW + 1.1),
        theme(
            panel_border=element_blank(),
            panel_grid_major_y=element_blank(),
            axis_title_x=element_text(ha=_LEFT + (1 - _LEFT - _RIGHT) / 2),
            axis_title_y=element_blank(),
            axis_text_y=element_blank(),
        ),
    ):
        plot = plot + layer
    return plot


def _beyond(pooled: Pooled, axis: Axis) -> bool:
    """Whether the prediction goes on beyond the axis."""
    found = pooled.prediction
    ends = () if found is None else (found.low, found.high)
    return any(not axis.low <= reported(pooled.question, end) <= axis.high for end in ends)


def _axes(pooled: Pooled) -> tuple[Axis, Axis]:
    """The axis of the intervals, and the same with room for words on either side."""
    question, reader = pooled.question, pooled.reader
    reach = _FURTHEST * (reader.high - reader.low)
    ends = [0.0, *pooled.margins, *(-margin for margin in pooled.margins)]
    fits: list[PooledFit | TrialEffect] = [*pooled.trials, *pooled.cumulative]
    for fit in fits:
        ends += [max(fit.low, reader.low - reach), min(fit.high, reader.high + reach), fit.estimate]
    ends += [reader.low, reader.high]
    axis = value_axis(
        [min(max(reported(question, end), 1e-6), 1e6) for end in ends]
        if question.scale is Scale.RATIO
        else ends,
        log=question.scale is Scale.RATIO,
    )
    inner = 1 - _LEFT - _RIGHT
    return axis, replace(axis, low=axis.at(-_LEFT / inner), high=axis.at(1 + _RIGHT / inner))


def _zones(pooled: Pooled, axis: Axis, top: float) -> list[Any]:
    """Shade what is too small to matter by the strictest margin of either claim, and draw "no difference"."""
    none = reported(pooled.question, 0.0)
    layers: list[Any] = [annotate("segment", x=axis.low, xend=axis.high, y=0, yend=0, color=RULE, size=0.6)]
    if pooled.margins:
        ends = [reported(pooled.question, side * pooled.margins[0]) for side in (-1, 1)]
        low, high = max(ends[0], axis.low), min(ends[1], axis.high)
        layers.append(annotate("rect", xmin=low, xmax=high, ymin=0, ymax=top + 0.35, fill=_ZONE))
        for margin in pooled.margins:
            for side in (-1, 1):
                at = reported(pooled.question, side * margin)
                layers.append(
                    annotate("segment", x=at, xend=at, y=0, yend=top, color=SOFT, linetype="dashed", size=0.4)
                )
        words = "too small to matter"
        if text_width(words, 7.0) < (axis.share(high) - axis.share(low)) * WIDTH * (1 - _LEFT - _RIGHT):
            middle = axis.at((axis.share(low) + axis.share(high)) / 2)
            layers.append(annotate("text", x=middle, y=top + 0.15, label=words, size=7.0, color=SOFT))
    return [*layers, annotate("segment", x=none, xend=none, y=0, yend=top, color=INK, size=0.4)]


def _intervals(frame: pd.DataFrame) -> list[Any]:
    read, printed = frame[~frame["published"]], frame[frame["published"]]
    return [
        geom_segment(aes(x="low", xend="high", yend="y"), frame, size=0.7, color=INK),
        geom_point(aes(x="estimate", size="size"), read, shape="s", color=INK, fill=INK),
        geom_point(aes(x="estimate", size="size"), printed, shape="s", color=INK, fill="white", stroke=0.8),
    ]


def _together(pooled: Pooled, axis: Axis, whole: Axis) -> list[Any]:
    """The pooled interval as a diamond with its words, and the prediction as a line through its lower half."""
    question, fit = pooled.question, pooled.reader

    def at(value: float) -> float:
        return min(max(reported(question, value), axis.low), axis.high)

    y = 0.95
    shape = pd.DataFrame(
        {
            "x": [at(fit.low), at(fit.estimate), at(fit.high), at(fit.estimate)],
            "y": [y, y + 0.24, y, y - 0.24],
        }
    )
    layers: list[Any] = [geom_polygon(aes(x="x", y="y"), shape, fill=_POOLED, color=_POOLED)]
    numbers = f"{_plain_size(pooled, fit.estimate)} ({_plain_size(pooled, fit.low)} to {_plain_size(pooled, fit.high)})"
    words = [(y, f"{count(len(pooled.trials), 'trial')} pooled", numbers, "bold")]
    found = pooled.prediction
    if found is not None:
        low, high = at(found.low), at(found.high)
        layers.append(annotate("segment", x=low, xend=high, y=0.32, yend=0.32, color=_POOLED, size=1.0))
        numbers = f"{_plain_size(pooled, found.low)} to {_plain_size(pooled, found.high)}"
        words.append((0.32, "a further trial", numbers, "normal"))
    for height, left, right, weight in words:
        style = {"size": _TEXT, "color": INK, "fontweight": weight}
        layers.append(annotate("text", x=whole.at(0.0), y=height, label=left, ha="left", **style))
        layers.append(annotate("text", x=whole.at(1.0), y=height, label=right, ha="right", **style))
    return layers


def _words(frame: pd.DataFrame) -> list[Any]:
    right = frame.assign(words=frame["numbers"] + "\n" + frame["weight"])
    style: dict[str, Any] = {"size": _TEXT, "color": INK, "va": "center"}
    return [
        geom_text(aes(x="left", label="title"), frame, ha="left", **style),
        geom_text(aes(x="right", label="words"), right, ha="right", **style),
    ]


def _axis_title(pooled: Pooled) -> str:
    question = pooled.question
    how = "ratio" if question.scale is Scale.RATIO else "difference"
    unit = "" if question.unit == "1" else f", {plain(question.unit, 30)}"
    return f"{wrapped(question.title, 60, 1)}\n{how} of {comparison(question)}{unit}"


def _caption(pooled: Pooled) -> list[str]:
    level = quantity(100 * (1 - pooled.alpha))
    if len(pooled.trials) == 1:
        return [f"Intervals at {level} %. One trial: nothing is pooled."]
    how = "" if pooled.reader.name == pooled.main.name else ", their factor kept at 1 or more"
    said = [
        (
            f"n = {count(len(pooled.trials), 'trial')}, {count(sum(t.tanks for t in pooled.trials), 'tank')}. Intervals at "
            f"{level} %. Diamond: random effects by REML, Hartung and Knapp's interval{how}. Line below it: where the true "
            "effect of a further trial is expected."
        )
    ]
    if pooled.margins:
        said.append("Grey: smaller than the smallest worthwhile difference of the trials.")
    return said
