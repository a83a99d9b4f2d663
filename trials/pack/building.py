"""Every file of a pack from what it holds: the same contents give the same bytes."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

from trials import allocation
from trials.pack import layout
from trials.pack.chain_lines import write_lines
from trials.pack.citation import citation_cff, datacite
from trials.pack.derived import derived_tables
from trials.pack.descriptor import descriptor
from trials.pack.reading import allocation_of, protocol_path
from trials.pack.readme import licence_text, readme
from trials.pack.tables import write_frame
from trials.register.chain import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.records import Analysis
    from trials.pack.contents import Contents

WORDED = (layout.README, layout.LICENCE, layout.CITATION, layout.DATACITE, layout.BY_HAND, layout.DESCRIPTOR)
"""Files whose wording may differ from one version of fairtank to the next."""


def files_of(contents: Contents, analysis: Analysis) -> dict[str, bytes]:
    """All files by path, the checksums last.

    Parameters
    ----------
    contents : Contents
        What the pack holds.
    analysis : Analysis
        The registered analysis of it, for the answer in words.
    """
    files = _gathered(contents) | derived_tables(contents)
    files[layout.BY_HAND] = _by_hand(contents)
    files[layout.README] = readme(contents, analysis)
    files[layout.LICENCE] = licence_text(contents)
    files[layout.CITATION] = citation_cff(contents)
    files[layout.DATACITE] = datacite(contents)
    files[layout.DESCRIPTOR] = descriptor(contents, files)
    return files | {layout.SUMS: checksums(files)}


def checksums(files: Mapping[str, bytes]) -> bytes:
    """The sums of all files, as ``sha256sum`` writes and checks them."""
    return "".join(f"{hashlib.sha256(files[path]).hexdigest()}  {path}\n" for path in sorted(files)).encode()


def _gathered(contents: Contents) -> dict[str, bytes]:
    """What cannot be made from anything else in the pack."""
    files = dict(contents.sources)
    steps = [line for line in contents.own if line.kind in {Kind.SEAL, Kind.AMENDMENT}]
    for line, (_, text) in zip(steps, contents.protocols, strict=True):
        files[protocol_path(line)] = text
    for table in layout.GATHERED:
        files[table.path] = write_frame(table, contents.frames[table.name])
    files[layout.CHAIN] = write_lines(contents.lines)
    files[layout.HEAD] = f"{contents.head}\n".encode()
    files[layout.RESULTS] = _json(contents.results)
    files[layout.MADE_WITH] = _json(
        {
            "format": layout.FORMAT,
            "fairtank": contents.fairtank,
            "texts": contents.texts,
            "lead_named": contents.lead_named,
            "environment": dict(contents.environment),
        }
    )
    return files


def _json(document: object) -> bytes:
    return (json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2) + "\n").encode()


def _by_hand(contents: Contents) -> bytes:
    shared = allocation_of(contents)
    how = "drawn here, from the seed of" if shared.drawn else "recorded as made elsewhere:"
    lines = [
        f"Trial {contents.trial}, allocation {how} {shared.how}",
        f"Digest of the sealed protocol: {contents.sealed_digest}",
    ]
    if shared.drawn:
        lines += [f"Seed: {shared.seed}", ""]
        lines += allocation.instructions(contents.sealed, contents.sealed_digest, shared)
    elif not shared.random:
        lines.append("Chance did not decide: what the trial shows is observational.")
    return ("\n".join([*lines, *shared.notes]) + "\n").encode()
