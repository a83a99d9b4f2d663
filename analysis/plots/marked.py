"""Marks and lines that say which tank they are of, so that an SVG can name it and a page can pick it out.

Matplotlib writes a link around whatever has an address; each mark's address is the tank and the words for it, and
:func:`named` turns these links into plain groups with a title, which a browser shows where the pointer rests.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from plotnine import geom_line, geom_point

if TYPE_CHECKING:
    import pandas as pd

_LINK = re.compile(r'<a xlink:href="([^"|]*)\|([^"]*)"[^>]*>')


class geom_tank_point(geom_point):  # type: ignore[misc] # noqa: N801 - named as plotnine names its own
    """Points with one more aesthetic, ``told``: the tank and the words for a mark, as :func:`told` joins them."""

    def draw_panel(self, data: pd.DataFrame, panel_params: Any, coord: Any, ax: Any) -> None:
        """Draw the points, then give each its address; plotnine makes one collection a shape."""
        before = len(ax.collections)
        super().draw_panel(data, panel_params, coord, ax)
        shapes = data.groupby("shape", dropna=False)["told"]
        for (_, words), collection in zip(shapes, ax.collections[before:], strict=True):
            collection.set_urls(words.tolist())


class geom_tank_line(geom_line):  # type: ignore[misc] # noqa: N801 - as above
    """Lines with ``told``, alike along each line."""

    def draw_panel(self, data: pd.DataFrame, panel_params: Any, coord: Any, ax: Any) -> None:
        """Draw the lines, then give each its address; plotnine makes one a group of two points or more."""
        if not data["group"].duplicated().any():
            return  # no line anywhere, which plotnine would warn of
        before = len(ax.lines)
        super().draw_panel(data, panel_params, coord, ax)
        groups = data.groupby("group")["told"]
        words = groups.first()[groups.size() > 1]
        for line, text in zip(ax.lines[before:], words, strict=True):
            line.set_url(text)


def told(tank: str, words: str) -> str:
    """The address of a mark: its tank, and what a title says of it."""
    return f"{tank}|{words}"


def named(svg: str) -> str:
    r"""Links of marked tanks as groups with a title.

    Examples
    --------
    >>> named('<a xlink:href="q1|q1: 5 mg/L" target="_blank">\n<path/>\n</a>')
    '<g class="of-tank" data-tank="q1"><title>q1: 5 mg/L</title>\n<path/>\n</g>'
    """
    named, found = _LINK.subn(r'<g class="of-tank" data-tank="\1"><title>\2</title>', svg)
    # Nothing else in a figure is a link.
    return named.replace("</a>", "</g>") if found else svg
