"""Redraws of incomplete blocks and crossovers against a slow refit of every draw."""

import itertools

import numpy as np
import pytest

from analysis.linear_model import LinearModel, TankData
from analysis.model_law import model_law
from analysis.randomisation import randomisation_test

RNG = np.random.default_rng(29)
SETS = [(0, 1), (0, 2), (1, 2), (0, 1), (0, 2), (1, 2), (0, 1)]


def incomplete():
    arm = np.array([a for pair in SETS for a in pair])
    block = np.repeat(np.arange(len(SETS)), 2)
    y = RNG.normal(size=len(arm)) + block * 0.3 + (arm == 1)
    return TankData(y, arm, block, ("a", "b", "c"), None, blocked=True)


def crossover(sequences, cohort=None):
    tanks, periods = len(sequences), len(sequences[0])
    arm = np.array([a for sequence in sequences for a in sequence])
    tank = np.repeat(np.arange(tanks), periods)
    groups = np.zeros(tanks, dtype=int) if cohort is None else np.array(cohort)
    y = RNG.normal(size=len(arm)) + tank * 0.5 + (arm == 1)
    return TankData(
        y, arm, tank, ("a", "b", "c")[: arm.max() + 1], None, blocked=True,
        period=np.tile(np.arange(periods), tanks), cohort=groups[tank],
    )  # fmt: skip


def estimate(data, arm):
    drawn = TankData(data.y, arm, data.block, data.arms, None, blocked=True, period=data.period)
    return LinearModel(drawn).contrast(1, 0, 0.95).estimate


def share_as_far(data, arms):
    observed = abs(estimate(data, data.arm))
    values = np.array([abs(estimate(data, arm)) for arm in arms])
    return (values >= observed - 1e-9).mean(), len(values)


def test_incomplete_blocks_redraw_the_blocks_that_hold_both():
    data = incomplete()
    both = [b for b, pair in enumerate(SETS) if pair == (0, 1)]
    arms = []
    for flips in itertools.product((False, True), repeat=len(both)):
        arm = data.arm.copy()
        for block, flip in zip(both, flips, strict=True):
            rows = np.flatnonzero(data.block == block)
            arm[rows] = arm[rows[::-1]] if flip else arm[rows]
        arms.append(arm)
    result = randomisation_test(data, 1, 0, level=0.5, seed=1, start=1.0, whole_model=True)
    assert (result.p, result.draws) == share_as_far(data, arms)
    assert result.method == "exact"


@pytest.mark.parametrize("cohort", [None, [0, 0, 0, 1, 1, 1]])
def test_three_arm_crossovers_turn_mirrored_sequences(cohort):
    sequences = [(0, 1, 2), (1, 0, 2), (0, 2, 1), (1, 2, 0), (2, 0, 1), (2, 1, 0)]
    data = crossover(sequences, cohort)
    turned = np.where(data.arm == 0, 1, np.where(data.arm == 1, 0, data.arm))
    pairs = [(0, 1), (2, 3), (4, 5)]
    groups = np.zeros(6) if cohort is None else np.array(cohort)
    free = [pair for pair in pairs if groups[pair[0]] == groups[pair[1]]]
    arms = []
    for flips in itertools.product((False, True), repeat=len(free)):
        flip = np.zeros(6, dtype=bool)
        for pair, turn in zip(free, flips, strict=True):
            flip[list(pair)] = turn
        arms.append(np.where(flip[data.block], turned, data.arm))
    result = randomisation_test(data, 1, 0, level=0.5, seed=1, start=1.0, whole_model=True)
    assert (result.p, result.draws) == share_as_far(data, arms)


def test_two_by_two_counts_all_and_agrees_with_refitting():
    sequences = [(0, 1)] * 4 + [(1, 0)] * 3
    data = crossover(sequences)
    arms = []
    for chosen in itertools.combinations(range(7), 4):
        first = np.isin(np.arange(7), chosen)
        arms.append(np.where(np.repeat(first, 2), np.tile([0, 1], 7), np.tile([1, 0], 7)))
    result = randomisation_test(data, 1, 0, level=0.5, seed=1, start=1.0, whole_model=True)
    share, draws = share_as_far(data, arms)
    assert (result.p, result.draws, result.method) == (pytest.approx(share), draws, "exact")


def test_nothing_to_turn_is_no_test():
    williams = [(0, 1, 3, 2), (1, 2, 0, 3), (2, 3, 1, 0), (3, 0, 2, 1)]
    data = crossover([tuple(min(a, 2) for a in row) for row in williams])
    assert model_law(data, 1, 0, seed=1) is None
