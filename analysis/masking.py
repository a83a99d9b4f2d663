"""Arms shown as letters, so that results can be looked at before anyone should know which arm is which.

The letters follow the SHA-256 of ``digest|masked|arm``, smallest first, and arms, comparisons and flow are shown in
the order of the letters. A mask keeps the eye off the arms; it is no lock: anyone can compute it, and who knows the
arm of one tank knows its letter.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, replace
from itertools import chain, count, product
from string import ascii_uppercase
from typing import TYPE_CHECKING

from schemas.vocabulary import ArmRole, Multiplicity

if TYPE_CHECKING:
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol


@dataclass(frozen=True)
class Mask:
    """The letter of each arm of a trial, and of each name by which a text may call it."""

    letters: dict[str, str]
    names: dict[str, str]

    def text(self, text: str) -> str:
        """A sentence with the arms' ids and titles as letters."""
        if not text:
            return text
        longest_first = sorted(self.names, key=len, reverse=True)
        pattern = "|".join(re.escape(name) for name in longest_first)
        return re.sub(
            rf"(?<![\w-])(?:{pattern})(?![\w-])",
            lambda found: self.names[found[0].casefold()],
            text,
            flags=re.IGNORECASE,
        )

    def protocol(self, protocol: Protocol) -> Protocol:
        """The protocol with letters for arms: all of one role, without their carbon, in the order of the letters.

        Each comparison is of the later letter against the earlier one, so that its direction tells nothing.
        """
        arms = [
            arm.model_copy(
                update={
                    "id": self.letters[arm.id],
                    "title": f"arm {self.letters[arm.id]}",
                    "role": ArmRole.TEST,
                    "carbon": None,
                }
            )
            for arm in protocol.arms
        ]
        pairs = [
            tuple(sorted((self.letters[test], self.letters[reference]), reverse=True))
            for test, reference in protocol.contrasts
        ]
        if protocol.analysis.multiplicity is not Multiplicity.FIXED_ORDER:
            pairs.sort()
        endpoints = tuple(
            e.model_copy(update={"title": self.text(e.title) if e.title else None})
            for e in protocol.endpoints
        )
        return protocol.model_copy(
            update={
                "arms": tuple(sorted(arms, key=lambda arm: arm.id)),
                "analysis": protocol.analysis.model_copy(
                    update={"contrasts": tuple(pairs), "variance": protocol.variance}
                ),
                "endpoints": endpoints,
                "trial": protocol.trial.model_copy(update={"title": self.text(protocol.trial.title)}),
            }
        )

    def allocation(self, allocation: Allocation) -> Allocation:
        """The allocation with letters for arms."""
        return replace(
            allocation,
            assignments=tuple(replace(a, arm=self.letters[a.arm]) for a in allocation.assignments),
            how=self.text(allocation.how),
            notes=tuple(self.text(note) for note in allocation.notes),
        )


def mask_of(protocol: Protocol, digest: str) -> Mask:
    """The mask of a trial, by the digest that it was sealed under."""
    ranked = sorted(
        (arm.id for arm in protocol.arms),
        key=lambda arm: hashlib.sha256(f"{digest}|masked|{arm}".encode()).hexdigest(),
    )
    words = chain.from_iterable(product(ascii_uppercase, repeat=length) for length in count(1))
    letters = {arm: "".join(word) for arm, word in zip(ranked, words, strict=False)}
    names = {arm.casefold(): letter for arm, letter in letters.items()}
    names |= {arm.title.casefold(): letters[arm.id] for arm in protocol.arms if arm.title}
    return Mask(letters, names)
