"""An arm's readings described: a mean that non-detects are part of, by the product-limit curve."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.kaplan_meier import Leftover, censored_mean
from analysis.records import ArmReadings
from analysis.summaries import inside
from schemas.vocabulary import Sign

if TYPE_CHECKING:
    from schemas.allocation import Allocation
    from schemas.protocol import Endpoint, Protocol


def described(
    protocol: Protocol, endpoint: Endpoint, allocation: Allocation, readings: pd.DataFrame
) -> tuple[ArmReadings, ...]:
    """One row an arm: readings of the endpoint's variable and phase, in the periods in which the tank had that arm.

    A reading above a kit's limit counts at the limit. The mass below the lowest reading is placed at that limit.
    """
    pieces = []
    for period in range(1, protocol.n_periods + 1):
        arm_of = {a.tank: a.arm for a in allocation.assignments if (a.period or 1) == period}
        mine = readings[inside(readings, protocol, endpoint.phase, period)[1]]
        pieces.append(mine.assign(arm=mine["tank"].map(arm_of)))
    table = pd.concat(pieces)
    return tuple(_row(arm.id, table[table["arm"] == arm.id]) for arm in protocol.arms)


def _row(arm: str, readings: pd.DataFrame) -> ArmReadings:
    sign = readings["sign"].to_numpy(dtype=object)
    below, above = sign == Sign.BELOW.value, sign == Sign.ABOVE.value
    value = readings["value"].to_numpy(dtype=float)
    found = censored_mean(value, np.asarray(below, dtype=bool), Leftover.LIMIT) if len(value) else None
    return ArmReadings(
        arm=arm,
        n=len(value),
        n_below=int(below.sum()),
        n_above=int(above.sum()),
        mean=found.mean if found else None,
        sd=found.sd if found else None,
        leftover=found.leftover if found else None,
        placed_at=found.placed_at if found else None,
    )
