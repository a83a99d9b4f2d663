"""The report's figures: which are drawn, in which order, and how they enter the page."""

from __future__ import annotations

import os
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from joblib import Parallel, delayed, parallel_config

from analysis.dosed_tanks import LOW_PHOSPHATE
from analysis.null_distribution import null_distributions
from analysis.numerals import plain
from analysis.plots import (
    completeness,
    doses,
    effects,
    flow,
    nutrients,
    paired,
    redrawn,
    target,
    trajectories,
)
from analysis.plots.theme import WIDTH, render
from analysis.target_curves import target_curves
from analysis.wording import first_primary, variable_title
from schemas.variables import variables_for
from schemas.vocabulary import EndpointRole

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd

    from analysis.records import EndpointResult
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from trials.report_material import ReportMaterial

MM = 25.4
"""Millimetres of an inch."""
SINGLE, DOUBLE = 88 / MM, 178 / MM
"""Inches; widths of one and of two columns of a journal's page, common practice, no source."""
PRINT_DPI = 300
FEW = 6
"""Fewer figures are drawn sooner in this process than others are started for them."""
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_REFERENCE = re.compile(r"url\(#([^)]+)\)")


@dataclass(frozen=True)
class Drawing:
    """A figure ready for the page: ``narrow`` is its form for a phone, ``pdf`` for print, where it has them."""

    name: str
    title: str
    alt: str
    svg: bytes
    png: bytes
    narrow: bytes = b""
    pdf: bytes = b""
    width_mm: float = WIDTH * MM

    def inline(self, *, narrow: bool = False) -> str:
        """Give the SVG as it may stand in a page that holds other figures too."""
        return inline_svg(
            self.narrow if narrow else self.svg, f"{self.name}{'-n' if narrow else ''}", self.alt
        )


@dataclass(frozen=True)
class Plan:
    """A figure to be drawn, in this process or in another: functions with their arguments bound."""

    name: str
    title: str
    figure: Callable[..., Any]
    alt: Callable[[], str]
    narrow: Callable[[], Any] | None = None
    width: float = WIDTH

    def at(self, width: float) -> Plan:
        """The same figure at another width, in inches."""
        return replace(self, figure=partial(self.figure, width=width), narrow=None, width=width)


def draw(plans: Sequence[Plan]) -> list[Drawing]:
    """Draw figures, in their order.

    Many are shared out over the cores of this machine; each comes out the same wherever it is drawn.
    """
    return shared_out(_drawn, plans)


def draw_for_print(plans: Sequence[Plan]) -> list[Drawing]:
    """Draw figures for print: PDF beside SVG and PNG, at their width and with enough dots."""
    return shared_out(_drawn_for_print, plans)


def shared_out(task: Callable[[Any], Any], items: Sequence[Any]) -> list[Any]:
    """Results of a task for all items: over the cores where that is quicker than starting them."""
    cores = os.cpu_count() or 1
    if cores == 1 or len(items) < FEW:
        return [task(item) for item in items]
    with parallel_config(backend="loky", inner_max_num_threads=1):
        return list(Parallel(n_jobs=min(cores, len(items)))(delayed(task)(item) for item in items))


def record_plans(m: ReportMaterial) -> list[Plan]:
    """Figures of the full record in the order of its page: by endpoint, then course, sampling, doses."""
    first = first_primary(m.analysis)
    plans = [answer_plan(m)] if first else []
    for endpoint in sorted(m.analysis.endpoints, key=lambda e: e is not first):
        plans += _of_endpoint(m, endpoint, first=endpoint is first)
    for variable in dict.fromkeys(endpoint.variable for endpoint in m.analysis.endpoints):
        if variable in variables_for(m.protocol):  # what is worked out has one number a tank, and no course
            plans += [course_plan(m, variable), _sampling_plan(m, variable)]
    return [*plans, *water_plans(m)]


def answer_plan(m: ReportMaterial) -> Plan:
    """The figure that answers the question: the comparisons of the first primary endpoint."""
    first = first_primary(m.analysis)
    assert first is not None  # noqa: S101 - a protocol has an endpoint
    return _effects_plan(m, first, narrow=True)


def _of_endpoint(m: ReportMaterial, endpoint: EndpointResult, *, first: bool) -> list[Plan]:
    plans = [] if first else [_effects_plan(m, endpoint, narrow=False)]
    plans.append(tanks_plan(m, endpoint))
    if first or endpoint.role is EndpointRole.PRIMARY:
        plans += [flow_plan(m, endpoint), *redrawn_plans(m, endpoint)]
    return [*plans, *target_plans(m, endpoint)]


def _effects_plan(m: ReportMaterial, endpoint: EndpointResult, *, narrow: bool) -> Plan:
    return Plan(
        f"effects-{endpoint.id}",
        f"{plain(endpoint.title, 80)}: each comparison against no difference and the worthwhile difference.",
        partial(effects.figure, endpoint, m.protocol),
        partial(effects.alt_text, endpoint, m.protocol),
        partial(effects.figure, endpoint, m.protocol, width=effects.NARROW) if narrow else None,
    )


def tanks_plan(m: ReportMaterial, endpoint: EndpointResult) -> Plan:
    """The one number of each tank."""
    return Plan(
        f"tanks-{endpoint.id}",
        f"{plain(endpoint.title, 80)}: the number of each tank.",
        partial(paired.figure, endpoint, m.protocol),
        partial(paired.alt_text, endpoint, m.protocol),
    )


def flow_plan(m: ReportMaterial, endpoint: EndpointResult) -> Plan:
    """What became of the tanks."""
    return Plan(
        f"flow-{endpoint.id}",
        f"{plain(endpoint.title, 80)}: what became of the tanks.",
        partial(flow.figure, endpoint, m.protocol),
        partial(flow.alt_text, endpoint, m.protocol),
    )


def redrawn_plans(m: ReportMaterial, endpoint: EndpointResult) -> list[Plan]:
    """The randomisation distribution of each comparison, where there is one."""
    laws = null_distributions(m.protocol, m.allocation, m.analysis, endpoint)
    if not laws:
        return []
    return [
        Plan(
            f"redrawn-{endpoint.id}",
            f"{plain(endpoint.title, 80)}: what other draws would have shown if the treatments did nothing.",
            partial(redrawn.figure, laws, endpoint, m.protocol),
            partial(redrawn.alt_text, laws, endpoint, m.protocol),
        )
    ]


def target_plans(m: ReportMaterial, endpoint: EndpointResult) -> list[Plan]:
    """Days to target, for an endpoint that asks for them."""
    if not endpoint.curves:
        return []
    curves = target_curves(endpoint)
    return [
        Plan(
            f"target-{endpoint.id}",
            f"{plain(endpoint.title, 80)}: share of tanks not yet at target.",
            partial(target.figure, curves, endpoint, m.protocol),
            partial(target.alt_text, curves, endpoint, m.protocol),
        )
    ]


def course_plan(m: ReportMaterial, variable: str) -> Plan:
    """A variable over time in each tank."""
    given = _given(m, variable)
    return Plan(
        f"course-{variable}",
        f"The course of {variable_title(m.protocol, variable)} in each tank.",
        partial(trajectories.figure, *given),
        partial(trajectories.alt_text, *given),
    )


def _sampling_plan(m: ReportMaterial, variable: str) -> Plan:
    given, until = _given(m, variable), m.made_at.date()
    return Plan(
        f"sampling-{variable}",
        f"Sampling of {variable_title(m.protocol, variable)}: what was kept, and what is missing.",
        partial(completeness.figure, *given, until=until),
        partial(completeness.alt_text, *given, until=until),
    )


def _given(m: ReportMaterial, variable: str) -> tuple[Protocol, Allocation, pd.DataFrame, str]:
    """Only what a figure shows: it may have to travel to another process."""
    return m.protocol, m.allocation, m.readings[m.readings["variable"] == variable], variable


def water_plans(m: ReportMaterial) -> list[Plan]:
    """Nitrate against phosphate, where both are measured; doses and events, where any are recorded."""
    plans = []
    if nutrients.measured(m.protocol):
        both = m.readings[m.readings["variable"].isin(nutrients.BOTH)]
        given = (m.protocol, m.allocation, both, spent_phosphate(m.protocol))
        plans.append(
            Plan(
                "nitrate-phosphate",
                "Nitrate against phosphate in each tank.",
                partial(nutrients.figure, *given),
                partial(nutrients.alt_text, *given),
            )
        )
    if len(m.events):
        shown = (m.protocol, m.allocation, m.events)
        plans.append(
            Plan(
                "doses",
                "Doses given to each tank, summed over time.",
                partial(doses.figure, *shown),
                partial(doses.alt_text, *shown),
            )
        )
    return plans


def article_plans(m: ReportMaterial) -> list[Plan]:
    """Figures of an article at column width: flow, course, effects and tanks of the first primary endpoint, and its law."""
    first = first_primary(m.analysis)
    if first is None:
        return []
    plans = [
        flow_plan(m, first).at(DOUBLE),
        course_plan(m, first.variable).at(DOUBLE),
        answer_plan(m).at(SINGLE),
        tanks_plan(m, first).at(SINGLE),
        *(plan.at(SINGLE) for plan in (*target_plans(m, first), *redrawn_plans(m, first))),
    ]
    return [*plans, *(plan.at(DOUBLE) for plan in water_plans(m))]


def spent_phosphate(protocol: Protocol) -> float:
    """The phosphate at which a trial counts it as run out: its own stop rule, else common practice."""
    own = [r.below for r in protocol.stop_rules if r.variable == "phosphate" and r.below is not None]
    return max(own, default=LOW_PHOSPHATE)


def _drawn(plan: Plan) -> Drawing:
    files = render(plan.figure(), "svg", "png")
    narrow = render(plan.narrow(), "svg")["svg"] if plan.narrow else b""
    return Drawing(plan.name, plan.title, plan.alt(), files["svg"], files["png"], narrow)


def _drawn_for_print(plan: Plan) -> Drawing:
    files = render(plan.figure(), "svg", "png", "pdf", dpi=PRINT_DPI)
    return Drawing(
        plan.name,
        plan.title,
        plan.alt(),
        files["svg"],
        files["png"],
        pdf=files["pdf"],
        width_mm=plan.width * MM,
    )


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
    root.set("aria-label", plain(alt))
    return ET.tostring(root, encoding="unicode")
