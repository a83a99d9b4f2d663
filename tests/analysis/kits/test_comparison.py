"""All checks of a trial put together: verdicts by kit and site, sentences, document, figure."""

import datetime as dt

import pytest

from analysis.kits.comparison import compare_kits
from analysis.kits.correction import KitCorrection
from analysis.kits.document import KITS_DICTIONARY, kits_document
from analysis.kits.scores import Grade
from analysis.kits.wording import (
    chart_sentences,
    detection_sentence,
    duplicates_sentence,
    failing_sentences,
    nitrite_sentence,
    round_sentences,
    signed,
    verdict_sentence,
)
from analysis.numerals import ABSENT, MINUS
from analysis.plots import control
from analysis.plots.theme import render

SAMPLES = (
    {"id": "ref-a", "kind": "reference", "variable": "nitrate", "value": 10.0, "uncertainty": 0.1, "fitness_sd": 1.0},
    {"id": "ref-b", "kind": "reference", "variable": "nitrate"},
    {"id": "std", "kind": "standard", "variable": "nitrate", "value": 5.0},
    {"id": "blank", "kind": "blank", "variable": "nitrate"},
    {"id": "no2", "kind": "nitrite-standard", "variable": "nitrate", "value": 0.1},
)  # fmt: skip
KITS = (
    {"id": "drops", "variable": "nitrate", "limit": 0.5},
    {"id": "card", "variable": "nitrate", "limit": 1.0, "steps": [5, 10, 25]},
)
UNITS = {"nitrate": "mg/L"}
ROWS = [
    ("q1", "drops", "ref-a", 3, 10.2),
    ("q2", "drops", "ref-a", 3, 14.0),
    ("q3", "card", "ref-a", 3, 10),
    ("q1", "drops", "ref-b", 3, 11.0),
    ("q2", "drops", "ref-b", 3, "<0.5"),
    *(("q1", "drops", "std", day, 5 + 0.1 * (day % 3)) for day in range(9)),
    ("q1", "drops", "std", 9, 7.5),
    *(("q1", "drops", "blank", day, 0.1 * (day % 4)) for day in range(9)),
    ("q3", "card", "blank", 1, 0),
    ("q1", "drops", "no2", 3, 2.0),
    ("q1", "drops", "no2", 4, 2.2),
    ("q1", "drops", "gone", 4, 2.2),
]
TANKS = [
    ("q1-a", "drops", "nitrate", 0, 12),
    ("q1-a", "drops", "nitrate", 0, 13),
    ("q1-a", "x", "nitrite", 0, 0.2),
    ("q2-a", "drops", "nitrate", 0, 12),
]


@pytest.fixture(scope="module")
def protocol(protocol_with):
    return protocol_with(*SAMPLES, kits=KITS)


@pytest.fixture(scope="module")
def found(protocol, checks, tank_readings):
    return compare_kits(protocol, tank_readings(TANKS), checks(ROWS))


def test_verdicts_are_the_worst_of_the_checks(found):
    assert [(v.kit, v.site, v.grade, v.readings) for v in found.verdicts] == [
        ("card", "q3", Grade.HOLDS, 0),
        ("drops", "q1", Grade.FAILS, 2),
        ("drops", "q2", Grade.FAILS, 1),
    ]
    assert [v.since for v in found.verdicts] == [None, dt.date(2026, 3, 11), dt.date(2026, 3, 5)]
    assert found.needs_a_person
    assert found.not_scored == 1


@pytest.mark.parametrize(
    ("made", "answered"),
    [
        (("drops", None, 6, 0.7), {"q2"}),
        (("drops", "q1", 11, 0.7), {"q1"}),
        (("drops", None, 11, 0.7), {"q1", "q2"}),
        (("drops", None, 11, 1.0), set()),
        (("card", None, 11, 0.7), set()),
    ],
)
def test_a_correction_after_the_failure_answers_it(protocol, checks, tank_readings, made, answered):
    kit, site, day, factor = made
    at = dt.datetime(2026, 3, day, 12, tzinfo=dt.UTC)
    correction = KitCorrection(kit, "nitrate", site, factor, 0.0, 20.0, at)
    found = compare_kits(protocol, tank_readings(TANKS), checks(ROWS), [correction])
    assert {v.site for v in found.verdicts if v.corrected} == answered
    assert found.needs_a_person == (answered != {"q1", "q2"})


def test_sentences_say_what_was_found(found):
    by_site = {v.site: verdict_sentence(v, found) for v in found.verdicts}
    assert by_site["q2"] == (
        "Kit drops at q2 (nitrate) fails: ref-a read as 14 mg/L for 10 (140 %), z +4.0; ref-b read beyond the kit's limit (0 to 0.5 mg/L)."
    )
    assert by_site["q3"] == (
        "Kit card at q3 (nitrate) reads as it should: ref-a read as 10 mg/L for 10 (100 %), z 0.0."
    )
    assert (
        "std out of its limits in 1 reading; nitrite makes 33.7 % of its readings in the middle."
        in by_site["q1"]
    )
    assert failing_sentences(found)[1].endswith("1 reading of tanks is by it, and they stay as read.")
    rounds = [text for one in found.rounds for text in round_sentences(one)]
    for text in (
        "ref-a: held against the stated 10 mg/L, standard uncertainty 0.1.",
        "ref-a: a standard deviation of 1 mg/L is fit for the trial, as registered.",
        "ref-b: 1 result beyond a kit's limit is no number, so not scored.",
        "ref-b: the protocol states no value and fewer than three results are in, so none can be scored.",
    ):
        assert text in rounds
    (chart,) = found.charts
    assert list(chart_sentences(chart))[-1] == (
        "Kit drops at q1 on std: out of control on 11 March 2026; what was read until the next good check is in doubt."
    )
    detection = {one.kit: detection_sentence(one, "mg/L") for one in found.detection}
    assert detection["card"].startswith(
        "Kit card (nitrate): no detection limit. It is read off a card in steps"
    )
    assert "from 9 blanks and 10 low standards." in detection["drops"]
    assert duplicates_sentence(found.duplicates[0], "mg/L").startswith(
        "Kit drops (nitrate): repeatability 0.707 mg/L"
    )
    assert nitrite_sentence(found.nitrite[0]).startswith(
        "Kit drops at q1: reads 21 mg/L nitrate for 1 mg/L nitrite ("
    )
    assert "2 nitrate readings of tanks are too high by 4.2 to 4.2 mg/L" in nitrite_sentence(found.nitrite[0])


def test_what_sites_agree_on_is_said_to_be_no_truth(protocol_with, checks, tank_readings):
    rows = [(f"q{n % 3 + 1}", f"kit{n}", "ref-b", 0, 10 + 0.1 * n) for n in range(14)]
    found = compare_kits(protocol_with(*SAMPLES), tank_readings([]), checks(rows))
    said = list(round_sentences(found.rounds[0]))
    assert "it tells who differs, not who is right." in said[0]
    assert "scores are in robust standard deviations of the results" in said[1]
    assert "so z' is read, which allows for it." in said[2]


def paths(value, at=""):
    if isinstance(value, dict):
        for key, item in value.items():
            yield from paths(item, f"{at}.{key}" if at else key)
    elif isinstance(value, list):
        for item in value:
            yield from paths(item, f"{at}[]")
    else:
        yield at


def test_every_entry_of_the_document_is_explained(found, protocol, checks, tank_readings):
    made = KitCorrection("drops", "nitrate", None, 2.0, 0.0, 0.0, dt.datetime(2026, 4, 1, tzinfo=dt.UTC))
    corrected = compare_kits(protocol, tank_readings(TANKS), checks(ROWS), [made])
    shown = set(paths(kits_document("try-2026", found, UNITS)))
    shown |= set(paths(kits_document("try-2026", corrected, UNITS)))
    assert not shown - set(KITS_DICTIONARY)
    whole = {
        path for path in KITS_DICTIONARY if not any(other.startswith(f"{path}.") for other in KITS_DICTIONARY)
    }
    assert whole - shown == set()


def test_scores_are_written_with_their_sign():
    assert [signed(value) for value in (1.26, -1.26, 0.0, None)] == ["+1.3", f"{MINUS}1.3", "0.0", ABSENT]


def test_charts_are_drawn_and_told(found):
    content = render(control.figure(found.charts), "svg")["svg"].decode()
    assert "std: drops, q1" in content
    assert control.alt_text(found.charts) == (
        "Control charts of 1 check standard and kit in the order of time. Out of control: std: drops, q1 (1 reading)."
    )


def test_nothing_to_draw_is_said():
    assert "No check standard has a reading to draw." in render(control.figure(()), "svg")["svg"].decode()
    assert control.alt_text(()) == "Empty chart: no check standard has a reading."


def test_a_trial_without_checks_has_nothing_to_say(protocol_with, checks, tank_readings):
    found = compare_kits(protocol_with(), tank_readings([("q1-a", "", "nitrate", 0, 12)]), checks([]))
    assert found.empty
    assert not found.needs_a_person
