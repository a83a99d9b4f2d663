"""The README of a pack, for a reader who has nothing but it, and what it says of licence and consent."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analysis.limitations import cannot_say
from analysis.numerals import count, day_words, plain
from analysis.wording import answer_lines
from trials.pack import layout
from trials.pack.citation import author, released, title
from trials.pack.licences import LICENCES
from trials.pack.reading import allocation_of
from trials.register.chain import Kind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.records import Analysis
    from trials.pack.contents import Contents

_MARKUP = re.compile(r"[\\`*_{}\[\]#|~$!]|^[-+=]|^\d+(?=[.)])")
_ENTITIES = {"&": "&amp;", "<": "&lt;", ">": "&gt;", "://": "&#58;//", "@": "&#64;", "www.": "www&#46;"}
_LONGEST = 2_000


def harmless(text: str) -> str:
    r"""A text from people as it may stand in Markdown: no markup, no link, no turned direction, one line.

    Examples
    --------
    >>> harmless("Pellets (in a reactor)\n# <b>best</b>, see http://example.org")
    'Pellets (in a reactor) \\# &lt;b&gt;best&lt;/b&gt;, see http&#58;//example.org'
    """
    shown = _MARKUP.sub(_escaped, plain(text, _LONGEST))
    for sign, instead in _ENTITIES.items():
        shown = re.sub(re.escape(sign), instead, shown, flags=re.IGNORECASE)
    return shown


def _escaped(found: re.Match[str]) -> str:
    """A sign of markup with a backslash before it; a number that would begin a list has it behind."""
    return f"{found[0]}\\" if found[0].isdigit() else f"\\{found[0]}"


def readme(contents: Contents, analysis: Analysis) -> bytes:
    """The README, Markdown that reads as plain text too."""
    return ("\n".join(_lines(contents, analysis)) + "\n").encode()


def _lines(contents: Contents, analysis: Analysis) -> Iterator[str]:
    protocol = contents.protocol
    yield f"# {harmless(title(contents))}"
    yield ""
    yield (
        f"The whole record of one controlled trial, `{contents.trial}`: what was registered, which tank had which "
        "treatment and why, every reading with what became of it, and the results with all that is needed to compute "
        f"them again. Made by fairtank {contents.fairtank}; the last entry is of {day_words(released(contents))}."
    )
    yield from ("", "## The question", "", harmless(protocol.trial.question or protocol.trial.title))
    yield from ("", "## The answer", "")
    for line in answer_lines(analysis, protocol, allocation_of(contents)):
        yield f"- {harmless(line)}"
    yield from ("", "## How to check it", "")
    yield from _checking(contents)
    yield from ("", "## What it does not say", "")
    registered = next(line.moment.date() for line in contents.own if line.kind == Kind.SEAL)
    for line in cannot_say(analysis, protocol, allocation_of(contents), registered_on=registered):
        yield f"- {harmless(line)}"
    yield from ("", "## Cautions on reading", "")
    yield from _cautions(contents)
    yield from ("", "## What is in it", "", "| file | what it is |", "|---|---|")
    yield from (f"| `{path}` | {what} |" for path, what in _places(contents))
    yield from ("", "## People", "")
    yield from _people(contents)
    yield from ("", "## Licence and citation", "")
    licence = LICENCES[protocol.trial.licence or ""]
    yield f"{licence.id}, {licence.name}: <{licence.url}>. {licence.asks}"
    yield ""
    yield f"{harmless(author(contents))} ({released(contents).year}). {harmless(title(contents))}. Data set."


def _checking(contents: Contents) -> Iterator[str]:
    yield "1. That nothing was damaged on the way, with any SHA-256 tool: `sha256sum -c SHA256SUMS`."
    yield (
        "2. All of it, with fairtank in an environment of its own: `fairtank verify PATH-OF-THIS-PACK`. It checks every "
        "sum, follows the chain of entries, draws the allocation again, and computes every number again from the "
        "readings; numbers have to agree to one part in 10^9."
    )
    yield (
        f"3. The allocation by hand: `{layout.BY_HAND}` has every line of it. The protocol's digest, "
        f"`{contents.sealed_digest}`, is the SHA-256 of `{layout.SEALED}`."
    )
    yield (
        f"4. Against what was posted before: the head of the register's chain is `{contents.head}`. An earlier head that "
        "was posted elsewhere must be among its entries: `fairtank verify PATH --head DIGEST`."
    )
    if not contents.texts:
        yield ""
        yield (
            "Entries that may name people show their digest but not their whole text, so that nobody can hash them "
            "again: that the readings are those of the register is then the publisher's word, which the digest of "
            "SHA256SUMS, posted on publication, keeps from being changed later."
        )


def _cautions(contents: Contents) -> Iterator[str]:
    yield (
        "- A tank is the unit, not a reading. Repeated readings of a tank are one number before any comparison: see "
        "`results/tanks.csv`, never an average over `data/readings.csv`."
    )
    yield (
        "- A reading with the sign `<` is below the kit's limit, and its `value` is that limit, not what was measured; "
        "never take it for a number, nor for 0."
    )
    yield "- Units are in `data/variables.csv`. Nitrate and phosphate are counted as it says under `form`."
    yield "- Held rows (`data/held.csv`) are in no number: nobody has settled yet what they mean."
    yield (
        "- Moments are as on each person's clock; the register's own are in UTC, as its machine had them. That no entry "
        "was changed is shown by the chain; when it was written is the register's word."
    )
    yield (
        "- The tables are raw: a text may begin with `=`, `+`, `-` or `@`, which a spreadsheet may run as a formula. "
        "Import them as text rather than opening them with a double click, and take no text in them for markup."
    )
    yield (
        "- These data describe these animals, tanks and weeks. They are no advice on animals, chemicals or electricity; "
        "local rules come first, and a vet or another licensed person decides about sick animals."
    )
    if contents.frames["readings"]["kit"].eq("").all():
        yield "- Kits are not named: how well they measure cannot be told apart from the tanks."


def _places(contents: Contents) -> Iterator[tuple[str, str]]:
    yield (
        layout.SEALED,
        "the protocol as sealed, canonical JSON (RFC 8785); its SHA-256 is the protocol's digest",
    )
    yield "protocol/sealed.toml", "the same as it was written, with its tanks file where it had one"
    if len(contents.protocols) > 1:
        yield "protocol/amended-N", "the protocol as entry N amended it; the last one is in force"
    yield layout.BY_HAND, "the allocation, line by line, to be redone by hand"
    for table in layout.TABLES:
        rows = contents.frames.get(table.name)
        yield table.path, table.title + (f" ({count(len(rows), 'row')})" if rows is not None else "")
    yield layout.RESULTS, "every number of the registered analysis, unrounded"
    yield layout.CHAIN, "the register's entries, each with the digest of the one before"
    yield layout.HEAD, "the digest of the last entry"
    if contents.texts:
        yield "files/", "the files as they were sent, byte for byte"
    yield layout.DESCRIPTOR, "what each column means, for programs (Data Package v2)"
    yield layout.MADE_WITH, "versions of all that it was made with"
    yield f"{layout.CITATION}, {layout.DATACITE}", "how to cite it, for programs"
    yield layout.SUMS, "SHA-256 of every other file"


def _people(contents: Contents) -> Iterator[str]:
    people = contents.frames["persons"]
    named = int(people["named"].sum())
    if people.empty:
        yield "The record names nobody who measured."
    else:
        yield (
            f"{count(len(people), 'person', 'persons')} took part, of whom {named or 'none'} agreed to be named; the others "
            "stand as P1, P2, ..., as in `data/persons.csv`."
        )
    if contents.texts:
        yield "Notes, reasons and files are as they were sent: all who measured agreed, and the publisher read the texts."
        return
    yield (
        "Notes, reasons, names of files and sheets, and files as sent are left out, since they may name people; a cell "
        "of `data/rows.csv` is null where it holds any word that is not the trial's own. What is registered (the protocol, "
        "its tanks, sites and kits, and how the tanks were allocated) is public as it was written."
    )
    yield (
        "A code hides a name from readers, not from those who were there: who knows when somebody measured knows the "
        "person's code, and who can write a file again word for word can recognise its digest."
    )


def licence_text(contents: Contents) -> bytes:
    """What may be done with the data, and who agreed to what."""
    licence = LICENCES[contents.protocol.trial.licence or ""]
    lines = [
        "# Licence",
        "",
        f"SPDX-License-Identifier: {licence.id}",
        "",
        f"These data are published under {licence.name}, <{licence.url}>, as the registered protocol says.",
        licence.asks,
        "",
        "# Consent",
        "",
        *_people(contents),
    ]
    return ("\n".join(lines) + "\n").encode()
