"""Contrasts of several trials put together where they ask the same; what matches nothing is named with why."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

from analysis.pooled_records import PooledQuestion
from schemas.errors import PoolingError
from schemas.plain_words import listed, quoted
from schemas.vocabulary import Better, EndpointRole, Scale, Summary
from trials.pooling.candidates import Key, candidate, candidates_of, turned
from trials.pooling.reanalysis import reanalysed

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from trials.pooling.candidates import Candidate
    from trials.pooling.mapping import Member, Same
    from trials.pooling.sources import Source

_WORDS = {
    "variable": "the variable",
    "summary": "the summary",
    "phase": "the phase",
    "scale": "the scale",
    "unit": "the unit",
    "better": "the direction that is better",
    "target": "the target",
    "test": "what the test arm is given",
    "reference": "what the reference arm is given",
}


@dataclass(frozen=True)
class Asked:
    """A question with the contrasts that answer it, one a trial."""

    question: PooledQuestion
    members: tuple[Candidate, ...]
    remarks: tuple[str, ...] = ()
    mapped: bool = False


def questions_of(sources: Sequence[Source], mapping: Sequence[Same]) -> tuple[list[Asked], list[str]]:
    """Questions that the trials ask, mapped ones first, and a sentence for each contrast left out.

    A question that only one of several trials asks is left out too; of a single trial every question is given.

    Raises
    ------
    PoolingError
        A mapping names what is not there, or puts together what no scale or unit joins.
    """
    again: dict[tuple[str, str, Scale], dict[str, Any]] = {}
    asked = [_mapped(sources, group, again) for group in mapping]
    taken = {_place(member) for one in asked for member in one.members}
    left_out: list[str] = []
    groups: dict[Key, list[Candidate]] = {}
    free = [found for source in sources for found in candidates_of(source) if _place(found) not in taken]
    for found in free:
        if found.why_not:
            left_out.append(f"{found.name}: {found.why_not}.")
        elif len(sources) > 1 and not found.matchable:
            left_out.append(
                f"{found.name}: both arms are given {found.key.test}, so nothing tells which arm of another trial answers "
                "to which; name them in a mapping."
            )
        else:
            groups.setdefault(found.key, []).append(found)
    asked = [_joined(one, groups) for one in asked]
    for key, members in groups.items():
        kept, doubled = _one_a_trial(members)
        left_out += doubled
        if len(kept) > 1 or (kept and len(sources) == 1):
            asked.append(_automatic(key, kept, {one.question.id for one in asked}))
        elif kept:
            left_out.append(_lonely(kept[0], free))
    return sorted(asked, key=_first), left_out


def _joined(asked: Asked, groups: dict[Key, list[Candidate]]) -> Asked:
    """A mapped question with the contrasts of other trials that ask just what its own ask; they leave their group."""
    members = list(asked.members)
    for key in dict.fromkeys(member.key for member in asked.members):
        inside = {member.source.trial for member in members}
        kept, _ = _one_a_trial(one for one in groups.get(key, []) if one.source.trial not in inside)
        groups[key] = [one for one in groups.get(key, []) if one not in kept]
        members += kept
    return replace(asked, members=tuple(members))


def _first(asked: Asked) -> tuple[bool, bool, int]:
    return not asked.mapped, asked.question.role is not EndpointRole.PRIMARY, -len(asked.members)


def _place(found: Candidate) -> tuple[str, str, frozenset[str]]:
    return found.source.trial, str(found.endpoint["id"]), frozenset((found.test, found.reference))


def _one_a_trial(members: Iterable[Candidate]) -> tuple[list[Candidate], list[str]]:
    """One contrast a trial: the only one, or the only primary one; else none, for arms of a trial share tanks."""
    by_trial: dict[str, list[Candidate]] = {}
    for member in members:
        by_trial.setdefault(member.source.trial, []).append(member)
    kept, doubled = [], []
    for mine in by_trial.values():
        primary = [one for one in mine if one.endpoint["role"] == EndpointRole.PRIMARY]
        if len(mine) == 1 or len(primary) == 1:
            kept.append(mine[0] if len(mine) == 1 else primary[0])
            doubled += [
                f"{one.name}: {kept[-1].name} answers the same question and is primary."
                for one in mine
                if one is not kept[-1]
            ]
        else:
            names = listed([one.name for one in mine], "and")
            doubled.append(
                f"{names}: they answer the same question on the same tanks, so one must be chosen; name it in a mapping."
            )
    return kept, doubled


def _automatic(key: Key, members: Sequence[Candidate], taken: set[str]) -> Asked:
    words = f"{key.variable} {key.summary} {key.scale} {key.test} v {key.reference}".casefold()
    bare = re.sub(r"[^a-z0-9]+", "-", words).strip("-")[:80]
    id_ = next(
        name for name in (bare, *(f"{bare}-{n}" for n in range(2, len(taken) + 3))) if name not in taken
    )
    return Asked(_question(id_, None, key, members), tuple(members))


def _question(id_: str, title: str | None, key: Key, members: Sequence[Candidate]) -> PooledQuestion:
    roles = {one.endpoint["role"] for one in members}
    role = next(role for role in EndpointRole if role in roles)
    return PooledQuestion(
        id=id_,
        title=title or f"{key.summary} {key.variable}".capitalize(),
        role=role,
        variable=key.variable,
        summary=Summary(key.summary),
        phase=key.phase,
        scale=Scale(key.scale),
        unit=key.unit,
        better=Better(key.better),
        test=key.test,
        reference=key.reference,
    )


def differences(members: Sequence[Candidate]) -> tuple[str, ...]:
    """What differs between trials that are pooled all the same."""
    said = []
    baselines = {one.source.trial: one.endpoint["baseline"] for one in members}
    if len(set(baselines.values())) > 1:
        each = listed([f"{trial}: {used}" for trial, used in baselines.items()], "and")
        said.append(
            f"The baseline enters in different ways ({each}), which estimate the same effect with different precision."
        )
    keys = [one.key for one in members]
    for field in fields(Key):
        values = {str(getattr(key, field.name)): None for key in keys}
        if len(values) > 1:
            said.append(f"Mapped together although {_WORDS[field.name]} differs: {listed(values, 'and')}.")
    return tuple(said)


def _mapped(
    sources: Sequence[Source], group: Same, again: dict[tuple[str, str, Scale], dict[str, Any]]
) -> Asked:
    """The contrasts that a mapping names; ``again`` keeps what was analysed on another scale already."""
    members, other_scale = [], []
    for member in group.members:
        found = _member(sources, group, member)
        if group.scale is not None and found.endpoint["scale"] != group.scale:
            other_scale.append(found.source.trial)
            found = _again(found, group.scale, again)
        if found.why_not:
            raise PoolingError(f"[[same]] {group.id}: {found.name} cannot be pooled: {found.why_not}.")
        members.append(found)
    first = members[0]
    for name in ("scale", "unit", "better"):
        for other in members[1:]:
            mine, theirs = getattr(first.key, name), getattr(other.key, name)
            if mine != theirs:
                remedy = (
                    ' (scale = "ratio" in the mapping analyses both as ratios)' if name != "better" else ""
                )
                raise PoolingError(
                    f"[[same]] {group.id}: {_WORDS[name]} of {first.name} is {quoted(mine)} and of {other.name} "
                    f"{quoted(theirs)}, which cannot be pooled{remedy}."
                )
    remarks = []
    if other_scale:
        remarks.append(
            f"Analysed again on the {group.scale} scale for this pool, not as registered: {listed(other_scale, 'and')}."
        )
    question = _question(group.id, group.title, first.key, members)
    return Asked(question, tuple(members), tuple(remarks), mapped=True)


def _member(sources: Sequence[Source], group: Same, member: Member) -> Candidate:
    """The contrast that a mapping names, the way round that it names."""
    source = next((source for source in sources if source.trial == member.trial), None)
    if source is None:
        raise PoolingError(
            f"[[same]] {group.id} names the trial {quoted(member.trial)}; the packs are of "
            f"{listed([one.trial for one in sources], 'and')}."
        )
    endpoint = next((one for one in source.endpoints if one["id"] == member.endpoint), None)
    if endpoint is None:
        raise PoolingError(
            f"[[same]] {group.id} names the endpoint {quoted(member.endpoint)} of {source.trial}, which has "
            f"{listed([str(one['id']) for one in source.endpoints], 'and')}."
        )
    for contrast in endpoint["contrasts"]:
        if {contrast["test"], contrast["reference"]} == {member.test, member.reference}:
            found = candidate(source, endpoint, contrast)
            return found if found.test == member.test else turned(found)
    pairs = [f"{one['test']} against {one['reference']}" for one in endpoint["contrasts"]]
    raise PoolingError(
        f"[[same]] {group.id} names {member.test} against {member.reference}, and {source.trial} compares "
        f"{listed(pairs, 'and')}."
    )


def _again(found: Candidate, scale: Scale, again: dict[tuple[str, str, Scale], dict[str, Any]]) -> Candidate:
    if found.source.pack is None:
        raise PoolingError(
            f"{found.name} is from a publication on the {found.endpoint['scale']} scale; without readings it cannot be "
            f"analysed on the {scale} scale, so type its table in on that scale."
        )
    place = found.source.trial, str(found.endpoint["id"]), scale
    if place not in again:
        again[place] = reanalysed(found.source.pack, place[1], scale)
    endpoint = again[place]
    for contrast in endpoint["contrasts"]:
        if {contrast["test"], contrast["reference"]} == {found.test, found.reference}:
            other = candidate(found.source, endpoint, contrast)
            return other if other.test == found.test else turned(other)
    raise PoolingError(f"{found.name} has no comparison on the {scale} scale.")


def _lonely(found: Candidate, others: Sequence[Candidate]) -> str:
    """Why a contrast matches nothing: how it differs from the nearest one of another trial."""
    elsewhere = [one for one in others if one.source is not found.source and not one.why_not]
    differ = {
        one.name: _apart(one.key, found.key) for one in elsewhere if one.key.variable == found.key.variable
    }
    if not differ:
        return f"{found.name}: no other trial compares {found.key.variable}."
    nearest = min(differ, key=lambda name: len(differ[name]))
    if not differ[nearest]:
        return f"{found.name}: {nearest} answers the same question, but it is one of several of its trial."
    other = next(one for one in elsewhere if one.name == nearest)
    how = [
        f"{_WORDS[name]} ({getattr(found.key, name)} here, {getattr(other.key, name)} there)"
        for name in differ[nearest]
    ]
    verb = "differs" if len(how) == 1 else "differ"
    return f"{found.name}: the nearest is {nearest}, and {listed(how, 'and')} {verb}."


def _apart(one: Key, other: Key) -> list[str]:
    """What differs; of another scale the unit needs no word."""
    names = [field.name for field in fields(Key) if getattr(one, field.name) != getattr(other, field.name)]
    return [name for name in names if name != "unit" or "scale" not in names]
