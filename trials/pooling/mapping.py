"""A mapping: which contrasts of which trials ask the same although they are named or made otherwise."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.errors import Mistake, PoolingError
from schemas.plain_words import listed, nearest, quoted
from schemas.vocabulary import Scale
from trials.plain_files import content_of
from trials.toml_text import read_toml

if TYPE_CHECKING:
    from pathlib import Path

_MEMBER = ("trial", "endpoint", "test", "reference")
_GROUP = ("id", "title", "scale", "contrasts")
_SLUG = re.compile(r"[a-z0-9]+(?:[-_.][a-z0-9]+)*")


@dataclass(frozen=True)
class Member:
    """One contrast of one trial."""

    trial: str
    endpoint: str
    test: str
    reference: str


@dataclass(frozen=True)
class Same:
    """Contrasts that ask the same; on ``scale``, where it is given, those registered otherwise are analysed again."""

    id: str
    title: str | None
    scale: Scale | None
    members: tuple[Member, ...]


def read_mapping(path: Path) -> tuple[Same, ...]:
    """The groups of a mapping file.

    Raises
    ------
    PoolingError
        It cannot be read, or is not in its form; one sentence says where and what would be right.
    """
    try:
        raw = read_toml(content_of(path))
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PoolingError(f"The mapping {path} cannot be read ({reason}).") from None
    if isinstance(raw, Mistake):
        raise PoolingError(f"{path}, {raw}")
    groups = raw.get("same")
    if set(raw) != {"same"} or not isinstance(groups, list) or not groups:
        raise PoolingError(
            f"{path} must hold [[same]] tables and nothing else; see the README for an example."
        )
    found = tuple(_group(f"{path}, same[{position}]", group) for position, group in enumerate(groups))
    ids = [group.id for group in found]
    for name in ids:
        if ids.count(name) > 1:
            raise PoolingError(f"{path} has two groups of the id {quoted(name)}; give each its own.")
    return found


def _group(where: str, group: Any) -> Same:
    if not isinstance(group, dict):
        raise PoolingError(f"{where} is {quoted(group)}; write it as a table, [[same]].")
    _only(where, group, _GROUP)
    id_ = group.get("id")
    if not isinstance(id_, str) or not _SLUG.fullmatch(id_):
        raise PoolingError(
            f'{where} needs an id of small letters, digits and hyphens, e.g. id = "nitrate-solid".'
        )
    title = group.get("title")
    if title is not None and not isinstance(title, str):
        raise PoolingError(f"{where}, title is {quoted(title)}; write a text.")
    scale = group.get("scale")
    if scale is not None and scale not in list(Scale):
        raise PoolingError(f"{where}, scale is {quoted(scale)}; write {listed(map(quoted, Scale))}.")
    members = group.get("contrasts")
    if not isinstance(members, list) or len(members) < 2:
        raise PoolingError(
            f"{where} needs contrasts, a list of two or more {{ trial, endpoint, test, reference }}."
        )
    read = tuple(
        _member(f"{where}, contrasts[{position}]", member) for position, member in enumerate(members)
    )
    trials = [member.trial for member in read]
    twice = next((trial for trial in trials if trials.count(trial) > 1), None)
    if twice is not None:
        raise PoolingError(f"{where} names {quoted(twice)} twice; a trial counts once in a question.")
    return Same(id_, title, None if scale is None else Scale(scale), read)


def _member(where: str, member: Any) -> Member:
    if not isinstance(member, dict):
        raise PoolingError(
            f'{where} is {quoted(member)}; write {{ trial = "...", endpoint = "...", test = "...", reference = "..." }}.'
        )
    _only(where, member, _MEMBER)
    for name in _MEMBER:
        if not isinstance(member.get(name), str):
            raise PoolingError(f"{where} needs {name} as a text.")
    return Member(*(member[name] for name in _MEMBER))


def _only(where: str, table: dict[str, Any], known: tuple[str, ...]) -> None:
    for key in table:
        if key not in known:
            close = nearest(key, known)
            hint = f"; did you mean {close}?" if close else f"; there are {listed(known, 'and')}."
            raise PoolingError(f"{where} has {quoted(key)}, which means nothing here{hint}")
