"""A publication's pack: what was typed in, what was worked out of it, and a descriptor; it can be pooled, not verified."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

from schemas.errors import PackError, UsageError
from trials.publication.reading import FILE, publication_from

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from trials.publication.publication import Publication

RESULTS = "results.json"
_DESCRIPTOR = "datapackage.json"


def write_publication(folder: Path, publication: Publication) -> Path:
    """Write the pack of a publication into a new folder, or over an earlier one of it.

    Raises
    ------
    UsageError
        The folder holds other things.
    PackError
        It cannot be written.
    """
    try:
        if folder.is_dir() and any(folder.iterdir()) and not (folder / FILE).is_file():
            raise UsageError(f"{folder} holds other files; name a new or an empty folder.")
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in _files(publication).items():
            (folder / name).write_bytes(content)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PackError(f"{folder} cannot be written ({reason}); name another folder.") from error
    return folder


def is_publication(files: Mapping[str, bytes]) -> bool:
    """Whether the files of a pack are those of a publication."""
    return FILE in files


def publication_of(path: Path, files: Mapping[str, bytes]) -> Publication:
    """A publication from its pack, worked out again from what was typed in.

    Raises
    ------
    PackError
        A part is missing, or the results are not those that the tables give.
    """

    def beside(name: str) -> bytes:
        if name not in files:
            raise PackError(f"{path}: {name} is missing.")
        return files[name]

    publication = publication_from(FILE, beside(FILE), beside)
    try:
        kept = json.loads(beside(RESULTS))
    except ValueError:
        raise PackError(f"{path}: {RESULTS} is not JSON that can be read.") from None
    # The version that made the pack is no result.
    made = json.loads(_json(publication.results))
    if not isinstance(kept, dict) or kept | {"fairtank": None} != made | {"fairtank": None}:
        raise PackError(
            f"{path}: {RESULTS} is not what {FILE} and its tables give; one of them was changed, so take the publication in "
            "again."
        )
    return publication


def _files(publication: Publication) -> dict[str, bytes]:
    files = {**publication.files, RESULTS: _json(publication.results), "README.md": _readme(publication)}
    resources = [
        {
            "name": name.casefold().replace(".", "-").replace("_", "-").replace(" ", "-"),
            "path": name,
            "mediatype": _mediatype(name),
            "bytes": len(content),
            "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        }
        for name, content in files.items()
    ]
    descriptor = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": publication.id,
        "title": f"From a publication: {publication.citation}",
        "description": "Figures typed in from a publication, without readings; for pooling.",
        "published": True,
        "sources": [
            {"title": publication.citation}
            | ({"path": f"https://doi.org/{publication.doi}"} if publication.doi else {})
        ],
        "resources": resources,
    }
    return {_DESCRIPTOR: _json(descriptor), **files}


def _json(document: dict[str, Any]) -> bytes:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2).encode()


def _mediatype(name: str) -> str:
    return {"toml": "application/toml", "json": "application/json", "md": "text/markdown"}.get(
        name.rpartition(".")[2].casefold(), "text/csv"
    )


def _readme(publication: Publication) -> bytes:
    lines = [
        f"# {publication.id}",
        "",
        "This is no trial of a register. It holds figures that a publication prints, typed in so that they can be pooled",
        "with trials: its readings were not seen, nothing of it can be computed again from them, and the rights in the",
        "publication are its publisher's.",
        "",
        f"- From: {publication.citation}",
        *([f"- Where: {publication.source}"] if publication.source else []),
        f"- `{FILE}` and its tables: as typed in",
        f"- `{RESULTS}`: what was worked out of them",
        *(f"- {remark}" for remark in publication.remarks),
        "",
    ]
    return "\n".join(lines).encode()
