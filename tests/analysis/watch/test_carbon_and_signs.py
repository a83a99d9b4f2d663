"""Carbon by events, arms that drift apart, and what people wrote down."""

import pytest

from analysis.watch.carbon import carbon_findings, tank_carbon
from analysis.watch.carbon_given import carbon_given
from analysis.watch.findings import Kind, Severity
from analysis.watch.signs import sign_findings
from analysis.watch.watched import Acted

DAILY = 0.3037
"""mL of 40 % ethanol that hold 0.05 g of carbon: 0.164615 g C/mL from OIML's density of ethanol (from memory)."""


def doses(tank, days, amount=DAILY, unit="mL"):
    return [(tank, n, "dose", amount, unit, "") for n in days]


def weighed(tank, *pairs):
    return [(tank, n, "polymer-weighed", grams, "g", "") for n, grams in pairs]


def given_in(watched, tank, first, after, on_day):
    return carbon_given(watched.events_of(tank), watched.arm(tank), on_day(first), on_day(after))


def test_doses_are_summed_as_carbon(trial, on_day):
    """28 days of 0.3037 mL: 28 x 0.3037 x 0.164615 = 1.3998 g of carbon, 0.5 mg a litre and day in 100 L."""
    watched = trial(90, events=doses("q2-a", range(50, 78)))
    found = given_in(watched, "q2-a", 50, 78, on_day)
    assert found.grams == pytest.approx(1.3998, rel=1e-3)
    assert found.per_litre(100) == pytest.approx(0.5, rel=1e-3)
    assert given_in(watched, "q2-a", 64, 78, on_day).grams == pytest.approx(0.6999, rel=1e-3)


def test_pellets_count_for_what_was_worn_off(trial, on_day):
    """100 g, 20 g added, 110 g left after 28 days: 10 g of PHB worn off, 55.807 % of it carbon (C4H6O2)."""
    events = [*weighed("q1-b", (50, 100), (78, 110)), ("q1-b", 64, "polymer-added", 20, "g", "")]
    found = given_in(trial(90, events=events), "q1-b", 50, 90, on_day)
    assert (found.grams, found.days) == (pytest.approx(5.5807, rel=1e-4), 28)


CANNOT = {
    "no dose": ("q2-a", [], "no dose is recorded"),
    "weighed once": ("q1-b", weighed("q1-b", (60, 100)), "not weighed twice"),
    "weighed twice on a day": ("q1-b", weighed("q1-b", (60, 100), (60, 99)), "not weighed twice"),
    "heavier": ("q1-b", weighed("q1-b", (60, 100), (70, 101)), "weigh more than was put in"),
    "by volume": (
        "q1-b",
        [*weighed("q1-b", (60, 100), (70, 120)), ("q1-b", 65, "polymer-added", 40, "mL", "")],
        "by volume",
    ),
    "a liquid weighed": ("q2-a", doses("q2-a", [60], 1, "g"), "recorded in g"),
}


@pytest.mark.parametrize(("tank", "events", "words"), CANNOT.values(), ids=CANNOT)
def test_carbon_that_cannot_be_told(tank, events, words, trial, on_day):
    found = given_in(trial(90, events=events), tank, 50, 90, on_day)
    assert found.grams is None
    assert words in found.why_not


def test_an_arm_without_carbon_is_given_none_and_an_unknown_source_cannot_be_told(trial, on_day):
    watched = trial(90, events=doses("q2-a", [60]))
    assert given_in(watched, "q1-a", 50, 90, on_day).grams == 0
    arm = watched.arm("q2-a")
    strange = arm.model_copy(update={"carbon": arm.carbon.model_copy(update={"source": "moon milk"})})
    found = carbon_given(watched.events_of("q2-a"), strange, on_day(50), on_day(90))
    assert (found.grams, found.why_not) == (None, "the carbon source is not known")


def test_a_dose_of_nothing_is_a_dose(trial, on_day):
    assert given_in(trial(90, events=doses("q2-a", [60], 0)), "q2-a", 50, 90, on_day).grams == 0


def test_only_full_dose_counts_and_only_where_carbon_is_given(trial):
    assert not tank_carbon(trial(50))  # full dose from day 42, less than two weeks
    found = tank_carbon(trial(97, events=doses("q2-a", range(98))))
    assert {one.tank for one in found} == {"q1-b", "q2-a"}
    assert next(one.given for one in found if one.tank == "q2-a") == pytest.approx(0.5, rel=1e-3)


EQUAL = weighed("q1-b", (60, 100), (90, 100 - 0.05 * 30 / 0.55807))


def test_equal_arms_give_nothing(trial):
    assert not list(carbon_findings(trial(97, events=[*doses("q2-a", range(98)), *EQUAL])))


def test_arms_that_drift_apart(trial):
    """Half the doses: 50 % of the plan against 100 %."""
    events = [*doses("q2-a", range(98), DAILY / 2), *EQUAL]
    names = {"polymer": "arm A", "liquid": "arm C"}
    tank, arms = carbon_findings(trial(97, events=events, names=names))
    assert "as a share of the plan: q2-a 50 % (0.25 of 0.5), in mg per litre and day." in tank.sentence
    assert (tank.site, tank.severity) == ("q2", Severity.SOON)
    assert "never make up" in tank.to_do.lower()
    assert arms.site is None
    assert (
        "arm A 0.5 mg of carbon per litre and day (100 % of the plan) in 1 tank; arm C 0.25" in arms.sentence
    )


def test_a_dose_that_was_changed_on_purpose_and_what_bacteria_do_ask_for_nothing(trial, on_day):
    acted = {"q2-a": (Acted(on_day(60), "dose halved"),)}
    events = [*doses("q2-a", range(98), DAILY / 2), *weighed("q1-b", (60, 100), (90, 99))]
    found = [one for one in carbon_findings(trial(97, events=events, acted=acted)) if one.site]
    assert [(one.site, one.severity, one.to_do) for one in found] == [
        ("q1", Severity.INFORMATION, ""),
        ("q2", Severity.INFORMATION, ""),
    ]
    assert "Recorded on 1 May 2026: dose halved." in found[1].sentence


def test_without_a_plan_arms_are_held_against_each_other(trial):
    events = [*doses("q2-a", range(98), DAILY / 2), *EQUAL]
    (found,) = carbon_findings(trial(97, events=events, planned={}))
    assert "drift apart" in found.sentence
    assert not list(carbon_findings(trial(97, events=[*doses("q2-a", range(98)), *EQUAL], planned={})))


def test_what_is_not_written_down_is_asked_for_site_by_site(trial):
    nothing, silent = (
        list(carbon_findings(trial(97, events=events)))
        for events in ([], [("q1-a", 90, "feed", 1.0, "g", "")])
    )
    assert [(one.severity, one.site) for one in nothing] == [(Severity.INFORMATION, None)]
    assert [(one.severity, one.site) for one in silent] == [(Severity.SOON, "q1"), (Severity.SOON, "q2")]


NOTES = {
    "reactor clogged again": True,
    "Pellets turned BLACK": True,
    "smells of rotten eggs": True,
    "H2S?": True,
    "some hydrogen sulphide": True,
    "pellets not moving": True,
    "cleaned the glass": False,
    "black clownfish hiding": False,
    "fed twice": False,
    "": False,
}


@pytest.mark.parametrize(("note", "sign"), NOTES.items())
@pytest.mark.parametrize(("kind", "otherwise"), [("fault", [Kind.FAULT]), ("other", [])])
def test_signs_of_sulfide_in_events(note, sign, kind, otherwise, trial):
    found = list(sign_findings(trial(97, events=[("q1-b", 96, kind, float("nan"), "", note)])))
    assert [one.kind for one in found] == ([Kind.SULFIDE] if sign else otherwise)
    if sign:
        assert found[0].severity is Severity.NOW
        assert "Never lean in to smell" in found[0].to_do
        assert note in found[0].sentence


def test_signs_in_notes_of_readings_are_quoted_harmlessly(trial, read, on_day):
    watched = trial(97)
    rows = read([("q1-b", "nitrate", 96, "5")], note="reactor\n\x1b[31m clogged\u202e" + "x" * 500)
    (found,) = sign_findings(type(watched)(**{**vars_of(watched), "readings": rows}))
    assert "\x1b" not in found.sentence
    assert "\u202e" not in found.sentence
    assert len(found.sentence) < 400
    assert found.since == on_day(96)


def vars_of(watched):
    return {name: getattr(watched, name) for name in watched.__dataclass_fields__}


def test_a_cleaning_or_a_rescue_settles_a_sign(trial, on_day):
    sign = ("q1-b", 94, "fault", float("nan"), "", "clogged")
    elsewhere = ("q2-a", 95, "clean", float("nan"), "", "")
    cleaned = ("q1-b", 95, "clean", float("nan"), "", "")

    def severity(events, **more):
        return next(
            one.severity
            for one in sign_findings(trial(97, events=events, **more))
            if one.kind is Kind.SULFIDE
        )

    assert severity([sign, elsewhere]) is Severity.NOW
    assert severity([sign, cleaned]) is Severity.INFORMATION
    assert severity([sign], acted={"q1-b": (Acted(on_day(95), "reactor off"),)}) is Severity.SOON
    assert not list(sign_findings(trial(94 + 14, events=[sign])))


def test_animals_lost(trial):
    events = [("q2-b", 90, "loss", 1, "1", ""), ("q2-b", 95, "loss", 2, "1", "")]
    (found,) = sign_findings(trial(97, events=events))
    assert found.severity is Severity.NOW
    assert found.sentence == "Tank q2-b: 3 animals lost in the last two weeks, the last on 5 June 2026."
    assert "vet" in found.to_do
    (none_lost,) = sign_findings(trial(97, events=[("q2-b", 95, "loss", 0, "1", "")]))
    assert none_lost.severity is Severity.INFORMATION
