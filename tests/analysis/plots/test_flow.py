"""The boxes add up, arm by arm, and say why a tank was left out."""

from dataclasses import replace

import pytest
from plotnine import geom_rect, geom_segment, geom_text

from analysis.plots import flow
from analysis.plots.theme import render


@pytest.fixture(scope="module")
def nitrate(club):
    return club.analysis.endpoints[0]


def test_each_arm_has_its_boxes_and_the_one_that_lost_a_tank_says_why(club, nitrate, layers):
    (gone,) = (tank for tank in nitrate.tanks if tank.y is None)
    plot = flow.figure(nitrate, club.protocol)
    (words,) = layers(plot, geom_text)
    texts = [" ".join(text.split()) for text in words["text"]]
    assert len(texts) == 3 * 3 + 1
    assert sum(text.endswith("8 tanks allocated") for text in texts) == 3
    assert sum(text == "7 tanks analysed" for text in texts) == 1
    assert f"1 left out: no nitrate reading in the assessment phase ({gone.tank})" in texts
    (arrows,) = layers(plot, geom_segment)
    assert len(arrows) == 2 * 2 + 3


def test_boxes_of_a_column_do_not_overlap_and_arrows_join_them(club, nitrate, layers):
    for width in (7.0, 3.46):
        plot = flow.figure(nitrate, club.protocol, width=width)
        (boxes,), (arrows,) = layers(plot, geom_rect), layers(plot, geom_segment)
        for _, column in boxes.sort_values("ymax", ascending=False).groupby("x"):
            assert (column["ymin"].to_numpy()[:-1] > column["ymax"].to_numpy()[1:]).all()
        edges = set(boxes["ymin"]) | set(boxes["ymax"])
        assert set(arrows["y"]) | set(arrows["yend"]) <= edges
        assert (arrows["y"] > arrows["yend"]).all()


def test_tanks_are_named_while_they_are_few(club, nitrate, layers):
    gone = tuple(
        replace(tank, y=None, why_missing="a leak") if tank.arm == "control" else tank
        for tank in nitrate.tanks
    )
    (words,) = layers(flow.figure(replace(nitrate, tanks=gone), club.protocol), geom_text)
    assert "8 left out: a leak" in set(words["text"])


def test_alt_text_counts_as_the_records_do(club, nitrate):
    text = flow.alt_text(nitrate, club.protocol)
    for arm in nitrate.flow:
        assert f"{arm.allocated} allocated, {arm.followed} with a reading, {arm.analysed} analysed" in text
    assert "no nitrate reading in the assessment phase" in text


def test_without_arms_the_figure_says_so(club, nitrate):
    empty = render(flow.figure(replace(nitrate, flow=()), club.protocol), "svg")["svg"]
    assert b">No tank was allocated.</text>" in empty
