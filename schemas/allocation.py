"""An allocation: which tank has which arm, and how that was decided."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Assignment:
    """One tank and its arm. ``block`` is None in parallel designs without blocks."""

    tank: str
    arm: str
    block: str | None
    site: str | None


@dataclass(frozen=True)
class Allocation:
    """The allocation of a whole trial.

    Parameters
    ----------
    assignments : tuple of Assignment
        One for each allocated tank, in the order of the protocol.
    drawn : bool
        True where fairtank drew it from ``seed``; False where it was recorded as made elsewhere.
    random : bool
        False only where it was recorded with the statement that chance did not decide.
    how : str
        In words: the seed's source, or how somebody else made it.
    seed : str or None
        The seed, where it was drawn here.
    """

    assignments: tuple[Assignment, ...]
    drawn: bool
    random: bool
    how: str
    seed: str | None = None

    def arm_of(self) -> dict[str, str]:
        """Arm by tank."""
        return {assignment.tank: assignment.arm for assignment in self.assignments}
