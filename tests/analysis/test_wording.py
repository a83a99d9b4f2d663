"""The answer in plain words says what the interval says, in either scale and direction, and no more."""

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from analysis import conclusions
from analysis.records import Censoring, Contrast
from analysis.wording import (
    MOST_LINES,
    VERDICT_MEANS,
    answer_lines,
    contrast_sentence,
    estimate_words,
    interval_words,
    margin_words,
    measure,
    number_unit,
    variable_title,
)
from schemas.vocabulary import Baseline, Better, Scale, Summary, Verdict


def made(endpoint, low, estimate, high, *, test="polymer", reference="control"):
    """A comparison with this interval, read as the analysis reads it."""
    ratio = endpoint.scale is Scale.RATIO
    work = [None if v is None else math.log(v) if ratio else v for v in (low, estimate, high)]
    distance = conclusions.margin(endpoint.worthwhile, endpoint.scale)
    return Contrast(
        test=test,
        reference=reference,
        n=8,
        estimate=estimate,
        se=0.1,
        df=7,
        low=low,
        high=high,
        p=None,
        verdict=conclusions.verdict(work[0], work[2], distance),
        favours=conclusions.favours(work[1], test, reference, endpoint.better)
        if work[1] is not None
        else None,
    )


@pytest.fixture(scope="module")
def ratio(club):
    """Mean nitrate: ratios, lower is better, 20 % lower is worthwhile."""
    return club.analysis.endpoints[0]


@pytest.fixture(scope="module")
def difference(club):
    """Mean phosphate: differences, lower is better, 0.03 mg/L is worthwhile."""
    return club.analysis.endpoints[1]


RATIO_CASES = {
    "worthwhile": (
        (0.49, 0.62, 0.78),
        (
            "With Polymer pellets, fluidised, mean nitrate was 38 % lower than with Water changes alone (the data allow "
            "22 % to 51 % lower). At least 20 % lower had been called worthwhile: a worthwhile difference."
        ),
    ),
    "worse by as much": (
        (1.3, 1.5, 1.8),
        (
            "With Polymer pellets, fluidised, mean nitrate was 50 % higher than with Water changes alone (the data allow "
            "30 % to 80 % higher). Lower is better, so this is worse, and by more than the worthwhile difference."
        ),
    ),
    "too small": (
        (0.85, 0.9, 0.95),
        (
            "With Polymer pellets, fluidised, mean nitrate was 10.0 % lower than with Water changes alone (the data allow "
            "5.0 % to 15.0 % lower). The difference is real, but too small to matter (20 % lower had been called "
            "worthwhile)."
        ),
    ),
    "unsettled size": (
        (0.6, 0.75, 0.94),
        (
            "With Polymer pellets, fluidised, mean nitrate was 25 % lower than with Water changes alone (the data allow "
            "6 % to 40 % lower). There is a difference, but the trial could not settle whether it is large enough to "
            "matter (20 % lower)."
        ),
    ),
    "none worthwhile": (
        (0.9, 1.0, 1.1),
        (
            "With Polymer pellets, fluidised, mean nitrate was about the same as with Water changes alone (the data allow "
            "10 % lower to 10 % higher). 20 % lower had been called worthwhile: there is no worthwhile difference."
        ),
    ),
    "unsettled": (
        (0.4, 1.1, 3.0),
        (
            "With Polymer pellets, fluidised, mean nitrate was 10 % higher than with Water changes alone (the data allow "
            "60 % lower to 3 times as high). The trial could not settle this: the data fit no difference as well as one "
            "that matters."
        ),
    ),
    "no interval": (
        (None, 0.5, None),
        (
            "With Polymer pellets, fluidised, mean nitrate was 50 % lower than with Water changes alone, but so few tanks "
            "allow no interval: the trial could not settle anything here."
        ),
    ),
}


@pytest.mark.parametrize(("interval", "said"), RATIO_CASES.values(), ids=RATIO_CASES)
def test_ratio_is_said_as_its_interval_reads(club, ratio, interval, said):
    assert contrast_sentence(ratio, made(ratio, *interval), club.protocol) == said


DIFFERENCE_CASES = {
    "worthwhile": ((-0.08, -0.06, -0.04), "0.060 mg/L lower", "0.040 to 0.080 mg/L lower"),
    "crossing": ((-0.05, -0.01, 0.03), "0.010 mg/L lower", "0.050 lower to 0.030 mg/L higher"),
    "higher": ((0.01, 0.02, 0.03), "0.020 mg/L higher", "0.010 to 0.030 mg/L higher"),
}


@pytest.mark.parametrize(("interval", "estimate", "allowed"), DIFFERENCE_CASES.values(), ids=DIFFERENCE_CASES)
def test_difference_is_said_in_its_unit(difference, interval, estimate, allowed):
    contrast = made(difference, *interval)
    assert (estimate_words(difference, contrast), interval_words(difference, contrast)) == (estimate, allowed)


def test_higher_can_be_better(club, ratio):
    growth = replace(ratio, better=Better.HIGHER, worthwhile=1.25)
    said = contrast_sentence(growth, made(growth, 1.3, 1.5, 1.8), club.protocol)
    assert margin_words(growth) == "25 % higher"
    assert said.endswith("At least 25 % higher had been called worthwhile: a worthwhile difference.")
    worse = contrast_sentence(growth, made(growth, 0.5, 0.6, 0.7), club.protocol)
    assert "Higher is better, so this is worse" in worse


def test_times_are_sooner_or_later(club, difference):
    days = replace(difference, summary=Summary.DAYS_TO_TARGET, unit="d", worthwhile=7)
    said = contrast_sentence(days, made(days, -9.0, -4.0, -1.0), club.protocol)
    assert "was 4.0 d sooner than with Water changes alone (the data allow 1.0 to 9.0 d sooner)" in said
    late = contrast_sentence(days, made(days, 8.0, 9.0, 10.0), club.protocol)
    assert "Sooner is better, so this is worse" in late


def test_between_two_treatments_nothing_is_worse_but_one_is_favoured(club, ratio):
    said = contrast_sentence(ratio, made(ratio, 1.3, 1.5, 1.8, reference="liquid"), club.protocol)
    assert "This favours Liquid carbon, dripped" in said
    assert "worse" not in said


def test_without_a_worthwhile_difference_its_weight_is_left_open(club, ratio):
    bare = replace(ratio, worthwhile=None)
    said = contrast_sentence(bare, made(bare, 0.5, 0.6, 0.7), club.protocol)
    assert said.endswith("No worthwhile difference was registered, so its weight is left to the reader.")


def test_comparison_without_tanks_says_so(club, ratio):
    said = contrast_sentence(ratio, replace(made(ratio, 0.5, 0.6, 0.7), estimate=None), club.protocol)
    assert said == (
        "Mean nitrate with Polymer pellets, fluidised could not be compared with Water changes alone: too few tanks "
        "were left."
    )


def test_comparison_that_fails_beside_the_others_is_called_less_sure(club, ratio):
    contrast = replace(made(ratio, 0.6, 0.75, 0.94), p=0.03, p_adjusted=0.09)
    assert contrast_sentence(ratio, contrast, club.protocol).endswith(
        "Beside the other comparisons registered it is less sure."
    )


def test_no_sentence_contradicts_its_own_numbers(club):
    @settings(deadline=None)
    @given(st.floats(-3, 3), st.floats(0.01, 2), st.floats(0.01, 2), st.sampled_from([0.5, 0.8, 0.95]))
    def check(middle, below, above, worthwhile):
        assume(
            abs(middle - below) > 1e-6 < abs(middle + above)
        )  # a limit on "no difference" reads either way
        endpoint = replace(club.analysis.endpoints[0], worthwhile=worthwhile)
        low, estimate, high = (math.exp(x) for x in (middle - below, middle, middle + above))
        contrast = made(endpoint, low, estimate, high)
        said = contrast_sentence(endpoint, contrast, club.protocol)
        allowed = interval_words(endpoint, contrast)
        crosses = "lower" in allowed and ("higher" in allowed or "times" in allowed)
        settled = contrast.verdict in {Verdict.WORTHWHILE, Verdict.TOO_SMALL, Verdict.UNSETTLED_SIZE}
        assert crosses is not settled
        assert ("could not settle" in said) is (
            contrast.verdict in {Verdict.UNSETTLED, Verdict.UNSETTLED_SIZE}
        )
        assert not any(word in f" {said} " for word in (" p ", "signific", "p-value"))

    check()


def test_answer_is_short_says_what_it_rests_on_and_names_every_comparison(club):
    lines = answer_lines(club.analysis, club.protocol)
    assert len(lines) == 4
    assert [
        line.startswith(f"With {arm}")
        for line, arm in zip(lines, ("Polymer", "Liquid", "Polymer"), strict=False)
    ] == [True] * 3
    assert lines[-1].startswith(
        "This rests on 23 of 24 tanks in 8 blocks, over the 84 days of the assessment phase"
    )


def test_answer_of_many_comparisons_counts_the_rest(invent):
    trial = invent(blocks=4, arms=7)
    lines = answer_lines(trial.analysis, trial.protocol)
    assert len(lines) == MOST_LINES
    assert lines[-2].startswith(f"{len(trial.protocol.contrasts) - 3} more comparisons: ")


def test_conclusion_that_turns_on_the_limit_is_said_first(club):
    endpoint = club.analysis.endpoints[0]
    turned = Censoring(5, 0.5, 0.9, (Verdict.WORTHWHILE, Verdict.UNSETTLED))
    contrasts = tuple(replace(c, censoring=turned) for c in endpoint.contrasts)
    tanks = tuple(replace(tank, censored=1) for tank in endpoint.tanks)
    analysis = replace(club.analysis, endpoints=(replace(endpoint, contrasts=contrasts, tanks=tanks),))
    lines = answer_lines(analysis, club.protocol)
    assert lines[0].startswith("First of all: 24 readings lie beyond what the kits can show")
    assert "“worthwhile difference” or “unsettled”" in lines[0]
    assert len(lines) == MOST_LINES


def test_answer_of_an_unrandomised_trial_says_that_the_tanks_may_differ(club):
    lines = answer_lines(club.analysis, club.protocol, replace(club.allocation, random=False))
    assert "chance did not decide" in lines[-1]


@pytest.mark.parametrize("verdict", Verdict)
def test_every_verdict_has_its_meaning(verdict):
    assert VERDICT_MEANS[verdict].endswith(".")


@pytest.mark.parametrize(
    ("changes", "phrase", "unit"),
    [
        ({}, "mean nitrate", "mg/L"),
        ({"baseline": Baseline.CHANGE}, "mean nitrate relative to its baseline", ""),
        ({"summary": Summary.AUC}, "the area under the course of nitrate", "mg/L·d"),
        (
            {"summary": Summary.SLOPE, "scale": Scale.DIFFERENCE, "unit": "mg/L/d"},
            "the daily change of nitrate",
            "mg/L/d",
        ),
        ({"summary": Summary.MEDIAN, "scale": Scale.DIFFERENCE, "unit": "1"}, "median nitrate", ""),
    ],
)
def test_what_is_compared_is_named_with_its_unit(club, ratio, changes, phrase, unit):
    endpoint = replace(ratio, **changes)
    assert (measure(endpoint, club.protocol), number_unit(endpoint, club.protocol)) == (phrase, unit)


@pytest.mark.parametrize(
    ("variable", "title"), [("nitrate", "nitrate"), ("ph", "pH"), ("oxygen", "dissolved oxygen")]
)
def test_variables_are_named_as_inside_a_sentence(club, variable, title):
    assert variable_title(club.protocol, variable) == title
