"""A contrast worked out from what a publication prints: arms' means and spreads, or a difference and its error.

Formulas of the Cochrane Handbook for Systematic Reviews of Interventions (Higgins et al., chapter 6.5.2, and 23.2.7 for
pairs with a correlation); ratios from means by the log-normal law (Higgins, White and Anzures-Cabrera 2008, Stat. Med.
27:6072) or by the delta method (Hedges, Gurevitch and Curtis 1999, Ecology 80:1150); medians by Wan et al. (2014, BMC
Med. Res. Methodol. 14:135). Everything is on the working scale once it leaves here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from scipy import stats

from schemas.errors import PublicationError

_NOT_MIDDLE = 0.05
"""Share of an interval's width that its estimate may lie off the middle, as printed digits allow."""


@dataclass(frozen=True)
class PrintedArm:
    """Tanks of an arm, their mean and standard deviation."""

    arm: str
    n: int
    mean: float
    sd: float


@dataclass(frozen=True)
class Worked:
    """A contrast as worked out: estimate, standard error and degrees of freedom, and what it took in words."""

    estimate: float
    se: float
    df: float
    n: int
    how: str

    def limits(self, level: float) -> tuple[float, float]:
        """The interval at a level, by the t law."""
        half = float(stats.t.ppf((1 + level) / 2, self.df)) * self.se
        return self.estimate - half, self.estimate + half

    @property
    def p(self) -> float:
        """Two-sided p of no difference."""
        return 2 * float(stats.t.sf(abs(self.estimate) / self.se, self.df))


def sd_from_se(se: float, n: int) -> float:
    """Standard deviation from the standard error of a mean."""
    return se * math.sqrt(n)


def from_quartiles(n: int, low: float, median: float, high: float) -> tuple[float, float]:
    """Mean and standard deviation from a median and quartiles, as if normal: Wan et al. (2014), scenario C3."""
    width = 2 * NormalDist().inv_cdf((0.75 * n - 0.125) / (n + 0.25))
    return (low + median + high) / 3, (high - low) / width


def from_range(n: int, low: float, median: float, high: float) -> tuple[float, float]:
    """Mean and standard deviation from a median and the range, as if normal: Wan et al. (2014), scenario C1."""
    width = 2 * NormalDist().inv_cdf((n - 0.375) / (n + 0.25))
    return (low + 2 * median + high) / 4, (high - low) / width


def parallel_difference(test: PrintedArm, reference: PrintedArm) -> Worked:
    """Difference of two arms' means with Welch's error and degrees of freedom."""
    return _welch(
        test.mean - reference.mean, _part(test.sd, test), _part(reference.sd, reference), test, reference, ""
    )


def paired_difference(test: PrintedArm, reference: PrintedArm, correlation: float) -> Worked:
    """Difference of paired means; the standard deviation of differences from a correlation of the pairs.

    Raises
    ------
    PublicationError
        The arms differ in number, or the correlation is none.
    """
    if test.n != reference.n or test.n < 2:
        raise PublicationError(
            f"{test.arm} has n = {test.n} and {reference.arm} n = {reference.n}; pairs need the same number, two or more."
        )
    if not -1 < correlation < 1:
        raise PublicationError(f"a correlation of {correlation:g} is not between -1 and 1.")
    sd = math.sqrt(test.sd**2 + reference.sd**2 - 2 * correlation * test.sd * reference.sd)
    how = f"The sd of the paired differences is worked out with a correlation of {correlation:g}, an assumption of whoever typed it in."
    return _checked(Worked(test.mean - reference.mean, sd / math.sqrt(test.n), test.n - 1.0, test.n, how))


def log_normal_arm(arm: PrintedArm) -> PrintedArm:
    """Mean and standard deviation of the logarithms, from those of the numbers, as if they were log-normal.

    Raises
    ------
    PublicationError
        The mean is not above 0.
    """
    if arm.mean <= 0:
        raise PublicationError(
            f"the mean of {arm.arm} is {arm.mean:g}; a ratio needs means above 0, so take the difference."
        )
    variance = math.log1p((arm.sd / arm.mean) ** 2)
    return PrintedArm(arm.arm, arm.n, math.log(arm.mean) - variance / 2, math.sqrt(variance))


def parallel_ratio(test: PrintedArm, reference: PrintedArm, by: str = "log-normal") -> Worked:
    """The logarithm of the ratio of two arms, with its error.

    Parameters
    ----------
    test, reference : PrintedArm
        Means and standard deviations of the numbers themselves.
    by : str
        ``log-normal``: ratio of geometric means, what trials in the register estimate. ``delta``: ratio of arithmetic
        means, its variance sd^2 / (n mean^2) of either arm.
    """
    if by == "log-normal":
        one, other = log_normal_arm(test), log_normal_arm(reference)
        how = (
            "The ratio of geometric means is worked out from means and sds, as if the tanks were log-normal."
        )
        return _welch(one.mean - other.mean, _part(one.sd, one), _part(other.sd, other), test, reference, how)
    for arm in (test, reference):
        log_normal_arm(arm)
    how = "The ratio is that of arithmetic means, its error by the delta method; trials in a register compare geometric means."
    estimate = math.log(test.mean / reference.mean)
    parts = [_part(arm.sd / arm.mean, arm) for arm in (test, reference)]
    return _welch(estimate, parts[0], parts[1], test, reference, how)


def from_se(estimate: float, se: float, df: float, n: int) -> Worked:
    """A contrast whose standard error is printed."""
    return _checked(Worked(estimate, se, df, n, "The standard error is as printed."))


def from_sd_of_differences(estimate: float, sd: float, n: int) -> Worked:
    """A mean of paired differences with their standard deviation."""
    if n < 2:
        raise PublicationError(f"n = {n}; paired differences need two pairs or more.")
    return _checked(
        Worked(estimate, sd / math.sqrt(n), n - 1.0, n, "The sd of the paired differences is as printed.")
    )


def from_t(estimate: float, t: float, df: float, n: int) -> Worked:
    """A contrast with its t: the standard error is the estimate over t."""
    if t == 0 or estimate == 0 or (t > 0) != (estimate > 0):
        raise PublicationError(
            f"t = {t:g} with an estimate of {estimate:g} (working scale) gives no standard error: both must lie on the same side of 0."
        )
    return _checked(
        Worked(estimate, estimate / t, df, n, "The standard error is worked out from the printed t.")
    )


def from_p(estimate: float, p: float, df: float, n: int) -> Worked:
    """A contrast with its two-sided p of a t test: t from p, then the standard error."""
    if not 0 < p < 1 or estimate == 0:
        raise PublicationError(
            f"p = {p:g} with an estimate of {estimate:g} (working scale) gives no standard error: p must lie between 0 and 1, and the "
            "estimate must not be 0."
        )
    se = abs(estimate) / float(stats.t.isf(p / 2, df))
    how = "The standard error is worked out from the printed p, which has few digits: it is rough."
    return _checked(Worked(estimate, se, df, n, how))


def from_interval(estimate: float, low: float, high: float, level: float, df: float, n: int) -> Worked:
    """A contrast with its interval: half its width over the t of its level.

    Raises
    ------
    PublicationError
        The limits do not enclose the estimate about in their middle.
    """
    if not low < estimate < high:
        raise PublicationError(
            f"the interval {low:g} to {high:g} (working scale) does not hold the estimate {estimate:g}; check the digits."
        )
    if abs((low + high) / 2 - estimate) > _NOT_MIDDLE * (high - low):
        raise PublicationError(
            f"the estimate {estimate:g} does not lie in the middle of {low:g} to {high:g} (working scale), so this is "
            "no t interval; give se, t or p."
        )
    if not 0 < level < 1:
        raise PublicationError(
            f"a level of {level:g} is not between 0 and 1; write 0.95 for a 95 % interval."
        )
    se = (high - low) / 2 / float(stats.t.ppf((1 + level) / 2, df))
    return _checked(
        Worked(estimate, se, df, n, "The standard error is worked out from the printed interval.")
    )


def _part(sd: float, arm: PrintedArm) -> float:
    if arm.n < 2:
        raise PublicationError(f"{arm.arm} has n = {arm.n}; an arm needs two tanks or more.")
    return sd**2 / arm.n


def _welch(
    estimate: float, one: float, other: float, test: PrintedArm, reference: PrintedArm, how: str
) -> Worked:
    total = one + other
    if total <= 0:
        raise PublicationError(f"{test.arm} and {reference.arm} have no spread, so there is no error.")
    df = total**2 / (one**2 / (test.n - 1) + other**2 / (reference.n - 1))
    return _checked(Worked(estimate, math.sqrt(total), df, test.n + reference.n, how))


def _checked(worked: Worked) -> Worked:
    if not (math.isfinite(worked.estimate) and math.isfinite(worked.se) and worked.se > 0 and worked.df > 0):
        raise PublicationError(
            f"estimate {worked.estimate:g}, standard error {worked.se:g} and {worked.df:g} degrees of freedom (working "
            "scale) are no contrast that can be weighed; the error and its degrees of freedom must be above 0."
        )
    return worked
