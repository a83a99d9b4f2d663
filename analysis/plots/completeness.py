"""Completeness of sampling: for each tank and sampling day, whether it was measured, late, missing or beyond a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from plotnine import (
    aes,
    element_blank,
    element_text,
    facet_wrap,
    geom_col,
    geom_segment,
    geom_text,
    geom_tile,
    ggplot,
    guide_legend,
    labs,
    position_stack,
    scale_fill_manual,
    scale_x_continuous,
    scale_y_continuous,
    theme,
)

from analysis.numerals import count, plain, quantity
from analysis.plots.theme import INK, RULE, SOFT, WIDTH, captioned, look, nothing, text_width, wrapped
from analysis.plots.timeline import Timeline
from schemas.plain_words import listed
from schemas.variables import variables_for

if TYPE_CHECKING:
    import datetime as dt

    from numpy.typing import NDArray

    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

    Days = NDArray[np.int64]

MOST_LABELLED = 45
MOST_ROWS = 120
"""Tanks beyond which rows lose their names, and beyond which shares of each arm's tanks are drawn instead."""
MOST_SIGNED = 42
"""Sampling days beyond which a cell is too narrow for a sign in it."""
MEASURED, BEYOND, OTHER_DAY, MISSING = "measured", "beyond a kit's limit", "on another day", "missing"
_FILLS = {MEASURED: "#a9bccd", BEYOND: "#4f6d8c", OTHER_DAY: "#f1e1b8", MISSING: "#ffffff"}
_SIGNS = {MEASURED: "", BEYOND: "(< >)", OTHER_DAY: "(\u2022)", MISSING: "(\u00d7)"}
_NAME_SIZE = 6.5


@dataclass(frozen=True)
class _Grid:
    """Cells of tank and sampling day. ``columns`` are the days counted from the first day of the trial."""

    cells: pd.DataFrame
    titles: dict[str, str]
    """By group of tanks that had the same arm, or in a crossover the same arms in turn."""
    columns: tuple[int, ...]
    registered: bool
    waiting: int
    uncounted: int

    @property
    def tanks(self) -> int:
        return int(self.cells["tank"].nunique())


def figure(
    protocol: Protocol,
    allocation: Allocation,
    readings: pd.DataFrame,
    variable: str,
    *,
    until: dt.date | None = None,
    width: float = WIDTH,
) -> ggplot:
    """Draw which sampling days of a variable were kept.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings of any variables: ``tank``, ``taken_at``, ``variable``, ``sign``.
    until : date, optional
        Sampling days after it are not due yet, and not drawn as missing.
    """
    timeline = Timeline.of(protocol)
    grid = _shape(protocol, allocation, readings, variable, until)
    if grid.cells.empty:
        return nothing("No sampling is due yet.", width)
    signs = grid.tanks <= MOST_LABELLED and len(grid.columns) <= MOST_SIGNED
    labels = [f"{state} {_SIGNS[state]}" if signs and _SIGNS[state] else state for state in _FILLS]
    labels = [label.replace("'", "\u2019") for label in labels]
    days, names = _day_ticks(timeline, grid, width)
    title = wrapped(variables_for(protocol)[variable].title, 40, 1)
    return (
        (_shares(grid, width) if grid.tanks > MOST_ROWS else _rows(timeline, grid, width, signs=signs))
        + scale_fill_manual(_FILLS, breaks=list(_FILLS), labels=labels, name="", guide=guide_legend(nrow=1))
        + scale_x_continuous(
            breaks=days,
            labels=names,
            minor_breaks=[],
            limits=(-0.5, max(len(grid.columns), 1) - 0.5),
            expand=(0, 0),
        )
        + labs(x=f"{title}: {timeline.title[0].lower()}{timeline.title[1:]}".replace("'", "\u2019"))
        + captioned(_caption(grid), width)
    )


def alt_text(
    protocol: Protocol,
    allocation: Allocation,
    readings: pd.DataFrame,
    variable: str,
    *,
    until: dt.date | None = None,
) -> str:
    """Say in words, from the data, what the figure shows."""
    grid = _shape(protocol, allocation, readings, variable, until)
    title = plain(variables_for(protocol)[variable].title, 80)
    if grid.cells.empty:
        return f"Empty chart: no sampling of {title} is due yet."
    kept = [
        f"{int((cells['state'] != MISSING).sum()):,} of {len(cells):,} with {grid.titles[str(group)]}"
        for group, cells in grid.cells.groupby("group", observed=True)
    ]
    return f"Chart of tanks by sampling day for {title}. Kept: {listed(kept, last='and')}. {_counts(grid)}"


def _shape(
    protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, variable: str, until: dt.date | None
) -> _Grid:
    timeline = Timeline.of(protocol)
    due = [(day - protocol.schedule.start).days for day in protocol.due_days(variable)]
    columns = np.array(due or range(0, timeline.days, 7), dtype=int)
    sequences = {tank: "|".join(arms) for tank, arms in allocation.sequence_of().items()}
    order = [arm.id for arm in protocol.arms]
    groups = sorted(set(sequences.values()), key=lambda group: [order.index(arm) for arm in group.split("|")])
    mine = readings.loc[readings["variable"] == variable, ["tank", "taken_at", "sign"]]
    taken = timeline.place(allocation, mine[mine["tank"].isin(list(sequences))])
    days = np.floor(taken["day"].to_numpy()).astype(int)
    at = _column_of(days, columns, nearest=bool(due))
    taken = taken.assign(column=at, exact=(days == columns[at]) if due else True)
    # Of several readings in a cell the last sign in order stays, so that a censored one is not hidden.
    by_cell = taken.sort_values("sign", kind="stable").groupby(["tank", "column"])
    found = pd.DataFrame({"exact": by_cell["exact"].any(), "sign": by_cell["sign"].last()}).reset_index()
    cells = pd.DataFrame(
        {
            "tank": np.repeat(list(sequences), len(columns)),
            "column": np.tile(np.arange(len(columns)), len(sequences)),
        }
    )
    waiting = np.zeros(len(cells), dtype=bool)
    if until is not None:
        left = cells["tank"].map({tank: (until - timeline.starts[tank]).days for tank in sequences})
        waiting = columns[cells["column"].to_numpy()] > left.to_numpy()
    cells = cells[~waiting].merge(found, how="left", on=["tank", "column"])
    seen = cells["sign"].notna()
    exact = cells["exact"].eq(True)
    state = np.select([~seen, seen & (cells["sign"] != ""), exact], [MISSING, BEYOND, MEASURED], OTHER_DAY)
    return _Grid(
        cells=cells.assign(
            state=pd.Categorical(state, list(_FILLS)),
            other_day=seen & ~exact,
            group=pd.Categorical(cells["tank"].map(sequences), groups),
        ),
        titles={
            group: " then ".join(plain(protocol.arm(arm).title, 80) for arm in group.split("|"))
            for group in groups
        },
        columns=tuple(int(column) for column in columns[: cells["column"].max() + 1 if len(cells) else 0]),
        registered=bool(due),
        waiting=int(waiting.sum()),
        uncounted=len(mine) - len(taken),
    )


def _column_of(days: Days, columns: Days, *, nearest: bool) -> Days:
    """Index of the column that each day belongs to: the nearest, the earlier of two; or the last before it."""
    before = np.clip(np.searchsorted(columns, days, side="right") - 1, 0, None)
    if not nearest or not len(columns):
        return before
    after = np.clip(before + 1, None, len(columns) - 1)
    return np.where(np.abs(columns[after] - days) < np.abs(days - columns[before]), after, before)


def _rows(timeline: Timeline, grid: _Grid, width: float, *, signs: bool) -> ggplot:
    """Draw a row for each tank, arm below arm, with a sign in each cell that is not simply measured."""
    named = grid.tanks <= MOST_LABELLED
    row = 0.15 if named else 0.06
    heading = 0.24 / row
    places: dict[str, float] = {}
    titles, groups = [], []
    y = 0.0
    for group, tanks in grid.cells.groupby("group", observed=True)["tank"].unique().items():
        titles.append((y - heading * 0.55, f"{wrapped(grid.titles[str(group)], 70, 1)}, n = {len(tanks)}"))
        y -= heading
        places |= {tank: y - 0.5 - i for i, tank in enumerate(tanks)}
        groups.append((y - len(tanks), y))
        y -= len(tanks) + 0.3
    cells = grid.cells.assign(y=grid.cells["tank"].map(places))
    top = 0.18 / row
    layers: list[Any] = [
        geom_tile(aes(fill="state"), color=RULE, size=0.25 if named else 0.15, width=0.92, height=0.88),
        geom_text(
            aes(label="title"),
            pd.DataFrame(titles, columns=["y", "title"]).assign(column=-0.45),
            ha="left",
            size=8.0,
            color=INK,
        ),
        *_phases(timeline, grid, groups, top, width),
    ]
    if signs:
        marks = {MISSING: ("\u00d7", SOFT), OTHER_DAY: ("\u2022", "#6b5a23"), BEYOND: ("", "#ffffff")}
        marked = cells[cells["state"] != MEASURED]
        layers.append(
            geom_text(
                aes(label="mark"),
                marked.assign(
                    mark=[
                        marks[s][0] or sign for s, sign in zip(marked["state"], marked["sign"], strict=True)
                    ]
                ),
                size=6.5,
                color=[marks[s][1] for s in marked["state"]],
            )
        )
    return (
        ggplot(cells, aes("column", "y"))
        + layers
        + scale_y_continuous(
            breaks=list(places.values()) if named else [],
            labels=[wrapped(tank, 16, 1) for tank in places] if named else [],
            minor_breaks=[],
            limits=(y, top),
            expand=(0, 0),
        )
        + look(width, 1.3 + row * (top - y))
        + theme(
            panel_border=element_blank(),
            panel_grid_major_y=element_blank(),
            axis_ticks_major_y=element_blank(),
            axis_title_y=element_blank(),
            axis_text_y=element_text(size=_NAME_SIZE) if named else element_blank(),
        )
    )


def _shares(grid: _Grid, width: float) -> ggplot:
    """Draw the share of each arm's tanks in each state, sampling day by sampling day."""
    n = grid.cells.groupby("group", observed=True)["tank"].nunique()
    by = grid.cells.groupby(["group", "column", "state"], observed=True)
    counted = by.size().rename("tanks").reset_index()
    counted["share"] = counted["tanks"] / counted["group"].map(n).astype(float)
    titles = {str(group): f"{wrapped(grid.titles[str(group)], 70, 1)}, n = {k:,}" for group, k in n.items()}
    return (
        ggplot(counted, aes("column", "share", fill="state"))
        + geom_col(width=0.9, color=RULE, size=0.2, position=position_stack(reverse=True))
        + facet_wrap("group", ncol=1, labeller=titles.__getitem__)
        + scale_y_continuous(
            breaks=[0, 0.5, 1], labels=["0", "50 %", "100 %"], minor_breaks=[], expand=(0, 0)
        )
        + labs(y="Tanks")
        + look(width, 1.3 + 1.25 * len(titles))
    )


def _phases(
    timeline: Timeline, grid: _Grid, groups: list[tuple[float, float]], top: float, width: float
) -> list[Any]:
    """Rule off the phases across each group's rows, and name those that have room for it."""
    rules, names = [], []
    for span in timeline.spans:
        inside = [i for i, column in enumerate(grid.columns) if span.first <= column < span.after]
        if not inside:
            continue
        if inside[0] > 0:
            rules += [(inside[0] - 0.5, low, high) for low, high in [*groups, (top * 0.25, top)]]
        if text_width(span.phase, _NAME_SIZE) < (width - 0.8) * len(inside) / len(grid.columns):
            names.append(((inside[0] + inside[-1]) / 2, top * 0.4, span.phase))
    edges = pd.DataFrame(rules, columns=["column", "y", "high"])
    named = pd.DataFrame(names, columns=["column", "y", "phase"])
    return [
        geom_segment(aes(xend="column", yend="high"), edges, color=INK, size=0.5),
        geom_text(aes(label="phase"), named, size=_NAME_SIZE, color=SOFT, va="baseline"),
    ]


def _day_ticks(timeline: Timeline, grid: _Grid, width: float) -> tuple[list[int], list[str]]:
    whole = [i for i, column in enumerate(grid.columns) if column % timeline.per == 0]
    every = max(1, math.ceil(len(whole) / (width / 0.35)))
    shown = whole[::every]
    return shown, [quantity(grid.columns[i] / timeline.per) for i in shown]


def _counts(grid: _Grid) -> str:
    counts = grid.cells["state"].value_counts()
    late = int(grid.cells["other_day"].sum())
    return (
        f"{len(grid.cells):,} samplings due: {len(grid.cells) - int(counts[MISSING]):,} kept, {late:,} of these on another "
        f"day and {int(counts[BEYOND]):,} beyond a kit's limit; {int(counts[MISSING]):,} missing."
    )


def _caption(grid: _Grid) -> list[str]:
    said = [f"n: {count(grid.tanks, 'tank')}.", _counts(grid)]
    if not grid.registered:
        said[1:] = [f"No sampling days are registered: a column is a week. {_counts(grid)}"]
    if grid.tanks > MOST_ROWS:
        said.append("Too many tanks to draw each: columns are shares of an arm's tanks.")
    if grid.waiting:
        said.append(f"{count(grid.waiting, 'sampling')} not due yet.")
    if grid.uncounted:
        said.append(f"{count(grid.uncounted, 'reading')} outside these days not drawn.")
    return said
