"""The whole registered analysis: families of comparisons, notes, what is refused, and its JSON document."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.document import document
from analysis.evaluation import evaluate
from analysis.multiplicity import adjust, fixed_order, holm
from analysis.plan_in_words import formula, plan_in_words
from schemas.errors import AnalysisError
from schemas.vocabulary import Multiplicity, Verdict


def again(trial, **changes):
    parts = {"protocol": trial.protocol, "allocation": trial.allocation, "readings": trial.readings} | changes
    return evaluate(**parts, protocol_digest="ab" * 32, data_digest="cd" * 32, version="0")


def test_holm_is_statsmodels():
    from statsmodels.stats.multitest import multipletests

    # Benjamini and Hochberg (1995), JRSS B 57:289, the fifteen p-values; Holm rejects three (from memory).
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    assert sum(value <= 0.05 for value in holm(p)) == 3


def test_comparisons_without_p_still_count():
    assert adjust([0.02, None, 0.04], Multiplicity.HOLM) == [pytest.approx(0.06), None, pytest.approx(0.08)]
    assert adjust([0.02, None], Multiplicity.NONE) == [0.02, None]
    assert fixed_order([0.04, 0.01]) == [0.04, 0.04]


def test_document_is_plain_json(club):
    text = json.dumps(document(club.analysis), allow_nan=False)
    result = json.loads(text)
    assert set(result) >= {"trial", "protocol_digest", "data_digest", "fairtank", "endpoints"}
    endpoint = result["endpoints"][0]
    assert set(endpoint) >= {
        "id", "role", "variable", "summary", "phase", "baseline", "scale", "unit", "n_tanks", "n_blocks", "arms",
        "omnibus", "contrasts", "ranks", "missing", "notes", "sensitivity",
    }  # fmt: skip
    contrast = endpoint["contrasts"][0]
    assert set(contrast) >= {
        "test", "reference", "estimate", "se", "df", "low", "high", "p", "p_adjusted", "effect_size", "randomisation",
        "censoring", "equivalence", "reading",
    }  # fmt: skip
    assert set(contrast["randomisation"]) >= {"p", "method", "draws", "low", "high"}
    assert set(endpoint["omnibus"]) == {"F", "df1", "df2", "p"}


def test_numbers_come_out_unrounded(club):
    (first, *_) = club.analysis.endpoints[0].contrasts
    written = json.loads(json.dumps(document(club.analysis)))["endpoints"][0]["contrasts"][0]
    assert written["estimate"] == first.estimate
    assert written["p"] == first.p


def test_missing_tank_is_counted_and_its_reason_given(club):
    endpoint = club.analysis.endpoints[0]
    (missing,) = [tank for tank in endpoint.tanks if tank.y is None]
    assert endpoint.n_tanks == len(club.protocol.tanks) - 1
    assert any(missing.tank in note and missing.why_missing in note for note in endpoint.notes)
    flow = {flow.arm: flow for flow in endpoint.flow}
    assert flow[missing.arm].allocated - flow[missing.arm].analysed == 1


def test_primary_endpoints_are_one_family(invent):
    trial = invent()
    parts = trial.protocol.model_dump(mode="json", exclude_none=True)
    parts["endpoints"][1]["role"] = "primary"
    both = again(trial, protocol=type(trial.protocol).model_validate(parts))
    p = [contrast.p for endpoint in both.endpoints for contrast in endpoint.contrasts]
    adjusted = [contrast.p_adjusted for endpoint in both.endpoints for contrast in endpoint.contrasts]
    assert adjusted == pytest.approx(holm(p))
    alone = [contrast.p_adjusted for contrast in trial.analysis.endpoints[0].contrasts]
    assert alone == pytest.approx(holm(p[: len(alone)]))


def test_secondary_endpoints_are_marked(club):
    primary, secondary = club.analysis.endpoints
    assert not any(note.startswith("Exploratory") for note in primary.notes)
    assert any(note.startswith("Exploratory") for note in secondary.notes)


def test_without_chance_there_is_no_randomisation_test(club):
    chosen = again(
        club, allocation=replace(club.allocation, random=False, drawn=False, how="owners chose", seed=None)
    )
    assert all(c.randomisation is None for e in chosen.endpoints for c in e.contrasts)
    assert chosen.notes[0].startswith("Observational")


def test_ratio_results_are_ratios(club):
    endpoint = club.analysis.endpoints[0]
    for contrast in endpoint.contrasts:
        assert 0 < contrast.low < contrast.estimate < contrast.high
        # The interval is symmetric on logarithms, where the standard error lives.
        middle = math.sqrt(contrast.low * contrast.high)
        assert middle == pytest.approx(contrast.estimate)


def test_swapping_the_arms_of_a_contrast_inverts_it(club):
    parts = club.protocol.model_dump(mode="json", exclude_none=True)
    parts["analysis"]["contrasts"] = [list(reversed(pair)) for pair in parts["analysis"]["contrasts"]]
    swapped = again(club, protocol=type(club.protocol).model_validate(parts))
    for ours, theirs in zip(
        club.analysis.endpoints[0].contrasts, swapped.endpoints[0].contrasts, strict=True
    ):
        assert theirs.estimate == pytest.approx(1 / ours.estimate)
        assert (theirs.low, theirs.high) == pytest.approx((1 / ours.high, 1 / ours.low))
        assert theirs.p == pytest.approx(ours.p)
        assert theirs.randomisation.p == ours.randomisation.p
        assert theirs.verdict is ours.verdict
        assert theirs.favours == ours.favours


def test_censoring_that_turns_the_conclusion_is_said_first(invent):
    trial = invent(limit=0.02)
    readings = trial.readings.copy()
    # Every phosphate reading of two arms below a generous limit: nothing can be told apart.
    arms = trial.allocation.arm_of()
    low = (readings["variable"] == "phosphate") & readings["tank"].map(arms).isin(["polymer", "liquid"])
    readings.loc[low, ["value", "sign"]] = [0.12, "<"]
    readings["value"] = readings["value"].astype(float)
    endpoint = again(trial, readings=readings).endpoints[1]
    contrast = next(c for c in endpoint.contrasts if (c.test, c.reference) == ("polymer", "control"))
    assert contrast.censoring.n_censored > 0
    assert contrast.censoring.lowest <= contrast.estimate <= contrast.censoring.highest
    assert set(contrast.censoring.verdicts) != {contrast.verdict}
    assert endpoint.notes[0].startswith("The conclusion for")


def test_uncensored_contrasts_have_no_range(club):
    contrast = club.analysis.endpoints[0].contrasts[0]
    assert contrast.censoring.n_censored == 0
    assert contrast.censoring.lowest == contrast.estimate == contrast.censoring.highest


def test_nothing_to_analyse_is_one_sentence(club):
    with pytest.raises(AnalysisError, match="no accepted readings yet"):
        again(club, readings=club.readings.iloc[:0])
    baseline_only = club.readings[club.readings["taken_at"] < np.datetime64("2026-03-10")]
    with pytest.raises(AnalysisError, match="no tank has a number to compare yet"):
        again(club, readings=baseline_only)


def test_plan_says_the_formula_before_the_data(club):
    primary = club.protocol.endpoints[0]
    assert formula(club.protocol, primary) == "log(nitrate) ~ arm + block + log(baseline)"
    words = plan_in_words(club.protocol)
    assert any("paired differences" in line for line in words)
    assert any("3 comparisons" in line and "Holm" in line for line in words)


def test_verdicts_are_read_off_the_interval(club):
    for contrast in club.analysis.endpoints[0].contrasts:
        distance = math.log(1.25)
        low, high = math.log(contrast.low), math.log(contrast.high)
        if contrast.verdict is Verdict.WORTHWHILE:
            assert min(abs(low), abs(high)) >= distance
        if contrast.verdict is Verdict.UNSETTLED:
            assert low <= 0 <= high
