"""Each reading of a variable is drawn once, at its time, in its arm, or counted in the caption."""

import datetime as dt
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from plotnine import geom_hline, geom_line, geom_point, geom_rect, geom_ribbon, geom_segment, geom_text

from analysis.plots import trajectories
from analysis.plots.theme import arm_looks, render
from schemas.allocation import Allocation, Assignment
from schemas.protocol import Protocol


@pytest.fixture(scope="module")
def phosphate(club):
    """The figure of a variable with readings below the limit."""
    return trajectories.figure(club.protocol, club.allocation, club.readings, "phosphate")


def test_every_reading_is_a_mark_and_censored_ones_are_open_with_an_arrow(club, phosphate, layers):
    mine = club.readings[club.readings["variable"] == "phosphate"]
    measured, beyond = layers(phosphate, geom_point)
    assert len(measured) == (mine["sign"] == "").sum()
    assert len(beyond) == (mine["sign"] == "<").sum() > 0
    (arrows,) = layers(phosphate, geom_segment)
    assert (arrows["tail"] < arrows["value"]).all()
    assert phosphate.layers[-1].geom.aes_params["fill"] == "white"


def test_caption_counts_tanks_readings_and_censored(club, phosphate, caption):
    mine = club.readings[club.readings["variable"] == "phosphate"]
    assert f"n: 24 tanks, {len(mine)} readings." in caption(phosphate)
    assert (
        f"{(mine['sign'] == '<').sum()} below a kit\N{RIGHT SINGLE QUOTATION MARK}s limit: drawn open"
        in caption(phosphate)
    )


def test_blocks_are_panels_and_arms_keep_their_look(club, phosphate, layers):
    assert list(phosphate.data["panel"].cat.categories) == [f"q{n:02d}" for n in range(1, 9)]
    (lines,) = layers(phosphate, geom_line)
    assert lines.groupby("run")["arm"].nunique().max() == 1
    assert set(lines["arm"]) == set(arm_looks(club.protocol))


def test_time_is_weeks_and_phases_are_shaded_and_named(club, phosphate, layers):
    (phases,) = layers(phosphate, geom_rect)
    assert phases[["xmin", "xmax"]].to_numpy().tolist() == [[0, 4], [4, 8], [8, 20]]
    assert list(phases["phase"]) == ["baseline", "ramp", "assessment"]
    assert phosphate.labels.x == "Weeks since 2 March 2026"
    assert phosphate.labels.y == "Phosphate, mg/L"
    narrow = trajectories.figure(club.protocol, club.allocation, club.readings, "phosphate")
    assert not layers(narrow, geom_text)  # four columns: the names stand in the legend
    wide = trajectories.figure(club.protocol, club.allocation, club.readings, "phosphate", width=14)
    assert list(layers(wide, geom_text)[0]["phase"]) == [
        p for p in ("baseline", "ramp", "assessment") for _ in range(4)
    ]


@pytest.mark.parametrize(("variable", "log"), [("nitrate", True), ("phosphate", False)])
def test_axis_is_logarithmic_where_ratios_are_compared(club, variable, log):
    plot = trajectories.figure(club.protocol, club.allocation, club.readings, variable)
    scales = [type(scale).__name__ for scale in plot.scales]
    assert ("scale_y_log10" in scales) is log


def test_what_is_not_drawn_is_counted(club, layers, caption):
    readings = club.readings.copy()
    nitrate = readings.index[readings["variable"] == "nitrate"]
    readings.loc[nitrate[0], "tank"] = "stray"
    readings.loc[nitrate[1], "value"] = np.nan
    readings.loc[nitrate[2], "taken_at"] = pd.Timestamp("2027-01-01")
    plot = trajectories.figure(club.protocol, club.allocation, readings, "nitrate")
    assert "2 readings without an arm or a number not drawn." in caption(plot)
    assert "1 reading outside the phases not drawn." in caption(plot)
    assert sum(len(points) for points in layers(plot, geom_point)) == len(nitrate) - 3


def test_silent_tanks_are_counted(club, caption):
    readings = club.readings[club.readings["tank"] != "q01-0"]
    plot = trajectories.figure(club.protocol, club.allocation, readings, "nitrate")
    assert "1 tank without a reading." in caption(plot)


def test_parallel_arms_are_panels_with_their_n(invent):
    trial = invent(blocks=4, parallel=True)
    plot = trajectories.figure(trial.protocol, trial.allocation, trial.readings, "nitrate")
    assert list(plot.data["panel"].cat.categories) == ["control", "polymer", "liquid"]
    svg = render(plot, "svg")["svg"].decode()
    assert ">Polymer pellets, fluidised, n = 4</text>" in svg


def test_very_many_tanks_are_drawn_as_medians_and_the_caption_says_so(club, layers, caption):
    copies = 15
    tanks = tuple(
        t.model_copy(update={"id": f"{t.id}.{i}"}) for i in range(copies) for t in club.protocol.tanks
    )
    protocol = club.protocol.model_copy(update={"tanks": tanks})
    shared = tuple(
        replace(a, tank=f"{a.tank}.{i}") for i in range(copies) for a in club.allocation.assignments
    )
    readings = pd.concat([club.readings.assign(tank=club.readings["tank"] + f".{i}") for i in range(copies)])
    plot = trajectories.figure(protocol, replace(club.allocation, assignments=shared), readings, "nitrate")
    assert not plot.data.empty
    assert len(layers(plot, geom_ribbon)) == 3
    (middles,) = layers(plot, geom_line)
    assert len(middles) == 3 * 20
    week = club.readings[
        (club.readings["variable"] == "nitrate") & (club.readings["taken_at"] < pd.Timestamp("2026-03-09"))
    ]
    mine = week[week["tank"].map(club.allocation.arm_of()) == "polymer"]["value"]
    drawn = middles[(middles["arm"] == "polymer") & (middles["x"] == 0)]
    assert drawn["value"].tolist() == [mine.median()]
    assert "Too many to draw each: lines are medians" in caption(plot)


@pytest.fixture(scope="module")
def crossover(club):
    """Two tanks, two periods of baseline and assessment, a washout between; the second cohort begins later."""
    raw = club.protocol.model_dump() | {
        "arms": [club.protocol.arms[0].model_dump(), club.protocol.arms[1].model_dump()],
        "design": {"kind": "crossover", "periods": 2, "washout_days": 7, "seed_from": "balls"},
        "tanks": [{"id": "t1", "block": "north"}, {"id": "t2", "block": "south"}],
        "analysis": {},
    }
    raw["schedule"] |= {
        "phases": [{"id": "baseline", "days": 7}, {"id": "assessment", "days": 21}],
        "starts": {"south": dt.date(2026, 3, 9)},
    }
    protocol = Protocol.model_validate(raw)
    arms = {"t1": ("control", "polymer"), "t2": ("polymer", "control")}
    shared = tuple(
        Assignment(tank.id, arm, tank.block, None, period + 1)
        for tank in protocol.tanks
        for period, arm in enumerate(arms[tank.id])
    )
    allocation = Allocation(shared, drawn=True, random=True, how="balls", seed="1")
    rows = [
        (tank.id, pd.Timestamp(day), "nitrate", 5.0, "")
        for tank in protocol.tanks
        for first, after in protocol.periods(tank.id)
        for day in pd.date_range(first, after, freq="7D")  # the last of them lies in the washout
    ]
    return protocol, allocation, pd.DataFrame(rows, columns=["tank", "taken_at", "variable", "value", "sign"])


def test_crossover_draws_each_tank_in_the_arm_of_its_period(crossover, caption):
    plot = trajectories.figure(*crossover, "nitrate")
    drawn = plot.data.groupby(["panel", "period"], observed=True)["arm"].unique().map(list)
    assert drawn.to_dict() == {
        ("t1", 0): ["control"],
        ("t1", 1): ["polymer"],
        ("t2", 0): ["polymer"],
        ("t2", 1): ["control"],
    }
    assert sorted(plot.data["x"].unique()) == [0, 1, 2, 3, 5, 6, 7, 8]
    assert "4 readings outside the phases not drawn." in caption(plot)
    assert plot.labels.x == "Weeks since each block\N{RIGHT SINGLE QUOTATION MARK}s own first day"


def test_alt_text_says_what_the_data_say(club):
    text = trajectories.alt_text(club.protocol, club.allocation, club.readings, "nitrate")
    nitrate = club.readings[club.readings["variable"] == "nitrate"]
    late = nitrate[nitrate["taken_at"] >= pd.Timestamp("2026-04-27")]
    middle = late[late["tank"].map(club.allocation.arm_of()) == "polymer"]["value"].median()
    assert text.startswith("Line chart of Nitrate over time in 24 tanks: in the baseline phase")
    assert f"{middle:.1f} mg/L with Polymer pellets, fluidised" in text


def test_where_nothing_can_be_drawn_the_figure_says_so(club):
    plot = trajectories.figure(club.protocol, club.allocation, club.readings.head(0), "nitrate")
    assert b">No reading of Nitrate to draw.</text>" in render(plot, "svg")["svg"]
    assert trajectories.alt_text(club.protocol, club.allocation, club.readings.head(0), "nitrate").startswith(
        "Empty chart"
    )


def test_readings_of_one_day_are_small_and_the_line_passes_through_their_mean(club, layers, caption):
    nitrate = club.readings[(club.readings["variable"] == "nitrate") & (club.readings["tank"] == "q01-0")]
    again = nitrate.iloc[[3]].assign(value=nitrate["value"].iloc[3] * 1.5, replicate=2)
    readings = pd.concat([club.readings, again], ignore_index=True)
    plot = trajectories.figure(club.protocol, club.allocation, readings, "nitrate")
    measured, _ = layers(plot, geom_point)
    small = measured[measured["size"] < measured["size"].max()]
    assert list(small["tank"]) == ["q01-0", "q01-0"]
    (lines,) = layers(plot, geom_line)
    mine = lines[(lines["tank"] == "q01-0") & (lines["on"] == small["on"].iloc[0])]
    assert mine["value"].tolist() == [pytest.approx(small["value"].mean())]
    assert len(lines) == len(measured) - 1
    assert "the line passes through their mean" in caption(plot)
    assert "small marks" not in caption(
        trajectories.figure(club.protocol, club.allocation, club.readings, "nitrate")
    )


@pytest.mark.parametrize(
    ("bounds", "drawn", "words"),
    [
        ({"below": 0.01}, [0.01], "Dashed: stop rule, below 0.01 mg/L, 2 times in a row."),
        ({"above": 50.0}, [], "Stop rule off the axis: above 50 mg/L, 2 times in a row."),
        (
            {"below": 0.01, "above": 50.0},
            [0.01],
            "Dashed: stop rule, below 0.01 mg/L, 2 times in a row. Stop rule off the axis: above 50 mg/L",
        ),
    ],
)
def test_stop_rules_are_lines_where_the_axis_reaches_them(club, caption, bounds, drawn, words):
    rule = club.protocol.stop_rules[0].model_copy(update={"below": None, "above": None} | bounds)
    protocol = club.protocol.model_copy(update={"stop_rules": (rule,)})
    plot = trajectories.figure(protocol, club.allocation, club.readings, "phosphate")
    lines = [layer.geom.data for layer in plot.layers if isinstance(layer.geom, geom_hline)]
    assert [line["yintercept"].iloc[0] for line in lines] == drawn
    assert words in caption(plot)


def test_every_mark_and_line_tells_its_tank(club, phosphate):
    svg = render(phosphate, "svg")["svg"].decode()
    mine = club.readings[club.readings["variable"] == "phosphate"]
    titles = re.findall(r'<g class="of-tank" data-tank="([^"]+)"><title>([^<]*)</title>', svg)
    assert len(titles) == len(mine) + 24
    assert all(title.startswith(tank) for tank, title in titles)
    first = mine.iloc[0]
    title = club.protocol.arm(club.allocation.arm_of()[first["tank"]]).title
    assert (
        first["tank"],
        f"{first['tank']}, {title}, 2 March 2026: {first['sign'].replace('<', '&lt;')}{first['value']:g}",
    ) in titles
    assert "<a " not in svg
