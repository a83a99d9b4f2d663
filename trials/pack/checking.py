"""Whether a pack is what it says: every sum, every link, the draw again, and every number again from the readings."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pydantic import ValidationError

from analysis.document import document
from analysis.numerals import count
from schemas.errors import AnalysisError, FairtankError, PackError
from trials import __version__
from trials.pack import layout
from trials.pack.archive import read_archive
from trials.pack.building import WORDED, files_of
from trials.pack.chain_lines import chain_findings
from trials.pack.checking_record import record_findings
from trials.pack.reading import content, contents_of, json_object, protocol_path
from trials.pack.recomputing import recompute
from trials.pack.same_numbers import differences
from trials.publication.packing import is_publication, publication_of
from trials.register.chain import Kind
from trials.register.records import Finding

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    from trials.pack.contents import Contents

_SUM = re.compile(r"([0-9a-f]{64}) [ *](.+)")
_SHOWN = 10


@dataclass(frozen=True)
class PackCheck:
    """What the check of a pack found.

    Parameters
    ----------
    findings : tuple of Finding
        Empty where the pack is whole.
    notes : tuple of str
        What could not be checked, and why; true of a whole pack too.
    head : str or None
        Head of the chain, where the pack could be read.
    digest : str
        SHA-256 of the checksums: the one number that fixes every byte of the pack.
    """

    findings: tuple[Finding, ...]
    notes: tuple[str, ...]
    head: str | None
    digest: str


def check_pack(path: Path, head: str | None = None, say: Callable[[str], None] = lambda _: None) -> PackCheck:
    """Check a pack, a folder or a zip, with nothing but the pack.

    Parameters
    ----------
    path : Path
        The pack.
    head : str, optional
        A digest noted elsewhere: of an entry of the chain, or of the pack's checksums.
    say : callable
        Takes one line of progress at a time.

    Raises
    ------
    PackError
        It is no pack at all, or holds what no pack holds.
    """
    archive = read_archive(path)
    say("Checking the sums of all files")
    files = archive.files
    if is_publication(files):
        return _publication(path, files)
    found = [Finding("file", name, text) for name, text in archive.damaged.items()]
    found += sum_findings(files)
    digest = hashlib.sha256(files.get(layout.SUMS, b"")).hexdigest()
    notes: list[str] = []
    try:
        contents = contents_of(files)
        say("Following the chain")
        found += chain_findings(
            contents.lines, content(files, layout.HEAD).decode("ascii", "replace").strip()
        )
        notes += _withheld(contents)
        wrong = list(_protocol_findings(contents))
        found += wrong
        if wrong:
            notes.append(
                "Allocation, readings and numbers were not checked: the protocol is not the registered one."
            )
        else:
            found += _record_and_numbers(contents, files, say)
    except PackError as error:
        found.append(Finding("form", _named(str(error), files), f"{error} The rest could not be checked."))
        return PackCheck(tuple(found), tuple(notes), None, digest)
    if head is not None and head not in {digest, *(line.digest for line in contents.lines)}:
        found.append(
            Finding(
                "chain",
                "head",
                f"Neither an entry of the chain nor the pack has the digest noted before, {head}.",
            )
        )
    if contents.fairtank != __version__:
        notes.append(
            f"The pack was made by fairtank {contents.fairtank} and checked by {__version__}: files of words were held "
            "against their sums only."
        )
    return PackCheck(tuple(found), tuple(notes), contents.head, digest)


def _record_and_numbers(
    contents: Contents, files: Mapping[str, bytes], say: Callable[[str], None]
) -> Iterator[Finding]:
    say("Drawing the allocation again, and holding readings against their entries")
    found = list(record_findings(contents, say))
    yield from found
    # What no register would hold cannot be analysed either.
    if not any(finding.what == "form" for finding in found):
        say("Computing every number again")
        yield from _number_findings(contents, files)


def _publication(path: Path, files: Mapping[str, bytes]) -> PackCheck:
    """A pack of figures from a publication: its sums, and its results from what was typed in."""
    actual = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    found = [
        Finding("sum", name, f"{name} was changed or is missing: {layout.DESCRIPTOR} has another sum of it.")
        for name, described in _described(files).items()
        if actual.get(name) != described
    ]
    try:
        publication_of(path, files)
    except FairtankError as error:
        found.append(Finding("number", layout.DESCRIPTOR, str(error)))
    note = (
        "This pack holds figures typed in from a publication: there are no readings to compute anything from."
    )
    return PackCheck(tuple(found), (note,), None, actual.get(layout.DESCRIPTOR, ""))


def sum_findings(files: Mapping[str, bytes]) -> list[Finding]:
    """Whether each file has the sum that SHA256SUMS and the descriptor give it, and none is missing or too many."""
    if layout.SUMS not in files:
        return [
            Finding(
                "sum", layout.SUMS, f"{layout.SUMS} is missing, so that no file can be held against its sum."
            )
        ]
    actual = {name: hashlib.sha256(data).hexdigest() for name, data in files.items() if name != layout.SUMS}
    listed: dict[str, str] = {}
    found = []
    text = files[layout.SUMS].decode("utf-8", "replace")
    for number, line in enumerate(text.removesuffix("\n").split("\n"), 1):
        match = _SUM.fullmatch(line)
        if match is None or match[2] in listed:
            found.append(
                Finding("sum", layout.SUMS, f"{layout.SUMS}, line {number}, is not a sum and a new name.")
            )
        else:
            listed[match[2]] = match[1]
    described = _described(files)
    for name in sorted(listed.keys() | actual.keys()):
        if name not in actual:
            found.append(
                Finding("sum", name, f"{name} is listed in {layout.SUMS}, but it is not in the pack.")
            )
        elif name not in listed:
            found.append(Finding("sum", name, f"{name} is in the pack, but not listed in {layout.SUMS}."))
        elif actual[name] != listed[name]:
            found.append(_unlike(name, actual[name], described.get(name)))
        elif described.get(name, actual[name]) != actual[name]:
            found.append(
                Finding(
                    "sum",
                    name,
                    f"{name} was changed: {layout.DESCRIPTOR} has another sum of it than {layout.SUMS}.",
                )
            )
    return found


def _unlike(name: str, actual: str, described: str | None) -> Finding:
    """What a wrong sum tells: where the descriptor still agrees with the file, the list itself was changed."""
    if described == actual:
        return Finding("sum", layout.SUMS, f"{layout.SUMS} was changed: its sum of {name} is wrong.")
    return Finding("sum", name, f"{name} was changed: its SHA-256 is not the one in {layout.SUMS}.")


def _described(files: Mapping[str, bytes]) -> dict[str, str]:
    """The sums that the descriptor gives, by path; none where it cannot be read, which is said elsewhere."""
    try:
        resources = json_object(files, layout.DESCRIPTOR).get("resources")
    except PackError:
        return {}
    return {
        str(resource.get("path")): str(resource.get("hash")).removeprefix("sha256:")
        for resource in (resources if isinstance(resources, list) else [])
        if isinstance(resource, dict)
    }


def _protocol_findings(contents: Contents) -> Iterator[Finding]:
    """Whether each protocol has the digest under which its entry put it in force, and can be read."""
    steps = [line for line in contents.own if line.kind in {Kind.SEAL, Kind.AMENDMENT}]
    for line, (digest, text) in zip(steps, contents.protocols, strict=True):
        path = protocol_path(line)
        if hashlib.sha256(text).hexdigest() != digest:
            yield Finding(
                "protocol",
                path,
                f"{path} is not the protocol of entry {line.number}: its SHA-256 is not {digest}.",
            )
    try:
        if contents.sealed.trial.id != contents.trial:
            yield Finding("protocol", layout.SEALED, f"{layout.SEALED} is the protocol of another trial.")
    except ValidationError:
        yield Finding(
            "protocol", layout.SEALED, "A protocol of the pack is not in the form that this fairtank reads."
        )


def _withheld(contents: Contents) -> list[str]:
    withheld = sum(line.body is None and line.shown is not None for line in contents.lines)
    other = sum(line.trial is None for line in contents.lines)
    notes = []
    if withheld:
        notes.append(
            f"The bodies of {count(withheld, 'entry', 'entries')} are withheld, since they may name "
            "people: their digests were followed from entry to entry, but what is shown of them cannot be hashed again."
        )
    if other:
        notes.append(
            f"{other} of {len(contents.lines)} entries are of other trials and were followed as links only."
        )
    if not contents.texts:
        notes.append("Files as sent are not in the pack, so that taking them in again was not tried.")
    return notes


def _number_findings(contents: Contents, files: Mapping[str, bytes]) -> Iterator[Finding]:
    """Every number again, then every file that is made from them."""
    try:
        analysis = recompute(contents)
    except AnalysisError as error:
        yield Finding("number", layout.RESULTS, f"The analysis cannot be made again: {error}")
        return
    again = json.loads(json.dumps(document(analysis)))
    unlike = list(differences(contents.results, again))
    for place, was, now in unlike[:_SHOWN]:
        yield Finding(
            "number",
            layout.RESULTS,
            f"{layout.RESULTS}, {place}: {was} in the pack, {now} from the readings.",
        )
    if len(unlike) > _SHOWN:
        yield Finding(
            "number", layout.RESULTS, f"{layout.RESULTS}: {len(unlike) - _SHOWN} more are not the same."
        )
    # Where only rounding differs, the pack's own digits are what its other files were made from.
    made = files_of(replace(contents, results=again if unlike else contents.results), analysis)
    worded = set(WORDED) if contents.fairtank != __version__ else set()
    for name in sorted((made.keys() | files.keys()) - worded - {layout.SUMS, layout.RESULTS}):
        if name not in files:
            yield Finding("file", name, f"{name} is missing.")
        elif name not in made:
            yield Finding("file", name, f"{name} is no part of a pack.")
        elif files[name] != made[name]:
            yield Finding(
                "file",
                name,
                f"{name} is not what the rest of the pack makes of it{_where(files[name], made[name])}.",
            )


def _where(was: bytes, must: bytes) -> str:
    """Name the first line in which two texts differ."""
    lines, right = was.split(b"\n"), must.split(b"\n")
    number = next((n for n, (a, b) in enumerate(zip(lines, right, strict=False), 1) if a != b), None)
    return f", from line {number or min(len(lines), len(right)) + 1} on"


def _named(sentence: str, files: Mapping[str, bytes]) -> str:
    """The file that a sentence begins with."""
    return next((name for name in sorted(files, key=len, reverse=True) if sentence.startswith(name)), "pack")
