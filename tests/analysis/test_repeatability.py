"""Spread within and between: sulfur in coal, peak flow meters, plain analysis of variance."""

import numpy as np
import pytest
from scipy import stats

from analysis.repeatability import components, repeatability
from schemas.errors import AnalysisError

SULFUR = (
    "0.71 0.71 0.70 0.71 / 0.69 0.67 0.68 / 0.66 0.65 0.69 / 0.67 0.65 0.66 / 0.70 0.69 0.66 0.71 0.69 / "
    "0.73 0.74 0.73 / 0.71 0.71 0.69 / 0.70 0.65 0.68"
)


def by_group(text):
    rows = [(float(word), code) for code, part in enumerate(text.split("/")) for word in part.split()]
    return np.array([value for value, _ in rows]), np.array([code for _, code in rows])


def test_sulfur_in_coal():
    """ISO 5725-2, annex B.1, level 1: m 0.690, s_r 0.015, s_R 0.026; from memory."""
    got = components(*by_group(SULFUR))
    assert (got.mean, got.within, got.total) == pytest.approx((0.690, 0.015, 0.026), abs=5e-4)
    # The same to more digits, computed by the standard's formulae for unequal numbers.
    assert (got.mean, got.within, got.total) == pytest.approx((0.6903704, 0.0151165, 0.0263638), abs=5e-8)
    assert (got.groups, got.n) == (8, 27)


def test_equal_numbers_are_the_plain_analysis_of_variance():
    rng = np.random.default_rng(1)
    table = rng.normal(size=(6, 3)) + rng.normal(size=(6, 1))
    got = components(table.ravel(), np.repeat(np.arange(6), 3))
    f = stats.f_oneway(*table).statistic
    assert got.size == pytest.approx(3, rel=1e-12)
    assert 1 + 3 * got.between**2 / got.within**2 == pytest.approx(f, rel=1e-9)
    alike = components(np.array([1.0, 3, 2, 2, 3, 1]), np.repeat(np.arange(3), 2))
    assert alike.between == 0


PEAK_FLOW = {
    # Bland and Altman (1986): coefficients of repeatability 43.2 and 56.4, as 2 sd of a difference; from memory.
    "Wright": (
        (
            "494 490/395 397/516 512/434 401/476 470/557 611/413 415/442 431/650 638/433 429/417 420/656 633/267 275/"
            "478 492/178 165/423 372/427 421"
        ),
        43.2,
        15.307,
    ),
    "mini": (
        (
            "512 525/430 415/520 508/428 444/500 500/600 625/364 460/380 390/658 642/445 432/432 420/626 605/260 227/"
            "477 467/259 268/350 370/451 443"
        ),
        56.4,
        19.911,
    ),
}


@pytest.mark.parametrize("meter", PEAK_FLOW)
def test_peak_flow(meter):
    text, printed, within = PEAK_FLOW[meter]
    got = repeatability(*by_group(text), level=0.95, share=2 * stats.norm.cdf(2) - 1)
    assert got.limit.value == pytest.approx(printed, abs=0.1)
    assert (got.sd.value, got.df) == (pytest.approx(within, abs=5e-4), 17)
    chi2 = 17 * (got.sd.value / np.array([got.sd.high, got.sd.low])) ** 2
    assert stats.chi2.cdf(chi2, 17) == pytest.approx([0.025, 0.975], abs=1e-12)
    assert got.limit.high / got.sd.high == pytest.approx(2 * np.sqrt(2), rel=1e-9)


def test_refusals():
    with pytest.raises(AnalysisError, match="read twice"):
        repeatability(np.arange(3.0), np.arange(3), level=0.95)
    with pytest.raises(AnalysisError, match="two tanks"):
        components(np.arange(3.0), np.zeros(3, dtype=int))
    assert np.isnan(components(np.arange(3.0), np.arange(3)).within)
