"""The frozen results of pooling trials; numbers are on the working scale (logarithms of ratios) and never rounded."""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - kept importable for readers of the annotations
from dataclasses import dataclass, field

from schemas.vocabulary import Better, EndpointRole, Scale, Summary, Verdict  # noqa: TC001 - as above


@dataclass(frozen=True)
class PooledQuestion:
    """What is compared: the same thing, asked by every trial of a pool.

    ``test`` and ``reference`` say in words what the arms are given; ``unit`` is that of the reported scale.
    """

    id: str
    title: str
    role: EndpointRole
    variable: str
    summary: Summary
    phase: str
    scale: Scale
    unit: str
    better: Better
    test: str
    reference: str


@dataclass(frozen=True)
class TrialEffect:
    """What one trial says on a question.

    Parameters
    ----------
    trial, title : str
        The trial's id, and its title or citation.
    ended : date or None
        The last day, or a publication's date: the order of the cumulative table.
    estimate, se, df, low, high
        The trial's own, with its interval at 1 - ``alpha`` of the pool; ``df`` is None for a normal error.
    n, tanks : int
        Pairs or tanks compared, and tanks in all.
    margin : float or None
        The worthwhile difference registered, as a distance.
    sd : float or None
        Between tanks of one block (of all tanks in parallel arms), as planning counts it.
    blocked : bool
        Whether tanks were compared within blocks.
    published : bool
        Taken from a publication's summary, not from readings.
    arms : tuple of str
        Test and reference arm, by id.
    endpoint : str
        The endpoint's id.
    modifiers : mapping of str to float
        What may change the effect from trial to trial.
    remarks : tuple of str
        What must be known of this trial here, in sentences.
    """

    trial: str
    title: str
    ended: dt.date | None
    estimate: float
    se: float
    df: float | None
    low: float
    high: float
    n: int
    tanks: int
    margin: float | None
    sd: float | None
    blocked: bool
    published: bool
    arms: tuple[str, str]
    endpoint: str
    modifiers: dict[str, float] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class PooledFit:
    """The trials pooled one way; ``df`` is None where the interval is normal, ``tau2`` where no such variance is in it."""

    name: str
    k: int
    estimate: float
    se: float
    df: float | None
    low: float
    high: float
    p: float
    tau2: float | None = None
    verdict: Verdict | None = None


@dataclass(frozen=True)
class Prediction:
    """Where the true effect of a further trial of the same kind is expected."""

    low: float
    high: float
    df: int


@dataclass(frozen=True)
class Heterogeneity:
    """How much the true effects differ between trials.

    ``i2`` is the share of the spread that is not sampling error, from ``tau2`` and the typical variance, with the
    interval that goes with ``tau2_low`` and ``tau2_high``; ``q`` is Cochran's statistic, with ``i2_q`` from it.
    """

    tau2: float
    tau2_low: float
    tau2_high: float
    i2: float
    i2_low: float
    i2_high: float
    h2: float
    q: float
    df: int
    p: float
    i2_q: float


@dataclass(frozen=True)
class ModifierSlope:
    """The effect regressed on something that differs between trials; exploratory, always."""

    name: str
    unit: str
    k: int
    slope: float
    se: float
    df: int
    low: float
    high: float
    p: float
    tau2: float
    explained: float | None
    """Share of tau2 that goes; None where there was none."""


@dataclass(frozen=True)
class SmallStudy:
    """Whether small trials say otherwise than large ones: the effect regressed on its standard error."""

    slope: float
    se: float
    z: float
    p: float


@dataclass(frozen=True)
class NextTrial:
    """What the next trial of this question should be; counts are blocks (pairs), or tanks an arm in parallel arms.

    Parameters
    ----------
    effect, sd : float
        For planning: the pooled estimate, and the standard deviation between tanks as the trials had it.
    effect_sd : float
        How unsure the next trial's own true effect is, from the prediction interval.
    blocked : bool
        Whether blocks are counted, or tanks an arm.
    wished, alpha : float
        Power wished for, and the two-sided level.
    for_estimate, on_average, for_least : int or None
        The size that finds the pooled estimate; the size whose power, averaged over the prediction, is as wished;
        the size that finds the end of the prediction interval nearest to no difference. None: no size does.
    right_way : float
        Chance that a further trial's true effect lies in the direction of the estimate.
    settling : int or None
        The size of one further trial after which the pooled interval would be read as settled, were the estimate
        to stay; ``settling_trials`` counts trials like those so far (of their median variance) where one is not
        enough.
    settling_trials : int or None
    settled : bool
        True where nothing is left to settle.
    """

    effect: float
    sd: float
    effect_sd: float
    blocked: bool
    wished: float
    alpha: float
    for_estimate: int | None
    on_average: int | None
    for_least: int | None
    right_way: float
    settling: int | None
    settling_trials: int | None
    settled: bool


@dataclass(frozen=True)
class Pooled:
    """One question over all trials that ask it.

    ``main`` is the registered way of this tool, random effects by REML with Hartung and Knapp's interval, or the
    trial itself where there is only one. ``widened`` is the same with their factor kept at 1 or more. ``reader`` is
    what verdict and prediction come from: ``main``, but ``widened`` where ``main`` is narrower than the interval of
    the fixed effect. Fits of ``leave_one_out`` and ``cumulative`` are what would be read from those trials, by the id of the trial left out or last
    added.
    """

    question: PooledQuestion
    alpha: float
    trials: tuple[TrialEffect, ...]
    weights: tuple[float, ...]
    main: PooledFit
    widened: PooledFit | None
    beside: tuple[PooledFit, ...]
    heterogeneity: Heterogeneity | None
    prediction: Prediction | None
    prediction_beside: Prediction | None
    leave_one_out: tuple[PooledFit, ...]
    cumulative: tuple[PooledFit, ...]
    modifiers: tuple[ModifierSlope, ...]
    small_study: SmallStudy | None
    margins: tuple[float, ...]
    reader: PooledFit
    next_trial: NextTrial | None
    notes: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict | None:
        """The reading of the question over all trials."""
        return self.reader.verdict
