"""The search for the cheapest design: costs by hand, variance components by drawing them, power against its sources."""

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.dosed_tanks import DosedTanks
from analysis.observation import NITRATE_CARD, NITRATE_PHOTOMETER
from analysis.power import first_step, half_width, power
from analysis.precision import blocks, complete_blocks, crossover, parallel, precision
from analysis.search import (
    Calendar,
    Components,
    Cost,
    Found,
    Prices,
    Size,
    Space,
    _part,
    cheapest,
    grid,
    layout_of,
    search_by_formula,
    search_by_tank_model,
    tanks_of,
)
from analysis.simulation import Question, Simulated, simulate
from analysis.tank_trials import ReadingPlan, TankTrials
from schemas.errors import AnalysisError
from schemas.vocabulary import Baseline, Multiplicity, Variance

ARMS = ("control", "liquid", "solid")
CALENDAR = Calendar(baseline_days=28, waiting_days=56)
QUESTION = Question(
    complete_blocks(ARMS, 2), (("solid", "control"), ("liquid", "control")), Variance.OWN, margin=0.22
)
PRICES = Prices(tank=20, tank_week=2, reading={"drops": 0.5}, minutes=10, hour=12, variables=2)


def test_cost_worked_by_hand():
    # 5 blocks of 3 tanks, 28 + 56 + 56 = 140 days = 20 weeks; read on days 0, 14 ... 126 (10), twice, 2 variables.
    space = Space(CALENDAR, blocks=(5,), prices=PRICES)
    got = space.cost(Size(5, 1, 8, 14, "drops", 2), tanks=15)
    readings = 15 * 10 * 2 * 2
    assert got == Cost(15, 20, readings, readings / 6, 15 * (20 + 40) + readings * 0.5 + readings / 6 * 12)
    # Two periods of 20 weeks with two weeks between, in which nothing is read.
    twice = Space(replace(CALENDAR, periods=2, washout_days=14), blocks=(5,), prices=PRICES)
    got = twice.cost(Size(5, 1, 8, 14, "drops", 2), tanks=15)
    assert (got.weeks, got.readings) == (42, 2 * readings)


def test_a_space_holds_every_combination():
    space = Space(CALENDAR, (4, 6), (1, 2), (8, 12), (7, 14), ("drops", "card"), (1, 2))
    assert len(space.sizes()) == len(set(space.sizes())) == 64
    with pytest.raises(AnalysisError, match="at least one value"):
        Space(CALENDAR, ()).sizes()


# Draw a tank's level, its wandering and the readings, and take variances and correlation from the draws.
@pytest.mark.parametrize("baseline", [Baseline.NONE, Baseline.ADJUST, Baseline.CHANGE])
def test_variance_components_against_draws(baseline):
    parts = Components(tank=0.3, wander=0.2, reading={"drops": 0.25}, memory=0.95, lasting=0.6)
    size = Size(4, 1, 4, 7, "drops", 2)
    before, after = CALENDAR.sampled(size)
    assert before.tolist() == [-28, -21, -14, -7]
    assert after.tolist() == [56, 63, 70, 77]
    rng = np.random.default_rng(1)
    tanks = 100_000
    levels = rng.multivariate_normal([0, 0], 0.3**2 * np.array([[1, 0.6], [0.6, 1]]), tanks)
    day = np.concatenate([before, after])
    apart = np.abs(day[:, None] - day)
    wander = rng.multivariate_normal(np.zeros(8), 0.2**2 * 0.95**apart, tanks)
    readings = wander + 0.25 / math.sqrt(2) * rng.standard_normal((tanks, 8))
    x = levels[:, 0] + readings[:, :4].mean(axis=1)
    y = levels[:, 1] + readings[:, 4:].mean(axis=1)
    sd, correlation, enters = parts.spread(CALENDAR, size, baseline)
    if baseline is Baseline.CHANGE:
        assert sd == pytest.approx((y - x).std(), rel=0.01)
        assert enters is Baseline.NONE
    else:
        assert sd == pytest.approx(y.std(), rel=0.01)
        assert enters is baseline
    if baseline is Baseline.ADJUST:
        assert correlation == pytest.approx(np.corrcoef(x, y)[0, 1], abs=0.01)


def test_phases_without_a_sampling_day_are_refused():
    with pytest.raises(AnalysisError, match="without a sampling day"):
        Components(0.3).spread(CALENDAR, Size(4, 1, 1, 50), Baseline.NONE)


def test_search_by_formula_is_the_formula():
    space = Space(CALENDAR, (1, 2, 6, 12), (1, 2), prices=PRICES)
    found = search_by_formula(space, QUESTION, (0, -0.4, -0.8), Components(0.35))
    assert [one.cost.total for one in found] == sorted(one.cost.total for one in found)
    by_size = {(one.size.blocks, one.size.each): one for one in found}
    for each in (1, 2):
        assert by_size[1, each].power == Simulated(0.0, 0.0)
        assert by_size[1, each].detectable is None
    one = by_size[6, 2]
    # The liquid arm has the smaller effect, hence the least power.
    known = precision(complete_blocks(ARMS, 6, 2), "liquid", "control", 0.35, variance=Variance.OWN)
    level = first_step(0.05, 2, Multiplicity.HOLM)
    assert one.power.value == pytest.approx(power(0.4, known, level))
    assert one.half_width == pytest.approx(half_width(known))
    assert power(one.detectable, known, level) == pytest.approx(0.8, abs=1e-8)


def test_search_of_parallel_arms():
    question = Question(parallel(ARMS, [2, 2, 2]), QUESTION.contrasts, Variance.OWN)
    found = search_by_formula(
        Space(CALENDAR, (8,)),
        question,
        (0, -0.4, -0.8),
        Components(0.35, lasting=0.7),
        baseline=Baseline.ADJUST,
    )
    assert found[0].cost.tanks == 24
    known = precision(
        parallel(ARMS, [8, 8, 8]),
        "liquid",
        "control",
        0.35,
        variance=Variance.OWN,
        baseline=Baseline.ADJUST,
        correlation=0.7,
    )
    assert found[0].power.value == pytest.approx(power(0.4, known, 0.025))


MAKES = {
    "parallel": (parallel(ARMS, [5, 5, 5]), 1),
    "complete blocks": (complete_blocks(ARMS, 2), 2),
    "pairs of arms": (blocks(ARMS, [("control", "liquid"), ("liquid", "solid"), ("control", "solid")]), 1),
}


@pytest.mark.parametrize(("like", "each"), MAKES.values(), ids=MAKES)
def test_smaller_designs_are_parts_of_the_largest(like, each):
    big = layout_of(like, Size(6, each))
    for size in (Size(4, 1), Size(6, each), Size(2, 1)):
        part = _part(big, size)
        own = layout_of(like, size)
        assert big.arm[part].tolist() == own.arm.tolist()
        if like.blocked:
            assert big.block[part].tolist() == own.block.tolist()


def test_incomplete_blocks_and_sequences_are_taken_in_turn():
    pairs = layout_of(MAKES["pairs of arms"][0], Size(6))
    # Six blocks hold each pair of arms twice: the published efficiency of a balanced design, 1/2 * 3/2 = 3/4.
    assert (pairs.counts().sum(axis=0).tolist(), tanks_of(pairs)) == ([4, 4, 4], 12)
    known = precision(pairs, "solid", "control", 1.0, variance=Variance.POOLED)
    assert known.se**2 == pytest.approx(2 / (4 * 0.75))
    turns = layout_of(crossover("AB", ["AB", "BA"]), Size(8))
    assert tanks_of(turns) == 8
    assert precision(turns, "B", "A", 1.0, variance=Variance.POOLED).df == 6


TANKS = DosedTanks(complete_blocks(ARMS, 2), (0, 0.5, 0), (0, 0, 256.0), 1, 1)
READING = ReadingPlan((56, 112))
KITS = {"drops": NITRATE_PHOTOMETER, "card": NITRATE_CARD}


@pytest.fixture(scope="module")
def searched():
    space = Space(CALENDAR, (4, 8), weeks=(4, 8), kits=("drops", "card"), prices=PRICES)
    return search_by_tank_model(space, QUESTION, TANKS, READING, KITS, seed=3, trials=240, chunk=60)


def test_search_by_tank_model_agrees_with_a_simulation_of_one_design(searched):
    one = next(found for found in searched if found.size == Size(8, 1, 8, 7, "drops"))
    layout = complete_blocks(ARMS, 8)
    alone = simulate(
        Question(layout, QUESTION.contrasts, Variance.OWN, margin=0.22),
        TankTrials(DosedTanks(layout, TANKS.liquid, TANKS.pellets, 28, 112), READING),
        seed=4,
        most=240,
        chunk=60,
    )
    for ours, theirs in zip(one.outlook.contrasts, alone.contrasts, strict=True):
        for name in ("power", "half_width"):
            a, b = getattr(ours, name), getattr(theirs, name)
            assert abs(a.value - b.value) < 4 * math.hypot(a.se, b.se)
        assert ours.effect == pytest.approx(theirs.effect, abs=0.05)
    assert one.power.value == min(contrast.power.value for contrast in one.outlook.contrasts)
    assert one.outlook.trials == 240
    assert one.outlook.any_false_positive is None


def test_more_blocks_show_more(searched):
    _, blocks, table = grid(searched, "weeks", "blocks")
    assert blocks == (4, 8)
    assert (table[:, 1] > table[:, 0]).all()


def test_search_does_not_depend_on_who_does_the_work(searched):
    space = Space(CALENDAR, (4, 8), weeks=(4, 8), kits=("drops", "card"), prices=PRICES)
    told = []

    def last_first(work, numbers):
        done = {number: work(number) for number in reversed(list(numbers))}
        return [done[number] for number in sorted(done)]

    again = search_by_tank_model(
        space,
        QUESTION,
        TANKS,
        READING,
        KITS,
        seed=3,
        trials=240,
        chunk=60,
        spread_out=last_first,
        progress=lambda done, total: told.append((done, total)),
    )
    assert again == searched
    assert told == [(60, 240), (120, 240), (180, 240), (240, 240)]


def test_an_unknown_kit_is_refused():
    with pytest.raises(AnalysisError, match="No kit is described by the name strips; described: drops, card"):
        search_by_tank_model(
            Space(CALENDAR, (4,), kits=("strips",)), QUESTION, TANKS, READING, KITS, seed=1, trials=10
        )
    with pytest.raises(AnalysisError, match="at least one trial"):
        search_by_tank_model(
            Space(CALENDAR, (4,), kits=("card",)), QUESTION, TANKS, READING, KITS, seed=1, trials=0
        )


def found(power_, se, total, blocks=4, weeks=8):
    cost = Cost(12, 20.0, 100, 10.0, total)
    return Found(Size(blocks, weeks=weeks), cost, Simulated(power_, se), 0.3, None)


def test_cheapest_is_the_cheapest_that_surely_reaches():
    designs = [found(0.82, 0.02, 100), found(0.85, 0.02, 300), found(0.95, 0.01, 200), found(0.70, 0.01, 50)]
    assert cheapest(designs, 0.8) is designs[2]
    assert cheapest(designs, 0.99) is None
    assert cheapest([], 0.8) is None


def test_grid_takes_the_best_of_all_else():
    down, across, table = grid(
        [found(0.5, 0, 1, 4, 8), found(0.6, 0, 9, 4, 8), found(0.7, 0, 1, 6, 12)], "blocks", "weeks"
    )
    assert (down, across) == ((4, 6), (8, 12))
    np.testing.assert_array_equal(table, [[0.6, np.nan], [np.nan, 0.7]])
