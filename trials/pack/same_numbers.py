"""Whether two documents say the same: numbers to a stated tolerance, all else exactly."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

TOLERANCE = 1e-9
"""Relative; machines differ by some 1e-13 where they add in another order, and iterated fits by some 1e-10."""
_NEAR_ZERO = 1e-12


def differences(was: Any, now: Any, place: str = "") -> Iterator[tuple[str, str, str]]:
    """Each place where two documents of JSON differ: the place, what stood there, what stands there now."""
    if isinstance(was, dict) and isinstance(now, dict):
        for name in sorted(was.keys() | now.keys()):
            inside = f"{place}.{name}" if place else name
            if name not in was or name not in now:
                yield inside, _shown(was.get(name, "nothing")), _shown(now.get(name, "nothing"))
            else:
                yield from differences(was[name], now[name], inside)
    elif isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        for number, (one, other) in enumerate(zip(was, now, strict=True)):
            yield from differences(one, other, f"{place}[{number}]")
    elif not _same(was, now):
        yield place, _shown(was), _shown(now)


def _same(was: Any, now: Any) -> bool:
    numbers = all(isinstance(value, int | float) and not isinstance(value, bool) for value in (was, now))
    if numbers:
        try:
            return math.isclose(was, now, rel_tol=TOLERANCE, abs_tol=_NEAR_ZERO)
        except OverflowError:  # a whole number beyond all floats
            return bool(was == now)
    return type(was) is type(now) and bool(was == now)


def _shown(value: Any) -> str:
    text = repr(value) if not isinstance(value, str) else value
    return text if len(text) <= 80 else f"{text[:80]}..."
