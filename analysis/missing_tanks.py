"""What the tanks without a number could do to a comparison: filled in several times over, and shifted.

The registered analysis leaves them out. Beside it stand, where the protocol asks for it, the comparison with
baselines and sampling days filled in by chained equations; and, wherever a compared arm lost tanks, how far from
"like the others" those tanks would have to be before the reading turns.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis import conclusions
from analysis.multiple_imputation import impute_days, impute_tanks, pool
from analysis.records import Sensitivity, TippingTable
from analysis.summaries import Series, phase_series, summarise
from analysis.tipping_point import tipping_point
from schemas.errors import AnalysisError
from schemas.protocol import BASELINE_PHASE, FILLED_DESIGNS
from schemas.vocabulary import Baseline, Scale, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd
    from numpy.typing import NDArray

    from analysis.linear_model import TankData
    from analysis.question import Question
    from analysis.records import Contrast, Fit, TankNumber
    from schemas.protocol import Protocol

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

FILLINGS = 20
"""Fillings behind each line of a tipping-point table."""
REACH = 3
"""The table goes this many worthwhile differences either way, in half steps."""


def imputed_contrasts(
    protocol: Protocol, question: Question, pairs: list[tuple[int, int]], readings: pd.DataFrame
) -> Sensitivity | None:
    """The registered contrasts with missing baselines and days filled in; None where that is not asked or known.

    Parameters
    ----------
    readings : DataFrame
        Readings of the endpoint's variable with their bounds.
    """
    fillings = protocol.analysis.imputations
    if fillings is None or protocol.design.kind not in FILLED_DESIGNS or not question.kept:
        return None
    table, offsets = _day_table(protocol, question, readings)
    if not len(offsets):
        return None
    arms = [question.data.arms.index(a.arm) for a in question.allocation.assignments]
    data = _all_tanks(question, np.zeros(len(arms)), None)
    try:
        filled = impute_days(
            table, data.arm, data.block if data.blocked else None, fillings, _generator(question, "days")
        )
    except AnalysisError:
        return None  # too few known numbers for any model of the missing ones
    completed = [_completed(question, one, offsets) for one in filled]
    contrasts = []
    for pair in pairs:
        fits = [question.fit(one, question.variance, *pair) for one in completed]
        contrasts.append(_pooled_contrast(question, fits, pair))
    return Sensitivity("imputation", tuple(contrasts))


def tipping_tables(
    question: Question, tanks: list[TankNumber], pairs: list[tuple[int, int]]
) -> Iterator[TippingTable]:
    """One table for each arm of a contrast that lost tanks."""
    missing = np.array([tank.y is None for tank in tanks], dtype=bool)
    step = question.distance
    if not missing.any() or step is None or not question.kept or question.design not in FILLED_DESIGNS:
        return
    known = dict(zip((tank.tank for tank in question.kept), question.data.y.tolist(), strict=True))
    x = _baselines(question, tanks)
    usable = ~missing if x is None else np.isfinite(x)
    data = _all_tanks(question, np.array([known.get(tank.tank, 0.0) for tank in tanks]), x)
    data, missing = data.only(usable | ~missing), missing[usable | ~missing]
    if not missing.any():
        return
    try:
        filled, left_out = impute_tanks(data, missing, FILLINGS, _generator(question, "tanks"))
    except AnalysisError:
        return  # the known tanks leave no degrees of freedom to predict from
    for test, reference in pairs:
        for arm in (test, reference):
            shifted = missing & ~left_out & (data.arm == arm)
            if shifted.any():
                yield _table(question, data, filled, shifted, ~left_out, (test, reference), arm)


def _table(
    question: Question,
    data: TankData,
    filled: Floats,
    shifted: Flags,
    kept: Flags,
    pair: tuple[int, int],
    arm: int,
) -> TippingTable:
    step = question.distance or 1.0

    def fit(delta: float) -> Fit | None:
        fits = [
            question.fit(data.with_y(y + delta * shifted).only(kept), question.variance, *pair)
            for y in filled
        ]
        pooled = pool([one for one in fits if one is not None], question.level) if all(fits) else None
        return pooled.fit if pooled else None

    def read(one: Fit | None) -> Verdict | None:
        return conclusions.verdict(one.low, one.high, question.distance) if one else None

    deltas = [step * half / 2 for half in range(-2 * REACH, 2 * REACH + 1)]
    found = tipping_point(fit, deltas, read)
    return TippingTable(
        test=data.arms[pair[0]],
        reference=data.arms[pair[1]],
        arm=data.arms[arm],
        tanks=int(shifted.sum()),
        shifts=tuple(question.reported(shift.delta) for shift in found.shifts),
        verdicts=tuple(read(shift.fit) for shift in found.shifts),
        down=question.reported(found.down),
        up=question.reported(found.up),
    )


def _pooled_contrast(question: Question, fits: list[Fit | None], pair: tuple[int, int]) -> Contrast:
    pooled = pool([fit for fit in fits if fit is not None], question.level) if all(fits) else None
    return question.contrast(pooled.fit if pooled else None, *pair)


def _day_table(protocol: Protocol, question: Question, readings: pd.DataFrame) -> tuple[Floats, Floats]:
    """Baseline and due days of every allocated tank on the working scale, and the days' offsets in the phase.

    A reading on another day than due stands for the nearest due day.
    """
    endpoint = question.endpoint
    first, after = protocol.phase_days[endpoint.phase]
    due = [(day - first).days for day in protocol.due_days(endpoint.variable) if first <= day < after]
    tanks = [a.tank for a in question.allocation.assignments]
    table = np.full((len(tanks), 1 + len(due)), np.nan)
    offsets = np.array(due, dtype=float)
    baselines = (
        phase_series(readings, protocol, BASELINE_PHASE) if BASELINE_PHASE in protocol.phase_days else {}
    )
    series = phase_series(readings, protocol, endpoint.phase)
    for row, tank in enumerate(tanks):
        if tank in baselines:
            table[row, 0] = baselines[tank].mid.mean()
        if tank in series and len(offsets):
            nearest = np.abs(series[tank].days[:, None] - offsets).argmin(axis=1)
            for column in np.unique(nearest):
                table[row, 1 + column] = series[tank].mid[nearest == column].mean()
    return (np.log(table) if endpoint.scale is Scale.RATIO else table), offsets


def _completed(question: Question, filled: Floats, offsets: Floats) -> TankData:
    """All tanks with the summary of their filled days, and the filled baseline as registered."""
    endpoint = question.endpoint
    logs = endpoint.scale is Scale.RATIO
    values = np.exp(filled) if logs else filled
    numbers = np.empty(len(filled))
    for row, days in enumerate(values[:, 1:]):
        summary = summarise(Series(offsets, days, days, days, len(days), 0), endpoint.summary)
        numbers[row] = np.nan if summary is None else summary.value
    y = np.log(numbers) if logs else numbers
    baseline = filled[:, 0]
    if endpoint.baseline is Baseline.CHANGE:
        y = y - baseline
    return _all_tanks(question, y, baseline if endpoint.baseline is Baseline.ADJUST else None)


def _all_tanks(question: Question, y: Floats, x: Floats | None) -> TankData:
    """Every allocated tank, in the order of the allocation."""
    assignments = question.allocation.assignments
    blocks = list(dict.fromkeys(a.block for a in assignments))
    return replace(
        question.data,
        y=y,
        arm=np.array([question.data.arms.index(a.arm) for a in assignments], dtype=np.int64),
        block=np.array(
            [blocks.index(a.block) if question.data.blocked else 0 for a in assignments], dtype=np.int64
        ),
        x=x,
    )


def _baselines(question: Question, tanks: list[TankNumber]) -> Floats | None:
    if question.data.x is None:
        return None
    x = np.array([np.nan if tank.baseline is None else tank.baseline for tank in tanks], dtype=float)
    return np.log(x) if question.endpoint.scale is Scale.RATIO else x


def _generator(question: Question, what: str) -> np.random.Generator:
    digest = hashlib.sha256(f"{question.seed}|{what}".encode()).digest()
    return np.random.default_rng(int.from_bytes(digest[:8]))
