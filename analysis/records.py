"""The frozen results that functions of this package return; numbers in them are never rounded.

Estimates, limits and tank numbers of an endpoint are on its *working scale* inside ``analysis`` (the
logarithm for ``ratio``) and on its *reported scale* (ratios) in :class:`Contrast`; each field says which.
A number that does not exist (an interval that is unbounded, a p from a single pair) is None.
"""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - kept importable for readers of the annotations
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from schemas.vocabulary import (  # noqa: TC001 - as above
    Baseline,
    Better,
    EndpointRole,
    Scale,
    Summary,
    Variance,
    Verdict,
)

if TYPE_CHECKING:
    from analysis.dose_adherence import DoseAdherence
    from analysis.mass_balance import MassBalance


@dataclass(frozen=True)
class TankNumber:
    """What a tank's readings became: one row of the analysis.

    Parameters
    ----------
    tank, arm, block, site, period
        As allocated; ``block`` and ``site`` may be None, ``period`` is given in a crossover alone.
    value, lowest, highest : float or None
        The summary in the variable's unit, with the range that censored readings allow. None: no summary.
    baseline, baseline_lowest, baseline_highest : float or None
        The baseline number, where the endpoint uses one.
    y, y_lowest, y_highest : float or None
        The number analysed, on the working scale, with its range; None leaves the tank out.
    days, days_due : int
        Sampling days with a reading in the phase, and days that were due.
    readings, censored : int
        Readings used (duplicates counted each) and how many of them were censored.
    why_missing : str
        In words, why ``y`` is None; empty otherwise.
    exposure : int or None
        Days that a count is over; None for every other summary.
    """

    tank: str
    arm: str
    block: str | None
    site: str | None
    value: float | None
    lowest: float | None
    highest: float | None
    baseline: float | None
    baseline_lowest: float | None
    baseline_highest: float | None
    y: float | None
    y_lowest: float | None
    y_highest: float | None
    days: int
    days_due: int
    readings: int
    censored: int
    why_missing: str = ""
    period: int | None = None
    exposure: int | None = None


@dataclass(frozen=True)
class Fit:
    """One contrast fitted one way, on the working scale."""

    estimate: float
    se: float | None
    df: float | None
    low: float | None
    high: float | None
    t: float | None
    p: float | None
    standardiser: float | None
    """Standard deviation that a standardised effect divides by."""
    effect_name: str
    n: int
    """What was compared: pairs (blocks) or tanks."""


@dataclass(frozen=True)
class ArmSummary:
    """Tank numbers of one arm on the reported scale; ``sd`` is None for a single tank.

    ``mean`` and ``sd`` are of the summaries (or of the changes; or, on the ratio scale with a change, of the
    ratios to baseline). ``geometric_mean`` is given on the ratio scale, ``adjusted_mean`` with a baseline
    covariate: the model's mean at the average baseline (and block).
    """

    arm: str
    n: int
    mean: float | None
    sd: float | None
    geometric_mean: float | None = None
    adjusted_mean: float | None = None


@dataclass(frozen=True)
class ArmReadings:
    """Readings of one arm in the phase, described by the product-limit curve; nothing is compared by it.

    ``leftover`` is the share below everything measured, placed at ``placed_at``: the mean depends on it. Mean and
    sd are None where nothing was measured.
    """

    arm: str
    n: int
    n_below: int
    n_above: int
    mean: float | None
    sd: float | None
    leftover: float | None
    placed_at: float | None


@dataclass(frozen=True)
class Omnibus:
    """F test that all arms are alike, in the model summary ~ arm + block [+ baseline]."""

    f: float | None
    df1: float
    df2: float
    p: float | None


@dataclass(frozen=True)
class EffectSize:
    """A standardised effect with its interval by the noncentral t distribution."""

    name: str
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Randomisation:
    """Randomisation test of a contrast; limits on the reported scale, None where unbounded.

    ``draws`` counts the allocations compared: all of them where ``method`` is ``exact``. ``smallest_p`` is the
    least p that the allocation could ever give; ``se`` the Monte Carlo standard error of p (0 when exact).
    """

    p: float
    method: str
    draws: int
    low: float | None
    high: float | None
    smallest_p: float
    se: float


@dataclass(frozen=True)
class Censoring:
    """Range of the estimate over all values that the censored readings allow, on the reported scale."""

    n_censored: int
    lowest: float | None
    highest: float | None
    verdicts: tuple[Verdict | None, Verdict | None]


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided t tests against the worthwhile difference in either direction."""

    p_lower: float
    p_upper: float
    p: float


@dataclass(frozen=True)
class Contrast:
    """One registered comparison, on the reported scale (``se`` is of the working scale)."""

    test: str
    reference: str
    n: int
    estimate: float | None
    se: float | None
    df: float | None
    low: float | None
    high: float | None
    p: float | None
    p_adjusted: float | None = None
    effect_size: EffectSize | None = None
    randomisation: Randomisation | None = None
    censoring: Censoring | None = None
    equivalence: Equivalence | None = None
    verdict: Verdict | None = None
    favours: str | None = None
    """The arm that does better by the estimate; None when equal."""


@dataclass(frozen=True)
class RankContrast:
    """A rank test beside a contrast; the Hodges-Lehmann estimate is on the reported scale.

    ``level`` is the interval's achieved confidence: rank intervals cannot take every level.
    """

    test: str
    reference: str
    name: str
    statistic: float
    n: int
    p: float
    method: str
    estimate: float | None
    low: float | None
    high: float | None
    level: float | None


@dataclass(frozen=True)
class RankOmnibus:
    """Friedman (with Kendall's W) in complete blocks, Kruskal-Wallis in parallel arms."""

    name: str
    statistic: float
    df: int
    p: float
    n: int
    w: float | None = None


@dataclass(frozen=True)
class Ranks:
    """Rank methods beside the registered analysis."""

    omnibus: RankOmnibus | None
    contrasts: tuple[RankContrast, ...]


@dataclass(frozen=True)
class Sphericity:
    """Mauchly's test and the corrections of the omnibus F in complete blocks of three or more arms."""

    w: float
    p: float
    gg: float
    hf: float
    p_gg: float
    p_hf: float


@dataclass(frozen=True)
class CarryOver:
    """Test that an arm leaves nothing behind for the next period (first-order residual effects): never a gate."""

    f: float | None
    df1: float
    df2: float
    p: float | None


@dataclass(frozen=True)
class TimeCurve:
    """Share of an arm's tanks not yet at target: a step down at each day, as the sampling days showed it.

    ``low`` and ``high`` are pointwise limits of ``share``, None where it is 0; ``earliest`` is the curve of the same tanks
    had each reached it right after the sampling day before. ``median`` and its limits are None where fewer than half
    the tanks (a side's limit: of the band) get there; ``restricted_se`` is Greenwood's error of the area.
    """

    arm: str
    days: tuple[float, ...]
    share: tuple[float, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    earliest_days: tuple[float, ...]
    earliest_share: tuple[float, ...]
    reached: int
    n: int
    median: float | None
    median_low: float | None
    median_high: float | None
    restricted_mean: float
    restricted_se: float


@dataclass(frozen=True)
class ArmRate:
    """Events of an arm over its tank-days, with exact limits; ``overdispersion`` near 1 for independent events."""

    arm: str
    events: int
    tank_days: float
    rate: float
    low: float
    high: float


@dataclass(frozen=True)
class Sensitivity:
    """The contrasts again, analysed another way."""

    name: str
    contrasts: tuple[Contrast, ...]


@dataclass(frozen=True)
class TippingTable:
    """How far an arm's missing tanks would have to be from "like the others" to turn the reading of a contrast.

    ``shifts`` are on the reported scale (factors on the ratio scale) with the verdict at each; ``down`` and ``up``
    are the nearest shifts on either side at which the verdict turns, None where it holds over the whole table.
    """

    test: str
    reference: str
    arm: str
    tanks: int
    shifts: tuple[float | None, ...]
    verdicts: tuple[Verdict | None, ...]
    down: float | None
    up: float | None


@dataclass(frozen=True)
class ArmFlow:
    """Tanks of one arm: allocated, with any reading in the phase, analysed; and sampling days due and kept."""

    arm: str
    allocated: int
    followed: int
    analysed: int
    days_due: int
    days: int


@dataclass(frozen=True)
class EndpointResult:
    """Everything about one endpoint."""

    id: str
    title: str
    role: EndpointRole
    variable: str
    summary: Summary
    phase: str
    baseline: Baseline
    scale: Scale
    better: Better
    worthwhile: float | None
    unit: str
    alpha: float
    variance: Variance
    multiplicity: str
    tanks: tuple[TankNumber, ...]
    n_blocks: int
    arms: tuple[ArmSummary, ...]
    omnibus: Omnibus | None
    contrasts: tuple[Contrast, ...]
    ranks: Ranks
    sphericity: Sphericity | None
    sensitivity: tuple[Sensitivity, ...]
    flow: tuple[ArmFlow, ...]
    notes: tuple[str, ...] = ()
    period: Omnibus | None = None
    carry_over: CarryOver | None = None
    curves: tuple[TimeCurve, ...] = ()
    horizon: float | None = None
    rates: tuple[ArmRate, ...] = ()
    overdispersion: float | None = None
    serial_correlation: float | None = None
    tipping: tuple[TippingTable, ...] = ()
    described: tuple[ArmReadings, ...] = ()

    @property
    def n_tanks(self) -> int:
        """Tanks analysed."""
        return sum(tank.y is not None for tank in self.tanks)


@dataclass(frozen=True)
class ReadingCount:
    """Where the accepted readings went, so that none is lost in silence.

    ``between`` counts those in no phase before the end: of the washout between periods, or of a later cohort
    before its start.
    """

    total: int
    by_phase: dict[str, int]
    between: int
    after_the_end: int
    off_due_day: int
    duplicates: int
    censored: int
    first_day: dt.date | None
    last_day: dt.date | None


@dataclass(frozen=True)
class VariableRepeatability:
    """Within-tank standard deviation of a kit from its duplicates, and the difference that 95 % of pairs stay within."""

    variable: str
    kit: str
    df: int
    sd: float
    low: float
    high: float
    limit: float


@dataclass(frozen=True)
class KitAgreement:
    """Bias of the first kit against the second, with limits of agreement for 95 % of differences."""

    variable: str
    first: str
    second: str
    n: int
    bias: float
    bias_low: float
    bias_high: float
    lower: float
    upper: float


@dataclass(frozen=True)
class InsideTanks:
    """Repeated-measures correlation of two variables inside tanks, and the slope of the second on the first."""

    first: str
    second: str
    df: int
    r: float
    low: float
    high: float
    p: float
    slope: float


@dataclass(frozen=True)
class Measurement:
    """How well the kits measured."""

    repeatability: tuple[VariableRepeatability, ...] = ()
    agreement: tuple[KitAgreement, ...] = ()
    inside_tanks: tuple[InsideTanks, ...] = ()


@dataclass(frozen=True)
class Analysis:
    """The registered analysis of a trial."""

    trial: str
    protocol_digest: str
    data_digest: str
    fairtank: str
    endpoints: tuple[EndpointResult, ...]
    readings: ReadingCount
    notes: tuple[str, ...] = field(default=())
    masked: bool = False
    """Whether arms are letters, until data entry is closed."""
    measurement: Measurement = field(default=Measurement())
    doses: DoseAdherence | None = None
    """Carbon given against carbon registered; None without carbon or events, and while arms are letters."""
    balance: MassBalance | None = None
    """What left the water, by arm; None where neither nitrate nor phosphate is read, and while arms are letters."""
