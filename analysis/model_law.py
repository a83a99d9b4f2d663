"""The law of a contrast of the whole model, refitted in batches for redrawn labels.

Incomplete blocks redraw the labels of the two arms compared inside each block that holds both. A crossover
redraws which of two sequences a tank had, among the tanks of a cohort whose sequences are each other's mirror in
the two arms: what the draw could have done had it left every other arm where it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.exact_law import exact_law
from analysis.linear_model import LinearModel, orthonormal
from analysis.redraws import Stratum
from analysis.refitted_law import refitted_law

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.linear_model import TankData
    from analysis.redraws import Law
    from analysis.refitted_law import Estimator

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Ints = NDArray[np.int64]


def model_law(data: TankData, test: int, reference: int, seed: int) -> Law | None:
    """The law of the pooled contrast; None where nothing could have been drawn otherwise."""
    if LinearModel(data).contrast(test, reference, 0.95) is None:
        return None
    if data.period is not None and data.cohort is not None:
        units = _mirrored_tanks(data, data.period, data.cohort, test, reference)
    else:
        units = _block_rows(data, test, reference)
    if not units:
        return None
    halves = _half_differences(data, units)
    if halves is not None:
        law = exact_law([halves])
        if law is not None:
            return law
    parts = [part for part, _ in units]
    return refitted_law(parts, seed, _model_estimator(data, test, reference, [rows for _, rows in units]))


_Units = list[tuple[Stratum, list["Ints"]]]
"""Strata with, for each of their units, the rows whose arms turn with its label."""


def _block_rows(data: TankData, test: int, reference: int) -> _Units:
    units: _Units = []
    for block in np.unique(data.block):
        rows = np.flatnonzero((data.block == block) & np.isin(data.arm, (test, reference)))
        treated = data.arm[rows] == test
        if treated.any() and not treated.all():
            units.append((Stratum(data.y[rows], None, treated), [np.array([row]) for row in rows]))
    return units


def _mirrored_tanks(data: TankData, period: Ints, cohort: Ints, test: int, reference: int) -> _Units:
    """Tanks by the pair of sequences that turn into each other when test and reference change places.

    Tanks that have lost a period are grouped by what is left of their sequence. A unit's label is true where its
    first of the two arms is the test.
    """
    groups: dict[tuple[object, ...], list[tuple[bool, Ints]]] = {}
    for tank in np.unique(data.block):
        rows = np.flatnonzero(data.block == tank)
        rows = rows[np.argsort(period[rows])]
        arms = data.arm[rows]
        turning = np.isin(arms, (test, reference))
        if not turning.any():
            continue
        neutral = np.where(turning, -1, arms)
        first = arms[turning][0]
        # Relative to its first: a tank with the mirrored sequence has the same pattern.
        pattern = (arms == first)[turning]
        key = (cohort[rows[0]], tuple(period[rows]), tuple(neutral), tuple(pattern))
        groups.setdefault(key, []).append((bool(first == test), rows[turning]))
    units: _Units = []
    for members in groups.values():
        treated = np.array([label for label, _ in members])
        if treated.any() and not treated.all():
            units.append((Stratum(np.zeros(len(members)), None, treated), [rows for _, rows in members]))
    return units


def _half_differences(data: TankData, units: _Units) -> Stratum | None:
    """In a complete crossover of two arms and two periods, the tanks as two groups of half-differences.

    The estimate is the difference of the groups' means, so that all draws are counted, however many.
    """
    if data.period is None or data.x is not None or len(units) != 1 or len(np.unique(data.period)) != 2:
        return None
    part, rows = units[0]
    if len(np.unique(data.arm)) != 2 or any(len(mine) != 2 for mine in rows) or 2 * len(rows) != len(data.y):
        return None
    return Stratum(np.array([(data.y[a] - data.y[b]) / 2 for a, b in rows]), None, part.treated)


def _model_estimator(data: TankData, test: int, reference: int, units: list[list[Ints]]) -> Estimator:
    """Least squares for all draws of a batch: nuisance swept out once, a small system a draw."""
    n = len(data.y)
    blocks = (data.block[:, None] == np.unique(data.block)).astype(float)
    nuisance = orthonormal(np.column_stack([blocks, data.covariates]))
    targets = np.column_stack([data.y - data.y.mean(), (data.arm == test).astype(float)])
    targets = targets - nuisance @ (nuisance.T @ targets)
    codes = [code for code in np.unique(data.arm) if code != reference]
    flat = [rows for members in units for rows in members]
    observed = np.array([data.arm[rows[0]] == test for rows in flat])
    turned = np.where(data.arm == test, reference, test)

    def estimate(labels: Flags) -> tuple[Floats, Floats]:
        flips = np.zeros((len(labels), n), dtype=bool)
        for column, rows in enumerate(flat):
            flips[:, rows] = (labels[:, column] != observed[column])[:, None]
        arms = np.where(flips, turned, data.arm)
        columns = np.stack([arms == code for code in codes], axis=2).astype(float)
        swept = np.einsum("nq,dnk->dqk", nuisance, columns)
        gram = np.einsum("dnk,dnl->dkl", columns, columns) - np.einsum("dqk,dql->dkl", swept, swept)
        scores = np.einsum("dnk,nt->dkt", columns, targets)
        effects = np.linalg.pinv(gram, rcond=1e-10, hermitian=True)[:, codes.index(test)]
        both = np.einsum("dk,dkt->dt", effects, scores)
        return both[:, 0], both[:, 1]

    return estimate
