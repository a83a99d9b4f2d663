"""What can be measured in a trial, the built-in catalogue and the protocol's own variables; what endpoints may be of."""

from __future__ import annotations

from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from schemas.derived_variables import DERIVED
from schemas.marine_catalogue import CATALOGUE
from schemas.units import Conversion, normalise_unit
from schemas.variable import Variable

if TYPE_CHECKING:
    from collections.abc import Mapping

    from schemas.protocol import CustomVariable, Protocol

__all__ = ["Variable", "catalogue", "endpoint_variables", "from_custom", "variables_for"]


@cache
def catalogue() -> Mapping[str, Variable]:
    """The built-in variables by id."""
    return MappingProxyType({variable.id: variable for variable in CATALOGUE})


def variables_for(protocol: Protocol) -> dict[str, Variable]:
    """The built-in variables and the protocol's own, by id."""
    return dict(catalogue()) | {custom.id: from_custom(custom) for custom in protocol.variables}


def endpoint_variables(protocol: Protocol) -> dict[str, Variable]:
    """The variables that an endpoint may be of: those that are read, and those worked out from events and readings."""
    return dict(DERIVED) | variables_for(protocol)


def from_custom(custom: CustomVariable) -> Variable:
    """A variable that a protocol brings along; it accepts its own unit only."""
    return Variable(
        id=custom.id,
        title=custom.title or custom.id,
        unit=custom.unit,
        units=MappingProxyType({normalise_unit(custom.unit): Conversion()}),
        hard=custom.hard,
        soft=custom.soft,
        resolution=custom.resolution,
        zero_is_censored=False,
        form="",
        source="the protocol",
    )
