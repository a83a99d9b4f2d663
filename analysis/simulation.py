"""Power by simulation: whole trials are drawn, and each is analysed as registered.

Trials come in chunks, each from a random stream of its own (the chunk's number spawns it from the seed), and
chunks are counted in their order. So the result depends on the seed and on nothing else: not on how many workers
share the chunks, nor on which of them is first.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from analysis.precision import contrast_correlation
from analysis.series_fits import fit_series
from analysis.vectorised import VERDICTS, adjusted, fit_many, passes_dunnett, verdict_codes
from schemas.errors import AnalysisError
from schemas.vocabulary import Multiplicity

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    from analysis.precision import Layout
    from analysis.vectorised import ManyFits
    from schemas.vocabulary import Variance, Verdict

    Floats = NDArray[np.float64]
    SpreadOut = Callable[[Callable[[int], "Tally"], Iterable[int]], Iterable["Tally"]]


@dataclass(frozen=True)
class Question:
    """What is analysed and how.

    Parameters
    ----------
    layout : Layout
    contrasts : tuple of (test, reference)
    variance, alpha, multiplicity
        As registered.
    margin : float or None
        The worthwhile difference on the working scale, above 0.
    family : int or None
        Comparisons that share the error rate in all, if more than ``contrasts``; those not simulated are taken
        never to be significant.
    days : tuple of float, optional
        Of a before-after series: the sampling days, for which the layout has an element each.
    """

    layout: Layout
    contrasts: tuple[tuple[str, str], ...]
    variance: Variance
    alpha: float = 0.05
    multiplicity: Multiplicity = Multiplicity.HOLM
    margin: float | None = None
    family: int | None = None
    days: tuple[float, ...] | None = None

    def fits(self, y: Floats, x: Floats | None) -> list[ManyFits]:
        """Every contrast of every trial; of a series with serial correlation, on which its reading rests."""
        if self.days is not None:
            return [fit_series(self.days, self.layout, y) for _ in self.contrasts]
        return [fit_many(self.layout, y, x, *pair, self.variance) for pair in self.contrasts]


@dataclass(frozen=True)
class Drawn:
    """Trials drawn; arrays of shape (trials, tanks) unless said.

    Parameters
    ----------
    y, x : float array
        What is analysed, on the working scale, and the baseline covariate or None; NaN for a tank lost.
    effects : float array, (trials, arms)
        True effect of each arm on its own tanks.
    null, null_x : float array or None
        The like of ``y`` and ``x`` had no arm had an effect.
    harms : mapping of str to float array
        Days or events a tank, by name.
    """

    y: Floats
    x: Floats | None
    effects: Floats
    null: Floats | None = None
    null_x: Floats | None = None
    harms: Mapping[str, Floats] = field(default_factory=dict)


class Trials(Protocol):
    """Something that trials can be drawn from; frozen, so that it can be sent to other processes."""

    def draw(self, rng: np.random.Generator, number: int) -> Drawn:
        """So many trials."""


@dataclass(frozen=True)
class Simulated:
    """A number from simulation with its Monte Carlo standard error."""

    value: float
    se: float


@dataclass(frozen=True)
class ContrastOutlook:
    """What the trials drawn gave for one contrast.

    Parameters
    ----------
    effect : float
        Mean true difference, working scale.
    power : Simulated
        Share of trials that find a difference after sharing the error rate, as the analysis would report it.
    power_alone : Simulated
        The same for this contrast by itself.
    false_positive : Simulated or None
        Share that find one, by itself, where no arm has an effect.
    half_width : Simulated
        Half the interval, mean over trials; geometric mean over series, few of which remember so long that their
        interval has no end in practice.
    bias : Simulated
        Mean estimate less the true difference.
    verdicts : dict of Verdict to Simulated
        Empty without a worthwhile difference.
    unanswered : Simulated
        Share of trials in which too few tanks were left for any interval.
    """

    test: str
    reference: str
    effect: float
    power: Simulated
    power_alone: Simulated
    false_positive: Simulated | None
    half_width: Simulated
    bias: Simulated
    verdicts: dict[Verdict, Simulated]
    unanswered: Simulated


@dataclass(frozen=True)
class ArmOutlook:
    """Mean over an arm's tanks: days or events a tank, by name."""

    arm: str
    harms: dict[str, Simulated]


@dataclass(frozen=True)
class Outlook:
    """What a simulation gave."""

    trials: int
    contrasts: tuple[ContrastOutlook, ...]
    any_power: Simulated
    """Share of trials that find a difference in at least one contrast, after sharing."""
    any_false_positive: Simulated | None
    """The same where no arm has an effect: the error rate that is shared."""
    arms: tuple[ArmOutlook, ...]


_SHARE, _HARM = "share of ", "harm "
_ANY, _ANY_FALSE = f"{_SHARE}any found", f"{_SHARE}any false"
_FOUND, _ALONE, _FALSE, _UNANSWERED = (
    f"{_SHARE}{name}" for name in ("found", "alone", "false", "unanswered")
)


@dataclass(frozen=True)
class Tally:
    """Sums over trials; adding two joins their trials.

    ``counted``, ``total`` and ``square`` hold, by name, how many trials have the number, its sum and its sum of
    squares, each an array over contrasts or arms.
    """

    trials: int
    counted: dict[str, Floats]
    total: dict[str, Floats]
    square: dict[str, Floats]

    def __add__(self, other: Tally) -> Tally:
        def joined(mine: dict[str, Floats], theirs: dict[str, Floats]) -> dict[str, Floats]:
            return {name: mine[name] + theirs[name] for name in mine}

        return Tally(
            self.trials + other.trials,
            joined(self.counted, other.counted),
            joined(self.total, other.total),
            joined(self.square, other.square),
        )

    def mean(self, name: str, place: int) -> Simulated:
        """Mean with its standard error; that of a share counts one success and one failure more, so as not to be 0."""
        n, total, square = (float(sums[name][place]) for sums in (self.counted, self.total, self.square))
        if n == 0:
            return Simulated(math.nan, math.nan)
        mean = total / n
        if name.startswith(_SHARE):
            inner = (total + 1) / (n + 2)
            return Simulated(mean, math.sqrt(inner * (1 - inner) / n))
        return Simulated(mean, math.sqrt(max(square / n - mean**2, 0.0) / max(n - 1, 1)))


def simulate(  # noqa: PLR0913 - one simulation's settings, all keyword-only
    question: Question,
    trials: Trials,
    *,
    seed: int,
    most: int = 100_000,
    error: float = 0.0,
    chunk: int = 5_000,
    spread_out: SpreadOut = map,
    progress: Callable[[int], None] | None = None,
) -> Outlook:
    """Draw and analyse trials until the power of every contrast is known well enough.

    Parameters
    ----------
    question, trials
        What is asked of the trials, and where they come from.
    seed : int
        Of all random streams.
    most : int
        Trials at most.
    error : float
        Standard error of power that is small enough; 0 draws ``most``.
    chunk : int
        Trials in a chunk; part of what the result depends on.
    spread_out : callable
        Like ``map``: applies a function to the numbers of the chunks and gives the results in their order; it may
        run ahead and may be abandoned.
    progress : callable, optional
        Told the number of trials counted so far.
    """
    if most < 1 or chunk < 1:
        raise AnalysisError("A simulation needs at least one trial.")
    sizes = [min(chunk, most - start) for start in range(0, most, chunk)]
    work = partial(_chunk, question, trials, seed, tuple(sizes))
    so_far: Tally | None = None
    for part in spread_out(work, range(len(sizes))):
        so_far = part if so_far is None else so_far + part
        if progress is not None:
            progress(so_far.trials)
        if all(so_far.mean(_FOUND, place).se <= error for place in range(len(question.contrasts))):
            break
    if so_far is None:
        raise AnalysisError("The simulation gave no trial.")
    return outlook(question, so_far)


def _chunk(question: Question, trials: Trials, seed: int, sizes: tuple[int, ...], number: int) -> Tally:
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number,)))
    return tally(question, trials.draw(rng, sizes[number]))


def tally(question: Question, drawn: Drawn) -> Tally:
    """Analyse drawn trials and sum up."""
    layout, alpha = question.layout, question.alpha
    rows: dict[str, list[Any]] = defaultdict(list)
    fits = question.fits(drawn.y, drawn.x)
    p = np.stack([fit.p for fit in fits], axis=1)
    stands = _stands(question, fits, p)
    rows[_ANY].append(stands.any(axis=1))
    for place, (fit, pair) in enumerate(zip(fits, question.contrasts, strict=True)):
        test, reference = (layout.arms.index(name) for name in pair)
        effect = drawn.effects[:, test] - drawn.effects[:, reference]
        half = fit.half_width(alpha)
        rows["effect"].append(effect)
        rows["bias"].append(fit.estimate - effect)
        rows["half width"].append(half if question.days is None else np.log(half))
        rows[_UNANSWERED].append(np.isnan(half))
        rows[_FOUND].append(stands[:, place])
        rows[_ALONE].append(p[:, place] < alpha)
        if question.margin is not None:
            codes = verdict_codes(fit.estimate - half, fit.estimate + half, question.margin)
            for code, verdict in enumerate(VERDICTS):
                rows[f"{_SHARE}{verdict}"].append(codes == code)
    if drawn.null is not None:
        fits = question.fits(drawn.null, drawn.null_x)
        p = np.stack([fit.p for fit in fits], axis=1)
        rows[_FALSE].extend((p < alpha).T)
        rows[_ANY_FALSE].append(_stands(question, fits, p).any(axis=1))
    for name, values in drawn.harms.items():
        rows[_HARM + name].extend(
            values[:, layout.arm == arm].mean(axis=1) for arm in range(len(layout.arms))
        )
    return _sums(len(drawn.y), rows)


def _stands(question: Question, fits: list[ManyFits], p: Floats) -> NDArray[np.bool_]:
    """Which contrasts are different after sharing the error rate, (trials, contrasts)."""
    if question.multiplicity is Multiplicity.DUNNETT:
        matrix = contrast_correlation(question.layout, question.contrasts)
        # Primary endpoints share by Bonferroni, the rule holds within each.
        share = len(fits) / max(question.family or 0, len(fits))
        return passes_dunnett(fits, matrix, question.alpha * share)
    return np.asarray(adjusted(p, question.multiplicity, question.family) < question.alpha)


def _sums(trials: int, rows: dict[str, list[Any]]) -> Tally:
    counted: dict[str, Floats] = {}
    total: dict[str, Floats] = {}
    square: dict[str, Floats] = {}
    for name, parts in rows.items():
        table = np.stack(parts).astype(float)
        known = np.isfinite(table)
        table = np.where(known, table, 0.0)
        counted[name], total[name] = known.sum(axis=1).astype(float), table.sum(axis=1)
        square[name] = (table**2).sum(axis=1)
    return Tally(trials, counted, total, square)


def _half_width(question: Question, half: Simulated) -> Simulated:
    if question.days is None:
        return half
    width = math.exp(half.value)
    return Simulated(width, width * half.se)


def outlook(question: Question, sums: Tally) -> Outlook:
    """What the trials counted say."""
    contrasts = []
    for place, (test, reference) in enumerate(question.contrasts):
        contrasts.append(
            ContrastOutlook(
                test=test,
                reference=reference,
                effect=sums.mean("effect", place).value,
                power=sums.mean(_FOUND, place),
                power_alone=sums.mean(_ALONE, place),
                false_positive=sums.mean(_FALSE, place) if _FALSE in sums.total else None,
                half_width=_half_width(question, sums.mean("half width", place)),
                bias=sums.mean("bias", place),
                verdicts={
                    verdict: sums.mean(f"{_SHARE}{verdict}", place)
                    for verdict in VERDICTS
                    if question.margin is not None
                },
                unanswered=sums.mean(_UNANSWERED, place),
            )
        )
    harms = [name for name in sums.total if name.startswith(_HARM)]
    return Outlook(
        trials=sums.trials,
        contrasts=tuple(contrasts),
        any_power=sums.mean(_ANY, 0),
        any_false_positive=sums.mean(_ANY_FALSE, 0) if _ANY_FALSE in sums.total else None,
        arms=tuple(
            ArmOutlook(arm, {name.removeprefix(_HARM): sums.mean(name, place) for name in harms})
            for place, arm in enumerate(question.layout.arms)
        ),
    )
