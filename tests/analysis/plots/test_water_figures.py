"""Nitrate against phosphate, doses, days to target: what is drawn is what was read and recorded."""

import re

import pandas as pd
import pytest
from plotnine import geom_line, geom_point, geom_rect, geom_segment

from analysis.plots import doses, nutrients, target
from analysis.plots.theme import render
from analysis.target_curves import target_curves
from schemas.events import empty_events

# Nitrate per phosphate of cells N:P 10:1 by atoms: 10 x 62.0049 / 94.971 g/mol (IUPAC atomic weights).
GROWTH = 10 * 62.0049 / 94.9714


@pytest.fixture(scope="module")
def dosed(club):
    """A few doses and pellets in the club's trial, as the register gives events."""
    arm_of = club.allocation.arm_of()
    liquid = [tank for tank, arm in arm_of.items() if arm == "liquid"]
    polymer = [tank for tank, arm in arm_of.items() if arm == "polymer"]
    rows = [(tank, f"2026-04-{day:02}", "dose", 0.9, "mL") for tank in liquid for day in range(1, 11)]
    rows += [(tank, "2026-04-01", "polymer-added", 36.0, "g") for tank in polymer]
    rows += [(liquid[0], "2026-01-01", "dose", 5.0, "mL"), (liquid[0], "2026-05-01", "loss", 1.0, "1")]
    frame = pd.DataFrame(rows, columns=["tank", "at", "kind", "amount", "unit"])
    return frame.assign(at=pd.to_datetime(frame["at"]).astype("datetime64[us]"))


def test_every_day_with_both_is_a_mark_and_every_tank_an_arrow(club, layers, caption):
    plot = nutrients.figure(club.protocol, club.allocation, club.readings, 0.03)
    days = club.readings.assign(on=club.readings["taken_at"].dt.normalize())
    both = days.groupby(["tank", "on"])["variable"].nunique().eq(2)
    assert len(plot.data) == both.sum()
    after = plot.data[plot.data["phase"] != "baseline"]
    assert sum(len(marks) for marks in layers(plot, geom_point)) == len(after)
    growth, arrows = layers(plot, geom_segment)
    # The tank without an assessment phase has its ramp as its last.
    assert len(arrows) == 24
    slope = (growth["yend"] - growth["y"]) / (growth["xend"] - growth["x"])
    assert slope.to_numpy() == pytest.approx(GROWTH, rel=1e-4)
    assert f"24 tanks, {both.sum()} days with both" in caption(plot)


def test_the_stall_region_ends_at_the_phosphate_asked_for(club):
    plot = nutrients.figure(club.protocol, club.allocation, club.readings, 0.04)
    shaded = next(layer.geom for layer in plot.layers if isinstance(layer.geom, geom_rect))
    assert shaded.data["xmax"].tolist() == [0.04]
    assert "at or below 0.04 mg/L" in nutrients.alt_text(club.protocol, club.allocation, club.readings, 0.04)


def test_nutrients_without_a_shared_day_say_so(club):
    one = club.readings[club.readings["variable"] == "nitrate"]
    svg = render(nutrients.figure(club.protocol, club.allocation, one, 0.03), "svg")["svg"]
    assert b">No day of any tank has both nitrate and phosphate.</text>" in svg
    assert nutrients.alt_text(club.protocol, club.allocation, one.head(0), 0.03).startswith("Empty chart")


def test_doses_are_summed_for_100_litres_and_those_outside_counted(club, dosed, layers, caption):
    plot = doses.figure(club.protocol, club.allocation, dosed)
    ends = plot.data.groupby("tank")["sum"].max()
    arm_of = club.allocation.arm_of()
    for tank, end in ends.items():
        given = {"liquid": 9.0, "polymer": 36.0}[arm_of[tank]]
        assert end == pytest.approx(given * 100 / 180)
    (lines,) = layers(plot, geom_line)
    assert lines.groupby("run")["sum"].apply(lambda sums: sums.is_monotonic_increasing).all()
    assert "16 tanks, 88 doses as recorded" in caption(plot)
    assert "1 dose outside the phases" in caption(plot)
    text = doses.alt_text(club.protocol, club.allocation, dosed)
    assert "with Liquid carbon, dripped, 5 mL / 100 L in the middle tank" in text


def test_the_full_dose_is_a_slope_where_it_is_daily_and_a_level_where_it_stands(club, dosed, layers):
    written = {"polymer": "20 g / 100 L", "liquid": "0.5 mL / 100 L / d"}
    arms = tuple(
        arm.model_copy(update={"carbon": arm.carbon.model_copy(update={"full_dose": written[arm.id]})})
        if arm.carbon
        else arm
        for arm in club.protocol.arms
    )
    plot = doses.figure(club.protocol.model_copy(update={"arms": arms}), club.allocation, dosed)
    (plan,) = layers(plot, geom_segment)
    ends = {str(row.panel): (row.x, row.y, row.xend, row.yend) for row in plan.itertuples()}
    assert ends["polymer|g"] == (4, 20, 20, 20)
    assert ends["liquid|mL"] == (4, 0, 20, pytest.approx(0.5 * 112))


def test_each_dose_tells_its_tank_day_and_amount(club, dosed):
    svg = render(doses.figure(club.protocol, club.allocation, dosed), "svg")["svg"].decode()
    titles = re.findall(r"<title>([^<]*)</title>", svg)
    assert sum(title.endswith(": 0.9 mL") for title in titles) == 80
    assert any(title.endswith(", Polymer pellets, fluidised, 1 April 2026: 36 g") for title in titles)


def test_without_doses_the_figure_says_so(club):
    svg = render(doses.figure(club.protocol, club.allocation, empty_events()), "svg")["svg"]
    assert b">No dose is recorded in the phases of the trial.</text>" in svg
    assert doses.alt_text(club.protocol, club.allocation, empty_events()).startswith("Empty chart")


@pytest.fixture(scope="module")
def timed(invent):
    """The same trial asked for days to a target."""
    return invent(
        endpoints=[
            {
                "id": "days",
                "role": "primary",
                "title": "Days to 12 mg/L",
                "variable": "nitrate",
                "summary": "days-to-target",
                "target": 12.0,
                "held": 2,
                "phase": "assessment",
                "better": "lower",
                "worthwhile": 14.0,
            }
        ]
    )


def test_steps_and_open_falls_end_where_the_records_do(timed, layers, caption):
    endpoint = timed.analysis.endpoints[0]
    curves = target_curves(endpoint)
    plot = target.figure(curves, endpoint, timed.protocol)
    for curve, recorded in zip(curves, endpoint.curves, strict=True):
        mine = plot.data[plot.data["arm"] == curve.arm]
        assert (curve.arm, curve.n, curve.reached) == (recorded.arm, recorded.n, recorded.reached)
        assert mine["y"].iloc[-1] == pytest.approx(recorded.share[-1] if recorded.share else 1.0)
        assert sorted({step.first for step in curve.steps[1:]}) == sorted(recorded.days)
    boxes = layers(plot, geom_rect)[-1]
    assert len(boxes) == sum(len(curve.falls) for curve in curves)
    assert "Target: nitrate at or below 12 mg/L, held on 2 sampling days in a row." in caption(plot)
    text = target.alt_text(curves, endpoint, timed.protocol)
    assert f"{curves[1].reached} of {curves[1].n} tanks" in text


def test_without_times_the_figure_says_so(timed):
    svg = render(target.figure((), timed.analysis.endpoints[0], timed.protocol), "svg")["svg"]
    assert b">No tank has days to a target to draw.</text>" in svg
