"""The report's figures: which are drawn, in which order, and how they enter the page."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.numerals import plain
from analysis.plots import completeness, effects, paired, trajectories
from analysis.plots.theme import render
from analysis.wording import first_primary, variable_title

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd

    from analysis.records import Analysis
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_REFERENCE = re.compile(r"url\(#([^)]+)\)")


@dataclass(frozen=True)
class Drawing:
    """A figure ready for the page: ``narrow`` is its form for a phone, where it has one."""

    name: str
    title: str
    alt: str
    svg: bytes
    png: bytes
    narrow: bytes = b""

    def inline(self, *, narrow: bool = False) -> str:
        """Give the SVG as it may stand in a page that holds other figures too."""
        return inline_svg(
            self.narrow if narrow else self.svg, f"{self.name}{'-n' if narrow else ''}", self.alt
        )


def draw(
    protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, analysis: Analysis, until: dt.date
) -> list[Drawing]:
    """Draw the figures in the order of the page: effects and tanks by endpoint, then course and sampling."""
    drawings = []
    first = first_primary(analysis)
    for endpoint in sorted(analysis.endpoints, key=lambda e: e is not first):
        title = plain(endpoint.title, 80)
        narrow = b""
        if endpoint is first:
            narrow = render(effects.figure(endpoint, protocol, width=effects.NARROW), "svg")["svg"]
        files = render(effects.figure(endpoint, protocol), "svg", "png")
        drawings.append(
            Drawing(
                f"effects-{endpoint.id}",
                f"{title}: each comparison against no difference and the worthwhile difference.",
                effects.alt_text(endpoint, protocol),
                files["svg"],
                files["png"],
                narrow,
            )
        )
        files = render(paired.figure(endpoint, protocol), "svg", "png")
        drawings.append(
            Drawing(
                f"tanks-{endpoint.id}",
                f"{title}: the number of each tank.",
                paired.alt_text(endpoint, protocol),
                files["svg"],
                files["png"],
            )
        )
    for variable in dict.fromkeys(endpoint.variable for endpoint in analysis.endpoints):
        name = variable_title(protocol, variable)
        files = render(trajectories.figure(protocol, allocation, readings, variable), "svg", "png")
        drawings.append(
            Drawing(
                f"course-{variable}",
                f"The course of {name} in each tank.",
                trajectories.alt_text(protocol, allocation, readings, variable),
                files["svg"],
                files["png"],
            )
        )
        kept = completeness.figure(protocol, allocation, readings, variable, until=until)
        files = render(kept, "svg", "png")
        drawings.append(
            Drawing(
                f"sampling-{variable}",
                f"Sampling of {name}: what was kept, and what is missing.",
                completeness.alt_text(protocol, allocation, readings, variable, until=until),
                files["svg"],
                files["png"],
            )
        )
    return drawings


def inline_svg(svg: bytes, prefix: str, alt: str) -> str:
    """Make a drawn SVG fit to stand in a page: its own ids, an accessible name, no declarations, no fixed size.

    The drawing is fairtank's own; all text in it is text nodes, and leaves as such.
    """
    ET.register_namespace("", _SVG)
    ET.register_namespace("xlink", _XLINK)
    root = ET.fromstring(svg)  # noqa: S314 - drawn here, not received
    for parent in root.iter():
        for child in list(parent):
            if child.tag in {f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"}:
                parent.remove(child)
    for element in root.iter():
        for name, value in element.attrib.items():
            if name == "id":
                element.set(name, f"{prefix}-{value}")
            elif name == f"{{{_XLINK}}}href":
                element.set(name, f"#{prefix}-{value.removeprefix('#')}")
            elif "url(#" in value:
                element.set(name, _REFERENCE.sub(rf"url(#{prefix}-\1)", value))
    del root.attrib["width"], root.attrib["height"]
    root.set("style", "stroke-linejoin: round; stroke-linecap: butt")
    root.set("role", "img")
    root.set("aria-label", alt)
    return ET.tostring(root, encoding="unicode")
