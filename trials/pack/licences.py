"""Licences under which data are published, by their SPDX identifiers; licences of programs do not fit data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.errors import PackError
from schemas.plain_words import listed, nearest, quoted

if TYPE_CHECKING:
    from schemas.protocol import Protocol


@dataclass(frozen=True)
class Licence:
    """A licence: its SPDX identifier, its name, where it is printed, and what it asks, in a sentence."""

    id: str
    name: str
    url: str
    asks: str


_CREDIT = "Use them for anything, naming the source as CITATION.cff does"
# Identifiers and names: SPDX License List, https://spdx.org/licenses/ (from memory).
LICENCES: dict[str, Licence] = {
    licence.id: licence
    for licence in (
        Licence(
            "CC0-1.0",
            "Creative Commons Zero v1.0 Universal",
            "https://creativecommons.org/publicdomain/zero/1.0/",
            "Use them for anything; naming the source is good manners, and asked for, not required.",
        ),
        Licence(
            "CC-BY-4.0",
            "Creative Commons Attribution 4.0 International",
            "https://creativecommons.org/licenses/by/4.0/",
            f"{_CREDIT}.",
        ),
        Licence(
            "CC-BY-SA-4.0",
            "Creative Commons Attribution Share Alike 4.0 International",
            "https://creativecommons.org/licenses/by-sa/4.0/",
            f"{_CREDIT}, and publish what you make of them under the same licence.",
        ),
        Licence(
            "CC-BY-NC-4.0",
            "Creative Commons Attribution Non Commercial 4.0 International",
            "https://creativecommons.org/licenses/by-nc/4.0/",
            "Use them for anything but commerce, naming the source as CITATION.cff does.",
        ),
        Licence(
            "CC-BY-NC-SA-4.0",
            "Creative Commons Attribution Non Commercial Share Alike 4.0 International",
            "https://creativecommons.org/licenses/by-nc-sa/4.0/",
            "Use them for anything but commerce, naming the source as CITATION.cff does, and publish what you make of "
            "them under the same licence.",
        ),
        Licence(
            "PDDL-1.0",
            "Open Data Commons Public Domain Dedication & License 1.0",
            "https://opendatacommons.org/licenses/pddl/1-0/",
            "Use them for anything; naming the source is good manners, and asked for, not required.",
        ),
        Licence(
            "ODC-By-1.0",
            "Open Data Commons Attribution License v1.0",
            "https://opendatacommons.org/licenses/by/1-0/",
            f"{_CREDIT}.",
        ),
        Licence(
            "ODbL-1.0",
            "Open Data Commons Open Database License v1.0",
            "https://opendatacommons.org/licenses/odbl/1-0/",
            f"{_CREDIT}, and publish a database that you make of them under the same licence.",
        ),
    )
}


def refuse_unlicensed(protocol: Protocol) -> Licence:
    """Give the licence of a trial's data.

    Raises
    ------
    PackError
        The protocol names none, or none that is known here as a licence for data.
    """
    named = protocol.trial.licence
    amend = "amend the protocol (`fairtank amend --protocol FILE`)"
    if named is None:
        raise PackError(
            f"{protocol.trial.id} names no licence, and data without one cannot be used by anybody: {amend} with, say, "
            'licence = "CC-BY-4.0" under [trial], once all who measured agree.'
        )
    if named not in LICENCES:
        close = nearest(named, list(LICENCES))
        remedy = f"did you mean {close}?" if close else f"those known here are {listed(LICENCES, 'and')}."
        raise PackError(
            f"{quoted(named)} is not the SPDX identifier of a licence for data; {remedy} To change it, {amend}."
        )
    return LICENCES[named]
