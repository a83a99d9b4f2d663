"""Names that are spelt like known ones: what a slip of the keyboard may have meant."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

_Meant = TypeVar("_Meant", bound="Hashable")

_LIKE = 0.8
_AS_LIKE = 0.1
_SHORTEST = 4
_LONGEST = 60


def alike(name: str, known: Mapping[str, _Meant]) -> list[_Meant]:
    """What a name may be meant for, the likest first: several where the likest is hardly liker than another.

    Parameters
    ----------
    name : str
        Folded as the known names are.
    known : mapping
        By folded name, what is meant by it; several names may mean the same.

    Returns
    -------
    list
        Empty where the name is like none. A zero for the letter O is a slip by itself; otherwise a name of fewer than
        four letters is like nothing.

    Examples
    --------
    >>> known = {"nitrate": 1, "nitrite": 2, "no3": 1, "tank": 3}
    >>> alike("nitrat", known), alike("nitrte", known), alike("n03", known), alike("fish", known)
    ([1], [1, 2], [1], [])
    """
    lettered = _lettered(name)
    for folded, meant in known.items():
        if _lettered(folded) == lettered:
            return [meant]
    if not _SHORTEST <= len(name) <= _LONGEST:
        return []
    scores: dict[_Meant, float] = {}
    matcher = difflib.SequenceMatcher(b=name, autojunk=False)
    for folded, meant in known.items():
        matcher.set_seq1(folded)
        if matcher.real_quick_ratio() >= _LIKE and matcher.quick_ratio() >= _LIKE:
            ratio = matcher.ratio()
            if ratio >= _LIKE:
                scores[meant] = max(ratio, scores.get(meant, 0.0))
    ranked = sorted(scores, key=lambda meant: -scores[meant])
    return [meant for meant in ranked if scores[meant] > scores[ranked[0]] - _AS_LIKE]


def _lettered(name: str) -> str:
    return name.replace("0", "o")
