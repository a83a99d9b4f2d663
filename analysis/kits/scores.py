"""Scores of one result against an assigned value, and what they say (ISO 13528:2015, section 9)."""

from __future__ import annotations

import math
from enum import StrEnum

LOOK_FROM, FAILS_FROM = 2.0, 3.0
"""ISO 13528:2015, 9.4.2: a score of 2 is a warning, of 3 asks for action."""
NEGLIGIBLE = 0.3
"""ISO 13528:2015, 9.2.1: an assigned value is certain enough while its uncertainty is at most 0.3 of the spread allowed."""


class Grade(StrEnum):
    """What a check says of a kit, the worst last."""

    NOT_TOLD = "not told"
    HOLDS = "holds"
    LOOK = "look"
    FAILS = "fails"


_RANK = {grade: place for place, grade in enumerate(Grade)}


def worst(grades: list[Grade]) -> Grade:
    """The worst of several; none told where there is none."""
    return max(grades, key=_RANK.__getitem__, default=Grade.NOT_TOLD)


def z_score(value: float, assigned: float, sd: float) -> float:
    """Distance from the assigned value, in standard deviations allowed."""
    return (value - assigned) / sd


def z_prime_score(value: float, assigned: float, sd: float, uncertainty: float) -> float:
    """The same with the uncertainty of the assigned value added to the spread allowed."""
    return (value - assigned) / math.hypot(sd, uncertainty)


def zeta_score(value: float, own: float, assigned: float, uncertainty: float) -> float:
    """Distance from the assigned value, in the standard uncertainties of result and assigned value together."""
    return (value - assigned) / math.hypot(own, uncertainty)


def graded(score: float) -> Grade:
    """Read a score."""
    size = abs(score)
    return Grade.FAILS if size >= FAILS_FROM else Grade.LOOK if size >= LOOK_FROM else Grade.HOLDS
