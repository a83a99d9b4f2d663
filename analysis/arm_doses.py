"""What the doses written in a protocol come to: carbon and oxygen demand per litre and day of each arm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.tank_parameters import TankParameters
from analysis.water.carbon import product
from analysis.water.doses import carbon_of, oxygen_demand_of, parse_dose, per_litre
from analysis.water.husbandry import standing_for
from analysis.water.stoichiometry import denitrified_per_carbon
from schemas.errors import WaterError

if TYPE_CHECKING:
    from analysis.water.carbon import CarbonSource
    from schemas.protocol import Arm, Protocol


@dataclass(frozen=True)
class ArmDose:
    """The full dose of an arm.

    Parameters
    ----------
    arm : str
    source : CarbonSource or None
        None for an arm without carbon.
    carbon, oxygen : float
        mg/L and day: carbon given (worn off, of a polymer once colonised) and the oxygen that burns it wholly.
    pellets : float
        mg/L standing; 0 for what dissolves.
    """

    arm: str
    source: CarbonSource | None = None
    carbon: float = 0.0
    oxygen: float = 0.0
    pellets: float = 0.0

    @property
    def liquid(self) -> float:
        """Mg C/L/d of what dissolves."""
        return 0.0 if self.pellets else self.carbon

    @property
    def model_pellets(self) -> float:
        """mg/L of the tank model's own polymer that holds as much carbon."""
        share = self.source.carbon_share if self.source else 0.0
        return self.pellets * share / float(TankParameters.pellet_carbon)

    @property
    def nitrogen_per_carbon(self) -> float:
        """G of nitrate-nitrogen denitrified per g of carbon; the tank model's own where there is no carbon."""
        return (
            denitrified_per_carbon(self.source) if self.source else float(TankParameters.nitrogen_per_carbon)
        )


def arm_doses(protocol: Protocol) -> tuple[tuple[ArmDose, ...], tuple[str, ...]]:
    """The doses of the arms that can be read, in the protocol's order, and a sentence for each that cannot.

    A dose for a whole tank counts for the mean of the volumes that are written.
    """
    volumes = [tank.volume_L for tank in protocol.tanks if tank.volume_L is not None]
    volume = sum(volumes) / len(volumes) if volumes else None
    doses, unread = [], []
    for arm in protocol.arms:
        if arm.carbon is None:
            doses.append(ArmDose(arm.id))
        elif arm.carbon.full_dose is None:
            unread.append(f"The arm {arm.id} has no full_dose, so its carbon cannot be worked out.")
        else:
            try:
                doses.append(_read(arm.id, arm.carbon.source, arm.carbon.full_dose, volume))
            except WaterError as error:
                unread.append(f"The carbon of the arm {arm.id} cannot be worked out: {error}")
    return tuple(doses), tuple(unread)


def tank_dose(arm: Arm, litres: float | None) -> ArmDose | None:
    """The full dose of an arm in a tank of so many litres; None where it cannot be read or there is none."""
    if arm.carbon is None or arm.carbon.full_dose is None:
        return None
    try:
        return _read(arm.id, arm.carbon.source, arm.carbon.full_dose, litres)
    except WaterError:
        return None


def _read(arm: str, source: str, full_dose: str, volume: float | None) -> ArmDose:
    what, dose = product(source), parse_dose(full_dose)
    carbon = per_litre(carbon_of(dose, what), dose, volume)
    oxygen = per_litre(oxygen_demand_of(dose, what), dose, volume)
    if not what.source.solid:
        if not dose.daily:
            raise WaterError(f'{dose} of {what.label} says not how often; write it with "/ d".')
        return ArmDose(arm, what.source, carbon, oxygen)
    if dose.daily:
        return ArmDose(
            arm, what.source, carbon, oxygen, pellets=standing_for(carbon) / what.source.carbon_share
        )
    rate = float(TankParameters.pellet_rate)
    return ArmDose(arm, what.source, carbon * rate, oxygen * rate, pellets=carbon / what.source.carbon_share)
