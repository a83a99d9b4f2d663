"""Algorithm A against published sets, another library, and a slow way of its own."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import fsolve
from statsmodels.robust.scale import Huber

from analysis.kits.robust import algorithm_a
from schemas.errors import AnalysisError

# Analytical Methods Committee (1989) Analyst 114:1693, copper in wholemeal flour, 24 laboratories.
COPPER = np.array([2.90, 3.10, 3.40, 3.40, 3.70, 3.70, 2.80, 2.50, 2.40, 2.40, 2.70, 2.20, 5.28, 3.37, 3.03, 3.03,
                   28.95, 3.77, 3.40, 2.20, 3.50, 3.60, 3.70, 3.70])  # fmt: skip
# Same source, nickel in syenite, 31 determinations.
NICKEL = np.array([5.2, 6.5, 6.9, 7, 7, 7, 7.4, 8, 8, 8, 8, 8.5, 9, 9, 10, 11, 11, 12, 12, 13.7, 14, 14, 14, 16, 17,
                   17, 18, 24, 28, 34, 125])  # fmt: skip


# Venables and Ripley (2002), section 5.5, print Huber's proposal 2 with exact constants; Algorithm A rounds them to 1.134.
@pytest.mark.parametrize(
    ("values", "mean", "sd"),
    [(COPPER, 3.20549, 0.67365), (NICKEL, 11.7315, 5.2585)],
    ids=["copper", "nickel, sd and mean from memory"],
)
def test_published_sets(values, mean, sd):
    got = algorithm_a(values)
    assert (got.mean, got.sd, got.n) == (
        pytest.approx(mean, rel=3e-4),
        pytest.approx(sd, rel=2e-3),
        len(values),
    )


@pytest.mark.parametrize("values", [COPPER, NICKEL], ids=["copper", "nickel"])
def test_another_library_with_exact_constants(values):
    mean, sd = Huber(c=1.5, tol=1e-12, maxiter=500)(values)
    got = algorithm_a(values)
    assert (got.mean, got.sd) == (pytest.approx(float(mean), rel=3e-4), pytest.approx(float(sd), rel=2e-3))


@pytest.mark.parametrize("values", [COPPER, NICKEL], ids=["copper", "nickel"])
def test_it_is_the_solution_of_its_two_equations(values):
    """Solved at once by Newton steps, not by iterating: mean and sd of what is drawn in are those drawn in by."""

    def wrong(at):
        drawn = np.clip(values, at[0] - 1.5 * at[1], at[0] + 1.5 * at[1])
        return drawn.mean() - at[0], 1.134 * drawn.std(ddof=1) - at[1]

    solved = fsolve(wrong, [np.median(values), values.std() / 10], xtol=1e-13)
    got = algorithm_a(values)
    assert (got.mean, got.sd) == pytest.approx(tuple(solved), rel=1e-9)


def test_uncertainty_of_a_consensus():
    # ISO 13528:2015, 7.7.3: 1.25 s* / sqrt(p).
    got = algorithm_a(COPPER)
    assert got.uncertainty == pytest.approx(1.25 * got.sd / 24**0.5, rel=1e-15)


def test_most_results_alike_do_not_stop_it():
    got = algorithm_a(np.array([10.0] * 8 + [12.0, 30.0]))
    assert 10 <= got.mean < 11
    assert algorithm_a(np.full(5, 10.0)).sd == 0


def test_one_result_is_no_consensus():
    with pytest.raises(AnalysisError, match="two results at least; there are 1"):
        algorithm_a(np.array([1.0]))


@given(st.lists(st.floats(0.1, 100), min_size=3, max_size=20), st.floats(0.01, 100), st.floats(-100, 100))
def test_it_moves_and_stretches_with_the_results(values, factor, shift):
    values = np.array(values)
    first, second = algorithm_a(values), algorithm_a(values * factor + shift)
    scale = np.abs(values).max() * factor + abs(shift)
    assert second.mean == pytest.approx(first.mean * factor + shift, abs=1e-6 * scale)
    assert second.sd == pytest.approx(first.sd * factor, abs=1e-6 * scale)
