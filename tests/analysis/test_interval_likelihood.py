"""Interval likelihood: published non-detects, its derivatives, and samples that have no maximum."""

import numpy as np
import pytest
from scipy import special

from analysis.interval_likelihood import Numbers, normal_sample

INF = np.inf
PUBLISHED = {
    # US EPA (2009) Unified Guidance, example 15-1, manganese in five wells; from memory.
    "manganese": (
        "<5 12.1 16.9 21.6 <2 <5 7.7 53.6 9.5 45.9 <5 5.3 12.6 106.3 34.5 6.3 11.9 10 <2 77.2 17.9 22.7 3.3 8.4 <2",
        2.215905,
        1.356291,
    ),
    # Data of Helsel and Cohn (1988) Water Resour. Res. 24:1997, appendix B; the two numbers are computed only.
    "three limits": ("<1 <1 <1 <1 <1 <1 <10 <10 <10 3 7 9 12 15 20 27 33 50", 0.816770, 2.222066),
}


def logs(text):
    """Lowest and highest logarithms of readings such as ``<5``."""
    high = np.log([float(word.strip("<")) for word in text.split()])
    return np.where([word.startswith("<") for word in text.split()], -INF, high), high


@pytest.mark.parametrize("case", PUBLISHED)
def test_one_sample(case):
    text, mean, sd = PUBLISHED[case]
    low, high = logs(text)
    sample = normal_sample(low, high)
    assert sample.mean == pytest.approx(mean, abs=1e-6)
    assert sample.sd == pytest.approx(sd, abs=1e-6)
    assert (sample.n, sample.n_censored) == (len(low), text.count("<"))


def naive_log_likelihood(parameters, low, high, columns):
    """Straight from the definition."""
    z = [(end - columns @ parameters[:-1]) / np.exp(parameters[-1]) for end in (low, high)]
    exact = low == high
    share = special.ndtr(z[1][~exact]) - special.ndtr(z[0][~exact])
    density = np.log(np.sqrt(2 * np.pi)) + z[0][exact] ** 2 / 2 + parameters[-1]
    return np.log(np.maximum(share, 1e-300)).sum() - density.sum()


def test_derivatives():
    rng = np.random.default_rng(5)
    columns = np.column_stack([np.ones(9), rng.normal(size=9)])
    low = np.array([-INF, -INF, 0.1, 0.2, -1.0, 0.5, -3.0, 6.0, -7.0])
    high = np.array([0.3, -2.0, INF, 0.2, 0.4, 0.5, INF, 7.0, -6.0])
    numbers, at = Numbers(low, high, columns), np.array([0.2, -0.4, 1.3])
    gradient, hessian = numbers.derivatives(at)
    theta = np.append(at[:2] / at[2], -np.log(at[2]))
    assert numbers.log_likelihood(at) == pytest.approx(
        naive_log_likelihood(theta, low, high, columns), rel=1e-7
    )
    for i in range(3):
        step = np.eye(3)[i] * 1e-5
        up, down = (numbers.log_likelihood(at + side * step) for side in (1, -1))
        assert gradient[i] == pytest.approx((up - down) / 2e-5, rel=1e-6, abs=1e-6)
        up, down = (numbers.derivatives(at + side * step)[0] for side in (1, -1))
        assert hessian[i] == pytest.approx((up - down) / 2e-5, rel=1e-5, abs=1e-5)
    assert np.linalg.eigvalsh(hessian).max() < 0


def test_samples_that_cannot_be_estimated():
    assert normal_sample(np.array([]), np.array([])) is None
    assert normal_sample(np.array([-INF, -INF]), np.array([1.0, 2.0])) is None
    assert normal_sample(np.array([1.0, 1.5]), np.array([2.0, 3.0])) is None
    # An interval that ends at what the others agree on holds it as well.
    assert normal_sample(np.array([9.999, 9.999, 9.995]), np.array([9.999, 9.999, 9.999])) is None


def test_far_tail():
    """A limit 40 sd from the mean has a probability below the smallest double, and a logarithm all the same."""
    rng = np.random.default_rng(9)
    low = np.append(rng.normal(size=30), 30.0)
    high = np.append(low[:30], INF)
    sample = normal_sample(low, high)
    assert 30 > sample.mean > 0
    assert sample.sd > 1
