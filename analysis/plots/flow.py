"""What became of the tanks of each arm: allocated, measured, analysed, with the reasons of those left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from plotnine import (
    aes,
    arrow,
    element_blank,
    geom_rect,
    geom_segment,
    geom_text,
    ggplot,
    scale_x_continuous,
    scale_y_continuous,
    theme,
)

from analysis.numerals import count, plain
from analysis.plots.theme import INK, SOFT, WIDTH, arm_looks, captioned, look, nothing, text_width, wrapped
from analysis.wording import arm_title
from schemas.plain_words import listed

if TYPE_CHECKING:
    from analysis.records import ArmFlow, EndpointResult
    from schemas.protocol import Protocol

_TEXT = 8.0
_LINE = 0.15
_PAD = 0.09
_GAP = 0.26
"""Inches between two boxes, for the arrow."""
_MOST_NAMED = 6
_SIDE = 0.06
_MOST_LINES = 9
_LEFT_OUT = 2
"""Which box of a column tells what was left out."""


def figure(endpoint: EndpointResult, protocol: Protocol, *, width: float = WIDTH) -> ggplot:
    """Draw a column of boxes for each arm of an endpoint, from the tanks allocated to those analysed."""
    if not endpoint.flow:
        return nothing("No tank was allocated.", width)
    per = width / len(endpoint.flow)
    letters = max(8, int((per - 2 * _SIDE - 0.1) / text_width("m", _TEXT)))
    columns = [_column(flow, endpoint, protocol, letters) for flow in endpoint.flow]
    frame, arrows, total = _places(columns, protocol, [flow.arm for flow in endpoint.flow], _SIDE / per)
    lines = pd.DataFrame(arrows, columns=["x", "y", "yend"])
    corners = aes(xmin="xmin", xmax="xmax", ymin="ymin", ymax="ymax")
    return (
        ggplot()
        + geom_segment(
            aes("x", "y", xend="x", yend="yend"),
            lines,
            size=0.4,
            color=SOFT,
            arrow=arrow(length=0.05, type="closed", angle=25),
        )
        + geom_rect(corners, frame, fill="white", color=frame["edge"].tolist(), size=frame["thick"].tolist())
        + geom_text(
            aes("x", "y", label="text"),
            frame,
            size=_TEXT,
            color=INK,
            ha="center",
            va="center",
            lineheight=1.25,
        )
        + scale_x_continuous(limits=(0, len(columns)), expand=(0, 0), breaks=[])
        + scale_y_continuous(limits=(-0.02, total + 0.02), expand=(0, 0), breaks=[])
        + captioned(_caption(endpoint), width)
        + look(width, total + 0.55)
        + theme(
            panel_border=element_blank(),
            panel_grid_major=element_blank(),
            axis_title=element_blank(),
            axis_text=element_blank(),
            axis_ticks=element_blank(),
        )
    )


def alt_text(endpoint: EndpointResult, protocol: Protocol) -> str:
    """Say in words, from the data, what the figure shows."""
    said = []
    for flow in endpoint.flow:
        why = "; ".join(_reasons(flow, endpoint))
        said.append(
            f"{arm_title(protocol, flow.arm)}: {flow.allocated} allocated, {flow.followed} with a reading, "
            f"{flow.analysed} analysed{f' ({why})' if why else ''}"
        )
    return f"Flow of tanks for {plain(endpoint.title, 80)}. {'. '.join(said)}."


def _places(
    columns: list[list[str]], protocol: Protocol, arms: list[str], side: float
) -> tuple[pd.DataFrame, list[tuple[float, float, float]], float]:
    """Boxes with their texts, arrows from the foot of one to the head of the next, and the height of all, in inches."""
    looks = arm_looks(protocol)
    levels = [max(_tall(text) for text in level) for level in zip(*columns, strict=True)]
    total = sum(levels) + _GAP * (len(levels) - 1)
    boxes, arrows = [], []
    for i, (arm, texts) in enumerate(zip(arms, columns, strict=True)):
        head = total
        feet: list[float] = []
        for j, (text, level) in enumerate(zip(texts, levels, strict=True)):
            if text:
                foot = head - _tall(text)
                left_out = j == _LEFT_OUT
                box = {"xmin": i + side, "xmax": i + 1 - side, "ymin": foot, "ymax": head, "text": text}
                box |= {"edge": SOFT, "thick": 0.4} if left_out else {"edge": looks[arm].colour, "thick": 1.1}
                boxes.append(box | {"x": i + 0.5, "y": (foot + head) / 2})
                arrows += [(i + 0.5, above, head) for above in feet[-1:]]
                feet.append(foot)
            head -= level + _GAP
    return pd.DataFrame(boxes), arrows, total


def _tall(text: str) -> float:
    return (text.count("\n") + 1) * _LINE + 2 * _PAD


def _column(flow: ArmFlow, endpoint: EndpointResult, protocol: Protocol, letters: int) -> list[str]:
    """Texts of an arm's boxes from above to below; the third, of what was left out, may be empty."""
    days = f"\n{flow.days:,} of {flow.days_due:,} sampling days kept" if flow.days_due else ""
    texts = [
        f"{wrapped(arm_title(protocol, flow.arm), letters, 3)}\n{count(flow.allocated, 'tank')} allocated",
        f"{count(flow.followed, 'tank')} with a reading in the {endpoint.phase} phase{days}",
        "\n".join(_reasons(flow, endpoint)),
        f"{count(flow.analysed, 'tank')} analysed",
    ]
    return ["\n".join(wrapped(line, letters, _MOST_LINES) for line in text.splitlines()) for text in texts]


def _reasons(flow: ArmFlow, endpoint: EndpointResult) -> list[str]:
    """Why tanks of an arm have no number, each reason with its tanks, named while they are few."""
    by_reason: dict[str, list[str]] = {}
    for tank in endpoint.tanks:
        if tank.arm == flow.arm and tank.y is None:
            by_reason.setdefault(tank.why_missing or "no number", []).append(tank.tank)
    said = []
    for why, tanks in by_reason.items():
        named = f" ({listed(tanks, last='and')})" if len(tanks) <= _MOST_NAMED else ""
        said.append(f"{len(tanks)} left out: {why}{named}")
    return said


def _caption(endpoint: EndpointResult) -> list[str]:
    allocated = sum(flow.allocated for flow in endpoint.flow)
    analysed = sum(flow.analysed for flow in endpoint.flow)
    unit = "tanks, each counted once in every period" if any(t.period for t in endpoint.tanks) else "tanks"
    return [f"{analysed:,} of {allocated:,} {unit}, for {plain(endpoint.title, 80)}."]
