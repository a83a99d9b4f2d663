"""A variable: what is measured, in which units, between which bounds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from schemas.units import Conversion


@dataclass(frozen=True)
class Variable:
    """Something that is measured in a tank.

    Parameters
    ----------
    id, title : str
        Slug and name in words.
    unit : str
        The canonical unit, as printed.
    units : mapping of str to Conversion
        Accepted units in their one spelling, each with its conversion to ``unit``.
    hard : tuple of float
        Lowest and highest possible value, in ``unit``.
    soft : tuple of float or None
        Bounds outside which a reading needs a look.
    resolution : float or None
        The step that a usual field device shows.
    zero_is_censored : bool
        A reading of 0 means "below the limit": it is never accepted as a number.
    form : str
        What exactly is counted, e.g. "nitrate ion (NO3)"; empty where there is no choice.
    source : str
        Where conversions and bounds come from, with their standing.
    names : tuple of str
        Other names that people write for it.
    refused : mapping of str to str
        Units that are met often and cannot be converted, with the reason.
    true_zero : bool
        False for scales whose zero is a convention (°C, pH, mV), of which ratios mean nothing.
    """

    id: str
    title: str
    unit: str
    units: Mapping[str, Conversion] = field(repr=False, hash=False)
    hard: tuple[float, float]
    soft: tuple[float, float] | None
    resolution: float | None
    zero_is_censored: bool
    form: str
    source: str
    names: tuple[str, ...] = ()
    refused: Mapping[str, str] = field(default_factory=dict, repr=False, hash=False)
    true_zero: bool = True

    @property
    def can_be_zero_or_below(self) -> bool:
        """Whether an accepted value can be 0 or negative, so that it has no logarithm."""
        return self.hard[0] <= 0 and not self.zero_is_censored
