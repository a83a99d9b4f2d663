"""How often the analysis finds a difference where there is none, and how often its interval holds the truth.

Trials of every design are simulated with readings that break the textbook's assumptions all at once: lognormal
(skewed), censored below a limit and entered at half of it, and remembering the sampling day before (autoregressive
within the tank). Each tank's readings are summarised by the mean of the phase, on the difference scale. In scenario
A all arms are alike; in B one arm has three times the coefficient of variation of the others at the same mean.

Run as ``python tests/benchmarks/error_rates.py [--trials 4000] [--seed 1] [--workers 2]``; prints a Markdown table.
"""

import argparse
import math
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache, partial
from itertools import combinations, product

import numpy as np

from analysis.exact_law import exact_law
from analysis.linear_model import TankData
from analysis.precision import Layout, blocks, complete_blocks, crossover, parallel
from analysis.redraws import CLOSE, strata
from analysis.sequences import williams
from analysis.serial import SerialModel
from analysis.vectorised import ManyFits, fit_many, summarise_many
from schemas.vocabulary import Summary, Variance

ARMS = ("control", "liquid", "solid")
ALPHA = 0.05
PHI = 0.6
"""Correlation of the logarithms of a tank's readings on neighbouring sampling days."""
DAYS = 7.0 * np.arange(8)
"""Sampling days of a phase, weekly; in before-after each phase has its own number."""
CV_BLOCK, CV_PERIOD, CV_TANK, CV_DAY = 0.25, 0.1, 0.2, 0.3
"""Coefficients of variation of the factors, each lognormal with mean 1, whose product is a reading."""
TIMES = 3.0
"""How much more variable than the others one arm is in scenario B."""
LIMIT = 0.6
"""Limit below which readings are censored, in multiples of the true mean."""
LOWER = 0.75
"""What the test arm's readings are multiplied by where the truth is not 0."""


@dataclass(frozen=True)
class Case:
    """One row of the table.

    ``spread`` is the factor on each arm's variation (tanks and days alike); ``number`` counts blocks, tanks an arm,
    tanks of a crossover, or days on a side; ``systems`` is the number on each side of a before-after comparison.
    """

    design: str
    number: int
    scenario: str
    test: str = "solid"
    spread: tuple[float, ...] = (1.0, 1.0, 1.0)
    analysis: str = "own"
    systems: int = 1


@dataclass(frozen=True)
class Row:
    """Shares of the trials; None where there is no such test."""

    case: Case
    trials: int
    false_positive: float
    coverage: float
    coverage_lower: float
    random_false_positive: float | None
    random_coverage_lower: float | None
    smallest_p: float | None
    censored: float


UNEQUAL = (1.0, 1.0, TIMES)
COMPARED, BYSTANDER = "B: the compared arm", "B: a third arm"


COLUMNS = (
    "design",
    "n",
    "more variable",
    "analysis",
    "false positives, %",
    "covers 0, %",
    "covers -25 %, %",
    "randomisation test: false positives, %",
    "covers -25 %, %",
    "censored",
)


def all_cases():
    """Rows of the table in order; the place of a row is part of its random stream."""
    cases = []
    for design, numbers, analysis in (
        ("parallel", (6, 12), "own"),
        ("blocks", (6, 12), "own"),
        ("incomplete-blocks", (6, 12, 24), "pooled"),
        ("crossover", (6, 12), "pooled"),
    ):
        for number in numbers:
            cases.append(Case(design, number, "A", analysis=analysis))
            cases.append(Case(design, number, COMPARED, spread=UNEQUAL, analysis=analysis))
            if analysis == "pooled":
                cases.append(Case(design, number, BYSTANDER, "liquid", UNEQUAL, analysis))
    for systems, beside in ((1, "AR(1), beside"), (4, "systems, beside")):
        for number, (scenario, spread) in product((6, 12), (("A", (1.0, 1.0, 1.0)), (COMPARED, UNEQUAL))):
            cases += [
                Case("before-after", number, scenario, "solid", spread, analysis, systems)
                for analysis in ("own", beside)
            ]
    return cases


def layout_of(case):
    """The arms over tanks: three arms, blocks of two in incomplete blocks, Williams' sequences in crossovers."""
    if case.design == "parallel":
        return parallel(ARMS, [case.number] * 3)
    if case.design == "blocks":
        return complete_blocks(ARMS, case.number)
    if case.design == "incomplete-blocks":
        return blocks(ARMS, list(combinations(ARMS, 2)) * (case.number // 3))
    rows = [[ARMS[arm] for arm in sequence] for sequence in williams(3)]
    return crossover(ARMS, rows * (case.number // len(rows)))


def factor(rng, cv, shape):
    """Lognormal factors with mean 1 and the coefficient of variation ``cv`` (broadcast over the last axis)."""
    return _lognormal(np.asarray(cv), rng.standard_normal(shape))


def remembering(rng, cv, shape):
    """The same along sampling days (the first axis), neighbours correlated by ``PHI`` on the log scale."""
    z = rng.standard_normal(shape)
    for day in range(1, len(z)):
        z[day] = PHI * z[day - 1] + math.sqrt(1 - PHI**2) * z[day]
    return _lognormal(np.asarray(cv), z)


def _lognormal(cv, z):
    variance = np.log1p(cv**2)
    return np.exp(np.sqrt(variance) * z - variance / 2)


def read(values):
    """Readings as the analysis enters them: those below the limit at its half; and the share of them."""
    below = values < LIMIT
    return np.where(below, LIMIT / 2, values), float(below.mean())


def draw(layout, case, rng, trials):
    """True readings, (days, trials, units); a unit is a tank, in a crossover a tank in one period."""
    spread = np.asarray(case.spread)[layout.arm]
    shape = (trials, len(layout.arm))
    level = factor(rng, CV_TANK * spread, shape)
    if layout.blocked:
        level *= factor(rng, CV_BLOCK, (trials, layout.block.max() + 1))[:, layout.block]
    if layout.period is not None:
        level *= factor(rng, CV_PERIOD, (trials, layout.period.max() + 1))[:, layout.period]
    return level * remembering(rng, CV_DAY * spread, (len(DAYS), *shape))


def registered(layout, case, y):
    """The registered contrast of each row of ``y``."""
    variance = Variance.OWN if case.analysis == "own" else Variance.POOLED
    return fit_many(layout, y, None, case.test, "control", variance)


@cache
def draw_weights(case):
    """Weights of the units in the estimate under every draw, (draws, units), the real draw first.

    The estimate is linear in the numbers and the layout is the same in every trial, so one matrix serves all; each
    draw's weights are those of least squares with its arms, written out in full with all indicators.
    """
    layout = layout_of(case)
    test, reference = layout.arms.index(case.test), layout.arms.index("control")
    flips = np.zeros((1, len(layout.arm)), dtype=bool)
    for labels, members in _units_that_turn(layout, test, reference):
        n, k = len(labels), sum(labels)
        ways = np.array([np.isin(np.arange(n), chosen) for chosen in combinations(range(n), k)])
        changed = ways != np.array(labels)
        changed = changed[np.argsort(changed.sum(axis=1), kind="stable")]
        mine = np.zeros((len(changed), len(layout.arm)), dtype=bool)
        for column, units in zip(changed.T, members, strict=True):
            mine[:, units] = column[:, None]
        flips = (flips[:, None] | mine).reshape(-1, len(layout.arm))
    turned = np.where(layout.arm == test, reference, test)
    return _weights(layout, np.where(flips, turned, layout.arm), case, test, reference)


def _units_that_turn(layout, test, reference):
    """Groups whose members could have changed labels among themselves: (labels, units of each member)."""
    two = np.isin(layout.arm, (test, reference))
    groups = {}
    if layout.period is None:
        for unit in np.flatnonzero(two):
            groups.setdefault(layout.block[unit], []).append((layout.arm[unit] == test, [unit]))
    else:
        for tank in range(layout.block.max() + 1):
            units = np.flatnonzero((layout.block == tank) & two)
            third = layout.period[(layout.block == tank) & ~two].tolist()
            # Both arms come once: the third arm's period says which sequences mirror each other.
            groups.setdefault(tuple(third), []).append((layout.arm[units[0]] == test, units.tolist()))
    pairs = [tuple(zip(*members, strict=True)) for members in groups.values()]
    return [(labels, units) for labels, units in pairs if 0 < sum(labels) < len(labels)]


def _weights(layout, arms, case, test, reference):
    """Weights of the estimate for the arms of each draw, both (draws, units)."""
    if case.analysis == "own":  # arms have equal numbers everywhere: a plain difference of means
        sides = [(arms == code) / (layout.arm == code).sum() for code in (test, reference)]
        return sides[0] - sides[1]
    fixed = [layout.block[:, None] == np.unique(layout.block)]
    if layout.period is not None:
        fixed.append(layout.period[:, None] == np.unique(layout.period)[1:])
    fixed = np.column_stack(fixed)
    others = [code for code in range(len(layout.arms)) if code != reference]
    effects = arms[..., None] == np.array(others)
    design = np.concatenate([effects, np.broadcast_to(fixed, (len(arms), *fixed.shape))], axis=2)
    return np.linalg.pinv(design.astype(float))[:, others.index(test)]


def randomisation_p(layout, case, y):
    """Two-sided randomisation p of every row of ``y``, all draws counted."""
    if case.design == "parallel" and case.number > 8:
        return np.array([_one_by_one(layout, case, row) for row in y])
    weights = draw_weights(case)
    estimates = np.abs(y @ weights.T)
    near = estimates[:, 0] - CLOSE * estimates.max(axis=1)
    return (estimates >= near[:, None]).mean(axis=1)


def _one_by_one(layout, case, y):
    """The millions of draws of one large parallel trial, counted by meeting in the middle."""
    law = exact_law(strata(tank_data(layout, y), layout.arms.index(case.test), layout.arms.index("control")))
    return law.tail(0.0)


def tank_data(layout, y):
    """One simulated trial as the single-trial functions take it; a crossover draws in one cohort."""
    cohort = None if layout.period is None else np.zeros_like(layout.arm)
    return TankData(y, layout.arm, layout.block, layout.arms, None, layout.blocked, layout.period, cohort)


def smallest_p(case):
    """The least p that the randomisation test can give whatever the numbers."""
    layout = layout_of(case)
    if case.design == "parallel" and case.number > 8:
        return 2 / math.comb(2 * case.number, case.number)
    weights = draw_weights(case)
    treated = np.abs(weights @ (layout.arm == layout.arms.index(case.test)))
    return float((treated >= treated[0] * (1 - 1e-9)).mean())


def arms_row(case, trials, rng):
    """A row for the designs that chance makes."""
    layout = layout_of(case)
    true = draw(layout, case, rng, trials)
    readings, censored = read(true)
    y = summarise_many(readings, DAYS, Summary.MEAN)
    tested = layout.arm == layout.arms.index(case.test)
    lower, _ = read(np.where(tested, LOWER * true, true))
    y_lower = summarise_many(lower, DAYS, Summary.MEAN)
    least = smallest_p(case)
    shares = [None, None]
    if least <= ALPHA * (1 + 1e-9):
        shift = (LOWER - 1) * tested
        p, p_lower = (randomisation_p(layout, case, values) for values in (y, y_lower - shift))
        # A p of exactly alpha rejects.
        shares = [float((p <= ALPHA * (1 + 1e-9)).mean()), float((p_lower > ALPHA * (1 + 1e-9)).mean())]
    fit, fit_lower = (registered(layout, case, values) for values in (y, y_lower))
    return _row(case, fit, (fit_lower, LOWER - 1), shares, least, censored)


def before_after_row(case, trials, rng):
    """A row for before-after, which nothing is drawn for: no randomisation test.

    With one system on a side it is these systems that are described, and they keep their level; with several, each
    drifts on its own after the intervention, as tanks do.
    """
    sides = np.repeat([2, 0], case.systems)
    spread = np.asarray(case.spread)[sides]
    after = np.repeat([False, True], case.number)
    shape = (2 * case.number, trials, len(sides))
    true = remembering(rng, CV_DAY * spread, shape)
    if case.systems > 1:
        drift = factor(rng, CV_TANK * spread, shape[1:])
        true = np.where(after[:, None, None], drift * true, true)
    readings, censored = read(true)
    lower, _ = read(np.where(after[:, None, None] & (sides == 2), LOWER * true, true))
    fits = [system_fits(case, values, after, sides == 2) for values in (readings, lower)]
    return _row(case, fits[0], (fits[1], LOWER - 1), [None, None], None, censored)


def system_fits(case, readings, after, impact):
    """The change of impact systems less that of controls; readings are (days, trials, systems)."""
    if case.analysis.startswith("systems"):
        changes = readings[after].mean(axis=0) - readings[~after].mean(axis=0)
        layout = Layout(
            ("control", "impact"), impact.astype(int), np.zeros(len(impact), dtype=int), blocked=False
        )
        return fit_many(layout, changes, None, "impact", "control", Variance.OWN)
    difference = (readings[..., impact].mean(axis=-1) - readings[..., ~impact].mean(axis=-1)).T
    if case.analysis.startswith("AR"):
        day, columns = 7.0 * np.arange(len(after)), np.column_stack([np.ones(len(after)), after])
        found = [
            SerialModel(row, columns, day).contrast(np.array([0.0, 1.0]), 1 - ALPHA, 1) for row in difference
        ]
        return ManyFits(*np.array([(fit.estimate, fit.se, fit.df) for fit in found]).T)
    days = parallel(("before", "after"), [case.number] * 2)
    return fit_many(days, difference, None, "after", "before", Variance.OWN)


def _row(case, fit, lower, shares, least, censored):
    fit_lower, truth = lower
    return Row(
        case,
        len(fit.estimate),
        float((fit.p < ALPHA).mean()),
        float((np.abs(fit.estimate) <= fit.half_width(ALPHA)).mean()),
        float((np.abs(fit_lower.estimate - truth) <= fit_lower.half_width(ALPHA)).mean()),
        *shares,
        least,
        censored,
    )


def simulated_row(place, case, trials, seed):
    """One row of the table; its random stream depends on the seed and on what is drawn, not on the analysis."""
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(place,)))
    return (before_after_row if case.design == "before-after" else arms_row)(case, trials, rng)


def simulate(trials, seed, workers=1):
    """All rows; the same whatever the number of workers."""
    cases = all_cases()
    drawn = [(case.design, case.number, case.spread, case.systems) for case in cases]
    places = [drawn.index(key) for key in drawn]  # analyses of the same trials share them
    work = partial(simulated_row, trials=trials, seed=seed)
    if workers == 1:
        return list(map(work, places, cases))
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(work, places, cases))


def share(value, trials):
    """A share in per cent with its Monte Carlo standard error."""
    return f"{100 * value:.1f} ± {100 * math.sqrt(value * (1 - value) / trials):.1f}"


def table(rows):
    """The Markdown table."""
    lines = [f"| {' | '.join(COLUMNS)} |", "|---" * len(COLUMNS) + "|"]
    for row in rows:
        case = row.case
        cells = [
            case.design if case.systems == 1 else f"{case.design}, {case.systems} systems a side",
            str(case.number),
            "none" if case.scenario == "A" else case.scenario.removeprefix("B: "),
            case.analysis,
            *(share(value, row.trials) for value in (row.false_positive, row.coverage, row.coverage_lower)),
        ]
        if row.random_false_positive is not None:
            cells += [
                share(value, row.trials) for value in (row.random_false_positive, row.random_coverage_lower)
            ]
        elif row.smallest_p is not None:
            cells += [f"never: least p {row.smallest_p:.2g}", ""]
        else:
            cells += ["no draw", ""]
        lines.append(f"| {' | '.join([*cells, f'{100 * row.censored:.0f} %'])} |")
    return "\n".join(lines)


def main():
    """Print the table and what it cost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    started = time.perf_counter()
    print(table(simulate(options.trials, options.seed, options.workers)))
    print(f"\n{options.trials:,} trials a row, seed {options.seed}: {time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
