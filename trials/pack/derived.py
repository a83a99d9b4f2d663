"""The tables of a pack that are made from its protocol, its chain and its results."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from schemas.derived_variables import DerivedVariable
from schemas.readings import HoldReason
from schemas.ucum import ucum_code
from schemas.variables import endpoint_variables
from trials.pack import layout
from trials.pack.reading import allocation_of
from trials.pack.recomputing import amendments
from trials.pack.tables import write_table
from trials.register.amending import TANK_KINDS
from trials.register.chain import Kind

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from schemas.variables import Variable
    from trials.pack.chain_lines import ChainLine
    from trials.pack.contents import Contents
    from trials.pack.tables import Table


def derived_tables(contents: Contents) -> dict[str, bytes]:
    """The tables by their path."""
    return {table.path: write_table(table, rows(contents)) for table, rows in _MADE.items()}


def variables_of(contents: Contents) -> dict[str, Variable]:
    """The variables that the trial plans for, asks about or measured, by id."""
    used = {
        name
        for table in ("readings", "superseded", "check_readings")
        for name in contents.frames[table]["variable"]
    }
    for protocol in contents.models.values():
        for part in (protocol.schedule.sampling, protocol.endpoints, protocol.stop_rules, protocol.kits):
            used |= {item.variable for item in part}
    used |= {line.content["variable"] for line in _of_kinds(contents, Kind.KIT_CORRECTION)}
    known = {
        name: found
        for protocol in contents.models.values()
        for name, found in endpoint_variables(protocol).items()
    }
    return {name: known[name] for name in sorted(used & known.keys())}


def _tanks(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for tank in sorted(contents.protocol.tanks, key=lambda tank: tank.id):
        yield tank.model_dump() | {"tank": tank.id}


def _arms(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for arm in contents.protocol.arms:
        carbon = arm.carbon
        yield {
            "arm": arm.id,
            "role": arm.role.value,
            "title": arm.title,
            "carbon_source": carbon.source if carbon else None,
            "full_dose": carbon.full_dose if carbon else None,
        }


def _endpoints(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for endpoint in contents.protocol.endpoints:
        yield endpoint.model_dump(mode="json") | {"endpoint": endpoint.id}


def _variables(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for name, variable in variables_of(contents).items():
        low, high = variable.soft or (None, None)
        yield {
            "variable": name,
            "title": variable.title,
            "unit": variable.unit,
            "ucum": ucum_code(variable.unit),
            "form": variable.form,
            "hard_low": float(variable.hard[0]),
            "hard_high": float(variable.hard[1]),
            "soft_low": low if low is None else float(low),
            "soft_high": high if high is None else float(high),
            "resolution": None if variable.resolution is None else float(variable.resolution),
            "zero_is_below_limit": variable.zero_is_censored,
            "source": _source(variable),
        }


def _source(variable: Variable) -> str:
    """Where a variable comes from: of one that is worked out, how, first."""
    if isinstance(variable, DerivedVariable):
        return f"{variable.computed}; {variable.source}"
    return variable.source


def _allocation(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for assignment in allocation_of(contents).assignments:
        yield {"tank": assignment.tank, "period": assignment.period or 1, "arm": assignment.arm}


def _files(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for line in _of_kinds(contents, Kind.INTAKE):
        body = line.content
        name = body["file"].get("name")
        yield _stated(line) | {
            "name": name,
            "path": layout.file_path(line.number, name) if name is not None else None,
            "sha256": body["file"]["digest"],
            **{count: body[count] for count in ("rows", "accepted", "held", "repeated")},
        }


def _corrections(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for line in _of_kinds(contents, Kind.CORRECTION):
        body = line.content
        yield body | _stated(line) | {"withdrawn": body["value"] is None, "value": _float(body["value"])}


def _event_corrections(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for line in _of_kinds(contents, Kind.EVENT_CORRECTION):
        body = line.content
        yield body | _stated(line) | {"withdrawn": body["amount"] is None, "amount": _float(body["amount"])}


def _kit_corrections(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for line in _of_kinds(contents, Kind.KIT_CORRECTION):
        body = line.content
        numbers = {name: _float(body[name]) for name in ("factor", "offset", "nitrite_factor")}
        yield body | _stated(line) | numbers


def _deviations(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for line in _of_kinds(contents, *TANK_KINDS):
        yield line.content | _stated(line)


def _amendments(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for amendment in amendments(contents):
        yield {
            "entry": amendment.entry,
            "at": amendment.at.isoformat().replace("+00:00", "Z"),
            "before": amendment.before,
            "after": amendment.digest,
            "data_seen": amendment.data_seen,
            "primary_changed": amendment.primary_changed,
            "changed": "; ".join(amendment.changed),
            "by": amendment.by,
            "why": amendment.why,
        }


def _reasons(_: Contents) -> Iterator[Mapping[str, Any]]:
    for reason in HoldReason:
        yield {"code": reason.value, "meaning": reason.meaning}


def _contrasts(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for endpoint in contents.results["endpoints"]:
        ways = {"registered": endpoint["contrasts"]} | {
            way["name"]: way["contrasts"] for way in endpoint["sensitivity"]
        }
        for name, contrasts in ways.items():
            for contrast in contrasts:
                redrawn = contrast.get("randomisation") or {}
                yield contrast | {
                    "endpoint": endpoint["id"],
                    "role": endpoint["role"],
                    "analysis": name,
                    "scale": endpoint["scale"],
                    "unit": endpoint["unit"],
                    "randomisation_p": redrawn.get("p"),
                }


def _tank_results(contents: Contents) -> Iterator[Mapping[str, Any]]:
    for endpoint in contents.results["endpoints"]:
        for tank in endpoint["tanks"]:
            yield tank | {"endpoint": endpoint["id"], "period": tank["period"] or 1}


def _of_kinds(contents: Contents, *kinds: str) -> Iterator[ChainLine]:
    return (line for line in contents.own if line.kind in kinds)


def _stated(line: ChainLine) -> dict[str, Any]:
    return {"entry": line.number, "at": line.at, "kind": line.kind}


def _float(number: float | None) -> float | None:
    """Canonical JSON writes 1.0 as 1; a table writes every number of a column alike."""
    return None if number is None else float(number)


_MADE: dict[Table, Callable[[Contents], Iterator[Mapping[str, Any]]]] = {
    layout.TANKS: _tanks,
    layout.ARMS: _arms,
    layout.ALLOCATION: _allocation,
    layout.VARIABLES: _variables,
    layout.ENDPOINTS: _endpoints,
    layout.FILES: _files,
    layout.CORRECTIONS: _corrections,
    layout.EVENT_CORRECTIONS: _event_corrections,
    layout.KIT_CORRECTIONS: _kit_corrections,
    layout.DEVIATIONS: _deviations,
    layout.AMENDMENTS: _amendments,
    layout.REASONS: _reasons,
    layout.CONTRASTS: _contrasts,
    layout.TANK_RESULTS: _tank_results,
}
