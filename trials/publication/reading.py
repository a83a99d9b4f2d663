"""A publication's file (TOML, its tables in it or in CSV beside it), checked by the rules of every protocol."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from typing import TYPE_CHECKING, Any

from schemas.errors import Mistake, PublicationError, UnitError
from schemas.plain_words import listed, nearest, quoted
from schemas.protocol_rules import mistakes
from schemas.protocol_shape import build
from schemas.variables import variables_for
from schemas.vocabulary import DesignKind
from trials.plain_files import content_of
from trials.publication.publication import PrintedEndpoint, Publication
from trials.publication.results import with_results
from trials.publication.rows import read_table
from trials.publication.working import CONVERSION, LOG_NORMAL
from trials.toml_text import read_toml

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from schemas.protocol import Endpoint, Protocol

FILE = "publication.toml"
_TOP = ("format", "publication", "modifiers", "arms", "variables", "endpoints")
_ABOUT = ("id", "citation", "doi", "of_trial", "source", "date", "design")
_OF_TABLE = ("unit", "table", "rows", "contrasts", "ratio_by", "conversion", "correlation", "alpha")
_DESIGNS = {"parallel": DesignKind.PARALLEL, "paired": DesignKind.BLOCKS}
_SLUG = re.compile(r"[a-z0-9]+(?:[-_.][a-z0-9]+)*")
_TABLE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.\-]{0,80}\.(?:csv|tsv|txt)", re.IGNORECASE)
_MODIFIERS = ("dose", "starting_nitrate")


def read_publication(path: Path) -> Publication:
    """Read a publication's file and the tables that it names beside it.

    Raises
    ------
    PublicationError
        One sentence says where the mistake stands and what would be right.
    """

    def beside(name: str) -> bytes:
        return _content(path.parent / name)

    return publication_from(path.name, _content(path), beside)


def publication_from(name: str, content: bytes, beside: Callable[[str], bytes]) -> Publication:
    """A publication from the bytes of its file; ``beside`` gives those of a table that it names."""
    raw = read_toml(content)
    if isinstance(raw, Mistake):
        raise PublicationError(f"{name}, {raw}")
    try:
        return _publication(content, raw, beside)
    except (PublicationError, UnitError) as error:
        text = str(error)
        raise PublicationError(text if text.startswith(name) else f"{name}: {text}") from None


def _publication(content: bytes, raw: dict[str, Any], beside: Callable[[str], bytes]) -> Publication:
    _only("the file", raw, _TOP)
    if raw.get("format") != 1:
        raise PublicationError("format must be 1; write format = 1 as the first line.")
    about = raw.get("publication")
    if not isinstance(about, dict):
        raise PublicationError("there is no [publication] table with id and citation.")
    _only("[publication]", about, _ABOUT)
    for key in _ABOUT:
        if key != "date" and not isinstance(about.get(key, ""), str):
            raise PublicationError(f"publication.{key} is {quoted(about[key])}; write a text.")
    id_, citation = about.get("id", ""), about.get("citation", "").strip()
    if not _SLUG.fullmatch(id_):
        raise PublicationError(
            'publication.id must be small letters, digits and hyphens, e.g. id = "harbour-2019".'
        )
    if not citation:
        raise PublicationError("publication.citation is missing; write who published it, when and where.")
    if about.get("design") not in _DESIGNS:
        raise PublicationError(f"publication.design must be {listed(map(quoted, _DESIGNS))}.")
    protocol = _as_protocol(raw, about)
    files = {FILE: content}
    tables = [
        _table(position, own, protocol.endpoints[position], files, beside)
        for position, own in enumerate(raw["endpoints"])
    ]
    digest = hashlib.sha256()
    for part in sorted(files):
        digest.update(hashlib.sha256(files[part]).digest())
    bare = Publication(
        id=id_,
        citation=citation,
        doi=about.get("doi", "").strip().casefold().removeprefix("https://doi.org/"),
        of_trial=about.get("of_trial", ""),
        source=about.get("source", ""),
        date=_date(about.get("date")),
        design=_DESIGNS[about["design"]],
        arms=protocol.arms,
        modifiers=_modifiers(raw.get("modifiers", {})),
        digest=digest.hexdigest(),
        files=files,
        results={},
    )
    return with_results(bare, tables, variables_for(protocol))


def _as_protocol(raw: dict[str, Any], about: Mapping[str, Any]) -> Protocol:
    """Arms and endpoints in a protocol that is otherwise made up, so that they obey the rules of every protocol."""
    endpoints = raw.get("endpoints")
    if (
        not isinstance(endpoints, list)
        or not endpoints
        or not all(isinstance(one, dict) for one in endpoints)
    ):
        raise PublicationError("there are no [[endpoints]] tables.")
    own = [{key: value for key, value in one.items() if key not in _OF_TABLE} for one in endpoints]
    own = [{"role": "primary", "phase": "assessment", **one} for one in own]
    arms = raw.get("arms", [])
    names = [arm.get("id") for arm in arms if isinstance(arm, dict)] if isinstance(arms, list) else []
    phases = dict.fromkeys(["baseline", *(str(one["phase"]) for one in own)])
    made_up = {
        "format": 1,
        "trial": {"id": about["id"], "title": about["citation"]},
        "arms": arms,
        "design": {"kind": "parallel", "seed": "none"},
        "tanks": [{"id": f"t{number}"} for number in range(max(2, 2 * len(names)))],
        "schedule": {
            "start": dt.date(2000, 1, 1),
            "phases": [{"id": phase, "days": 7} for phase in phases],
            "sampling": [
                {"variable": variable, "every_days": 1}
                for variable in dict.fromkeys(one.get("variable") for one in own)
                if isinstance(variable, str)
            ],
        },
        "endpoints": own,
    }
    if "variables" in raw:
        made_up["variables"] = raw["variables"]
    found = [mistake for mistake in mistakes(made_up) if _concerns(mistake)]
    if found:
        raise PublicationError("\n  ".join([f"{len(found)} to mend:", *map(str, found)]))
    return build(made_up)


def _concerns(mistake: Mistake) -> bool:
    """Whether a mistake is in what was typed in; a publication may have no primary endpoint and no margin."""
    unasked = mistake.place == "endpoints" or (
        mistake.place.endswith(".worthwhile") and mistake.found == "is missing"
    )
    return mistake.place.startswith(("arms", "endpoints", "variables")) and not unasked


def _table(
    position: int,
    raw: Mapping[str, Any],
    endpoint: Endpoint,
    files: dict[str, bytes],
    beside: Callable[[str], bytes],
) -> PrintedEndpoint:
    where = f"endpoints[{position}]"
    if ("table" in raw) == ("rows" in raw):
        raise PublicationError(
            f"{where} needs either table, the name of a CSV file beside this one, or rows."
        )
    if "table" in raw:
        table = raw["table"]
        if not isinstance(table, str) or not _TABLE_NAME.fullmatch(table):
            raise PublicationError(
                f"{where}.table is {quoted(table)}; name a CSV file that lies beside this one, e.g. table-2.csv."
            )
        files[table] = beside(table)
        rows, places = read_table(table, files[table])
    else:
        rows = raw["rows"]
        if not isinstance(rows, list) or not rows or not all(isinstance(row, dict) for row in rows):
            raise PublicationError(f"{where}.rows must be a list of tables, one a row.")
        places = [f"{where}.rows[{number}]" for number in range(len(rows))]
    _one_of(where, raw, "ratio_by", (LOG_NORMAL, "delta"))
    _one_of(where, raw, "conversion", (CONVERSION,))
    alpha, correlation = raw.get("alpha", 0.05), raw.get("correlation")
    if not _number(alpha) or not 0 < alpha < 0.5:
        raise PublicationError(f"{where}.alpha is {quoted(alpha)}; write a number between 0 and 0.5.")
    if correlation is not None and not _number(correlation):
        raise PublicationError(
            f"{where}.correlation is {quoted(correlation)}; write a number between -1 and 1."
        )
    unit = raw.get("unit", "")
    if not isinstance(unit, str) or (not unit and _needs_unit(rows)):
        raise PublicationError(f'{where} needs the unit that its table is in, e.g. unit = "mg/L".')
    return PrintedEndpoint(
        endpoint=endpoint,
        unit=unit,
        rows=tuple(rows),
        places=tuple(places),
        contrasts=_pairs(where, raw.get("contrasts", [])),
        ratio_by=raw.get("ratio_by", ""),
        conversion=raw.get("conversion", ""),
        correlation=None if correlation is None else float(correlation),
        alpha=float(alpha),
    )


def _needs_unit(rows: list[dict[str, Any]]) -> bool:
    """Whether a table holds anything but ratios of arms."""
    return not all(row.get("ratio") not in {None, ""} for row in rows)


def _pairs(where: str, raw: Any) -> tuple[tuple[str, str], ...]:
    if not isinstance(raw, list) or not all(
        isinstance(pair, list) and len(pair) == 2 and all(isinstance(arm, str) for arm in pair)
        for pair in raw
    ):
        raise PublicationError(f'{where}.contrasts must be pairs of arms, e.g. [["polymer", "control"]].')
    return tuple((pair[0], pair[1]) for pair in raw)


def _modifiers(raw: Any) -> dict[str, float]:
    if not isinstance(raw, dict):
        raise PublicationError("modifiers must be a table, e.g. [modifiers] with starting_nitrate = 20.")
    _only("[modifiers]", raw, _MODIFIERS)
    for name, value in raw.items():
        if not _number(value):
            raise PublicationError(f"modifiers.{name} is {quoted(value)}; write a number.")
    return {name: float(value) for name, value in raw.items()}


def _date(raw: Any) -> dt.date | None:
    """A date, or the last day of a year that is given alone."""
    if isinstance(raw, int) and not isinstance(raw, bool) and 1800 <= raw <= 2200:
        return dt.date(raw, 12, 31)
    if raw is None or (isinstance(raw, dt.date) and not isinstance(raw, dt.datetime)):
        return raw
    raise PublicationError(f"publication.date is {quoted(raw)}; write a year, or a date as 2019-05-31.")


def _one_of(where: str, raw: Mapping[str, Any], key: str, known: tuple[str, ...]) -> None:
    if key in raw and raw[key] not in known:
        raise PublicationError(f"{where}.{key} is {quoted(raw[key])}; write {listed(map(quoted, known))}.")


def _only(where: str, table: Mapping[str, Any], known: tuple[str, ...]) -> None:
    for key in table:
        if key not in known:
            close = nearest(key, known)
            hint = f"did you mean {close}?" if close else f"there are {listed(known, 'and')}."
            raise PublicationError(f"{where} has {quoted(key)}, which means nothing here; {hint}")


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _content(path: Path) -> bytes:
    try:
        return content_of(path)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PublicationError(f"{path} cannot be read ({reason}).") from None
