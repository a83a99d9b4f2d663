"""The change of many before-after series, each by least squares with its own serial correlation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.serial import SerialModel
from analysis.vectorised import ManyFits

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.precision import Layout

    Floats = NDArray[np.float64]


def fit_series(days: Sequence[float], layout: Layout, y: Floats) -> ManyFits:
    """The change of every series, y of shape (trials, days), with serial correlation estimated.

    Raises
    ------
    AnalysisError
        Too few days for a serial correlation beside two means.
    """
    day = np.array(days, dtype=float)
    columns = np.column_stack([np.ones(len(day)), layout.arm.astype(float)])
    estimate, se, df = (np.full(len(y), np.nan) for _ in range(3))
    for trial, series in enumerate(y):
        fit = SerialModel(series, columns, day).contrast(np.array([0.0, 1.0]), 0.95, len(day))
        if fit is not None:
            estimate[trial] = fit.estimate
            se[trial], df[trial] = (np.nan if value is None else value for value in (fit.se, fit.df))
    return ManyFits(estimate, se, df)
