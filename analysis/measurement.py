"""How well the kits measured: repeatability from duplicates, agreement of kits, nitrate against phosphate inside tanks.

Descriptive, beside every trial: nothing is corrected by it.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from analysis.agreement import agreement, repeated_agreement
from analysis.records import InsideTanks, KitAgreement, Measurement, VariableRepeatability
from analysis.repeatability import repeatability
from analysis.tank_correlation import correlation_inside_tanks
from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from analysis.agreement import Agreement, RepeatedAgreement

_TOGETHER = ("nitrate", "phosphate")
"""Assimilation takes both, denitrification the first alone: their correlation inside tanks hints at which."""


def measurement(readings: pd.DataFrame, level: float) -> Measurement:
    """All that duplicates, several kits and several variables tell; censored readings are left out.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings: ``tank``, ``taken_at``, ``variable``, ``value``, ``sign``, ``kit``.
    level : float
        Confidence level of all limits.
    """
    sure = readings[readings["sign"] == ""]
    sure = sure.assign(day=sure["taken_at"].dt.normalize(), kit=sure.get("kit", ""))
    return Measurement(
        repeatability=tuple(_repeatabilities(sure, level)),
        agreement=tuple(_agreements(sure, level)),
        inside_tanks=tuple(_inside_tanks(sure, level)),
    )


def _repeatabilities(sure: pd.DataFrame, level: float) -> Iterator[VariableRepeatability]:
    """From readings of the same water by the same kit on the same day: each such set is a group of its own."""
    for (variable, kit), rows in sure.groupby(["variable", "kit"], sort=True):
        groups = rows.groupby(["tank", "day"])["value"]
        if not (groups.size() > 1).any():
            continue
        found = repeatability(
            rows["value"].to_numpy(dtype=float), np.asarray(groups.ngroup(), dtype=np.int64), level=level
        )
        yield VariableRepeatability(
            str(variable), str(kit), found.df, found.sd.value, found.sd.low, found.sd.high, found.limit.value
        )


def _agreements(sure: pd.DataFrame, level: float) -> Iterator[KitAgreement]:
    """From days on which two kits read the same tank: the mean of each kit's readings of that day."""
    named = sure[sure["kit"] != ""]
    for variable, rows in named.groupby("variable", sort=True):
        table = rows.pivot_table("value", ["tank", "day"], "kit")
        for first, second in combinations(table.columns, 2):
            pairs = table[[first, second]].dropna()
            found = _agreement(pairs, level)
            if found is None:
                continue
            yield KitAgreement(
                str(variable), str(first), str(second), len(pairs), found.bias.value, found.bias.low,
                found.bias.high, found.lower.value, found.upper.value,
            )  # fmt: skip


def _agreement(pairs: pd.DataFrame, level: float) -> Agreement | RepeatedAgreement | None:
    """One pair a tank, or several; None where there are too few."""
    first, second = (pairs[name].to_numpy(dtype=float) for name in pairs.columns)
    tanks = pairs.index.get_level_values("tank")
    codes = np.unique(tanks, return_inverse=True)[1]
    try:
        if len(np.unique(codes)) == len(codes):
            return agreement(first, second, level=level)
        return repeated_agreement(first, second, codes, level=level)
    except AnalysisError:
        return None  # fewer pairs than limits of agreement need: nothing to describe


def _inside_tanks(sure: pd.DataFrame, level: float) -> Iterator[InsideTanks]:
    table = sure[sure["variable"].isin(_TOGETHER)]
    table = table.pivot_table("value", ["tank", "day"], "variable")
    if not set(_TOGETHER) <= set(table.columns):
        return
    both = table.dropna()
    tanks = np.unique(both.index.get_level_values("tank"), return_inverse=True)[1]
    second, first = _TOGETHER
    x, y = (both[name].to_numpy(dtype=float) for name in (first, second))
    found = correlation_inside_tanks(x, y, tanks, level=level) if len(both) else None
    if found is not None:
        yield InsideTanks(first, second, found.df, found.r, found.low, found.high, found.p, found.slope)
