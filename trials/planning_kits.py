"""The kits of a protocol as planning takes them: how they err, and what a test with each costs."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.observation import USUAL
from schemas.errors import UnitError
from schemas.units import to_canonical
from schemas.variables import variables_for

if TYPE_CHECKING:
    from analysis.observation import KitErrors
    from schemas.protocol import Kit, Protocol
    from schemas.variables import Variable

UNNAMED = "kit"
"""The name of the photometer that is assumed where a protocol describes no kit of a variable."""
TYPICAL = {"nitrate": 20.0, "phosphate": 0.12}
"""mg/L of the ion at which kits are compared: levels that tanks start from, common practice, no source."""


def described_kits(protocol: Protocol, variable: str) -> dict[str, KitErrors]:
    """How the protocol's kits of nitrate or phosphate err, by name; the usual photometer where it has none.

    A kit with steps errs as a colour card does and shows those steps, any other as a photometer; each has its own
    limit. Empty for other variables, of which no kit's errors are known.
    """
    if variable not in USUAL:
        return {}
    known = variables_for(protocol)[variable]
    found = {}
    for kit in protocol.kits:
        if kit.variable == variable:
            try:
                found[kit.id] = _errors(kit, known)
            except UnitError:
                continue  # a unit that the rules of the protocol would have refused
    return found or {UNNAMED: USUAL[variable][0]}


def coarsest(kits: dict[str, KitErrors], variable: str) -> KitErrors:
    """The kit that shows least: of a trial in which each site reads with its own, planning takes the worst."""
    return max(kits.values(), key=lambda kit: (kit.relative_error(TYPICAL[variable]), kit.limit))


def kit_names(protocol: Protocol, variable: str) -> tuple[str, ...]:
    """The kits that a variable may be read with, as named; one without a name where none is described."""
    return tuple(described_kits(protocol, variable)) or (UNNAMED,)


def costs_of_tests(protocol: Protocol, variable: str, otherwise: float) -> dict[str, float]:
    """What one test with each kit costs: its own cost, else the cost given for any."""
    own = {kit.id: kit.cost for kit in protocol.kits if kit.variable == variable}
    return {name: own.get(name) or otherwise for name in kit_names(protocol, variable)}


def reading_errors(protocol: Protocol, variable: str, usual: float) -> dict[str, float]:
    """Standard deviation of one reading with each kit, from that with the usual photometer, on the same scale."""
    if variable not in USUAL:
        return {UNNAMED: usual}
    at = TYPICAL[variable]
    reference = USUAL[variable][0].relative_error(at)
    return {
        name: usual * kit.relative_error(at) / reference
        for name, kit in described_kits(protocol, variable).items()
    }


def _errors(kit: Kit, variable: Variable) -> KitErrors:
    photometer, card = USUAL[variable.id]
    unit = kit.unit or variable.unit
    limit = to_canonical(kit.limit, unit, variable)
    if not kit.steps:
        return replace(photometer, limit=limit)
    steps = tuple(sorted(to_canonical(step, unit, variable) for step in kit.steps))
    return replace(card, limit=limit, step=steps[0], card=steps)
