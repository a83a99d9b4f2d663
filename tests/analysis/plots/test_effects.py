"""Estimates, intervals and margins stand at their numbers; what has none is not drawn, but counted."""

from dataclasses import replace

import numpy as np
import pytest
from plotnine import geom_point, geom_rect, geom_segment, geom_text

from analysis.plots import effects
from analysis.plots.theme import render
from schemas.vocabulary import Better, Scale


@pytest.fixture(scope="module")
def nitrate(club):
    """Ratios; 20 % lower is worthwhile."""
    return club.analysis.endpoints[0]


@pytest.fixture(scope="module")
def phosphate(club):
    """Differences; 0.03 mg/L lower is worthwhile."""
    return club.analysis.endpoints[1]


def test_intervals_stand_at_their_numbers_in_the_registered_order(club, nitrate, layers):
    rows = layers(effects.figure(nitrate, club.protocol), geom_point)[0]
    drawn = rows.sort_values("y", ascending=False)[["estimate", "low", "high", "r_low", "r_high"]].to_numpy()
    told = [(c.estimate, c.low, c.high, c.randomisation.low, c.randomisation.high) for c in nitrate.contrasts]
    assert drawn == pytest.approx(np.array(told))
    assert rows["y"].is_monotonic_increasing


def test_zone_and_lines_stand_at_the_worthwhile_difference_and_at_none(club, nitrate, phosphate, layers):
    for endpoint, edges, none in ((nitrate, (0.8, 1.25), 1.0), (phosphate, (-0.03, 0.03), 0.0)):
        plot = effects.figure(endpoint, club.protocol)
        zone = layers(plot, geom_rect)[0]
        assert (zone["xmin"][0], zone["xmax"][0]) == pytest.approx(edges)
        _, dashed, solid = layers(plot, geom_segment)[:3]
        assert dashed["x"].tolist() == pytest.approx(edges)
        assert solid["x"].tolist() == [none]


def test_axis_is_of_ratios_or_differences(club, nitrate, phosphate):
    names = [
        [type(s).__name__ for s in effects.figure(e, club.protocol).scales] for e in (nitrate, phosphate)
    ]
    assert "scale_x_log10" in names[0]
    assert "scale_x_continuous" in names[1]
    assert effects.figure(phosphate, club.protocol).labels.x.replace("\n", " ") == (
        "Mean phosphate, difference of the two arms, mg/L"
    )


@pytest.mark.parametrize("width", [7.0, effects.NARROW])
def test_words_say_what_is_compared_what_was_found_and_n(club, nitrate, width):
    svg = render(effects.figure(nitrate, club.protocol, width=width), "svg")["svg"].decode()
    for words in ("v Water changes alone", "n = 7 blocks", "46 % lower", "worthwhile", "0.8"):
        assert words in svg, words


@pytest.mark.parametrize("better", Better)
def test_sides_of_the_zone_are_named_by_what_is_better(club, nitrate, better, layers):
    mirrored = tuple(
        replace(c, estimate=1 / c.estimate, low=1 / c.high, high=1 / c.low) for c in nitrate.contrasts
    )
    contrasts = nitrate.contrasts if better is Better.LOWER else mirrored
    endpoint = replace(
        nitrate, better=better, contrasts=tuple(replace(c, randomisation=None) for c in contrasts)
    )
    names = layers(effects.figure(endpoint, club.protocol, width=12), geom_text)[0].set_index("name")["x"]
    assert (names["worthwhile"] < 1) == (better is Better.LOWER)
    assert names["too small to matter"] == pytest.approx(1)


def test_without_a_margin_only_no_difference_is_drawn(club, nitrate, layers):
    plot = effects.figure(replace(nitrate, worthwhile=None), club.protocol)
    assert not layers(plot, geom_rect)
    assert [list(lines["x"]) for lines in layers(plot, geom_segment)[1:2]] == [[1.0]]


def test_what_has_no_interval_or_no_estimate_is_said(club, nitrate, layers, caption):
    first, second, third = nitrate.contrasts
    endpoint = replace(
        nitrate,
        contrasts=(
            replace(first, low=None, high=None, verdict=None, randomisation=None),
            replace(second, estimate=None),
            replace(third, randomisation=replace(third.randomisation, low=None, high=None)),
        ),
    )
    plot = effects.figure(endpoint, club.protocol)
    rows = layers(plot, geom_point)[0]
    assert len(rows) == 2
    assert rows["low"].isna().sum() == 1
    assert "1 comparison without an estimate not drawn." in caption(plot)
    assert "A line that reaches the end of the axis goes on beyond it." in caption(plot)
    assert "no interval" in render(plot, "svg")["svg"].decode()


def test_enormous_ratios_end_the_axis_and_not_the_figure(club, nitrate, layers):
    wild = tuple(replace(c, low=1e-8, high=1e9) for c in nitrate.contrasts)
    plot = effects.figure(replace(nitrate, contrasts=wild), club.protocol)
    rows = layers(plot, geom_point)[0]
    assert rows["low"].min() > 0.01
    assert rows["high"].max() < 100
    assert render(plot, "svg")["svg"].startswith(b"<?xml")


def test_where_nothing_can_be_drawn_the_figure_says_so(club, nitrate):
    empty = replace(nitrate, contrasts=tuple(replace(c, estimate=None) for c in nitrate.contrasts))
    svg = render(effects.figure(empty, club.protocol), "svg")["svg"]
    assert b">No comparison has an estimate to draw.</text>" in svg


def test_caption_gives_level_method_and_the_thin_line(club, nitrate, caption):
    said = caption(effects.figure(replace(nitrate, alpha=0.1), club.protocol))
    assert "estimate and 90 % interval of each comparison taken alone" in said
    assert "the differences within the blocks that hold both arms" in said
    assert "Thin line: interval by the randomisation test." in said


def test_twenty_comparisons_make_a_taller_figure(invent):
    trial = invent(blocks=4, arms=8)
    few, many = (
        effects.figure(e, trial.protocol).theme.getp("figure_size")[1]
        for e in (
            replace(trial.analysis.endpoints[0], contrasts=trial.analysis.endpoints[0].contrasts[:2]),
            trial.analysis.endpoints[0],
        )
    )
    assert many > 2 * few


def test_alt_text_is_the_answer_of_each_comparison(club, phosphate):
    text = effects.alt_text(phosphate, club.protocol)
    assert text.startswith("Estimates with 95 % intervals for Mean phosphate.")
    assert text.count("With ") == len(phosphate.contrasts)
    assert phosphate.scale is Scale.DIFFERENCE
