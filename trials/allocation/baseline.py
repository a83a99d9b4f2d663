"""The baselines that a balance rule is held against: one number a tank from its accepted readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.summaries import phase_series, summarise, with_bounds
from schemas.protocol import BASELINE_PHASE
from schemas.variables import variables_for
from schemas.vocabulary import Summary

if TYPE_CHECKING:
    import pandas as pd

    from schemas.protocol import Protocol


def baseline_means(protocol: Protocol, readings: pd.DataFrame) -> dict[str, float]:
    """Mean of each tank's baseline days of the variable that the balance rule names.

    Parameters
    ----------
    protocol : Protocol
        The sealed protocol.
    readings : DataFrame
        Accepted readings of all variables, one row a reading.

    Returns
    -------
    dict of str to float
        In the canonical unit, duplicates of a day averaged first and a reading below the limit taken at the middle
        of what it can be; tanks without a reading are left out. Empty where the protocol has no balance rule.
    """
    balance = protocol.design.balance
    if balance is None:
        return {}
    own = readings[readings["variable"] == balance.variable]
    series = phase_series(
        with_bounds(own, variables_for(protocol)[balance.variable]), protocol, BASELINE_PHASE
    )
    means = {tank: summarise(days, Summary.MEAN) for tank, days in series.items()}
    return {tank: mean.value for tank, mean in means.items() if mean is not None}
