"""What each comparison would have shown under every draw that could have been, with what it did show."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd
from plotnine import (
    aes,
    annotate,
    facet_wrap,
    geom_rect,
    geom_vline,
    ggplot,
    guide_legend,
    labs,
    scale_fill_manual,
    scale_y_continuous,
)

from analysis.numerals import number, p_value, plain, quantity
from analysis.plots.axes import value_axis
from analysis.plots.theme import INK, RULE, WIDTH, captioned, look, nothing, text_width, wrapped
from analysis.wording import arm_title, measure, number_unit, sentence
from schemas.vocabulary import Scale

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.null_distribution import NullDistribution
    from analysis.records import EndpointResult
    from schemas.protocol import Protocol

_NEARER, _FARTHER = "nearer to no difference", "as far as the real draw, or farther"
_FILLS = {_NEARER: "#c9d3dc", _FARTHER: "#33475b"}
_MOST_COLUMNS = 3
_WIDEST = 100.0
"""Ratios beyond which the axis ends."""


def figure(
    laws: Sequence[NullDistribution], endpoint: EndpointResult, protocol: Protocol, *, width: float = WIDTH
) -> ggplot:
    """Draw the shares of the draws, one panel a comparison."""
    if not laws:
        return nothing("There is no randomisation test to draw.", width)
    ratio = endpoint.scale is Scale.RATIO
    columns = 1 if width < 5 else min(_MOST_COLUMNS, len(laws))
    letters = int((width - 0.8) / columns / text_width("m", 8.5))
    titles = {i: _title(law, protocol, letters) for i, law in enumerate(laws)}
    bars = pd.concat([_bars(i, law, ratio=ratio) for i, law in enumerate(laws)], ignore_index=True)
    bars["panel"] = pd.Categorical(bars["panel"], list(titles))
    axis = value_axis([*bars["left"], *bars["right"]], log=ratio, below=0.02, above=0.02)
    top = float(bars["share"].max()) * 1.08
    observed = pd.DataFrame({"panel": pd.Categorical(list(titles)), "x": [law.observed for law in laws]})
    observed["x"] = observed["x"].clip(axis.low, axis.high)
    rows = math.ceil(len(laws) / columns)
    lines = max(title.count("\n") + 1 for title in titles.values())
    return (
        ggplot(bars)
        + annotate("segment", x=_none(endpoint), xend=_none(endpoint), y=0, yend=top, color=RULE, size=0.6)
        + geom_rect(
            aes(xmin="left", xmax="right", ymax="share", fill="kind"), ymin=0, color="white", size=0.1
        )
        + geom_vline(aes(xintercept="x"), observed, color=INK, size=0.9, linetype="dashed")
        + facet_wrap("panel", ncol=columns, labeller=lambda i: titles[int(i)])
        + scale_fill_manual(
            _FILLS, breaks=list(_FILLS), name="", guide=guide_legend(nrow=2 if width < 5 else 1)
        )
        + axis.scale_x()
        + scale_y_continuous(
            limits=(0, top), expand=(0, 0), labels=lambda ticks: [f"{quantity(t * 100)} %" for t in ticks]
        )
        + labs(
            x=_axis_title(endpoint, protocol, int((width - 0.8) / text_width("m", 8.5))),
            y="Share of the draws",
        )
        + captioned(_caption(laws, columns), width)
        + look(width, (1.05 if width >= 5 else 1.6) + rows * (1.6 + 0.15 * lines))
    )


def alt_text(laws: Sequence[NullDistribution], endpoint: EndpointResult, protocol: Protocol) -> str:
    """Say in words, from the data, what the figure shows."""
    if not laws:
        return "Empty chart: there is no randomisation test."
    said = [
        f"{_title(law, protocol, 160)}: the real draw gave {quantity(law.observed)}, and {_percent(law.p)} of "
        f"{law.draws:,} draws gave as much or more in either direction"
        for law in laws
    ]
    return (
        f"Histograms of {plain(endpoint.title, 80)} over the draws that could have been. {'; '.join(said)}."
    )


def _bars(panel: int, law: NullDistribution, *, ratio: bool) -> pd.DataFrame:
    bars = pd.DataFrame({"left": law.edges[:-1], "right": law.edges[1:], "share": law.share})
    bars = bars.assign(
        panel=panel,
        kind=pd.Categorical([_FARTHER if far else _NEARER for far in law.beyond], list(_FILLS)),
    )
    if ratio:
        limits = 1 / _WIDEST, _WIDEST
        bars = bars.assign(left=bars["left"].clip(*limits), right=bars["right"].clip(*limits))
    return bars[(bars["share"] > 0) & (bars["left"] < bars["right"])]


def _title(law: NullDistribution, protocol: Protocol, letters: int) -> str:
    pair = f"{arm_title(protocol, law.test, 60)} v {arm_title(protocol, law.reference, 60)}"
    return wrapped(pair, max(letters, 16), 3)


def _none(endpoint: EndpointResult) -> float:
    return 1.0 if endpoint.scale is Scale.RATIO else 0.0


def _axis_title(endpoint: EndpointResult, protocol: Protocol, letters: int) -> str:
    about = sentence(measure(endpoint, protocol).rstrip(","))
    if endpoint.scale is Scale.RATIO:
        return wrapped(f"{about}, ratio of the two arms", letters, 3)
    unit = number_unit(endpoint, protocol)
    return wrapped(f"{about}, difference of the two arms{f', {unit}' if unit else ''}", letters, 3)


def _percent(p: float) -> str:
    return f"{number(p * 100, 1 if p < 0.1 else 0)} %" if p >= 0.001 else "fewer than 0.1 %"


def _caption(laws: Sequence[NullDistribution], columns: int) -> list[str]:
    drawn = {(law.draws, law.exact) for law in laws}
    counted = [
        f"{draws:,} draws {'(all there are)' if exact else 'at random'}" for draws, exact in sorted(drawn)
    ]
    shares = "; ".join(f"p = {p_value(law.p)}".replace("= <", "<").replace("= >", ">") for law in laws)
    order = ", from left to right" if columns > 1 else ", from top to bottom"
    return [
        (
            "If the treatments did nothing, another draw would only have put other labels on the same numbers: "
            f"each bar is the share of {' or '.join(counted)} that would have given such an estimate."
        ),
        f"Dashed: the real draw. Dark bars together: {shares}{order if len(laws) > 1 else ''}.",
    ]
