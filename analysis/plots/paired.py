"""The one number of each tank by arm, those of a block joined by a line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd
from plotnine import (
    aes,
    geom_boxplot,
    geom_line,
    geom_linerange,
    geom_segment,
    geom_text,
    ggplot,
    labs,
    scale_x_continuous,
)

from analysis.numerals import count, plain, quantity
from analysis.plots.axes import Axis, value_axis
from analysis.plots.marked import geom_tank_point, told
from analysis.plots.theme import (
    INK,
    RULE,
    SOFT,
    WIDTH,
    arm_label,
    arm_scales,
    captioned,
    legend_height,
    look,
    nothing,
    text_width,
    wrapped,
)
from analysis.wording import measure, number_unit, sentence
from schemas.plain_words import listed
from schemas.vocabulary import Baseline, Scale

if TYPE_CHECKING:
    from analysis.records import ArmSummary, EndpointResult
    from schemas.protocol import Protocol

MOST_TANKS = 600
"""Beyond this, boxes stand for tanks, and the caption says so."""
MOST_NAMED_BLOCKS = 14
_NAMES_FROM = 5.0
"""Inches of width below which blocks are not named."""
_NAME_SIZE = 7.0
_NARROW = 11
"""Letters under an arm's column below which a legend names the arms instead."""
_COLUMN = 0.33
_BAR = 0.17
"""Half the width that an arm's tanks, and its mean in blocks, may take, in distances between arms."""


def figure(endpoint: EndpointResult, protocol: Protocol, *, width: float = WIDTH) -> ggplot:
    """Draw the numbers that the comparisons rest on; logarithmic where ratios are compared."""
    numbers = _shape(endpoint, protocol)
    if numbers.empty:
        return nothing("No tank has a number to draw.", width)
    ratio = endpoint.scale is Scale.RATIO
    means = [mean for arm in endpoint.arms if (mean := _mean(endpoint, arm)) is not None]
    ranges = [*numbers[["y", "lowest", "highest"]].to_numpy().ravel(), *means]
    axis = value_axis((v for v in ranges if not ratio or v > 0), log=ratio, below=0.06, above=0.06)
    numbers = numbers.assign(
        lowest=numbers["lowest"].clip(lower=axis.low), highest=numbers["highest"].clip(upper=axis.high)
    )
    arms = [arm.id for arm in protocol.arms]
    n = {str(arm): int(k) for arm, k in numbers.groupby("arm").size().items()}
    room = _label_width(len(arms), width)
    narrow = room < _NARROW
    labels = [
        f"n = {n.get(arm, 0):,}" if narrow else f"{arm_label(protocol, arm, room)}\nn = {n.get(arm, 0):,}"
        for arm in arms
    ]
    height = (3.6 if _joined_count(numbers) <= MOST_NAMED_BLOCKS else 4.4) + narrow * legend_height(
        protocol, width
    )
    return (
        ggplot(numbers, aes("x", "y"))
        + _means(endpoint, protocol)
        + _tanks(endpoint, numbers, axis, room // 2 if _named(numbers, width) else 0)
        + arm_scales(protocol, n, width, legend=narrow)
        + axis.scale_y()
        + scale_x_continuous(
            breaks=list(range(len(arms))),
            labels=labels,
            minor_breaks=[],
            limits=(-0.75 if _named(numbers, width) else -0.5, len(arms) - 0.5),
            expand=(0, 0),
        )
        + labs(x="", y=_axis_title(endpoint, protocol))
        + captioned(_caption(endpoint, numbers), width)
        + look(width, height)
    )


def alt_text(endpoint: EndpointResult, protocol: Protocol) -> str:
    """Say in words, from the data, what the figure shows."""
    unit = number_unit(endpoint, protocol)
    middles = [
        f"{quantity(mean)} {unit} with {plain(protocol.arm(arm.arm).title, 80)} ({count(arm.n, 'tank')})".replace(
            "  ", " "
        )
        for arm in endpoint.arms
        if (mean := _mean(endpoint, arm)) is not None
    ]
    if not middles:
        return f"Empty chart: no tank has a number for {plain(endpoint.title, 80)}."
    kind = "geometric mean" if endpoint.scale is Scale.RATIO else "mean"
    what = _joined_by(endpoint)
    joined = f", those of a {what} joined by a line" if what else ""
    return (
        f"Dot chart of {measure(endpoint, protocol).rstrip(',')} in each tank by arm{joined}. "
        f"The {kind} is {listed(middles, last='and')}."
    )


def _shape(endpoint: EndpointResult, protocol: Protocol) -> pd.DataFrame:
    """One row a tank analysed, on the reported scale, with its place across the arm's column."""
    report = _exp if endpoint.scale is Scale.RATIO else float
    arms = [arm.id for arm in protocol.arms]
    by = _joined_by(endpoint)
    rows = [
        (
            tank.arm,
            {"tank": tank.tank, "block": tank.block or ""}.get(by, ""),
            float(arms.index(tank.arm)),
            report(tank.y),
            report(tank.y if tank.y_lowest is None else tank.y_lowest),
            report(tank.y if tank.y_highest is None else tank.y_highest),
            tank.censored > 0,
            told(
                tank.tank,
                f"{tank.tank}, {plain(protocol.arm(tank.arm).title, 60)}: {quantity(report(tank.y))}",
            ),
        )
        for tank in endpoint.tanks
        if tank.y is not None
    ]
    columns = ["arm", "block", "x", "y", "lowest", "highest", "censored", "told"]
    return pd.DataFrame(rows, columns=columns).astype(
        {"x": float, "y": float, "lowest": float, "highest": float}
    )


def _exp(value: float) -> float:
    return math.exp(value) if value < 700 else math.inf


def _tanks(endpoint: EndpointResult, numbers: pd.DataFrame, axis: Axis, room: int) -> list[Any]:
    """Draw the tanks: joined by block, side by side without blocks, as boxes where there are very many.

    ``room`` is the number of letters that the name of a block may have, 0 where none are written.
    """
    if len(numbers) > MOST_TANKS:
        return [
            geom_boxplot(
                aes(group="arm", color="arm"), numbers, width=0.45, outlier_size=0.4, show_legend=False
            )
        ]
    blocked = _joined_count(numbers) > 0
    numbers = numbers.assign(x=numbers["x"] + _side_by_side(numbers, axis, 0.045 if blocked else 0.09))
    layers: list[Any] = []
    if blocked:
        joined = _joined(numbers, log=endpoint.scale is Scale.RATIO)
        thin = 0.5 if _joined_count(numbers) <= MOST_NAMED_BLOCKS else 0.35
        layers = [geom_line(aes(group="block"), joined, color="#b3b3b3", size=thin)]
        layers += _block_names(joined, axis, room) if room else []
    uncertain = numbers[numbers["lowest"] < numbers["highest"]]
    size = 2.4 if len(numbers) <= 60 else 1.5
    return [
        *layers,
        geom_linerange(
            aes(ymin="lowest", ymax="highest", color="arm"), uncertain, size=0.7, show_legend=False
        ),
        geom_tank_point(
            aes(color="arm", shape="arm", told="told"), numbers[~numbers["censored"]], size=size, stroke=0.3
        ),
        geom_tank_point(
            aes(color="arm", shape="arm", told="told"),
            numbers[numbers["censored"]],
            size=size,
            stroke=0.7,
            fill="white",
            show_legend=False,
        ),
    ]


def _joined(numbers: pd.DataFrame, *, log: bool) -> pd.DataFrame:
    """Where a block's line passes: the mean of its tanks in each arm, most often of a single one."""
    worked = numbers.assign(y=numbers["y"].map(math.log)) if log else numbers
    means = worked.groupby(["block", "arm"], as_index=False)[["x", "y"]].mean()
    return means.assign(y=means["y"].map(math.exp)) if log else means


def _side_by_side(numbers: pd.DataFrame, axis: Axis, step: float) -> pd.Series:
    """How far each tank stands from the middle of its column, so that no two of like value hide each other."""
    level = numbers["y"].map(axis.share).mul(45).round()
    within = numbers.groupby(["arm", level])["y"]
    rank, size = within.cumcount(), within.transform("size")
    most = int(size.max()) if len(size) else 1
    return (rank - (size - 1) / 2) * min(step, 2 * _COLUMN / max(most - 1, 1))


def _joined_by(endpoint: EndpointResult) -> str:
    """What joins the marks: blocks, in a crossover the tank itself, or nothing."""
    if any(tank.period is not None for tank in endpoint.tanks):
        return "tank"
    return "block" if endpoint.n_blocks else ""


def _joined_count(numbers: pd.DataFrame) -> int:
    """How many lines join marks: 0 where nothing does."""
    return int(numbers.loc[numbers["block"] != "", "block"].nunique())


def _named(numbers: pd.DataFrame, width: float) -> bool:
    """Whether there is room for the names of the blocks."""
    return width >= _NAMES_FROM and 0 < _joined_count(numbers) <= MOST_NAMED_BLOCKS


def _block_names(joined: pd.DataFrame, axis: Axis, room: int) -> list[Any]:
    """Write the name of each block beside its leftmost tank, moved apart where they would overlap."""
    first = joined.sort_values(["block", "x"]).groupby("block", as_index=False).first().sort_values("y")
    shares = spread([axis.share(y) for y in first["y"]], 0.042)
    names = first.assign(
        named_at=[axis.at(share) for share in shares],
        left=first["x"].round() - _BAR - 0.06,
        name=[wrapped(block, room, 1) for block in first["block"]],
    )
    return [
        geom_segment(aes(x="left + 0.01", y="named_at", xend="x", yend="y"), names, color=RULE, size=0.3),
        geom_text(aes(x="left", y="named_at", label="name"), names, size=_NAME_SIZE, color=SOFT, ha="right"),
    ]


def spread(places: list[float], gap: float) -> list[float]:
    """Move sorted shares of an axis apart until they keep a gap, each group staying about where it was, on the axis.

    Examples
    --------
    >>> [round(place, 2) for place in spread([0.5, 0.5, 0.9], 0.1)]
    [0.45, 0.55, 0.9]
    >>> [round(place, 2) for place in spread([0.0, 0.0, 0.0], 0.1)]
    [0.05, 0.15, 0.25]
    """
    groups: list[tuple[list[float], float]] = []  # wished places and where the first one stands
    for place in places:
        wished, start = [place], _kept_on(place, 1, gap)
        while groups and groups[-1][1] + gap * len(groups[-1][0]) > start:
            before, _ = groups.pop()
            wished = before + wished
            start = _kept_on(sum(p - gap * i for i, p in enumerate(wished)) / len(wished), len(wished), gap)
        groups.append((wished, start))
    return [start + gap * i for wished, start in groups for i in range(len(wished))]


def _kept_on(start: float, number: int, gap: float) -> float:
    """Where a group of so many places may start so that all of it, with half a gap around, is on the axis."""
    return max(min(start, 1 - gap * (number - 0.5)), gap / 2)


def _means(endpoint: EndpointResult, protocol: Protocol) -> list[Any]:
    arms = [arm.id for arm in protocol.arms]
    known = [
        (arms.index(arm.arm), mean) for arm in endpoint.arms if (mean := _mean(endpoint, arm)) is not None
    ]
    bars = pd.DataFrame(known, columns=["x", "y"]).astype(float)
    reach = _BAR if _joined_by(endpoint) else _COLUMN + 0.07
    bars = bars.assign(x=bars["x"] - reach, xend=bars["x"] + reach)
    return [geom_segment(aes(xend="xend", yend="y"), bars, color=INK, size=1.1)]


def _mean(endpoint: EndpointResult, arm: ArmSummary) -> float | None:
    return arm.geometric_mean if endpoint.scale is Scale.RATIO else arm.mean


def _label_width(arms: int, width: float) -> int:
    """Letters that fit under an arm's column."""
    return max(6, min(30, int((width - 0.9) / arms / text_width("m", 8.0) * 0.95)))


def _axis_title(endpoint: EndpointResult, protocol: Protocol) -> str:
    unit = number_unit(endpoint, protocol)
    about = wrapped(sentence(measure(endpoint, protocol).rstrip(",")), 44, 2)
    return f"{about}, {unit}" if unit else about


def _caption(endpoint: EndpointResult, numbers: pd.DataFrame) -> list[str]:
    kind = "geometric mean" if endpoint.scale is Scale.RATIO else "mean"
    crowded = len(numbers) > MOST_TANKS
    what = _joined_by(endpoint)
    lines = _joined_count(numbers)
    mark = "tank" if what != "tank" else "tank in one period"
    n = count(len(numbers), mark, mark.replace("tank", "tanks"))
    of = {"tank": f", of {count(lines, 'tank')}", "block": f" in {count(lines, 'block')}"}.get(what, "")
    said = [f"n: {n}{of}."]
    if crowded:
        said.append("Too many to draw each: a box holds the middle half of the tanks, its line the median.")
    elif what:
        said.append(f"Each mark is a {mark}; grey lines join those of a {what}.")
    else:
        said.append("Each mark is a tank; those of like value stand side by side.")
    said.append(f"Black bar: {kind} of the arm.")
    if endpoint.baseline is Baseline.ADJUST:
        said.append("The comparison also allows for each tank's baseline, which this figure does not.")
    censored = int(numbers["censored"].sum())
    if censored and not crowded:
        said.append(
            f"Open marks: {count(censored, 'tank')} with readings beyond a kit's limit; the line spans what these allow."
        )
    left_out = len(endpoint.tanks) - len(numbers)
    if left_out:
        said.append(f"{count(left_out, 'tank')} without a number not drawn.")
    return said
