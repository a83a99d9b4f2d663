"""The report's figures: which are drawn, in which order, and how they enter the page."""

from __future__ import annotations

import os
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from joblib import Parallel, delayed, parallel_config

from analysis.numerals import plain
from analysis.plots import completeness, effects, paired, trajectories
from analysis.plots.theme import render
from analysis.wording import first_primary, variable_title

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable

    import pandas as pd

    from analysis.records import Analysis
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

FEW = 6
"""Fewer figures are drawn sooner in this process than others are started for them."""
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


@dataclass(frozen=True)
class _Plan:
    """A figure to be drawn, in this process or in another: functions with their arguments bound."""

    name: str
    title: str
    figure: Callable[[], Any]
    alt: Callable[[], str]
    narrow: Callable[[], Any] | None = None


def draw(
    protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, analysis: Analysis, until: dt.date
) -> list[Drawing]:
    """Draw the figures in the order of the page: effects and tanks by endpoint, then course and sampling.

    Many are shared out over the cores of this machine; each comes out the same wherever it is drawn.
    """
    plans = _plans(protocol, allocation, readings, analysis, until)
    cores = os.cpu_count() or 1
    if cores == 1 or len(plans) < FEW:
        return [_drawn(plan) for plan in plans]
    with parallel_config(backend="loky", inner_max_num_threads=1):
        return list(Parallel(n_jobs=min(cores, len(plans)))(delayed(_drawn)(plan) for plan in plans))


def _plans(
    protocol: Protocol, allocation: Allocation, readings: pd.DataFrame, analysis: Analysis, until: dt.date
) -> list[_Plan]:
    plans = []
    first = first_primary(analysis)
    for endpoint in sorted(analysis.endpoints, key=lambda e: e is not first):
        title = plain(endpoint.title, 80)
        narrow = partial(effects.figure, endpoint, protocol, width=effects.NARROW)
        plans.append(
            _Plan(
                f"effects-{endpoint.id}",
                f"{title}: each comparison against no difference and the worthwhile difference.",
                partial(effects.figure, endpoint, protocol),
                partial(effects.alt_text, endpoint, protocol),
                narrow if endpoint is first else None,
            )
        )
        plans.append(
            _Plan(
                f"tanks-{endpoint.id}",
                f"{title}: the number of each tank.",
                partial(paired.figure, endpoint, protocol),
                partial(paired.alt_text, endpoint, protocol),
            )
        )
    for variable in dict.fromkeys(endpoint.variable for endpoint in analysis.endpoints):
        name = variable_title(protocol, variable)
        # Only what a figure shows: it may have to travel to another process.
        given = (protocol, allocation, readings[readings["variable"] == variable], variable)
        plans.append(
            _Plan(
                f"course-{variable}",
                f"The course of {name} in each tank.",
                partial(trajectories.figure, *given),
                partial(trajectories.alt_text, *given),
            )
        )
        plans.append(
            _Plan(
                f"sampling-{variable}",
                f"Sampling of {name}: what was kept, and what is missing.",
                partial(completeness.figure, *given, until=until),
                partial(completeness.alt_text, *given, until=until),
            )
        )
    return plans


def _drawn(plan: _Plan) -> Drawing:
    files = render(plan.figure(), "svg", "png")
    narrow = render(plan.narrow(), "svg")["svg"] if plan.narrow else b""
    return Drawing(plan.name, plan.title, plan.alt(), files["svg"], files["png"], narrow)


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
