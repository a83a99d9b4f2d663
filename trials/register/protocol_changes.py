"""What an amendment changes: in words, and whether it may."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from schemas.vocabulary import EndpointRole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.protocol import Protocol

FIXED = ("trial", "arms", "design", "tanks")
"""Parts of the protocol that the draw rests on; of the trial it is the id."""


def changes(before: Protocol, after: Protocol) -> list[str]:
    """Say what differs, one sentence a place: ``endpoints.nitrate-mean.worthwhile: 0.8 became 0.7``."""
    old, new = (protocol.model_dump(mode="json", exclude_none=True) for protocol in (before, after))
    return list(_differences(old, new, ""))


def fixed_parts_changed(before: Protocol, after: Protocol) -> list[str]:
    """Name the parts that may not change and do: tanks, arms, design, the trial's id."""
    changed = []
    for part in FIXED:
        old, new = getattr(before, part), getattr(after, part)
        if part == "trial":
            old, new = old.id, new.id
        if part == "tanks":
            old, new = (sorted(tanks, key=lambda tank: tank.id) for tanks in (old, new))
        if old != new:
            changed.append("the trial's id" if part == "trial" else f"the {part}")
    return changed


def primary_changed(before: Protocol, after: Protocol) -> bool:
    """Whether a primary endpoint is analysed otherwise: itself, the schedule it is read by, or how errors are shared."""

    def asked(protocol: Protocol) -> tuple[Any, ...]:
        primary = [e for e in protocol.endpoints if e.role is EndpointRole.PRIMARY]
        untitled = [e.model_copy(update={"title": None}) for e in primary]
        measured = {e.variable for e in primary}
        own = [v.model_copy(update={"title": None}) for v in protocol.variables if v.id in measured]
        kits = [kit for kit in protocol.kits if kit.variable in measured]
        schedule = protocol.schedule.model_copy(
            update={"sampling": tuple(s for s in protocol.schedule.sampling if s.variable in measured)}
        )
        return untitled, own, kits, schedule, protocol.analysis

    return asked(before) != asked(after)


def _differences(old: Any, new: Any, at: str) -> Iterator[str]:
    if old == new:
        return
    if isinstance(old, list) and isinstance(new, list):
        old, new = _keyed(old), _keyed(new)
        if list(old) != list(new) and set(old) == set(new):
            yield f"{at}: the order is another one"
    if isinstance(old, dict) and isinstance(new, dict):
        for name in [*old, *(name for name in new if name not in old)]:
            place = f"{at}.{name}" if at else name
            if name not in old:
                yield f"{place}: {_short(new[name])} was added"
            elif name not in new:
                yield f"{place}: {_short(old[name])} was taken out"
            else:
                yield from _differences(old[name], new[name], place)
        return
    yield f"{at}: {_short(old)} became {_short(new)}"


def _keyed(items: list[Any]) -> dict[str, Any]:
    """A list by the ids of its items, or by what is sampled; by place, from 1, where they have none."""
    for name in ("id", "variable"):
        keyed = {item[name]: item for item in items if isinstance(item, dict) and name in item}
        if items and len(keyed) == len(items):
            return keyed
    return {str(place): item for place, item in enumerate(items, start=1)}


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 200 else f"{text[:199]}…"
