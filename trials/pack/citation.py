"""How a pack is cited: CITATION.cff 1.2.0 and the metadata that DataCite asks for."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from analysis.numerals import plain
from trials.pack.licences import LICENCES

if TYPE_CHECKING:
    import datetime as dt

    from trials.pack.contents import Contents

KEYWORDS = ("aquarium", "controlled trial")
_LONGEST_TITLE = 400


def title(contents: Contents) -> str:
    """The title of the data set."""
    return f"Data of the trial: {plain(contents.protocol.trial.title, _LONGEST_TITLE)}"


def author(contents: Contents) -> str:
    """Who is named as the author: the lead with the lead's consent, else the trial's group."""
    lead = contents.protocol.trial.lead
    return (
        plain(lead, _LONGEST_TITLE)
        if lead and contents.lead_named
        else f"The trial group of {contents.trial}"
    )


def released(contents: Contents) -> dt.date:
    """The day of the trial's last entry: the register's own, so that packing again tells the same."""
    return contents.own[-1].moment.date()


def keywords(contents: Contents) -> list[str]:
    """What it is about."""
    return [*KEYWORDS, *sorted({endpoint.variable for endpoint in contents.protocol.endpoints})]


def citation_cff(contents: Contents) -> bytes:
    """The file CITATION.cff; every text in it is a quoted YAML string, whatever it holds."""
    fields: dict[str, Any] = {
        "cff-version": "1.2.0",
        "message": "If you use these data, please cite them as below.",
        "type": "dataset",
        "title": title(contents),
        "abstract": plain(contents.protocol.trial.question or contents.protocol.trial.title),
        "authors": [{"name": author(contents)}],
        "date-released": released(contents).isoformat(),
        "license": contents.protocol.trial.licence,
        "keywords": keywords(contents),
        "identifiers": [
            {
                "type": "other",
                "value": f"sha256:{contents.digest}",
                "description": "Digest of the registered protocol",
            }
        ],
    }
    return "".join(_yaml(name, value) for name, value in fields.items()).encode()


def _yaml(name: str, value: Any) -> str:
    if isinstance(value, str):
        return f"{name}: {_string(value)}\n"
    lines = [f"{name}:"]
    for item in value:
        if isinstance(item, str):
            lines.append(f"  - {_string(item)}")
        else:
            first, *more = (f"{key}: {_string(text)}" for key, text in item.items())
            lines += [f"  - {first}", *(f"    {line}" for line in more)]
    return "\n".join(lines) + "\n"


def _string(text: str) -> str:
    """A double-quoted YAML scalar: as JSON, with what YAML cannot hold in the plain escaped too."""
    escaped = "".join(
        sign if sign.isprintable() else f"\\U{ord(sign):08x}"
        for sign in text.replace("\\", "\\\\").replace('"', '\\"')
    )
    return f'"{escaped}"'


def datacite(contents: Contents) -> bytes:
    """Metadata with all that DataCite's schema 4 makes mandatory, to be completed where the data are deposited.

    The identifier is empty and the publisher ``(:unav)``, "value unavailable", until then. Schema: DataCite Metadata
    Schema 4, https://schema.datacite.org/ (from memory).
    """
    licence = LICENCES[contents.protocol.trial.licence or ""]
    day = released(contents)
    document = {
        "schemaVersion": "http://datacite.org/schema/kernel-4",
        "identifiers": [],
        "creators": [{"name": author(contents)}],
        "titles": [{"title": title(contents)}],
        "publisher": {"name": "(:unav)"},
        "publicationYear": str(day.year),
        "types": {"resourceTypeGeneral": "Dataset", "resourceType": "Controlled trial"},
        "subjects": [{"subject": word} for word in keywords(contents)],
        "dates": [{"date": day.isoformat(), "dateType": "Created"}],
        "language": "en",
        "rightsList": [
            {
                "rights": licence.name,
                "rightsUri": licence.url,
                "rightsIdentifier": licence.id,
                "rightsIdentifierScheme": "SPDX",
                "schemeUri": "https://spdx.org/licenses/",
            }
        ],
        "descriptions": [
            {
                "description": plain(contents.protocol.trial.question or contents.protocol.trial.title),
                "descriptionType": "Abstract",
            }
        ],
        "formats": ["text/csv", "application/json"],
    }
    return (json.dumps(document, ensure_ascii=False, indent=2) + "\n").encode()
