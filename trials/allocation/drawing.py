"""Making the allocation of a trial by its draw."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.allocation import Allocation, Assignment
from schemas.vocabulary import DesignKind
from trials.allocation.evenness import crossover_evenness
from trials.allocation.ranking import derivation

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from schemas.protocol import Protocol


def draw(
    protocol: Protocol, digest: str, seed: str | None, baseline: Mapping[str, float] | None = None
) -> Allocation:
    """Draw the allocation of a trial.

    Parameters
    ----------
    protocol : Protocol
        The sealed protocol.
    digest : str
        Its digest, lower-case hexadecimal.
    seed : str or None
        What the source named in the protocol gave; None where the protocol holds the seed.
    baseline : mapping of str to float, optional
        Baseline of each tank (:func:`trials.allocation.baseline.baseline_means`), which a balance rule needs.

    Raises
    ------
    AllocationError
        As :func:`trials.allocation.ranking.derivation`.
    """
    derived = derivation(protocol, digest, seed, baseline)
    assignments = assigned(protocol, {tank.tank: tank.arms for tank in derived.tanks})
    notes = derived.notes
    if protocol.design.kind is DesignKind.CROSSOVER:
        notes = (*notes, crossover_evenness(protocol, assignments))
    values: tuple[tuple[str, float], ...] = ()
    if protocol.design.balance is not None and baseline is not None:
        values = tuple((tank.id, float(baseline[tank.id])) for tank in protocol.tanks)
    return Allocation(
        assignments,
        drawn=True,
        random=True,
        how=protocol.design.seed_from or "the lead chose the seed and wrote it in the protocol",
        seed=derived.seed,
        attempt=derived.attempt,
        balance_values=values,
        notes=notes,
    )


def assigned(protocol: Protocol, arms: Mapping[str, Sequence[str]]) -> tuple[Assignment, ...]:
    """Write out the arms of every tank in the protocol's order, with its block and site, a line for each period."""
    crossover = protocol.design.kind is DesignKind.CROSSOVER
    return tuple(
        Assignment(tank.id, arm, tank.block, tank.site, period if crossover else None)
        for tank in protocol.tanks
        for period, arm in enumerate(arms[tank.id], 1)
    )
