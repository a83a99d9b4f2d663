"""Readings with corrections in: intervals at both ends, nitrite of the day, what stays; the analysis beside."""

import datetime as dt
import itertools

import numpy as np
import pytest

from analysis.evaluation import beside_kit_corrections, evaluate
from analysis.kits.correction import KitCorrection, in_force, kit_corrected
from schemas.allocation import Allocation, Assignment

AT = dt.datetime(2026, 5, 1, tzinfo=dt.UTC)
CARD = {"id": "card", "variable": "nitrate", "limit": 1.0, "steps": [5, 10, 25]}
DROPS = {"id": "drops", "variable": "nitrate", "limit": 0.5}


def correction(kit="drops", site=None, factor=1.0, offset=0.0, nitrite=0.0, variable="nitrate"):
    return KitCorrection(kit, variable, site, factor, offset, nitrite, AT)


def bounds(found, tank):
    row = found.readings[(found.readings["tank"] == tank) & (found.readings["variable"] == "nitrate")].iloc[0]
    return tuple(float(row[name]) for name in ("low", "mid", "high")), row["sign"]


CASES = {
    "a number": ("drops", "10", correction(factor=0.8, offset=1.0), (9, 9, 9), ""),
    "below the limit": ("drops", "<2", correction(factor=0.5), (0, 0.5, 1), "<"),
    "below, and raised": ("drops", "<2", correction(offset=1.0), (0, 1.5, 3), "<"),
    "above the limit": ("drops", ">50", correction(factor=0.5), (25, 25, 1000), ">"),
    "off a card": ("card", "10", correction(kit="card", factor=2.0), (15, 20, 35), ""),
    "nothing is left": ("drops", "3", correction(offset=-4.0), (0, 0.25, 0.5), "<"),
    "nothing is left of a kit without a limit": (
        "other",
        "3",
        correction(kit="other", offset=-4.0),
        (0, 1.5, 3),
        "<",
    ),
}


@pytest.mark.parametrize(("kit", "text", "made", "must", "sign"), CASES.values(), ids=CASES)
def test_the_interval_of_a_reading_is_corrected_at_both_ends(
    protocol_with, tank_readings, kit, text, made, must, sign
):
    rows = tank_readings([("q1-a", kit, "nitrate", 0, text), ("q1-b", "elsewhere", "nitrate", 0, 7)])
    found = kit_corrected(rows, protocol_with(kits=(CARD, DROPS)), [made])
    assert bounds(found, "q1-a") == (pytest.approx(must), sign)
    assert bounds(found, "q1-b") == ((7, 7, 7), "")
    assert found.variables == {"nitrate"}
    assert rows["value"].tolist() == [float(text.lstrip("<>")), 7], "what was read is as it was"


def test_nitrite_of_the_day_is_an_interval_too(protocol_with, tank_readings):
    rows = tank_readings(
        [
            ("q1-a", "drops", "nitrate", 0, 10),
            ("q1-a", "x", "nitrite", 0, 0.1),
            ("q1-b", "drops", "nitrate", 0, 10),
            ("q1-b", "x", "nitrite", 0, "<0.1"),
            ("q2-a", "drops", "nitrate", 0, 10),
            ("q2-a", "x", "nitrite", 1, 0.1),
        ]
    )
    found = kit_corrected(rows, protocol_with(kits=(DROPS,)), [correction(nitrite=20.0)])
    assert bounds(found, "q1-a")[0] == pytest.approx((8, 8, 8))
    assert bounds(found, "q1-b")[0] == pytest.approx((8, 9, 10))
    assert bounds(found, "q2-a")[0] == (10, 10, 10), "no nitrite on that day"
    assert "2 readings. The registered analysis keeps them as read." in found.notes[0]
    assert "1 reading without nitrite on the day stayed as read." in found.notes[0]


def test_a_site_of_its_own_and_the_last_word(protocol_with, tank_readings):
    rows = tank_readings([(f"{site}-a", "drops", "nitrate", 0, 10) for site in ("q1", "q2", "q3")])
    said = [
        correction(factor=3.0),
        correction(site="q2", factor=0.5),
        correction(factor=2.0),
        correction(site="q3", factor=9.0),
        correction(site="q3"),
    ]
    assert [(one.site, one.factor) for one in in_force(said)] == [(None, 2.0), ("q2", 0.5)]
    found = kit_corrected(rows, protocol_with(kits=(DROPS,)), said)
    assert [bounds(found, f"{site}-a")[0][1] for site in ("q1", "q2", "q3")] == [20, 5, 20]
    assert len(found.notes) == 2


@pytest.mark.parametrize(
    "made", [[], [correction(kit="unread", factor=2.0)], [correction(factor=2.0), correction()]]
)
def test_nothing_concerned_is_nothing_beside(protocol_with, tank_readings, made):
    rows = tank_readings([("q1-a", "drops", "nitrate", 0, 10)])
    assert kit_corrected(rows, protocol_with(), made) is None


WORDS = {
    "as read": (correction(), "as read"),
    "all three": (
        correction(factor=0.9, offset=-0.5, nitrite=12.0),
        "less 12 times the nitrite of the day, times 0.9, less 0.5 mg/L",
    ),
}


@pytest.mark.parametrize(("made", "words"), WORDS.values(), ids=WORDS)
def test_in_words(made, words):
    assert made.in_words("mg/L") == words


@pytest.fixture(scope="module")
def trial(protocol_with, tank_readings):
    """Three blocks of two tanks; in the second arm's tanks nitrate is read 3 lower."""
    protocol = protocol_with(kits=(DROPS,))
    arms = {"a": "control", "b": "liquid"}
    allocation = Allocation(
        tuple(Assignment(t.id, arms[t.id[-1]], t.block, t.site) for t in protocol.tanks),
        drawn=False,
        random=True,
        how="balls",
    )
    chance = np.random.default_rng(5)
    rows = [
        (tank.id, "drops", "nitrate", day, round(12 - 3 * (tank.id[-1] == "b") + chance.normal(), 1))
        for tank, day in itertools.product(protocol.tanks, range(0, 70, 7))
    ] + [(tank.id, "p", "phosphate", 21, 0.05) for tank in protocol.tanks]
    readings = tank_readings(rows)
    digests = {"protocol_digest": "ab" * 32, "data_digest": "cd" * 32, "version": "0"}
    return protocol, allocation, readings, evaluate(protocol, allocation, readings, **digests)


def test_the_registered_analysis_stays_and_the_corrected_one_stands_beside(trial):
    """Multiplying every reading by 2 doubles difference and error; only endpoints on nitrate have anything beside."""
    protocol, allocation, readings, registered = trial
    found = beside_kit_corrections(registered, protocol, allocation, readings, [correction(factor=2.0)])
    for before, after in zip(registered.endpoints, found.endpoints, strict=True):
        assert after.contrasts == before.contrasts
    (nitrate, phosphate) = found.endpoints
    beside = next(way for way in nitrate.sensitivity if way.name == "kit-corrected")
    (raw,), (twice,) = nitrate.contrasts, beside.contrasts
    for name in ("estimate", "se", "low", "high"):
        assert getattr(twice, name) == pytest.approx(2 * getattr(raw, name))
    assert "kit-corrected" not in {way.name for way in phosphate.sensitivity}
    assert found.notes[-1].startswith(
        "Readings of nitrate by the kit drops stand beside as corrected (times 2): 60 readings."
    )


def test_one_site_alone_moves_its_own_pair(trial):
    """By hand: the pair of q1 is 4 times itself, the others stay."""
    protocol, allocation, readings, registered = trial
    found = beside_kit_corrections(
        registered, protocol, allocation, readings, [correction(site="q1", factor=4.0)]
    )
    tanks = {tank.tank: tank.y for tank in registered.endpoints[0].tanks}
    pairs = [
        (tanks[f"{site}-b"] - tanks[f"{site}-a"]) * (4 if site == "q1" else 1) for site in ("q1", "q2", "q3")
    ]
    beside = next(way for way in found.endpoints[0].sensitivity if way.name == "kit-corrected")
    assert beside.contrasts[0].estimate == pytest.approx(np.mean(pairs))


def test_no_correction_changes_nothing(trial):
    protocol, allocation, readings, registered = trial
    assert beside_kit_corrections(registered, protocol, allocation, readings, []) is registered
