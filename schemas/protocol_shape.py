"""Keys, types and single values of a protocol, held against the model; faults in plain sentences."""

from __future__ import annotations

import datetime as dt
import json
import re
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ValidationError

from schemas import protocol as model
from schemas.plain_words import listed, nearest, quoted
from schemas.protocol_places import Fault, Path, pattern

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic_core import ErrorDetails

_TABLES: dict[str, type[BaseModel]] = {
    "": model.Protocol,
    "trial": model.Trial,
    "arms": model.Arm,
    "arms.carbon": model.Carbon,
    "design": model.Design,
    "design.balance": model.Balance,
    "tanks": model.Tank,
    "schedule": model.Schedule,
    "schedule.phases": model.Phase,
    "schedule.sampling": model.Sampling,
    "variables": model.CustomVariable,
    "kits": model.Kit,
    "endpoints": model.Endpoint,
    "analysis": model.AnalysisPlan,
    "planning": model.Planning,
    "stop_rules": model.StopRule,
    "check_samples": model.CheckSample,
}
_EXAMPLES = {
    "format": "format = 1",
    "trial": '[trial] with id = "quillmere-2026" and title = "..."',
    "trial.id": 'id = "quillmere-2026"',
    "trial.licence": 'licence = "CC-BY-4.0"',
    "arms": "[[arms]], once for each arm",
    "arms.id": 'id = "control"',
    "arms.role": 'role = "control"',
    "arms.carbon": 'carbon = { source = "phb", full_dose = "50 g / 100 L" }',
    "arms.carbon.source": 'source = "phb"',
    "arms.carbon.full_dose": 'full_dose = "50 g / 100 L"',
    "arms.carbon.cost": "cost = 28",
    "design": '[design] with kind = "blocks" and seed_from = "..."',
    "design.kind": 'kind = "blocks"',
    "design.seed": 'seed = "4 17 23 31 40"',
    "design.seed_from": 'seed_from = "the numbers drawn at the meeting of 4 April"',
    "design.periods": "periods = 2",
    "design.washout_days": "washout_days = 56",
    "design.balance": 'balance = { variable = "nitrate", max_gap = 2.0 }',
    "design.balance.variable": 'variable = "nitrate"',
    "design.balance.max_gap": "max_gap = 2.0",
    "tanks": '[[tanks]], once for each tank, or tanks = "tanks.csv"',
    "tanks.id": 'id = "q01-a"',
    "tanks.site": 'site = "q01"',
    "tanks.block": 'block = "q01"',
    "tanks.volume_L": "volume_L = 180",
    "schedule": "[schedule] with start and phases",
    "schedule.start": "start = 2026-03-02",
    "schedule.phases": 'phases = [ { id = "baseline", days = 28 }, { id = "assessment", days = 84 } ]',
    "schedule.phases.id": 'id = "assessment"',
    "schedule.phases.days": "days = 28",
    "schedule.sampling": 'sampling = [ { variable = "nitrate", every_days = 7 } ]',
    "schedule.sampling.variable": 'variable = "nitrate"',
    "schedule.sampling.every_days": "every_days = 7",
    "schedule.starts": "starts = { cohort-b = 2026-04-13 }",
    "variables": "[[variables]], once for each variable of your own",
    "variables.id": 'id = "effort"',
    "variables.unit": 'unit = "1"',
    "variables.hard": "hard = [0, 100]",
    "variables.soft": "soft = [0, 30]",
    "variables.resolution": "resolution = 0.5",
    "kits": "[[kits]], once for each kit",
    "kits.id": 'id = "photometer-a"',
    "kits.variable": 'variable = "phosphate"',
    "kits.limit": "limit = 0.02",
    "kits.unit": 'unit = "mg/L"',
    "kits.steps": "steps = [1, 2, 5, 10, 25, 50]",
    "kits.cost": "cost = 0.80",
    "endpoints": "[[endpoints]], once for each endpoint",
    "endpoints.id": 'id = "nitrate-mean"',
    "endpoints.role": 'role = "primary"',
    "endpoints.variable": 'variable = "nitrate"',
    "endpoints.summary": 'summary = "mean"',
    "endpoints.phase": 'phase = "assessment"',
    "endpoints.baseline": 'baseline = "adjust"',
    "endpoints.scale": 'scale = "ratio"',
    "endpoints.better": 'better = "lower"',
    "endpoints.worthwhile": "worthwhile = 0.80",
    "endpoints.target": "target = 5.0",
    "endpoints.held": "held = 2",
    "analysis": "[analysis] with alpha, variance, multiplicity or contrasts",
    "analysis.alpha": "alpha = 0.05",
    "analysis.variance": 'variance = "own"',
    "analysis.multiplicity": 'multiplicity = "holm"',
    "analysis.contrasts": 'contrasts = [["polymer", "control"]]',
    "analysis.imputations": "imputations = 50",
    "planning": "[planning] with effect, sd, costs or the power wished for",
    "planning.effect": "effect = 0.70",
    "planning.sd": "sd = 0.35",
    "planning.cost_kit_test": "cost_kit_test = 0.80",
    "planning.cost_tank_week": "cost_tank_week = 3",
    "planning.cost_hour": "cost_hour = 12",
    "planning.minutes_per_sampling": "minutes_per_sampling = 20",
    "planning.wished_power": "wished_power = 0.80",
    "stop_rules": "[[stop_rules]], once for each rule",
    "stop_rules.variable": 'variable = "phosphate"',
    "stop_rules.below": "below = 0.01",
    "stop_rules.above": "above = 0.5",
    "stop_rules.consecutive": "consecutive = 2",
    "stop_rules.action": 'action = "halve the carbon dose, re-test within two days"',
    "check_samples": "[[check_samples]], once for each sample",
    "check_samples.id": 'id = "ref-a"',
    "check_samples.kind": 'kind = "reference"',
    "check_samples.variable": 'variable = "nitrate"',
    "check_samples.value": "value = 10.0",
    "check_samples.uncertainty": "uncertainty = 0.3",
    "check_samples.fitness_sd": "fitness_sd = 1.5",
}
_NOUNS = {
    "arms.role": "role of an arm",
    "design.kind": "kind of design",
    "endpoints.role": "role of an endpoint",
    "endpoints.summary": "summary",
    "endpoints.baseline": "use of the baseline",
    "endpoints.scale": "scale",
    "endpoints.better": "direction",
    "check_samples.kind": "kind of check sample",
    "analysis.variance": "choice of variance",
    "analysis.multiplicity": "choice of multiplicity",
}
_PAIRS = {
    "variables.hard": "two numbers, the lowest and the highest",
    "variables.soft": "two numbers, the lowest and the highest",
    "analysis.contrasts": "two arms, the one tested and the one it is compared with",
}
_LIMITS = {
    "greater_than": ("gt", "write a number above {}"),
    "greater_than_equal": ("ge", "write {} or more"),
    "less_than": ("lt", "write a number below {}"),
    "less_than_equal": ("le", "write {} or less"),
}
_WANTED = {
    "string_type": "a text in quotes",
    "int_type": "a whole number without quotes",
    "float_type": "a number without quotes",
    "finite_number": "a finite number",
    "tuple_type": "a list in square brackets",
    "model_type": "a table",
    "dict_type": "a table",
}
_LISTS_OF_TABLES = frozenset(
    {"arms", "tanks", "variables", "kits", "endpoints", "stop_rules", "check_samples"}
)
# A name that is used but not defined is reported by the rules, and its spelling where it is defined.
_REFERENCES = frozenset(
    {
        "design.balance.variable",
        "schedule.sampling.variable",
        "kits.variable",
        "endpoints.variable",
        "endpoints.phase",
        "analysis.contrasts",
        "stop_rules.variable",
        "check_samples.variable",
    }
)
_STARTS = ("schedule", "starts")
_NAMES = frozenset({"tanks.id", "tanks.site", "tanks.block", "kits.id", "check_samples.id"})
_SPELLING = frozenset({"string_pattern_mismatch", "string_too_long", "string_too_short"})


def build(raw: Mapping[str, Any]) -> model.Protocol:
    """The model of a protocol whose mistakes have been asked for and are none.

    Parameters
    ----------
    raw : mapping
        As TOML gives it. A whole number may be written ``180`` or ``180.0``, a date with or without quotes.

    Raises
    ------
    pydantic.ValidationError
        The mapping does not have the shape of a protocol.
    """
    # Read as JSON, the model can be strict (no "28" for 28, no true for 1) and still know dates and lists.
    return model.Protocol.model_validate_json(json.dumps(_plain(raw)), strict=True)


def _plain(value: Any, key: str = "") -> Any:
    if isinstance(value, dict):
        return {name: _plain(item, "start" if key == "starts" else name) for name, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, (dt.date, dt.time)):
        # JSON has no dates; anywhere but at the start one must not pass for a text.
        return value.isoformat() if key == "start" else {"date": value.isoformat()}
    return value


def _at(raw: Mapping[str, Any], path: Path) -> Any:
    """The value at a path as written; None where there is none."""
    node: Any = raw
    for part in path:
        try:
            node = node[part]
        except (KeyError, IndexError, TypeError):
            return None
    return node


def shape_faults(raw: Mapping[str, Any]) -> list[Fault]:
    """Every fault of key, type or single value, each reported once."""
    try:
        build(raw)
    except ValidationError as error:
        details = error.errors(include_url=False)
    else:
        return []
    misspelt = {
        (detail["loc"][:-1], nearest(str(detail["loc"][-1]), _missing_beside(detail["loc"], details)))
        for detail in details
        if detail["type"] == "extra_forbidden"
    }
    faults = (
        _fault(detail, raw)
        for detail in details
        if not _left_to_the_rules(detail)
        and not (detail["type"] == "missing" and (detail["loc"][:-1], detail["loc"][-1]) in misspelt)
    )
    return list(dict.fromkeys(faults))  # an empty pair lacks both numbers, which is one fault


def _left_to_the_rules(detail: ErrorDetails) -> bool:
    value = detail["input"]
    referred = detail["type"] in _SPELLING and pattern(detail["loc"]) in _REFERENCES
    return referred and isinstance(value, str) and bool(value.strip())


def _missing_beside(path: Path, details: list[ErrorDetails]) -> list[str]:
    """Keys that the same table lacks: a misspelt key is one fault, not one unknown and one missing."""
    return [
        str(detail["loc"][-1])
        for detail in details
        if detail["type"] == "missing" and detail["loc"][:-1] == path[:-1]
    ]


def _fault(detail: ErrorDetails, raw: Mapping[str, Any]) -> Fault:
    """One error of the model as found and remedy."""
    path, kind = detail["loc"], detail["type"]
    value = _at(raw, path)
    if path[-1] == "[key]":  # the name of a cohort, told at the place of its date
        path, value = path[:-1], path[-2]
    where = "schedule.starts" if path[:2] == _STARTS else pattern(path)
    example = _EXAMPLES.get(where, f'{where.rpartition(".")[2]} = "..."')
    if where in _PAIRS and kind in {"missing", "too_long", "too_short", "tuple_type"}:
        pair = path[:-1] if kind == "missing" else path
        return Fault(
            pair, f"is not a pair ({_shown(_at(raw, pair))})", f"write {_PAIRS[where]}, e.g. {example}"
        )
    if kind == "missing":
        return Fault(path, "is missing", f"write {example}")
    if kind == "extra_forbidden":
        return Fault(path, "is not a key that is known here", _key_remedy(path))
    if kind == "enum":
        return _wrong_word(path, value, detail)
    if kind == "string_pattern_mismatch" and str(value).strip():
        return _wrong_name(path, str(value))
    return Fault(path, *_wrong_value(kind, value, where, example, detail.get("ctx", {})))


def _shown(value: Any) -> str:
    return f"[{', '.join(map(quoted, value))}]" if isinstance(value, list) else quoted(value)


def _key_remedy(path: Path) -> str:
    """What to do about a key that is not known: its neighbour by spelling, or the table that has it."""
    table, key = pattern(path[:-1]), str(path[-1])
    known = list(_TABLES[table].model_fields)
    close = nearest(key, known)
    if close:
        return f'the nearest is "{close}"'
    elsewhere = [f"[{name}]" for name, part in _TABLES.items() if name and key in part.model_fields]
    if elsewhere:
        return f"it belongs in {listed(elsewhere)}"
    return f"the keys here are {listed(known, 'and')}"


def _wrong_word(path: Path, value: Any, detail: ErrorDetails) -> Fault:
    where = pattern(path)
    words = re.findall(r"'([^']*)'", detail["ctx"]["expected"])
    close = nearest(value, words) if isinstance(value, str) else None
    choice = f"choose {listed(words)}" + (f", of which {close} is the nearest" if close else "")
    return Fault(path, f"{quoted(value)} is not a {_NOUNS[where]}", choice)


def _wrong_name(path: Path, value: str) -> Fault:
    """An id with signs that file names, columns and commands would trip over."""
    if path[:2] == _STARTS or pattern(path) in _NAMES:
        better = re.sub(r"[^A-Za-z0-9_.\-]+", "-", value).strip("-._")
        rule = 'use letters, digits, "-", "_" and "." only'
    else:
        better = re.sub(r"[^a-z0-9]+", "-", value.lower()).strip("-")
        rule = "use small letters and digits, with single hyphens between"
    return Fault(path, f"{quoted(value)} cannot be an id", rule + (f', e.g. "{better}"' if better else ""))


def _wrong_value(kind: str, value: Any, where: str, example: str, ctx: Mapping[str, Any]) -> tuple[str, str]:
    """What was found and what would be right, for a value of the wrong type or size."""
    found, remedy = f"is {quoted(value)}", f"write {example}"
    if where == "format":
        remedy = "this version reads protocols with format = 1"
    elif kind in {"date_type", "date_parsing"}:
        found, remedy = f"{quoted(value)} is not a date", f"write year, month and day, e.g. {example}"
    elif kind in {"string_too_short", "string_pattern_mismatch"}:
        found = "is empty"
    elif kind == "string_too_long":
        found, remedy = f"has {len(str(value))} characters", f"at most {ctx['max_length']} are kept"
    elif kind in _LIMITS:
        key, sentence = _LIMITS[kind]
        remedy = f"{sentence.format(f'{ctx[key]:g}')}, e.g. {example}"
    elif kind in _WANTED and where not in _LISTS_OF_TABLES:
        remedy = f"write {_WANTED[kind]}, e.g. {example}"
    return found, remedy
