"""How long tanks took to their target, arm by arm: steps with their band, and where the days leave them open."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd
from plotnine import (
    aes,
    facet_wrap,
    geom_path,
    geom_rect,
    ggplot,
    labs,
    scale_x_continuous,
    scale_y_continuous,
)

from analysis.numerals import count, plain, quantity
from analysis.plots.theme import (
    SOFT,
    WIDTH,
    arm_label,
    arm_looks,
    arm_scales,
    captioned,
    look,
    nothing,
)
from analysis.wording import arm_title, variable_title
from schemas.plain_words import listed
from schemas.variables import variables_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.records import EndpointResult
    from analysis.target_curves import TargetCurve
    from schemas.protocol import Protocol

_OPEN = "#b8b8b8"


def figure(
    curves: Sequence[TargetCurve], endpoint: EndpointResult, protocol: Protocol, *, width: float = WIDTH
) -> ggplot:
    """Draw the share of tanks not yet at target over the days of the phase, one panel an arm."""
    if not curves:
        return nothing("No tank has days to a target to draw.", width)
    columns = min(len(curves), 2 if width < 5 else 4)
    titles = {
        curve.arm: f"{arm_label(protocol, curve.arm, int(72 / columns * width / WIDTH))}\n{curve.reached} of {curve.n} got there"
        for curve in curves
    }
    end = max(curve.end for curve in curves) or 1.0
    rows = math.ceil(len(curves) / columns)
    lines = max(title.count("\n") + 1 for title in titles.values())
    return (
        ggplot(_steps(curves, titles))
        + _layers(curves, titles, protocol)
        + facet_wrap("panel", ncol=columns, labeller=titles.__getitem__)
        + arm_scales(protocol, {}, width, legend=False)
        + scale_x_continuous(limits=(0, end), expand=(0.01, 0), minor_breaks=[])
        + scale_y_continuous(
            limits=(0, 1),
            breaks=[0, 0.5, 1],
            labels=["0", "50 %", "100 %"],
            minor_breaks=[],
            expand=(0.02, 0),
        )
        + labs(x=f"Days since the {endpoint.phase} phase began", y="Tanks not yet at target")
        + captioned(_caption(curves, endpoint, protocol), width)
        + look(width, 1.15 + rows * (1.6 + 0.15 * lines))
    )


def alt_text(curves: Sequence[TargetCurve], endpoint: EndpointResult, protocol: Protocol) -> str:
    """Say in words, from the data, what the figure shows."""
    if not curves:
        return f"Empty chart: no tank has days to target for {plain(endpoint.title, 80)}."
    said = []
    for curve in curves:
        half = (
            f"half of them by day {quantity(curve.median)}"
            if curve.median is not None
            else "fewer than half of them"
        )
        said.append(
            f"with {arm_title(protocol, curve.arm)} {curve.reached} of {count(curve.n, 'tank')}, {half}"
        )
    return f"Falling steps of the share of tanks not yet at target. Reached it: {listed(said, last='and')}."


def _steps(curves: Sequence[TargetCurve], titles: dict[str, str]) -> pd.DataFrame:
    """Corners of each arm's line."""
    rows = [
        (curve.arm, x, step.share)
        for curve in curves
        for step in curve.steps
        for x in (step.first, step.last)
    ]
    return _with_panel(pd.DataFrame(rows, columns=["arm", "x", "y"]), titles)


def _layers(curves: Sequence[TargetCurve], titles: dict[str, str], protocol: Protocol) -> list[Any]:
    bands = [
        (curve.arm, step.first, step.last, step.low, step.high)
        for curve in curves
        for step in curve.steps
        if step.low is not None
    ]
    band = _with_panel(pd.DataFrame(bands, columns=["arm", "xmin", "xmax", "ymin", "ymax"]), titles)
    opens = [
        (curve.arm, fall.first, fall.last, fall.after, fall.before)
        for curve in curves
        for fall in curve.falls
    ]
    falls = _with_panel(pd.DataFrame(opens, columns=["arm", "xmin", "xmax", "ymin", "ymax"]), titles)
    corners = aes(xmin="xmin", xmax="xmax", ymin="ymin", ymax="ymax")
    filled = [
        geom_rect(corners, band[band["arm"] == arm], fill=look_of.colour, alpha=0.15)
        for arm, look_of in arm_looks(protocol).items()
        if (band["arm"] == arm).any()
    ]
    return [
        *filled,
        geom_rect(corners, falls, fill=_OPEN, color=SOFT, alpha=0.45, size=0.25),
        geom_path(aes("x", "y", color="arm", group="arm"), size=0.9, show_legend=False),
    ]


def _with_panel(frame: pd.DataFrame, titles: dict[str, str]) -> pd.DataFrame:
    return frame.assign(panel=pd.Categorical(frame["arm"], list(titles)))


def _caption(curves: Sequence[TargetCurve], endpoint: EndpointResult, protocol: Protocol) -> list[str]:
    wanted = next(e for e in protocol.endpoints if e.id == endpoint.id)
    unit = plain(variables_for(protocol)[endpoint.variable].unit, 30)
    way = "at or below" if wanted.better == "lower" else "at or above"
    held = f", held on {wanted.held} sampling days in a row" if wanted.held > 1 else ""
    return [
        f"n: {count(sum(curve.n for curve in curves), 'tank')}. Above each panel: those that reached the target.",
        f"Target: {variable_title(protocol, endpoint.variable)} {way} {quantity(wanted.target)}{f' {unit}' if unit != '1' else ''}{held}.",
        f"Line: product-limit curve by the day that showed it, shaded its {quantity((1 - endpoint.alpha) * 100)} % band.",
        "Grey boxes: the same fall as the days between samplings leave it open (interval-censored likelihood).",
    ]
