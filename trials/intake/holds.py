"""What is held, and why: all reasons of a row, each told once."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from schemas.readings import HoldReason
from trials.intake.columns import CodedColumn, Coder

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

Finding = tuple[HoldReason, str]

_ORDER = {reason: place for place, reason in enumerate(HoldReason)}


def told(where: str, text: str) -> str:
    """A sentence about a column, or a sentence by itself with a capital letter."""
    return where + text if where else text[:1].upper() + text[1:]


class Holds:
    """Reasons by line, a line being the position of a row among all rows of the file."""

    def __init__(self) -> None:
        self._reasons: dict[int, dict[Finding, None]] = {}

    def add(self, line: int, reason: HoldReason, text: str) -> None:
        """One more reason of one row; the same one again changes nothing."""
        self._reasons.setdefault(int(line), {})[reason, text] = None

    def add_each(self, lines: Iterable[int], reason: HoldReason, text: str) -> None:
        """One reason of several rows."""
        for line in lines:
            self.add(line, reason, text)

    def lines(self, length: int) -> NDArray[np.bool_]:
        """Which of so many rows are held."""
        held = np.zeros(length, dtype=bool)
        held[list(self._reasons)] = True
        return held

    def as_json(self, length: int) -> CodedColumn:
        """The reasons of each of so many rows, as a JSON list of code and text."""
        coder, codes = Coder({"[]": 0}), np.zeros(length, dtype=np.int32)
        for line, reasons in self._reasons.items():
            ordered = sorted(reasons, key=lambda found: _ORDER[found[0]])
            listed = [{"code": reason.value, "text": text} for reason, text in ordered]
            codes[line] = coder[json.dumps(listed, ensure_ascii=False)]
        return CodedColumn(codes, tuple(coder))

    def add_cells(
        self, lines: NDArray[np.int64], codes: NDArray[np.integer[Any]], findings: Sequence[Finding | None]
    ) -> None:
        """Findings on distinct cells, told in each row that holds such a cell.

        Parameters
        ----------
        lines, codes : array
            Line of each row, and the place of its cell among the distinct ones.
        findings : sequence
            For each distinct cell what was found, or None.
        """
        if not any(findings):
            return
        bad = np.array([finding is not None for finding in findings])
        for position in np.flatnonzero(bad[codes]):
            finding = findings[codes[position]]
            if finding is not None:
                self.add(lines[position], *finding)
