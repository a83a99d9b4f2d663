"""The registered analysis again, from what a pack holds."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.evaluation import beside_kit_corrections, evaluate
from analysis.followed import Happened
from trials.pack.bodies_shown import stand_in
from trials.pack.reading import allocation_of, as_from_register, protocol_digest
from trials.register.amending import TANK_KINDS
from trials.register.bodies import KitCorrectionBody
from trials.register.chain import Kind
from trials.register.digests import data_digest
from trials.register.protocol_changes import changes, primary_changed
from trials.register.records import Amendment
from trials.registered_analysis import register_notes

if TYPE_CHECKING:
    from analysis.kits.correction import KitCorrection
    from analysis.records import Analysis
    from trials.pack.contents import Contents


def recompute(contents: Contents) -> Analysis:
    """Analyse as registered, and as amended where it was, from protocol, allocation and readings of a pack.

    Raises
    ------
    AnalysisError
        Nothing is there to analyse.
    """
    readings, allocation = as_from_register(contents.frames["readings"]), allocation_of(contents)
    happened = Happened(as_from_register(contents.frames["events"]), left(contents), treated_as(contents))
    analysis = evaluate(
        contents.protocol,
        allocation,
        readings,
        protocol_digest=contents.digest,
        data_digest=data_digest(readings),
        version=contents.fairtank,
        happened=happened,
    )
    analysis = beside_kit_corrections(
        analysis, contents.protocol, allocation, readings, kit_corrections(contents), happened=happened
    )
    notes = register_notes(amendments(contents), unmasked_at(contents))
    return replace(analysis, notes=(*analysis.notes, *notes))


def treated_as(contents: Contents) -> dict[str, str]:
    """The arm that a tank was in fact treated as, by tank, where a deviation says so; the last one counts."""
    bodies = [line.content for line in contents.own if line.kind in TANK_KINDS]
    return {body["tank"]: body["treated_as"] for body in bodies if body.get("treated_as")}


def left(contents: Contents) -> dict[str, dt.date]:
    """Tanks that left the trial, each with its first day out of it."""
    days: dict[str, dt.date] = {}
    for line in contents.own:
        if line.kind == Kind.DROPOUT:
            day = dt.date.fromisoformat(line.content["day"])
            days[line.content["tank"]] = min(day, days.get(line.content["tank"], day))
    return days


def kit_corrections(contents: Contents) -> list[KitCorrection]:
    """The corrections of kits, in the order of recording."""
    return [
        stand_in(line, KitCorrectionBody).made_at(line.moment)
        for line in contents.own
        if line.kind == Kind.KIT_CORRECTION
    ]


def unmasked_at(contents: Contents) -> dt.datetime | None:
    """When arms were first shown before data entry was closed; None where they were not."""
    return next((line.moment for line in contents.own if line.kind == Kind.UNMASKING), None)


def amendments(contents: Contents) -> list[Amendment]:
    """The amendments, with what they changed worked out from the protocols before and after."""
    found, before, data_seen = [], contents.sealed_digest, False
    for line in contents.own:
        if line.kind == Kind.INTAKE:
            data_seen = data_seen or bool(line.content.get("readings") or line.content.get("events"))
        if line.kind == Kind.AMENDMENT:
            after = protocol_digest(line)
            old, new = contents.models[before], contents.models[after]
            found.append(
                Amendment(
                    line.number,
                    line.moment,
                    before,
                    after,
                    tuple(changes(old, new)),
                    data_seen,
                    primary_changed(old, new),
                    line.content.get("by", ""),
                    line.content.get("why", ""),
                )
            )
            before = after
    return found
