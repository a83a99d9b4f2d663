"""What may change an effect from trial to trial: the carbon dosed, and the nitrate that tanks started from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.arm_doses import arm_doses
from analysis.summaries import phase_series, with_bounds
from schemas.protocol import BASELINE_PHASE
from schemas.variables import variables_for

if TYPE_CHECKING:
    import pandas as pd

    from schemas.protocol import Protocol

DOSE, STARTING_NITRATE = "dose", "starting_nitrate"
UNITS = {DOSE: "mg C/L/d", STARTING_NITRATE: "mg/L"}
_NITRATE = "nitrate"


def modifiers_of(protocol: Protocol, readings: pd.DataFrame) -> dict[str, dict[str, float]]:
    """By arm: its carbon at full dose, mg/L and day, and the mean nitrate of all tanks in the baseline, mg/L.

    What cannot be known is left out.
    """
    shared = {}
    start = _starting_nitrate(protocol, readings)
    if start is not None:
        shared[STARTING_NITRATE] = start
    doses = {dose.arm: dose.carbon for dose in arm_doses(protocol)[0] if dose.source is not None}
    return {arm.id: shared | ({DOSE: doses[arm.id]} if arm.id in doses else {}) for arm in protocol.arms}


def _starting_nitrate(protocol: Protocol, readings: pd.DataFrame) -> float | None:
    """Mean over tanks of the mean of their baseline days; a reading below a limit counts half of it."""
    if BASELINE_PHASE not in protocol.phase_days:
        return None
    own = readings[readings["variable"] == _NITRATE]
    bounded = with_bounds(own, variables_for(protocol)[_NITRATE], protocol.kits)
    tanks = [float(series.mid.mean()) for series in phase_series(bounded, protocol, BASELINE_PHASE).values()]
    return float(np.mean(tanks)) if tanks else None
