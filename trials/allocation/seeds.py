"""The seed of a draw: who chose it, and whether it can be typed again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.errors import AllocationError

if TYPE_CHECKING:
    from schemas.protocol import Protocol


def settle_seed(protocol: Protocol, seed: str | None) -> str:
    """Settle the text that the draw hashes: the seed given, or the one written in the protocol.

    Surrounding spaces are taken off; all else stays as typed.

    Raises
    ------
    AllocationError
        No seed to be had; a seed other than the one sealed; a seed for a protocol that named no source for it,
        which would let its giver choose the draw; or a character in it that cannot be seen.
    """
    given = None if seed is None else seed.strip()
    sealed = protocol.design.seed
    if sealed is not None:
        if given not in (None, sealed):
            raise AllocationError(
                f'The seed "{given}" is not the one sealed in the protocol, "{sealed}"; leave the seed out.'
            )
        return sealed
    source = protocol.design.seed_from
    if source is None:
        raise AllocationError(
            "The protocol names neither a seed nor where one comes from (design.seed_from), so a draw could be "
            "chosen after the seal; record an allocation made elsewhere instead, with how it was made."
        )
    if not given:
        raise AllocationError(f"The draw needs its seed, which the protocol takes from: {source}.")
    unseen = next((character for character in given if not character.isprintable()), None)
    if unseen is not None:
        raise AllocationError(
            f"The seed holds a character that cannot be seen (U+{ord(unseen):04X}), so nobody could type it again; "
            "type the seed with plain characters and spaces."
        )
    return given
