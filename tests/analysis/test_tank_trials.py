"""Trials drawn from the tank model, and what is read of them: against the registered analysis of the same readings."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from analysis.dosed_tanks import STALL_WINDOW, Courses, DosedTanks, believed
from analysis.evaluation import evaluate
from analysis.observation import NITRATE_CARD, KitErrors
from analysis.precision import blocks, complete_blocks, crossover, parallel
from analysis.simulation import Question, simulate
from analysis.summaries import tank_numbers
from analysis.tank_parameters import TankParameters
from analysis.tank_trials import ReadingPlan, StopLimit, TankTrials
from schemas.allocation import Allocation, Assignment
from schemas.errors import AnalysisError
from schemas.protocol import Protocol
from schemas.variables import catalogue
from schemas.vocabulary import Baseline, Scale, Summary, Variance

ARMS = ("control", "liquid", "solid")
LAYOUT = complete_blocks(ARMS, 4)
TANKS = DosedTanks(LAYOUT, liquid=(0, 0.5, 0), pellets=(0, 0, 256.0), baseline_days=28, days=112)
PLAN = ReadingPlan(assessed=(56, 112))
START = dt.date(2026, 3, 2)


@pytest.fixture(scope="module")
def courses():
    return TANKS.courses(np.random.default_rng(1), 30)


def test_undosed_tanks_are_as_they_would_have_been(courses):
    control = LAYOUT.arm == 0
    for name in ("nitrate", "phosphate"):
        dosed, undosed = courses.dosed[name], courses.undosed[name]
        assert dosed.shape == (140, 30, 12)
        np.testing.assert_array_equal(dosed[..., control], undosed[..., control])
        np.testing.assert_array_equal(dosed[:28], undosed[:28])
        assert (dosed[-1][:, ~control] < undosed[-1][:, ~control]).all()
    assert courses.treated.tolist() == (~control).tolist()
    assert courses.unused_carbon[..., control].max() == 0


def test_tanks_of_a_block_are_alike():
    layout = complete_blocks("ab", 2, 3)
    tanks = DosedTanks(layout, (0, 0), (0, 0), 14, 14, within=0.1)
    start = np.log(tanks.courses(np.random.default_rng(2), 400).dosed["nitrate"][0])
    correlation = np.corrcoef(start.T)
    same = layout.block[:, None] == layout.block
    np.fill_diagonal(correlation, np.nan)
    assert np.nanmean(correlation[same]) == pytest.approx(0.9, abs=0.03)
    assert np.nanmean(correlation[~same]) == pytest.approx(0, abs=0.03)


def test_tanks_of_parallel_arms_are_unrelated():
    tanks = DosedTanks(parallel("ab", [3, 3]), (0, 0), (0, 0), 7, 7)
    start = np.log(tanks.courses(np.random.default_rng(3), 400).dosed["nitrate"][0])
    apart = np.corrcoef(start.T)[~np.eye(6, dtype=bool)]
    assert np.abs(apart).max() < 0.2


def test_four_steps_a_day_are_enough():
    few, many = (
        DosedTanks(LAYOUT, TANKS.liquid, TANKS.pellets, 28, 84, steps_per_day=steps)
        .courses(np.random.default_rng(4), 5)
        .dosed["nitrate"]
        for steps in (4, 40)
    )
    np.testing.assert_allclose(few, many, rtol=0, atol=0.03)


def test_a_part_of_the_tanks_and_days(courses):
    part = courses.only(np.arange(6), 70)
    np.testing.assert_array_equal(part.dosed["nitrate"], courses.dosed["nitrate"][:70, :, :6])
    assert part.denitrified.shape == part.unused_carbon.shape == (70, 30, 6)
    assert part.first_day == -28


def test_harms_on_a_course_worked_by_hand():
    # Two tanks, 10 days before and 40 days of dosing; phosphate is low from day 15 on; nitrate falls by 0.1 a day to
    # day 20 and then stands still, so the fall over 14 days is below 0.5 from day 30 (4 days of falling left) on.
    day = np.arange(-10, 40.0)
    nitrate = np.where(day < 20, 20 - 0.1 * day, 18.0)[:, None, None] * np.ones((1, 1, 2))
    phosphate = np.where(day < 15, 0.1, 0.02)[:, None, None] * np.ones((1, 1, 2))
    both = {"nitrate": nitrate, "phosphate": phosphate}
    unused = np.where(day < 0, 5.0, 0.25)[:, None, None] * np.ones((1, 1, 2))
    course = Courses(-10, both, both, np.zeros_like(nitrate), unused, np.array([False, True]))
    harms = course.harms
    assert harms["days of low phosphate"].tolist() == [[25, 25]]
    assert harms["stall days"].tolist() == [[0, 10]]
    assert harms["unused carbon"].tolist() == [[10, 10]]
    assert STALL_WINDOW == 14


def test_beliefs_stay_in_their_ranges():
    tank = believed(TankParameters(), np.random.default_rng(5), 3000)
    assert tank.growth_yield.shape == (3000, 1, 1)
    assert (tank.growth_yield.min() >= 0.1, tank.growth_yield.max() <= 0.5) == (True, True)
    assert tank.growth_yield.mean() == pytest.approx(0.3, abs=0.01)
    assert tank.cell_c_to_p.mean() == pytest.approx((45 + 50 + 106) / 3, abs=1)
    assert tank.pellet_rate.mean() == pytest.approx((0.0005 + 0.0035 + 0.006) / 3, abs=1e-4)
    assert tank.solid_anoxic.mean() == pytest.approx(0.15, abs=0.005)
    np.testing.assert_allclose(tank.solid_anoxic / tank.liquid_anoxic, 0.15 / 0.04)


def protocol_of(plan):
    names = [f"t{n:02}" for n in range(len(LAYOUT.arm))]
    return Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "invented", "title": "Invented"},
            "arms": [
                {"id": arm, "role": "control" if arm == "control" else "test", "title": arm} for arm in ARMS
            ],
            "design": {"kind": "blocks", "seed": "any"},
            "tanks": [{"id": n, "block": f"b{b}"} for n, b in zip(names, LAYOUT.block, strict=True)],
            "schedule": {
                "start": START,
                "phases": [
                    {"id": "baseline", "days": 28},
                    {"id": "ramp", "days": plan.assessed[0]},
                    {"id": "assessment", "days": plan.assessed[1] - plan.assessed[0]},
                ],
                "sampling": [{"variable": plan.variable, "every_days": plan.every_days}],
            },
            "endpoints": [
                {
                    "id": "primary",
                    "role": "primary",
                    "variable": plan.variable,
                    "summary": plan.summary,
                    "phase": "assessment",
                    "baseline": plan.baseline,
                    "scale": plan.scale,
                    "better": "lower",
                }
                | ({} if plan.target is None else {"target": plan.target, "held": plan.held})
            ],
        }
    )


CASES = {
    "usual": PLAN,
    "phosphate, often below the limit": ReadingPlan((56, 112), variable="phosphate", every_days=5),
    "missed days": ReadingPlan((56, 112), missed=0.3),
    "change of a median": ReadingPlan((42, 98), summary=Summary.MEDIAN, baseline=Baseline.CHANGE),
    "slope": ReadingPlan((28, 112), summary=Summary.SLOPE, scale=Scale.DIFFERENCE, baseline=Baseline.CHANGE),
    "area": ReadingPlan(
        (28, 112), summary=Summary.AUC, scale=Scale.DIFFERENCE, baseline=Baseline.CHANGE, missed=0.2
    ),
    "area, adjusted": ReadingPlan((28, 112), summary=Summary.AUC),
    "days to a target held twice, tanks lost": ReadingPlan(
        (14, 112),
        summary=Summary.DAYS_TO_TARGET,
        scale=Scale.DIFFERENCE,
        baseline=Baseline.NONE,
        target=12.0,
        held=2,
        missed=0.2,
        lost=0.2,
    ),
    "last, by card": ReadingPlan(
        (56, 112), summary=Summary.LAST, baseline=Baseline.NONE, kits={"nitrate": NITRATE_CARD}
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_numbers_are_those_of_the_registered_summaries(courses, case, monkeypatch):
    plan = CASES[case]
    # Catch what is read on the way, and take it in again as readings of a register.
    readings_of, inner = {}, ReadingPlan._read

    def caught(self, layout, variable, true, *rest):
        values = inner(self, layout, variable, true, *rest)
        readings_of.setdefault(variable, values)
        return values

    monkeypatch.setattr(ReadingPlan, "_read", caught)
    drawn = plan.drawn(LAYOUT, courses, np.random.default_rng(6))
    values = readings_of[plan.variable]
    limit = plan.kits[plan.variable].limit
    trial = 3
    rows = [
        {
            "tank": f"t{tank:02}",
            "taken_at": pd.Timestamp(START) + pd.Timedelta(days=plan.every_days * row),
            "variable": plan.variable,
            "value": limit if below else value,
            "sign": "<" if below else "",
        }
        for row, readings in enumerate(values[:, trial])
        for tank, value in enumerate(readings)
        if not np.isnan(value) and not np.isnan(drawn.y[trial, tank])
        for below in [value == limit / 2]
    ]
    frame = pd.DataFrame(rows)
    if case.startswith("phosphate"):
        assert (frame["sign"] == "<").any()
    protocol = protocol_of(plan)
    assignments = tuple(
        Assignment(tank.id, ARMS[arm], tank.block, None)
        for tank, arm in zip(protocol.tanks, LAYOUT.arm, strict=True)
    )
    allocation = Allocation(assignments, drawn=True, random=True, how="drawn")
    if plan.summary is Summary.DAYS_TO_TARGET:
        digests = {"protocol_digest": "ab" * 32, "data_digest": "cd" * 32, "version": "0"}
        (endpoint,) = evaluate(protocol, allocation, frame, **digests).endpoints
        numbers = endpoint.tanks
        reached = sum(curve.reached for curve in endpoint.curves)
        assert 0 < reached < sum(curve.n for curve in endpoint.curves) < len(numbers)
    else:
        numbers = tank_numbers(protocol, protocol.endpoints[0], allocation, frame, catalogue()[plan.variable])
    y = [np.nan if number.y is None else number.y for number in numbers]
    np.testing.assert_allclose(drawn.y[trial], y, rtol=1e-12)
    if plan.baseline is Baseline.ADJUST:
        before = [np.nan if number.baseline is None else np.log(number.baseline) for number in numbers]
        np.testing.assert_allclose(drawn.x[trial], before, rtol=1e-12)
    else:
        assert drawn.x is None


def test_true_effect_is_what_carbon_did(courses):
    drawn = PLAN.drawn(LAYOUT, courses, np.random.default_rng(7))
    rows = np.arange(0, 140, 7)
    inside = (rows - 28 >= 56) & (rows - 28 < 112)
    for arm in range(3):
        mine = LAYOUT.arm == arm
        logs = [
            np.log(side["nitrate"][rows[inside]].mean(axis=0)[:, mine])
            for side in (courses.dosed, courses.undosed)
        ]
        np.testing.assert_allclose(drawn.effects[:, arm], (logs[0] - logs[1]).mean(axis=1), atol=1e-12)
    assert (drawn.effects[:, 0] == 0).all()
    assert (drawn.effects[:, 1:] < 0).all()
    # Without carbon nothing differs but luck, and the luck is the same.
    control = LAYOUT.arm == 0
    np.testing.assert_array_equal(drawn.y[:, control], drawn.null[:, control])


def test_duplicates_halve_the_variance_of_reading():
    kit = KitErrors(step=1e-6, limit=1e-6, fixed_sd=0.5, bias_sd=0.0)
    layout = parallel("ab", [200, 200])
    still = np.full((60, 1, 400), 20.0)
    both = {"nitrate": still, "phosphate": still}
    course = Courses(-20, both, both, np.zeros_like(still), np.zeros_like(still), np.zeros(400, dtype=bool))
    spread = []
    for duplicates in (1, 2):
        plan = ReadingPlan(
            (0, 40),
            summary=Summary.LAST,
            scale=Scale.DIFFERENCE,
            baseline=Baseline.NONE,
            kits={"nitrate": kit},
            duplicates=duplicates,
        )
        spread.append(plan.drawn(layout, course, np.random.default_rng(8)).y.std())
    assert spread[0] == pytest.approx(0.5, rel=0.1)
    assert spread[1] == pytest.approx(0.5 / np.sqrt(2), rel=0.1)


def test_nitrite_disturbs_the_arm_that_makes_it(courses):
    kit = KitErrors(step=0.1, limit=0.5, relative_sd=0.12, nitrite_factor=10.0)
    plain, disturbed = (
        ReadingPlan((56, 112), kits={"nitrate": kit}, nitrite_share=share).drawn(
            LAYOUT, courses, np.random.default_rng(9)
        )
        for share in (0.0, 0.25)
    )
    shift = (disturbed.y - plain.y).mean(axis=0)
    assert shift[LAYOUT.arm == 0].max() == 0
    assert shift[LAYOUT.arm == 2].min() > 0.01
    np.testing.assert_array_equal(plain.effects, disturbed.effects)


# A phosphate series read without any error, day by day; the first dose is on day 0.
@pytest.mark.parametrize(
    ("series", "limit", "met"),
    [
        ([0.1, 0.1, 0.02, 0.02, 0.1], StopLimit("phosphate", below=0.03, consecutive=2), True),
        ([0.1, 0.1, 0.02, 0.1, 0.02], StopLimit("phosphate", below=0.03, consecutive=2), False),
        ([0.02, 0.02, 0.1, 0.1, 0.1], StopLimit("phosphate", below=0.03, consecutive=2), False),
        ([0.1, 0.1, 0.1, 0.1, 0.6], StopLimit("phosphate", above=0.5), True),
        ([0.1, 0.1, 0.1, 0.1, 0.5], StopLimit("phosphate", above=0.5), False),
    ],
)
def test_stop_rules_count_from_the_first_dose(series, limit, met):
    kit = KitErrors(step=0.01, limit=0.01, bias_sd=0.0)
    layout = parallel("ab", [1, 1])
    values = np.array(series)[:, None, None] * np.ones((1, 1, 2))
    both = {"nitrate": np.full_like(values, 20.0), "phosphate": values}
    plan = ReadingPlan(
        (1, 3), variable="phosphate", every_days=1, kits={"phosphate": kit}, stop_limits=(limit,)
    )

    calm = np.full((20, 1, 2), 0.1)
    course = Courses(
        -2,
        dosed={name: np.concatenate([side, calm]) for name, side in both.items()},
        undosed={name: np.concatenate([side, calm]) for name, side in both.items()},
        denitrified=np.zeros((25, 1, 2)),
        unused_carbon=np.zeros((25, 1, 2)),
        treated=np.array([False, True]),
    )
    assert plan.drawn(layout, course, np.random.default_rng(10)).harms["stop rule met"].tolist() == [
        [met, met]
    ]


def test_a_missed_day_neither_meets_a_rule_nor_breaks_a_run():
    plan = ReadingPlan((0, 3), stop_limits=(StopLimit("phosphate", below=0.03, consecutive=2),))
    seen = {"phosphate": np.array([[0.02], [np.nan], [0.02]])[:, :, None]}
    assert plan._stopped(seen, np.arange(3.0)).tolist() == [[True]]


def test_a_whole_simulation_of_dosed_tanks():
    question = Question(LAYOUT, (("solid", "control"), ("liquid", "control")), Variance.OWN, margin=0.22)
    plan = ReadingPlan((56, 112), lost=0.05, stop_limits=(StopLimit("phosphate", below=0.03, consecutive=2),))
    got = simulate(question, TankTrials(TANKS, plan), seed=23, most=300, chunk=100)
    assert got == simulate(question, TankTrials(TANKS, plan), seed=23, most=300, chunk=100)
    for contrast in got.contrasts:
        assert contrast.effect < -0.2
        assert abs(contrast.bias.value) < 4 * contrast.bias.se + 0.02
        assert abs(contrast.false_positive.value - 0.05) < 4 * contrast.false_positive.se
        assert sum(
            share.value for share in contrast.verdicts.values()
        ) + contrast.unanswered.value == pytest.approx(1)
    harms = {arm.arm: arm.harms for arm in got.arms}
    assert harms["control"]["stall days"].value == 0
    assert harms["liquid"]["days of low phosphate"].value > harms["control"]["days of low phosphate"].value
    assert 0 < harms["liquid"]["stop rule met"].value < 1


def test_belief_in_place_of_knowledge_widens_what_may_happen():
    known, unsure = (
        DosedTanks(LAYOUT, TANKS.liquid, TANKS.pellets, 28, 112, believe=believe)
        .courses(np.random.default_rng(11), 300)
        .dosed["nitrate"][-1][:, LAYOUT.arm == 2]
        for believe in (False, True)
    )
    trial_means = [np.log(side).mean(axis=1).std() for side in (known, unsure)]
    assert trial_means[1] > 1.1 * trial_means[0]


def turns(washout):
    tanks = DosedTanks(crossover("ab", ["ab", "ba"]), (0, 0.5), (0, 0), 14, 70, washout_days=washout)
    return tanks.courses(np.random.default_rng(4), 20)


def test_a_crossover_carries_over_what_a_washout_forgets():
    short, long = turns(0), turns(140)
    assert short.dosed["nitrate"].shape == (84, 20, 4)
    for courses in (short, long):
        # Columns are tank 0 under a and b, tank 1 under b and a; in first periods nothing is carried over.
        for column in (0, 2):
            np.testing.assert_array_equal(
                courses.dosed["nitrate"][..., column], courses.alone["nitrate"][..., column]
            )
        # Before its own first dose, a second period is as the tank would have been without any.
        np.testing.assert_array_equal(
            courses.alone["nitrate"][:14, :, 1], courses.undosed["nitrate"][:14, :, 1]
        )
        assert (courses.dosed["nitrate"][-1, :, 1] < courses.undosed["nitrate"][-1, :, 1]).all()
    left = [
        (courses.undosed["nitrate"] - courses.dosed["nitrate"])[0, :, 3].mean() for courses in (short, long)
    ]
    assert left[0] > 1
    assert abs(left[1]) < 0.1 * left[0]


def test_carry_over_is_the_bias_of_a_crossover():
    layout = crossover("ab", ["ab", "ba"] * 6)
    question = Question(layout, (("b", "a"),), Variance.POOLED)
    reading = ReadingPlan((42, 70), baseline=Baseline.NONE)
    bias = {}
    for washout in (0, 140):
        tanks = DosedTanks(layout, (0, 0.5), (0, 0), 14, 70, washout_days=washout)
        (contrast,) = simulate(question, TankTrials(tanks, reading), seed=2, most=60, chunk=30).contrasts
        bias[washout] = contrast.bias
    # What is left of the carbon lowers the tanks that had it first: the ratio is drawn towards 1.
    assert bias[0].value > 4 * bias[0].se
    assert bias[0].value > bias[140].value + 2 * bias[140].se


def test_sampling_that_misses_the_baseline_is_refused():
    tanks = DosedTanks(blocks("ab", ["ab"] * 3), (0, 1), (0, 0), 0, 30)
    with pytest.raises(AnalysisError, match="no sampling day in the baseline"):
        TankTrials(tanks, ReadingPlan((7, 30))).draw(np.random.default_rng(1), 1)
