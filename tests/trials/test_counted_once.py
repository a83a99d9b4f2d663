"""Tanks that would count twice, and tanks that only look alike."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from schemas.errors import PoolingError
from schemas.vocabulary import DesignKind
from trials.pooling.counted_once import refuse_counted_twice
from trials.pooling.sources import Source


def readings(tank, values, start="2025-03-03"):
    days = pd.Timestamp(start) + pd.to_timedelta(7 * np.arange(len(values)), unit="D")
    return pd.DataFrame(
        {"tank": tank, "variable": "nitrate", "taken_at": days, "value": values, "sign": "", "replicate": 1}
    )


def source(trial, frames, site="s1", **parts):
    frame = pd.concat(frames)
    tanks = tuple(SimpleNamespace(id=tank, site=site) for tank in frame["tank"].unique())
    pack = SimpleNamespace(protocol=SimpleNamespace(tanks=tanks), readings=frame)
    bare = {
        "path": Path(f"{trial}.zip"),
        "trial": trial,
        "title": trial,
        "digest": trial,
        "ended": dt.date(2025, 6, 1),
        "kinds": {},
        "endpoints": (),
        "targets": {},
        "design": DesignKind.BLOCKS,
        "published": False,
        "modifiers": {},
        "pack": pack,
    }
    return Source(**(bare | parts))


VARIED = [12.1, 11.8, 10.4, 9.7, 9.9, 8.6, 8.1, 7.7, 7.9, 7.2]
COARSE = [10.0, 10.0, 10.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0]


@pytest.mark.parametrize(
    ("one", "other", "site", "twice"),
    [
        (("q01-a", VARIED), ("q01-a", VARIED), "s1", True),
        (("q01-a", VARIED), ("q01-a", VARIED[:6]), "s1", True),  # an interim pack under another id
        (("q01-a", VARIED[:2]), ("q01-a", VARIED[:2]), "s1", True),
        (("q01-a", VARIED), ("tank-7", VARIED), "elsewhere", True),  # renamed
        (("q01-a", VARIED), ("tank-7", VARIED[:6]), "elsewhere", False),  # too few to be sure
        (("q01-a", COARSE), ("tank-7", COARSE), "elsewhere", False),  # a coarse kit on the same days
        (("q01-a", COARSE), ("q01-a", COARSE), "elsewhere", False),  # a common name at another site
        (("q01-a", VARIED), ("q01-a", [value + 0.1 for value in VARIED]), "s1", False),
        (("q01-a", VARIED), ("q01-a", VARIED[:1]), "s1", False),
    ],
)
def test_tanks_are_the_same_by_what_was_read_in_them(one, other, site, twice):
    pair = [source("first", [readings(*one)]), source("second", [readings(*other)], site)]
    if twice:
        with pytest.raises(PoolingError, match=r"one tank counted twice"):
            refuse_counted_twice(pair)
    else:
        refuse_counted_twice(pair)


def test_the_same_tank_in_two_trials_at_different_times_is_two_sets_of_readings():
    refuse_counted_twice(
        [
            source("first", [readings("q01-a", VARIED)]),
            source("second", [readings("q01-a", VARIED, "2026-03-02")]),
        ]
    )


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({}, "are the same trial twice (first)"),
        ({"digest": "amended"}, "under another version of its protocol"),
    ],
)
def test_the_same_trial_is_refused_whatever_its_protocol(parts, says):
    with pytest.raises(PoolingError) as error:
        refuse_counted_twice(
            [source("first", [readings("a", VARIED)]), source("first", [readings("b", COARSE)], **parts)]
        )
    assert says in str(error.value)
