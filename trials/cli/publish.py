"""Publishing a trial, and checking what was published or recorded: pack and verify."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

import typer

from trials.cli.options import (
    DEFAULT_REGISTER,
    NEEDS_A_PERSON,
    JsonOption,
    KeepOption,
    RegisterOption,
    TrialArgument,
    now,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from trials.register.records import Finding
    from trials.register.store import Register


def pack(
    trial: TrialArgument = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    place: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER|FILE.zip",
            help="A new folder, or a zip to be made; default TRIAL-pack.zip.",
        ),
    ] = None,
    consent: Annotated[
        Path | None,
        typer.Option(
            "--consent",
            metavar="FILE",
            help="CSV name,may_name (yes or no): who agreed to be named. Everybody else stands as P1, P2, ...",
        ),
    ] = None,
    with_texts: Annotated[
        bool,
        typer.Option(
            "--with-texts",
            help="Put in notes, reasons and files as sent: all who measured agreed, and you read what they wrote.",
        ),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write the open data package of a trial, from which anyone can compute every number again.

    The protocol has to name a licence. Persons are codes unless they agreed to be named.
    """
    from hashlib import sha256

    from trials.cli import display
    from trials.pack.building import files_of
    from trials.pack.gathering import gather
    from trials.pack.layout import SUMS
    from trials.pack.persons import Persons, read_consent
    from trials.pack.writing import refuse_taken, write_pack
    from trials.register.store import Register
    from trials.registered_analysis import unmask

    persons = Persons(read_consent(consent) if consent else {})
    with Register.open(location) as record:
        sealed = record.find(trial)
        out = place or Path(f"{sealed.id}-pack.zip")
        refuse_taken(out)
        with display.working("Gathering readings and computing the results", quiet=as_json):
            contents, analysis = gather(record, sealed.id, persons, texts=with_texts)
            # Only what can be published is recorded as shown; the pack then says so too.
            remarks = unmask(record, sealed.id, "pack", now())
            if remarks:
                contents, analysis = gather(record, sealed.id, persons, texts=with_texts)
    with display.working("Writing the pack", quiet=as_json):
        files = files_of(contents, analysis)
        write_pack(out, files, contents.trial)
    people = persons.table()
    named = sum(bool(person["named"]) for person in people)
    remarks += [f'"{name}" is in {consent}, but not in the record.' for name in persons.strangers()]
    digest = sha256(files[SUMS]).hexdigest()
    if as_json:
        display.json_document(
            {
                "trial": sealed.id,
                "pack": str(out),
                "files": len(files),
                "licence": contents.protocol.trial.licence,
                "persons": len(people),
                "named": named,
                "texts": with_texts,
                "head": contents.head,
                "digest": digest,
                "remarks": remarks,
            }
        )
        return
    display.out(f"Pack: {out} ({len(files)} files, {contents.protocol.trial.licence})")
    display.out(f"Persons: {len(people)}, of whom {named} named with their consent.")
    if not with_texts:
        display.out("Notes, reasons and files as sent are left out, since they may name people.")
    for remark in remarks:
        display.out(remark)
    display.out("To be posted with it:")
    display.out(f"  digest of its sums  {digest}")
    display.out(f"  head of the chain   {contents.head}")
    display.out(f"Anybody can check it: fairtank verify {out}")


class _Loggers(NamedTuple):
    """Whose loggers are checked, and where their files are."""

    trial: str | None
    location: str
    keep: Path | None
    quiet: bool


def _of_register(
    record: Register, noted: str | None, loggers: _Loggers
) -> tuple[Sequence[Finding], Sequence[str]]:
    """What is found in a register, and notes on what was not looked into."""
    found: Sequence[Finding] = record.check(noted)
    notes: Sequence[str] = ()
    if not found and record.streams(loggers.trial):
        from trials.cli import display
        from trials.register.postgres import is_address
        from trials.streams.checking import check_streams
        from trials.streams.raw_files import folder_of

        say: Callable[[str], None] = (lambda _: None) if loggers.quiet else display.progress_line
        named = loggers.keep is not None or not is_address(loggers.location)
        folder = folder_of(loggers.location, loggers.keep) if named else None
        found, notes = check_streams(record, loggers.trial, folder, say)
    masked = record.masked()
    if masked:
        hidden = f"Entries that are masked for your account: {masked}. They are held to the chain, not looked into."
        notes = [*notes, hidden]
    return found, notes


def verify(
    what: Annotated[
        str | None,
        typer.Argument(
            metavar="[TRIAL|PACK]",
            help="Path of a pack (folder or zip), or a trial of the register; without it, the whole register.",
        ),
    ] = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    head: Annotated[
        str | None,
        typer.Option(
            "--head",
            metavar="DIGEST|FILE",
            help="A head of the chain noted elsewhere before, or the file that holds it: it must be in the chain.",
        ),
    ] = None,
    written: Annotated[
        Path | None,
        typer.Option(
            "--write-head",
            metavar="FILE",
            help="Write the head into a small text file, to be posted and checked later.",
        ),
    ] = None,
    keep: KeepOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check a register, or a pack with nothing but the pack.

    Of a register: chain, digests, files, allocation, readings against their entries, and the days of loggers worked out of
    their files again where these are at hand. Of a pack: every sum, the
    chain, the allocation drawn again, and every number computed again from the readings.
    """
    from trials import posted_head
    from trials.cli import display

    noted = posted_head.read(head) if head else None
    found: Sequence[Finding]
    notes: Sequence[str] = ()
    more: dict[str, Any] = {}
    if what is not None and posted_head.is_pack(what):
        from trials.pack.checking import check_pack

        def say(step: str) -> None:
            if not as_json:
                display.progress_line(step)

        checked = check_pack(Path(what), noted, say)
        found, notes, now_head = checked.findings, checked.notes, checked.head
        more = {"digest": checked.digest, "notes": list(notes)}
        name, whole = (
            what,
            f"{what} is whole, and every number comes out again. Digest of its sums: {checked.digest}",
        )
    else:
        from trials.register.store import Register

        with Register.open(location) as record:
            name = record.find(what).id if what is not None else "all trials"
            now_head = record.head()
            found, notes = _of_register(record, noted, _Loggers(what, location, keep, quiet=as_json))
        more = {"notes": list(notes)}
        whole = f"The register is whole. Head of its chain: {now_head}"
    if as_json:
        display.json_document(display.findings_document(found) | {"head": now_head} | more)
    else:
        for note in notes:
            display.out(note)
        display.findings(found, whole)
    if written and now_head and not found:
        posted_head.write(written, now_head, name, now())
        if not as_json:
            display.out(
                f"Head written to {written}; post it where others can see it, and check later with --head."
            )
    if found:
        raise typer.Exit(NEEDS_A_PERSON)
