"""No tank counts twice: the same trial, an amended or interim pack of it, a publication of it, or the same readings."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import pandas as pd

from schemas.errors import PoolingError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trials.pooling.sources import Source

_WHAT = ["variable", "taken_at", "value", "sign"]
_SAME_NAME_SHARE = 0.5
_OTHER_NAME_SHARE = 0.9
_OTHER_NAME_LEAST = 8
_OTHER_NAME_DIFFERENT = 5
"""Tanks of other names are the same if nearly all their readings are, and those are many and varied: coarse kits make
different tanks agree by chance."""


def refuse_counted_twice(sources: Sequence[Source]) -> None:
    """Refuse sources of which two hold the same trial or the same tank.

    Raises
    ------
    PoolingError
        One sentence on the first pair found.
    """
    for one, other in combinations(sources, 2):
        _refuse_same_trial(one, other)
    for one, other in combinations(sources, 2):
        if one.pack is not None and other.pack is not None:
            twice = _same_tank(one, other)
            if twice is not None:
                raise PoolingError(
                    f"Tank {twice[0]} of {one.trial} and tank {twice[1]} of {other.trial} have the same readings, so they "
                    "are one tank counted twice; pool only one of the two packs."
                )


def _refuse_same_trial(one: Source, other: Source) -> None:
    if one.trial == other.trial:
        what = (
            "the same trial twice"
            if one.digest == other.digest
            else "the same trial twice, under another version of its protocol"
        )
        raise PoolingError(
            f"{one.path} and {other.path} are {what} ({one.trial}); its tanks must count once, so give one of them."
        )
    shared = {one.trial, *one.also} & {other.trial, *other.also}
    if shared:
        raise PoolingError(
            f"{one.path} and {other.path} are of the same trial ({min(shared)}), once from a publication; its tanks must "
            "count once, so give one of them."
        )


def _same_tank(one: Source, other: Source) -> tuple[str, str] | None:
    """Two tanks, one of each, that share their readings; None where there are none."""
    frames = [_readings(source) for source in (one, other)]
    both = frames[0].merge(frames[1], on=_WHAT, suffixes=("_1", "_2"))
    if both.empty:
        return None
    sizes = [frame.groupby("tank").size() for frame in frames]
    pairs = both.groupby(["tank_1", "tank_2"])
    found = pd.DataFrame(
        {
            "shared": pairs.size(),
            "different": both.assign(what=both["variable"] + both["value"].astype(str))
            .groupby(["tank_1", "tank_2"])["what"]
            .nunique(),
            "alike": (pairs["place_1"].first() == pairs["place_2"].first()),
        }
    ).reset_index()
    smaller = [min(sizes[0][a], sizes[1][b]) for a, b in zip(found["tank_1"], found["tank_2"], strict=True)]
    share = found["shared"] / pd.Series(smaller, index=found.index)
    same_name = (found["alike"] & (found["tank_1"] == found["tank_2"]) & (share >= _SAME_NAME_SHARE)) & (
        found["shared"] > 1
    )
    renamed = (
        (share >= _OTHER_NAME_SHARE)
        & (found["shared"] >= _OTHER_NAME_LEAST)
        & (found["different"] >= _OTHER_NAME_DIFFERENT)
    )
    twice = found[same_name | renamed]
    return None if twice.empty else (str(twice.iloc[0]["tank_1"]), str(twice.iloc[0]["tank_2"]))


def _readings(source: Source) -> pd.DataFrame:
    """A trial's readings with where their tank stands, each once."""
    assert source.pack is not None  # noqa: S101 - only packs are asked
    places = {tank.id: tank.site or "" for tank in source.pack.protocol.tanks}
    frame = source.pack.readings[["tank", *_WHAT]].drop_duplicates()
    return frame.assign(place=frame["tank"].map(places))
