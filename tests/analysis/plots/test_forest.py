"""Trials, diamond and prediction stand at their numbers, and the words say the same."""

from __future__ import annotations

import datetime as dt
import math

import pytest
from plotnine import geom_point, geom_polygon

from analysis.plots import forest
from analysis.plots.theme import render
from analysis.pooled_records import PooledQuestion, TrialEffect
from analysis.pooling import pool
from schemas.vocabulary import Better, EndpointRole, Scale, Summary


def pooled(scale=Scale.RATIO, trials=3, margin=0.2):
    asked = PooledQuestion(
        id="nitrate",
        title="Mean nitrate",
        role=EndpointRole.PRIMARY,
        variable="nitrate",
        summary=Summary.MEAN,
        phase="assessment",
        scale=scale,
        unit="1" if scale is Scale.RATIO else "mg/L",
        better=Better.LOWER,
        test="solid carbon",
        reference="control",
    )
    effects = [
        TrialEffect(
            trial=f"trial-{at}",
            title="",
            ended=dt.date(2020 + at, 1, 1) if at else None,
            estimate=-0.3 - 0.2 * at,
            se=0.1,
            df=7.0,
            low=-0.5 - 0.2 * at,
            high=-0.1 - 0.2 * at,
            n=8,
            tanks=16,
            margin=margin,
            sd=0.3,
            blocked=True,
            published=at == 1,
            arms=("polymer", "control"),
            endpoint="nitrate",
        )
        for at in range(trials)
    ]
    return pool(asked, effects)


@pytest.mark.parametrize("scale", list(Scale))
def test_marks_stand_at_their_numbers(scale, layers):
    found = pooled(scale)
    shown = math.exp if scale is Scale.RATIO else float
    solid, hollow = layers(forest.figure(found), geom_point)
    assert sorted(solid["estimate"]) == pytest.approx(sorted(shown(-0.3 - 0.2 * at) for at in (0, 2)))
    assert hollow["estimate"].tolist() == pytest.approx([shown(-0.5)])
    (diamond,) = layers(forest.figure(found), geom_polygon)
    ends = [diamond["x"].min(), diamond["x"].max()]
    axis_low = min(solid["low"].min(), hollow["low"].min())
    assert ends[0] >= axis_low - 1
    assert ends[1] == pytest.approx(min(shown(found.reader.high), ends[1]))
    assert diamond["x"].iloc[1] == pytest.approx(shown(found.reader.estimate))


def test_drawn_twice_it_is_the_same():
    first, again = (render(forest.figure(pooled()), "svg")["svg"] for _ in range(2))
    assert first == again


@pytest.mark.parametrize("scale", list(Scale))
def test_cumulative_figure_holds_its_words(scale):
    text = render(forest.cumulative_figure(pooled(scale)), "svg")["svg"].decode()
    for words in ("trial-0", "trial-2", "3 trials pooled", "a further trial", "solid carbon against control"):
        assert words in text, words


def test_alt_text_says_each_trial_and_what_they_come_to():
    found = pooled()
    text = forest.alt_text(found)
    for words in ("trial-0 26 % lower", "3 trials, 48 tanks", "prediction interval"):
        assert words in text, words
    assert "up to trial-1 " in forest.cumulative_alt_text(found)


def test_one_trial_and_no_margin_are_drawn_too():
    assert render(forest.figure(pooled(trials=1, margin=None)), "png")["png"].startswith(b"\x89PNG")
