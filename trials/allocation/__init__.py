"""Sharing the tanks out over the arms so that anyone can redo it, and recording what others drew.

No random generator is used, since its stream may change from one version to the next. Tanks are ranked by the
SHA-256 of a text that holds the digest of the sealed protocol and a seed that came after the seal; down that
ranking they take what the design has to give, in a fixed order. Any SHA-256 tool gives the same allocation.

``seeds`` settles the seed, ``ranking`` ranks and gives out, ``drawing`` makes the allocation, ``by_hand`` says how
to redo it; ``baseline`` has the numbers that a balance rule is held against; ``recorded`` reads what somebody else
made; ``evenness`` says how evenly the arms were shared out, ``outlook`` what a draw will be able to reach, and
``checking`` holds an allocation against its protocol and its draw.
"""

from trials.allocation.by_hand import instructions
from trials.allocation.checking import check
from trials.allocation.drawing import draw
from trials.allocation.evenness import remarks
from trials.allocation.ranking import Derivation, RankedName, RankedTank, derivation
from trials.allocation.recorded import read_recorded
from trials.allocation.seeds import settle_seed

__all__ = [
    "Derivation",
    "RankedName",
    "RankedTank",
    "check",
    "derivation",
    "draw",
    "instructions",
    "read_recorded",
    "remarks",
    "settle_seed",
]
