"""Values of loggers that cannot be used, by reason: how many, and the first of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from schemas.readings import HoldReason

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

MOST_EXAMPLES = 3


@dataclass
class HeldValues:
    """A count and examples for each reason."""

    counts: dict[HoldReason, int] = field(default_factory=dict)
    examples: dict[HoldReason, list[str]] = field(default_factory=dict)

    def add(self, reason: HoldReason, count: int, examples: Iterable[str]) -> None:
        """Count values that are held for a reason; no more examples are kept than :data:`MOST_EXAMPLES`."""
        if not count:
            return
        self.counts[reason] = self.counts.get(reason, 0) + count
        kept = self.examples.setdefault(reason, [])
        kept.extend(list(examples)[: MOST_EXAMPLES - len(kept)])

    def add_all(self, other: HeldValues) -> None:
        """Count all that another one has."""
        for reason, count in other.counts.items():
            self.add(reason, count, other.examples[reason])

    @property
    def total(self) -> int:
        """All of them."""
        return sum(self.counts.values())

    def __iter__(self) -> Iterator[tuple[HoldReason, int, tuple[str, ...]]]:
        """Reason, count and examples, in the order of the reasons."""
        for reason in HoldReason:
            if reason in self.counts:
                yield reason, self.counts[reason], tuple(self.examples[reason])
