"""An allocation: which tank has which arm, and how that was decided."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Assignment:
    """One tank and its arm, in a crossover in one ``period`` (from 1; None in every other design).

    ``block`` is None where the protocol names none.
    """

    tank: str
    arm: str
    block: str | None
    site: str | None
    period: int | None = None


@dataclass(frozen=True)
class Allocation:
    """The allocation of a whole trial.

    Parameters
    ----------
    assignments : tuple of Assignment
        One for each allocated tank (in a crossover: for each tank and period), in the order of the protocol.
    drawn : bool
        True where fairtank drew it from ``seed``; False where it was recorded as made elsewhere.
    random : bool
        False only where it was recorded with the statement that chance did not decide.
    how : str
        In words: the seed's source, or how somebody else made it.
    seed : str or None
        The seed, where it was drawn here.
    attempt : int or None
        In a draw under a balance rule, the counter of the first draw that met it, from 1.
    balance_values : tuple of (str, float)
        The tanks and the baseline means that the balance rule was held against.
    notes : tuple of str
        Plain sentences on what the draw reached, such as how evenly pairs of arms meet.
    """

    assignments: tuple[Assignment, ...]
    drawn: bool
    random: bool
    how: str
    seed: str | None = None
    attempt: int | None = None
    balance_values: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()

    def arm_of(self, period: int | None = None) -> dict[str, str]:
        """Arm by tank; in a crossover by tank in one period.

        Parameters
        ----------
        period : int, optional
            The period, from 1. It has to be given in a crossover, where a tank has no one arm, and only there.

        Raises
        ------
        ValueError
            A crossover without a period, or a period that the allocation does not have.
        """
        periods = {assignment.period for assignment in self.assignments}
        if periods and period not in periods:
            raise ValueError(
                f"the allocation has no arms of period {period}; see sequence_of for a crossover"
            )
        return {a.tank: a.arm for a in self.assignments if a.period == period}

    def sequence_of(self) -> dict[str, tuple[str, ...]]:
        """Arms by tank in the order of the periods: one arm, except in a crossover."""
        sequences: dict[str, tuple[str, ...]] = {}
        for assignment in sorted(self.assignments, key=lambda a: a.period or 0):
            sequences[assignment.tank] = (*sequences.get(assignment.tank, ()), assignment.arm)
        return sequences
