"""Which contrasts ask the same, which way round they stand, and with which error they enter."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path

import pytest

from schemas.errors import PoolingError
from schemas.vocabulary import DesignKind, Scale
from trials.pooling.candidates import candidates_of
from trials.pooling.mapping import Member, Same
from trials.pooling.questions import questions_of
from trials.pooling.sources import CONTROL, LIQUID, SOLID, Source

KINDS = {"control": CONTROL, "polymer": SOLID, "pcl": SOLID, "liquid": LIQUID, "zeolite": "zeolite"}


def contrast(test, reference, estimate=0.7, se=0.1, **parts):
    return {
        "test": test,
        "reference": reference,
        "n": 8,
        "estimate": estimate,
        "se": se,
        "df": 7,
        "reading": "unsettled",
        "censoring": None,
    } | parts


def endpoint(id_="nitrate-mean", contrasts=(), **parts):
    return {
        "id": id_,
        "role": "primary",
        "variable": "nitrate",
        "summary": "mean",
        "phase": "assessment",
        "baseline": "none",
        "scale": "ratio",
        "unit": "1",
        "better": "lower",
        "worthwhile": 0.8,
        "alpha": 0.05,
        "arms": [{"arm": arm, "n": 8} for arm in KINDS],
        "contrasts": list(contrasts or [contrast("polymer", "control")]),
        "sensitivity": [],
    } | parts


def source(trial, *endpoints, **parts):
    bare = {
        "path": Path(f"{trial}.zip"),
        "trial": trial,
        "title": trial,
        "digest": trial,
        "ended": dt.date(2025, 6, 1),
        "kinds": KINDS,
        "endpoints": endpoints or (endpoint(),),
        "targets": {},
        "design": DesignKind.BLOCKS,
        "published": False,
        "modifiers": {},
    }
    return Source(**(bare | parts))


def asked_of(*sources, mapping=()):
    asked, left_out = questions_of(sources, mapping)
    return {one.question.id: one for one in asked}, left_out


def test_a_contrast_registered_the_other_way_round_is_turned():
    other = source("b", endpoint(contrasts=[contrast("control", "polymer", 1.6)]))
    asked, left_out = asked_of(source("a"), other)
    (one,) = asked.values()
    assert (one.question.test, one.question.reference) == (SOLID, CONTROL)
    assert [member.estimate for member in one.members] == pytest.approx([math.log(0.7), -math.log(1.6)])
    assert left_out == []


def test_the_error_goes_with_its_tanks():
    (member,) = candidates_of(source("a"))
    effect = member.effect(0.05)
    assert effect.sd == pytest.approx(0.1 * math.sqrt(8 / 2))
    assert effect.high - effect.estimate == pytest.approx(
        2.364624 * 0.1
    )  # t of 0.975 on 7 df, standard tables
    assert effect.margin == pytest.approx(abs(math.log(0.8)))


@pytest.mark.parametrize(
    ("ways", "se"),
    [
        ([("ar1", 0.3)], 0.3),
        ([("ar1", 0.3), ("changes-of-systems", 0.4)], 0.4),
        ([("ar1", 0.3), ("changes-of-systems", None)], 0.3),
    ],
)
def test_days_of_a_before_after_trial_are_not_taken_as_independent(ways, se):
    sensitivity = [
        {"name": name, "contrasts": [contrast("polymer", "control", se=error)]} for name, error in ways
    ]
    (member,) = candidates_of(source("a", endpoint(sensitivity=sensitivity), design=DesignKind.BEFORE_AFTER))
    assert member.se == se
    assert member.effect(0.05).sd is None
    assert "not of days as if independent" in member.remarks[0]


@pytest.mark.parametrize(
    ("other", "says"),
    [
        (endpoint(summary="last"), "the summary (mean here, last there) differs"),
        (endpoint(phase="late"), "the phase (assessment here, late there) differs"),
        (endpoint(better="higher"), "the direction that is better (lower here, higher there) differs"),
        (endpoint(scale="difference", unit="mg/L"), "the scale (ratio here, difference there) differs"),
        (endpoint(variable="phosphate"), "no other trial compares nitrate"),
        (endpoint(contrasts=[contrast("liquid", "control")]), "what the test arm is given"),
        (endpoint(contrasts=[contrast("polymer", "control", None)]), "no other trial compares nitrate"),
    ],
)
def test_what_differs_is_named(other, says):
    asked, left_out = asked_of(source("a"), source("b", other))
    assert asked == {}
    assert any(
        line.startswith("a, nitrate-mean, polymer against control") and says in line for line in left_out
    )


def test_units_and_targets_must_agree():
    mine = endpoint(scale="difference", unit="mg/L", worthwhile=1.0)
    theirs = endpoint(scale="difference", unit="1", worthwhile=1.0)
    assert asked_of(source("a", mine), source("b", theirs))[0] == {}
    timed = [
        source(name, endpoint(summary="days-to-target"), targets={"nitrate-mean": (target, 1)})
        for name, target in (("a", 5.0), ("b", 10.0))
    ]
    asked, left_out = asked_of(*timed)
    assert asked == {}
    assert "the target" in left_out[0]


@pytest.mark.parametrize(
    ("broken", "says"),
    [
        ({"se": None}, "no standard error above 0"),
        ({"se": 0.0}, "no standard error above 0"),
        ({"estimate": None}, "no estimate"),
        ({"estimate": 0.0}, "has no logarithm"),
    ],
)
def test_what_cannot_be_weighed_is_left_out_with_why(broken, says):
    asked, left_out = asked_of(
        source("a"), source("b"), source("c", endpoint(contrasts=[contrast("polymer", "control", **broken)]))
    )
    assert [len(one.members) for one in asked.values()] == [2]
    assert len(left_out) == 1
    assert says in left_out[0]


def test_two_contrasts_of_one_trial_share_tanks_so_one_must_be_chosen():
    both = endpoint(contrasts=[contrast("polymer", "control"), contrast("pcl", "control")])
    asked, left_out = asked_of(source("a"), source("b"), source("c", both))
    assert [len(one.members) for one in asked.values()] == [2]
    assert "one must be chosen" in left_out[0]
    second = endpoint("nitrate-again", role="secondary")
    asked, left_out = asked_of(source("a"), source("b", endpoint(), second))
    (one,) = asked.values()
    assert [member.endpoint["role"] for member in one.members] == ["primary", "primary"]
    assert "is primary" in left_out[0]


def test_arms_that_are_given_the_same_need_a_mapping():
    pair = endpoint(contrasts=[contrast("pcl", "polymer")])
    asked, left_out = asked_of(source("a", pair), source("b", pair))
    assert asked == {}
    assert "both arms are given solid carbon" in left_out[0]
    members = tuple(Member(name, "nitrate-mean", "polymer", "pcl") for name in "ab")
    asked, _ = asked_of(
        source("a", pair), source("b", pair), mapping=(Same("polymers", "PHB v PCL", None, members),)
    )
    assert [member.estimate for member in asked["polymers"].members] == pytest.approx([-math.log(0.7)] * 2)
    assert asked["polymers"].question.title == "PHB v PCL"


@pytest.mark.parametrize(
    ("member", "says"),
    [
        (Member("x", "nitrate-mean", "polymer", "control"), 'names the trial "x"; the packs are of a and b'),
        (Member("b", "x", "polymer", "control"), "which has nitrate-mean"),
        (Member("b", "nitrate-mean", "liquid", "control"), "compares polymer against control"),
        (Member("b", "other", "polymer", "control"), "which cannot be pooled"),
    ],
)
def test_a_mapping_names_what_is_there(member, says):
    group = Same("one", None, None, (Member("a", "nitrate-mean", "polymer", "control"), member))
    other = source("b", endpoint(), endpoint("other", better="higher"))
    if member.endpoint == "x":
        other = source("b")
    with pytest.raises(PoolingError, match=says):
        asked_of(source("a"), other, mapping=(group,))


def test_another_scale_needs_readings():
    printed = source("b", endpoint(scale="difference", unit="mg/L"), published=True)
    members = tuple(Member(name, "nitrate-mean", "polymer", "control") for name in "ab")
    with pytest.raises(PoolingError, match="without readings it cannot be"):
        asked_of(source("a"), printed, mapping=(Same("one", None, Scale.RATIO, members),))


def test_what_differs_and_is_pooled_all_the_same_is_said():
    from trials.pooling.questions import differences

    asked, _ = asked_of(source("a"), source("b", endpoint(baseline="adjust")))
    (one,) = asked.values()
    assert "a: none and b: adjust" in differences(one.members)[0]
