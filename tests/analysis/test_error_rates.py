"""The simulation study of error rates: it runs, and its trials in bulk are analysed as single trials are."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from analysis.before_after import before_after
from analysis.linear_model import LinearModel
from analysis.own_error import own_error
from analysis.randomisation import randomisation_test

FILE = Path(__file__).parents[1] / "benchmarks" / "error_rates.py"
SPEC = importlib.util.spec_from_file_location("error_rates", FILE)
study = importlib.util.module_from_spec(SPEC)
sys.modules["error_rates"] = study
SPEC.loader.exec_module(study)

ARMS_CASES = [case for case in study.all_cases() if case.design != "before-after"]
BEFORE_AFTER = [case for case in study.all_cases() if case.design == "before-after"]


def label(case):
    return f"{case.design}-{case.number}-{case.scenario}-{case.analysis}-{case.systems}"


def summaries(case, trials):
    layout = study.layout_of(case)
    readings, _ = study.read(study.draw(layout, case, np.random.default_rng(5), trials))
    return layout, readings.mean(axis=0)


@pytest.mark.parametrize("case", ARMS_CASES, ids=label)
def test_bulk_p_are_those_of_single_trials(case):
    layout, y = summaries(case, 2)
    codes = layout.arms.index(case.test), layout.arms.index("control")
    p, fits = study.randomisation_p(layout, case, y), study.registered(layout, case, y)
    for row, bulk, registered in zip(y, p, fits.p, strict=True):
        data = study.tank_data(layout, row)
        single = randomisation_test(
            data, *codes, level=0.95, seed=1, start=None, whole_model=case.analysis == "pooled"
        )
        assert single.method == "exact"
        assert bulk == pytest.approx(single.p, abs=1e-12)
        assert study.smallest_p(case) == pytest.approx(single.smallest_p, rel=1e-9)
        if case.analysis == "own":
            fit = own_error(data, *codes, 0.95)
        else:
            fit = LinearModel(data).contrast(*codes, 0.95)
        assert registered == pytest.approx(fit.p, rel=1e-9)


@pytest.mark.parametrize("case", BEFORE_AFTER, ids=label)
def test_bulk_changes_are_those_of_single_trials(case):
    impact = np.repeat([True, False], case.systems)
    after = np.repeat([False, True], case.number)
    days = 7.0 * np.arange(len(after))
    rng = np.random.default_rng(7)
    values, _ = study.read(study.remembering(rng, 0.3, (len(days), 2, len(impact))))
    fits = study.system_fits(case, values, after, impact)
    for trial, p in enumerate(fits.p):
        single = before_after(days, after, values[:, trial], impact, 0.95)
        kind = {"own": "welch", "AR(1), beside": "serial", "systems, beside": "between"}[case.analysis]
        assert p == pytest.approx(getattr(single, kind).p, rel=1e-9)


def test_factors_have_mean_one_the_asked_variation_and_the_asked_memory():
    values = study.remembering(np.random.default_rng(3), np.array([0.3, 0.9]), (8, 200_000, 2))
    assert values.mean(axis=(0, 1)) == pytest.approx([1, 1], abs=0.01)
    assert values.std(axis=(0, 1)) == pytest.approx([0.3, 0.9], rel=0.02)
    logs = np.log(values[..., 0])
    assert np.corrcoef(logs[3], logs[4])[0, 1] == pytest.approx(study.PHI, abs=0.01)


def test_the_table_has_every_design_size_and_scenario():
    rows = study.simulate(trials=12, seed=1)
    lines = study.table(rows).splitlines()
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    assert len({len(row) for row in cells}) == 1
    assert len(lines) == 2 + len(study.all_cases())
    found = {(row[0], row[1], row[2]) for row in cells[2:]}
    for design in ("parallel", "blocks", "incomplete-blocks", "crossover", "before-after"):
        for number in ("6", "12"):
            assert {(design, number, "none"), (design, number, "the compared arm")} <= found
    for row in rows:
        assert 0 <= row.false_positive <= 1
        # With a truth of 0 an interval leaves it out just where its own test rejects.
        assert row.coverage == pytest.approx(1 - row.false_positive)
        reaches = row.smallest_p is not None and row.smallest_p <= study.ALPHA
        assert (row.random_false_positive is not None) == reaches
