"""Tanks that were treated as another arm: the registered analysis stays, the same one as treated stands beside."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from analysis.document import document
from analysis.evaluation import evaluate
from analysis.followed import Happened
from analysis.sensitivity import allocation_as_treated
from schemas.errors import AnalysisError

KEYS = {"protocol_digest": "0" * 64, "data_digest": "1" * 64, "version": "0"}


def again(trial, treated_as):
    return evaluate(
        trial.protocol, trial.allocation, trial.readings, happened=Happened(treated_as=treated_as), **KEYS
    )


def beside(result, name="as-treated"):
    return next((s for s in result.sensitivity if s.name == name), None)


def other_than(trial, tank):
    mine = trial.allocation.arm_of()[tank]
    return next(arm.id for arm in trial.protocol.arms if arm.id != mine)


def test_registered_results_are_untouched_and_the_other_analysis_is_beside(club):
    tank = club.protocol.tanks[0].id
    plain, treated = again(club, {}), again(club, {tank: other_than(club, tank)})
    for one, two in zip(plain.endpoints, treated.endpoints, strict=True):
        assert one.contrasts == two.contrasts
        assert one.tanks == two.tanks
        assert two.sensitivity[:-1] == one.sensitivity
        assert beside(one) is None
        assert two.sensitivity[-1].name == "as-treated"
        assert [(c.test, c.reference) for c in beside(two).contrasts] == [
            (c.test, c.reference) for c in two.contrasts
        ]
    assert any(f"Tank {tank} was allocated to" in note for note in treated.notes)


def test_it_is_the_registered_analysis_of_the_swapped_allocation(club):
    """Two tanks of a block that swapped arms: as if the draw had given them so."""
    arms = club.allocation.arm_of()
    one, two = (tank.id for tank in club.protocol.tanks[:2])
    swapped = {one: arms[two], two: arms[one]}
    assignments = tuple(replace(a, arm=swapped.get(a.tank, a.arm)) for a in club.allocation.assignments)
    redone = evaluate(
        club.protocol, replace(club.allocation, assignments=assignments), club.readings, **KEYS
    ).endpoints
    for result, expected in zip(again(club, swapped).endpoints, redone, strict=True):
        for got, want in zip(beside(result).contrasts, expected.contrasts, strict=True):
            for name in ("n", "estimate", "se", "df", "low", "high", "p", "verdict"):
                assert getattr(got, name) == getattr(want, name)


def test_it_is_welch_of_the_regrouped_tanks_in_parallel_arms(invent):
    """scipy's Welch test of the tanks grouped as treated; the registered contrast is that of the groups as drawn."""
    trial = invent(parallel=True, arms=2)
    tank = trial.protocol.tanks[0].id
    arms = trial.allocation.arm_of()
    result = again(trial, {tank: other_than(trial, tank)}).endpoints[1]
    as_treated = arms | {tank: other_than(trial, tank)}
    for contrast, grouping in ((result.contrasts[0], arms), (beside(result).contrasts[0], as_treated)):
        groups = [
            np.array([t.y for t in result.tanks if grouping[t.tank] == arm])
            for arm in (contrast.test, contrast.reference)
        ]
        expected = stats.ttest_ind(*groups, equal_var=False)
        assert contrast.p == pytest.approx(expected.pvalue, rel=1e-9)
        assert contrast.df == pytest.approx(expected.df, rel=1e-9)
        assert contrast.estimate == pytest.approx(groups[0].mean() - groups[1].mean(), rel=1e-9)


def test_no_chance_no_randomisation_test(club):
    tank = club.protocol.tanks[0].id
    treated = again(club, {tank: other_than(club, tank)})
    assert all(c.randomisation for c in treated.endpoints[0].contrasts)
    assert not any(c.randomisation for c in beside(treated.endpoints[0]).contrasts)
    assert document(treated)["endpoints"][0]["sensitivity"][-1]["name"] == "as-treated"


def test_a_tank_treated_as_allocated_gives_nothing_beside(club):
    tank = club.protocol.tanks[0].id
    arms = club.allocation.arm_of()
    assert allocation_as_treated(club.allocation, {tank: arms[tank]}) is None
    assert again(club, {tank: arms[tank]}) == again(club, {})


def test_a_tank_that_was_not_allocated_is_refused(club):
    with pytest.raises(AnalysisError, match="no arm was allocated to q99-z"):
        again(club, {"q99-z": "control"})


def test_a_crossover_is_refused(club):
    in_periods = replace(
        club.allocation, assignments=tuple(replace(a, period=1) for a in club.allocation.assignments)
    )
    with pytest.raises(AnalysisError, match="crossover"):
        allocation_as_treated(in_periods, {club.protocol.tanks[0].id: "control"})
