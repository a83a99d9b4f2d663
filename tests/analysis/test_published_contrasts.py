"""Contrasts worked out of printed summaries, against worked examples and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.published_contrasts import (
    PrintedArm,
    from_interval,
    from_p,
    from_quartiles,
    from_range,
    from_sd_of_differences,
    from_se,
    from_t,
    log_normal_arm,
    paired_difference,
    parallel_difference,
    parallel_ratio,
    sd_from_se,
)
from schemas.errors import PublicationError


def test_cochrane_from_p_and_t():
    # Cochrane Handbook 5.1, 7.7.3.3: a difference of 3.8 with P = 0.008, 25 and 22 participants: t 2.78, SE 1.37,
    # and the sd of the groups 4.69 (the last from memory).
    found = from_p(3.8, 0.008, 45, 47)
    assert 3.8 / found.se == pytest.approx(2.78, abs=5e-3)
    assert found.se == pytest.approx(1.37, abs=5e-3)
    assert found.se / math.sqrt(1 / 25 + 1 / 22) == pytest.approx(4.69, abs=2e-2)
    assert from_t(3.8, 2.78, 45, 47).se == pytest.approx(1.37, abs=5e-3)
    assert found.p == pytest.approx(0.008)


def test_cochrane_paired_with_a_correlation():
    # Cochrane Handbook 5.1, 16.4.6.4: 7.0 (2.38) against 6.5 (2.21) in 10 pairs, correlation 0.68: SE 0.583.
    found = paired_difference(PrintedArm("E", 10, 7.0, 2.38), PrintedArm("C", 10, 6.5, 2.21), 0.68)
    assert (found.estimate, found.df) == pytest.approx((0.5, 9))
    assert found.se == pytest.approx(0.583, abs=5e-4)
    # The same with a typical sd of differences of 2: SE 0.632.
    assert from_sd_of_differences(0.5, 2, 10).se == pytest.approx(0.632, abs=5e-4)


def test_cochrane_from_an_interval():
    # Cochrane Handbook 5.1, 7.7.3.2: 25 and 22 participants, t of 47 - 2 degrees of freedom in place of 1.96.
    limit = stats.t.ppf(0.975, 45)
    found = from_interval(2.0, 2.0 - limit * 0.7, 2.0 + limit * 0.7, 0.95, 45, 47)
    assert found.se == pytest.approx(0.7)
    assert found.limits(0.95) == pytest.approx((2.0 - limit * 0.7, 2.0 + limit * 0.7))


def test_sleep_data_by_every_way_of_printing_them():
    # Student (1908): mean difference 1.58, t -4.0621, 9 df, p 0.002833, interval -2.4598858 to -0.7001142.
    sd = 1.2299954832798732
    ways = [
        from_sd_of_differences(-1.58, sd, 10),
        from_se(-1.58, sd / math.sqrt(10), 9, 10),
        from_t(-1.58, -4.062127683382037, 9, 10),
        from_p(-1.58, 0.002832890197384273, 9, 10),
        from_interval(-1.58, -2.459885763276983, -0.7001142367230175, 0.95, 9, 10),
    ]
    for found in ways:
        assert found.se == pytest.approx(sd / math.sqrt(10), rel=1e-9)
        assert found.p == pytest.approx(0.002832890197384273, rel=1e-8)


def test_welch_is_scipy_s():
    one, other = PrintedArm("a", 10, 2.33, 2.002248985), PrintedArm("b", 8, 0.75, 1.789009962)
    found = parallel_difference(one, other)
    expected = stats.ttest_ind_from_stats(2.33, 2.002248985, 10, 0.75, 1.789009962, 8, equal_var=False)
    assert found.estimate / found.se == pytest.approx(expected.statistic)
    assert found.p == pytest.approx(expected.pvalue)
    assert sd_from_se(2.0, 9) == 6.0


def test_log_normal_moments_give_back_those_of_the_logarithms():
    # Exact for a log-normal law (Higgins et al. 2008, method 1): mean exp(m + s2/2), variance (exp(s2) - 1) mean^2.
    m, s = 1.3, 0.45
    mean = math.exp(m + s**2 / 2)
    found = log_normal_arm(PrintedArm("a", 12, mean, mean * math.sqrt(math.expm1(s**2))))
    assert (found.mean, found.sd) == pytest.approx((m, s))


def test_ratios_of_two_kinds():
    one, other = PrintedArm("a", 9, 3.0, 1.2), PrintedArm("b", 7, 5.0, 1.5)
    # Delta method: Hedges, Gurevitch and Curtis (1999), equation 1.
    delta = parallel_ratio(one, other, "delta")
    assert delta.estimate == pytest.approx(math.log(0.6))
    assert delta.se**2 == pytest.approx(1.2**2 / (9 * 3.0**2) + 1.5**2 / (7 * 5.0**2))
    logs = parallel_ratio(one, other)
    assert logs.estimate == pytest.approx(math.log(0.6) - 0.5 * (math.log1p(0.4**2) - math.log1p(0.3**2)))
    assert logs.se**2 == pytest.approx(math.log1p(0.4**2) / 9 + math.log1p(0.3**2) / 7)
    # A large sample of the law gives the ratio of geometric means.
    chance = np.random.default_rng(7)
    a, b = chance.lognormal(0.2, 0.5, 200_000), chance.lognormal(0.9, 0.3, 200_000)
    found = parallel_ratio(
        PrintedArm("a", 200_000, a.mean(), a.std(ddof=1)), PrintedArm("b", 200_000, b.mean(), b.std(ddof=1))
    )
    assert found.estimate == pytest.approx(-0.7, abs=0.01)


def test_medians_as_if_normal():
    # Wan et al. (2014): for large n the widths tend to 1.349 (quartiles) sds; for n = 25 the range is 3.93 sds wide
    # (expected range of 25 normal numbers, Tippett 1925, from memory), by their formula 3.90.
    assert from_quartiles(100_000, 8.0, 10.0, 13.0)[0] == pytest.approx(31 / 3)
    assert 1 / from_quartiles(100_000, 0.0, 0.5, 1.0)[1] == pytest.approx(1.349, abs=1e-3)
    assert 1 / from_range(25, 0.0, 0.5, 1.0)[1] == pytest.approx(3.93, abs=0.05)
    assert from_range(25, 2.0, 3.0, 8.0)[0] == 4.0


A, B = PrintedArm("a", 9, 3.0, 1.2), PrintedArm("b", 7, 5.0, 1.5)


@pytest.mark.parametrize(
    ("function", "arguments", "says"),
    [
        (from_p, (1.0, 0.0, 9, 10), "p must lie between 0 and 1"),
        (from_p, (0.0, 0.5, 9, 10), "estimate must not be 0"),
        (from_t, (1.0, -2.0, 9, 10), "same side of 0"),
        (from_t, (1.0, 0.0, 9, 10), "same side of 0"),
        (from_interval, (1.0, 2.0, 3.0, 0.95, 9, 10), "does not hold the estimate"),
        (from_interval, (1.0, 0.9, 3.0, 0.95, 9, 10), "middle"),
        (from_interval, (2.0, 1.0, 3.0, 95, 9, 10), "write 0.95"),
        (from_se, (1.0, 0.0, 9, 10), "must be above 0"),
        (from_sd_of_differences, (1.0, 2.0, 1), "two pairs or more"),
        (paired_difference, (A, B, 0.5), "same number"),
        (paired_difference, (A, A, 1.0), "not between -1 and 1"),
        (parallel_difference, (PrintedArm("a", 1, 3.0, 1.0), B), "two tanks or more"),
        (parallel_difference, (PrintedArm("a", 4, 3.0, 0.0), PrintedArm("b", 4, 3.0, 0.0)), "no spread"),
        (parallel_ratio, (PrintedArm("a", 4, -3.0, 1.0), B), "means above 0"),
        (parallel_ratio, (PrintedArm("a", 4, 0.0, 1.0), B, "delta"), "means above 0"),
    ],
)
def test_what_gives_no_contrast_is_refused(function, arguments, says):
    with pytest.raises(PublicationError, match=says):
        function(*arguments)
