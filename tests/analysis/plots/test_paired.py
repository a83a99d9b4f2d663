"""The numbers of the analysis stand where they are, joined by block, with the range that censoring allows."""

import math
import re
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plotnine import geom_boxplot, geom_line, geom_linerange, geom_point, geom_segment, geom_text

from analysis.plots import paired
from analysis.plots.theme import render


@pytest.fixture(scope="module")
def nitrate(club):
    """A ratio endpoint."""
    return club.analysis.endpoints[0]


@pytest.fixture(scope="module")
def phosphate(club):
    """A difference endpoint with censored readings."""
    return club.analysis.endpoints[1]


def test_marks_are_the_analysed_numbers_on_the_reported_scale(club, nitrate, layers):
    plot = paired.figure(nitrate, club.protocol)
    drawn = plot.data.sort_values(["arm", "block"])["y"].tolist()
    tanks = sorted((tank for tank in nitrate.tanks if tank.y is not None), key=lambda t: (t.arm, t.block))
    assert drawn == pytest.approx([math.exp(tank.y) for tank in tanks])
    assert "scale_y_log10" in [type(scale).__name__ for scale in plot.scales]
    assert sum(len(points) for points in layers(plot, geom_point)) == 23


def test_lines_join_the_arms_of_a_block_and_carry_its_name(club, nitrate, layers):
    plot = paired.figure(nitrate, club.protocol)
    (lines,) = layers(plot, geom_line)
    assert lines.groupby("block").size().to_dict() == {f"q{n:02d}": 2 if n == 5 else 3 for n in range(1, 9)}
    (names,) = layers(plot, geom_text)
    assert sorted(names["name"]) == [f"q{n:02d}" for n in range(1, 9)]


def test_bars_are_the_arms_means(club, nitrate, phosphate, layers):
    for endpoint, name in ((nitrate, "geometric_mean"), (phosphate, "mean")):
        bars = layers(paired.figure(endpoint, club.protocol), geom_segment)[0]
        assert bars["y"].tolist() == [getattr(arm, name) for arm in endpoint.arms]


def test_censored_tanks_are_open_and_span_what_they_allow(club, phosphate, layers, caption):
    plot = paired.figure(phosphate, club.protocol)
    censored = [tank for tank in phosphate.tanks if tank.y is not None and tank.censored]
    measured, beyond = layers(plot, geom_point)
    assert (len(measured), len(beyond)) == (23 - len(censored), len(censored))
    (spans,) = layers(plot, geom_linerange)
    assert sorted(spans["highest"]) == pytest.approx(sorted(tank.y_highest for tank in censored))
    assert f"Open marks: {len(censored)} tanks with readings beyond" in caption(plot)


def test_caption_says_n_the_bar_and_what_is_missing(club, nitrate, caption):
    said = caption(paired.figure(nitrate, club.protocol))
    assert said.startswith("n: 23 tanks in 8 blocks. Each mark is a tank; grey lines join those of a block.")
    assert "Black bar: geometric mean of the arm." in said
    assert "1 tank without a number not drawn." in said


def test_without_blocks_tanks_of_like_value_stand_side_by_side(invent, layers, caption):
    trial = invent(blocks=6, parallel=True)
    endpoint = trial.analysis.endpoints[0]
    alike = replace(
        endpoint, tanks=tuple(replace(t, y=1.0, y_lowest=1.0, y_highest=1.0) for t in endpoint.tanks)
    )
    plot = paired.figure(alike, trial.protocol)
    marks = layers(plot, geom_point)[0]
    assert not layers(plot, geom_line)
    assert marks.groupby("arm")["x"].nunique().tolist() == [6, 6, 6]
    assert "those of like value stand side by side" in caption(plot)


def test_very_many_tanks_are_boxes_and_the_caption_says_so(invent, layers, caption):
    trial = invent(blocks=3, parallel=True)
    endpoint = trial.analysis.endpoints[0]
    many = replace(endpoint, tanks=endpoint.tanks * 70)
    plot = paired.figure(many, trial.protocol)
    assert len(layers(plot, geom_boxplot)[0]) == 630
    assert not layers(plot, geom_point)
    assert "n: 630 tanks. Too many to draw each" in caption(plot)


def test_in_a_crossover_lines_join_the_periods_of_a_tank(club, nitrate, layers, caption):
    tanks = tuple(
        replace(t, tank=t.block, block=None, period=period) for period, t in enumerate(nitrate.tanks, 1)
    )
    plot = paired.figure(replace(nitrate, tanks=tanks, n_blocks=0), club.protocol)
    assert set(layers(plot, geom_line)[0]["block"]) == {f"q{n:02d}" for n in range(1, 9)}
    assert "n: 23 tanks in one period, of 8 tanks." in caption(plot)


def test_many_arms_are_named_in_a_legend_not_in_narrow_columns(invent):
    trial = invent(blocks=3, arms=9)
    svg = render(paired.figure(trial.analysis.endpoints[0], trial.protocol), "svg")["svg"].decode()
    assert svg.count(">n = 3</text>") == 9
    assert ">Polymer pellets, fluidised, n = 3</text>" in svg


def test_where_nothing_can_be_drawn_the_figure_says_so(club, nitrate):
    empty = replace(
        nitrate,
        tanks=tuple(replace(tank, y=None) for tank in nitrate.tanks),
        arms=tuple(replace(arm, n=0, mean=None, geometric_mean=None) for arm in nitrate.arms),
    )
    assert (
        b">No tank has a number to draw.</text>" in render(paired.figure(empty, club.protocol), "svg")["svg"]
    )
    assert paired.alt_text(empty, club.protocol).startswith("Empty chart")


def test_alt_text_gives_the_means(club, phosphate):
    text = paired.alt_text(phosphate, club.protocol)
    assert text.startswith(
        "Dot chart of mean phosphate in each tank by arm, those of a block joined by a line."
    )
    assert f"{phosphate.arms[1].mean:.4f} mg/L with Polymer pellets, fluidised (8 tanks)" in text


@given(st.lists(st.floats(0, 1), min_size=1, max_size=14).map(sorted))
def test_names_are_spread_apart_in_order_on_the_axis_and_about_where_they_were(places):
    gap = 0.05
    spread = paired.spread(places, gap)
    assert all(b - a >= gap - 1e-9 for a, b in pairwise(spread))
    assert gap / 2 - 1e-9 <= spread[0]
    assert spread[-1] <= 1 - gap / 2 + 1e-9
    if gap / 2 + gap * len(places) < places[0] and places[-1] < 1 - gap / 2 - gap * len(places):
        assert sum(spread) == pytest.approx(sum(places))


def test_names_of_blocks_that_lie_at_the_foot_stay_on_the_figure(club, nitrate):
    low = tuple(
        replace(tank, y=None if tank.y is None else 0.0 if tank.arm == "control" else 3.0)
        for tank in nitrate.tanks
    )
    alike = tuple(replace(t, y_lowest=t.y, y_highest=t.y) for t in low)
    svg = render(paired.figure(replace(nitrate, tanks=alike), club.protocol), "svg")["svg"].decode()
    assert len(re.findall(r">q0\d</text>", svg)) == 8


def test_narrow_figures_leave_the_names_of_blocks_out_and_tell_each_tank_by_its_title(club, nitrate):
    svg = render(paired.figure(nitrate, club.protocol, width=3.46), "svg")["svg"].decode()
    assert not re.findall(r">q0\d</text>", svg)
    assert svg.count('data-tank="') == nitrate.n_tanks == 23
