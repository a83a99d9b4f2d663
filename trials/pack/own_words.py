"""Cells of files as sent, shown only where every word in them is the trial's own, so that none names a person."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

from schemas.events import EVENTS
from schemas.variables import variables_for

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from schemas.protocol import Protocol

_WORD = re.compile(r"[^\W\d_]+")
_USUAL = (
    "tank taken_at at date time datetime variable parameter value unit units replicate kit site kind amount "
    "ND n.d. LOD not detected below limit T Z UTC"
)
_PERSONAL = frozenset({"by", "note", "notes", "comment", "comments", "remark", "remarks"})


class OwnWords:
    """Withholds the cells of a row that hold any word but those of a trial.

    The words are those of its tanks, sites, blocks, kits, check samples, variables, units and kinds of events, and the
    usual headings. A cell without letters is shown; a column of persons or notes never is.
    """

    def __init__(self, protocols: Iterable[Protocol]) -> None:
        texts = [text for protocol in protocols for text in _texts(protocol)]
        self._words = {word.casefold() for text in (*texts, _USUAL) for word in _WORD.findall(text)}
        self._known: dict[str, bool] = {}

    def cells(self, cells: str) -> str:
        """The cells of a row, a JSON object by header: withheld ones null, headings withheld by number."""
        shown: dict[str, str | None] = {}
        for place, (header, cell) in enumerate(json.loads(cells).items(), 1):
            known = self._is_own(header) and header.strip().casefold() not in _PERSONAL
            shown[header if known else f"column {place}"] = cell if known and self._is_own(cell) else None
        return json.dumps(shown, ensure_ascii=False)

    def _is_own(self, text: str) -> bool:
        if text not in self._known:
            self._known[text] = all(word.casefold() in self._words for word in _WORD.findall(text))
        return self._known[text]


def _texts(protocol: Protocol) -> Iterator[str]:
    for tank in protocol.tanks:
        yield from filter(None, (tank.id, tank.site, tank.block))
    yield from (kit.id for kit in protocol.kits)
    yield from (sample.id for sample in protocol.check_samples or ())
    for variable in variables_for(protocol).values():
        yield from (
            variable.id,
            variable.title,
            variable.unit,
            *variable.units,
            *variable.names,
            *variable.refused,
        )
    for form in EVENTS.values():
        yield from (form.kind, form.title, *form.names)
