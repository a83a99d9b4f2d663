"""Every sampling day of every tank is exactly one of: measured, beyond a limit, on another day, missing, not yet due."""

import datetime as dt
from dataclasses import replace

import pandas as pd
import pytest
from plotnine import geom_col, geom_text, geom_tile

from analysis.plots import completeness
from analysis.plots.completeness import BEYOND, MEASURED, MISSING, OTHER_DAY
from analysis.plots.theme import render

START = dt.date(2026, 3, 2)


def readings(*rows):
    """Readings of nitrate as (tank, days from the start, sign)."""
    taken = [dt.datetime.combine(START + dt.timedelta(days=day), dt.time(9)) for _, day, _ in rows]
    return pd.DataFrame(
        {
            "tank": [tank for tank, _, _ in rows],
            "taken_at": pd.Series(taken, dtype="datetime64[us]"),
            "variable": "nitrate",
            "sign": [sign for _, _, sign in rows],
        }
    )


def states(trial, frame, tank="q01-0", **options):
    """States of a tank's first columns, as drawn."""
    plot = completeness.figure(trial.protocol, trial.allocation, frame, "nitrate", **options)
    cells = plot.data[plot.data["tank"] == tank].sort_values("column")
    return cells["state"].tolist()


CASES = {
    "on its day": ([("q01-0", 0, "")], [MEASURED, MISSING, MISSING]),
    "a day late": ([("q01-0", 8, "")], [MISSING, OTHER_DAY, MISSING]),
    "three days early": ([("q01-0", 4, "")], [MISSING, OTHER_DAY, MISSING]),
    "on its day and again": ([("q01-0", 7, ""), ("q01-0", 8, "")], [MISSING, MEASURED, MISSING]),
    "below the limit": ([("q01-0", 7, "<")], [MISSING, BEYOND, MISSING]),
    "below the limit, a day late": ([("q01-0", 8, "<")], [MISSING, BEYOND, MISSING]),
    "one test below, one not": ([("q01-0", 7, ""), ("q01-0", 7, "<")], [MISSING, BEYOND, MISSING]),
    "of another tank": ([("q01-1", 7, "")], [MISSING, MISSING, MISSING]),
    "before and after the trial": ([("q01-0", -1, ""), ("q01-0", 140, "")], [MISSING, MISSING, MISSING]),
}


@pytest.mark.parametrize(("rows", "expected"), CASES.values(), ids=CASES)
def test_state_of_a_sampling_day(club, rows, expected):
    assert states(club, readings(*rows))[:3] == expected


def test_days_not_due_yet_are_not_missing(club, caption):
    frame = readings(("q01-0", 0, ""))
    assert states(club, frame, until=START + dt.timedelta(days=7)) == [MEASURED, MISSING]
    plot = completeness.figure(club.protocol, club.allocation, frame, "nitrate", until=START)
    assert f"{24 * 19} samplings not due yet." in caption(plot)


def test_without_registered_sampling_a_column_is_a_week(club, caption):
    frame = readings(("q01-0", 3, ""), ("q01-0", 20, "")).assign(variable="ph")
    plot = completeness.figure(club.protocol, club.allocation, frame, "ph")
    assert plot.data[plot.data["tank"] == "q01-0"]["state"].tolist()[:4] == [
        MEASURED,
        MISSING,
        MEASURED,
        MISSING,
    ]
    assert "No sampling days are registered: a column is a week." in caption(plot)


def test_counts_of_the_caption_are_those_of_the_cells(club, layers, caption):
    plot = completeness.figure(club.protocol, club.allocation, club.readings, "phosphate")
    (cells,) = layers(plot, geom_tile)
    counts = cells["state"].value_counts()
    assert len(cells) == 24 * 20
    assert counts.sum() == len(cells)
    assert f"{counts[MISSING]} missing." in caption(plot)
    assert f"{counts[BEYOND]} beyond" in caption(plot)
    mine = club.readings[club.readings["variable"] == "phosphate"]
    assert len(cells) - counts[MISSING] == len(mine)  # the fixture holds one reading a sampling at most


def test_signs_repeat_the_fills_for_readers_of_grey(club, layers):
    plot = completeness.figure(club.protocol, club.allocation, club.readings, "phosphate")
    cells, signs = plot.data, layers(plot, geom_text)[-1]
    assert len(signs) == (cells["state"] != MEASURED).sum()
    by_state = signs.groupby("state", observed=True)["mark"].unique().map(list)
    assert by_state.to_dict() == {BEYOND: ["<"], OTHER_DAY: ["•"], MISSING: ["\N{MULTIPLICATION SIGN}"]}


def test_tanks_stand_below_their_arm(club, layers):
    plot = completeness.figure(club.protocol, club.allocation, club.readings, "nitrate")
    titles = layers(plot, geom_text)[0]
    assert titles["title"].tolist() == [
        "Water changes alone, n = 8",
        "Polymer pellets, fluidised, n = 8",
        "Liquid carbon, dripped, n = 8",
    ]
    mean = plot.data.groupby("group", observed=True)["y"].mean()
    assert mean.tolist() == sorted(mean, reverse=True)
    assert plot.data.groupby("y")["tank"].nunique().max() == 1


def test_very_many_tanks_are_shares_of_their_arm(club, layers, caption):
    copies = 6
    tanks = tuple(
        t.model_copy(update={"id": f"{t.id}.{i}"}) for i in range(copies) for t in club.protocol.tanks
    )
    protocol = club.protocol.model_copy(update={"tanks": tanks})
    shared = tuple(
        replace(a, tank=f"{a.tank}.{i}") for i in range(copies) for a in club.allocation.assignments
    )
    frame = pd.concat([club.readings.assign(tank=club.readings["tank"] + f".{i}") for i in range(copies)])
    plot = completeness.figure(protocol, replace(club.allocation, assignments=shared), frame, "nitrate")
    (columns,) = layers(plot, geom_col)
    sums = columns.groupby(["group", "column"], observed=True)["share"].sum()
    assert sums.to_numpy() == pytest.approx([1.0] * 60)
    assert "columns are shares of an arm" in caption(plot)


def test_alt_text_counts_by_arm(club):
    text = completeness.alt_text(club.protocol, club.allocation, club.readings, "nitrate")
    mine = club.readings[club.readings["variable"] == "nitrate"]
    kept = mine["tank"].map(club.allocation.arm_of()).value_counts()
    assert f"{kept['polymer']} of 160 with Polymer pellets, fluidised" in text


def test_nothing_due_is_said(club):
    options = {"until": START - dt.timedelta(days=1)}
    plot = completeness.figure(club.protocol, club.allocation, club.readings, "nitrate", **options)
    assert b">No sampling is due yet.</text>" in render(plot, "svg")["svg"]
    text = completeness.alt_text(club.protocol, club.allocation, club.readings, "nitrate", **options)
    assert text == "Empty chart: no sampling of Nitrate is due yet."
