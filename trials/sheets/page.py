"""The page of a site for a phone: one file with everything in it, that asks for nothing from elsewhere.

A policy in its head lets run only the one script and style whose digests it names, and lets nothing be fetched or sent.
"""

from __future__ import annotations

import base64
import hashlib
import json
from importlib import resources
from typing import TYPE_CHECKING, Any

import jinja2

from analysis.numerals import plain
from schemas.events import EVENTS, EventKind
from trials.cautions import caution_at
from trials.sheets.site import GIVEN
from trials.typesetting import typeset

if TYPE_CHECKING:
    from schemas.events import EventForm
    from trials.sheets.asked import Asked
    from trials.sheets.site import SiteSheet

_COLUMNS = {
    "readings": ["tank", "taken_at", "variable", "value", "unit", "replicate", "kit", "by", "note", "site"],
    "events": ["tank", "at", "kind", "amount", "unit", "by", "note", "site"],
}
_UNIT_WORDS = {"1": "animals", "%": "% of the tank"}


def page_of(site: SiteSheet) -> str:
    """The page as text."""
    script, style = (_part(name) for name in ("sheet.js", "sheet.css"))
    templates = jinja2.Environment(
        loader=jinja2.PackageLoader("trials", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters |= {"typeset": typeset, "plain": plain}
    return templates.get_template("sheet.html.j2").render(
        site=site,
        samples=[{"id": sample.id, "label": f"{sample.id} (check sample)"} for sample in site.samples],
        first=site.days[0].isoformat(),
        question=None if site.masked else site.protocol.trial.question,
        events=[{"kind": kind.value, "title": form.title} for kind, form in EVENTS.items()],
        given=GIVEN,
        steps=any(dose.steps for dose in site.arms),
        data=_as_script(_data(site)),
        script=script,
        script_hash=_hash(script),
        style=style,
        style_hash=_hash(style),
    )


def _part(name: str) -> str:
    return resources.files("trials").joinpath("templates", name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """A digest as a content security policy names it."""
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"


def _as_script(data: dict[str, Any]) -> str:
    """JSON that cannot end the element it stands in, whatever its texts hold."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _data(site: SiteSheet) -> dict[str, Any]:
    """What the script needs to know."""
    place = {units[0].variable.id: number for number, units in enumerate(site.everything_asked)}
    planned: dict[str, dict[str, list[int]]] = {}
    for row in site.rows:
        planned.setdefault(row.day.isoformat(), {})[row.tank] = sorted(place[name] for name in row.variables)
    return {
        "trial": site.trial,
        "site": site.site,
        "stem": site.name,
        "lead": site.lead,
        "first": site.days[0].isoformat(),
        "columns": _COLUMNS,
        "variables": [
            {
                "id": units[0].variable.id,
                "title": units[0].title,
                "neverZero": units[0].variable.zero_is_censored,
                "units": [_unit(asked) for asked in units],
            }
            for units in site.everything_asked
        ],
        "planned": planned,
        "samples": {sample.id: sample.variable for sample in site.samples},
        "events": {kind.value: _event(kind, form) for kind, form in EVENTS.items()},
    }


def _unit(asked: Asked) -> dict[str, Any]:
    low, high = asked.bounds
    return {
        "unit": asked.unit,
        "shown": asked.shown_unit,
        "kits": [
            {"id": kit.id, "limit": f"{kit.limit:g}", "steps": [f"{step:g}" for step in kit.steps or ()]}
            for kit in asked.kits
        ],
        "low": low,
        "high": high,
        "usual": asked.usual,
        "help": asked.help,
        "example": asked.example,
        "range": asked.range_in_words,
        "rules": [{"below": rule.below, "above": rule.above, "text": rule.text} for rule in asked.thresholds],
    }


def _event(kind: EventKind, form: EventForm) -> dict[str, Any]:
    """A kind of event: its units, the canonical ones only, and the caution that goes with it."""
    units = list(dict.fromkeys(canonical for canonical, _ in form.units.values()))
    units += ["%"] if form.takes_percent else []
    return {
        "title": form.title,
        "units": [[unit, _UNIT_WORDS.get(unit, unit)] for unit in units],
        "whole": form.whole,
        "caution": caution_at(kind),
    }
