"""The descriptor of a pack, ``datapackage.json``: Data Package v2 with Table Schema v2.

Standards: https://datapackage.org/standard/data-package/ and https://datapackage.org/standard/table-schema/. Beside
what they name, a field carries ``unit`` as printed and ``ucumCode``, where the unit is the same in every row.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

from analysis.numerals import plain
from trials.pack import layout
from trials.pack.citation import author, keywords, released, title
from trials.pack.licences import LICENCES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from trials.pack.contents import Contents
    from trials.pack.tables import Column, Table

_PROFILE = "https://datapackage.org/profiles/2.0/{}.json"
_FORMATS = {
    "json": "application/json",
    "jsonl": "application/jsonl",
    "csv": "text/csv",
    "md": "text/markdown",
    "txt": "text/plain",
    "toml": "application/toml",
    "cff": "application/yaml",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def descriptor(contents: Contents, files: Mapping[str, bytes]) -> bytes:
    """Describe the files of a pack.

    Parameters
    ----------
    contents : Contents
        The pack.
    files : mapping of str to bytes
        All its files but the descriptor and the checksums, by path.
    """
    trial = contents.protocol.trial
    licence = LICENCES[trial.licence or ""]
    tables = {table.path: table for table in layout.TABLES}
    ordered = [*tables, *sorted(files.keys() - tables.keys())]
    document = {
        "$schema": _PROFILE.format("datapackage"),
        "name": contents.trial,
        "title": title(contents),
        "description": plain(trial.question or trial.title),
        "version": f"entry-{contents.own[-1].number}",
        "created": f"{released(contents).isoformat()}T00:00:00Z",
        "keywords": keywords(contents),
        "licenses": [{"name": licence.id, "title": licence.name, "path": licence.url}],
        "contributors": [{"title": author(contents), "roles": ["creator"]}],
        "fairtank": contents.fairtank,
        "published": False,
        "protocolDigest": contents.digest,
        "dataDigest": contents.results["data_digest"],
        "chainHead": contents.head,
        "resources": [_resource(path, files[path], tables.get(path)) for path in ordered],
    }
    return (json.dumps(document, ensure_ascii=False, indent=2) + "\n").encode()


def _resource(path: str, content: bytes, table: Table | None) -> dict[str, Any]:
    ending = path.rsplit(".", 1)[-1].lower() if "." in path else ""
    found: dict[str, Any] = {
        "name": table.name if table else _name(path),
        "path": path,
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
    }
    if table is None:
        if ending in _FORMATS:
            # Without a type, a program may take JSON Lines and CSV of others for tables that they are not.
            found |= {"type": "file"} | {"format": ending, "mediatype": _FORMATS[ending]}
        return found
    return found | {
        "type": "table",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        # Written out, since programs that guess it are led astray by what people write in notes.
        "dialect": {
            "delimiter": ",",
            "lineTerminator": "\r\n",
            "quoteChar": '"',
            "doubleQuote": True,
            "header": True,
        },
        "title": table.title,
        "schema": _schema(table),
    }


def _name(path: str) -> str:
    return path.lower().replace("/", "-").replace("_", "-")


def _schema(table: Table) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "$schema": _PROFILE.format("tableschema"),
        "fields": [_field(column, required=column.name in table.key) for column in table.columns],
        "missingValues": [{"value": "", "label": "empty: each field says what that means"}],
    }
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.references:
        schema["foreignKeys"] = [
            {
                "fields": list(reference.columns),
                "reference": {"resource": reference.table, "fields": list(reference.key)},
            }
            for reference in table.references
        ]
    return schema


def _field(column: Column, *, required: bool) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, "type": column.type, "description": column.what}
    if column.unit:
        # A code stands alone; "of the variable" and the like say where the unit is found.
        field["unit"] = column.unit
        if " " not in column.unit:
            field["ucumCode"] = column.unit
    constraints: dict[str, Any] = {}
    if not column.empty and column.type != "string":
        constraints["required"] = True
    if required and not column.empty:
        constraints["required"] = True
    if column.choices:
        constraints["enum"] = list(column.choices)
    if constraints:
        field["constraints"] = constraints
    if column.empty:
        field["missingValues"] = [{"value": "", "label": column.empty}]
    return field
