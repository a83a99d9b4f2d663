"""During the trial: take readings in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from schemas.errors import UsageError
from trials.cli.options import (
    DEFAULT_REGISTER,
    NEEDS_A_PERSON,
    DryRunOption,
    JsonOption,
    KeepOption,
    RegisterOption,
    now,
    today,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trials.register.records import IntakeBatch
    from trials.register.store import Register

_BYTES_A_ROW = 40
"""About, in a logger's file: for the bar alone."""


def intake(
    what: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[TRIAL] FILE...",
            help="The trial's id (may be left out when the register holds one), then files (CSV, XLSX, ODS) or folders "
            "of them.",
        ),
    ] = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    dry_run: DryRunOption = False,
    publication: Annotated[
        Path | None,
        typer.Option(
            "--publication",
            metavar="FILE",
            help="TOML of figures that a publication prints: kept apart from the register, for `fairtank pool`.",
        ),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="With --publication: where to write; default its id."),
    ] = None,
    stream: Annotated[
        bool,
        typer.Option(
            "--stream",
            help="The files are a logger's (CSV or Parquet of any size): each day is stored as its median.",
        ),
    ] = False,
    keep: KeepOption = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            metavar="ADDRESS",
            help="With --stream, for Parquet: a Dask scheduler, e.g. tcp://host:8786.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Validate and store readings: every row ends as accepted, held or repeated."""
    if publication is None and what and len(what) == 1 and what[0].casefold().endswith(".toml"):
        publication, what = Path(what[0]), None  # no readings come as TOML
    if publication is not None:
        _publication(publication, what, folder, dry_run=dry_run, as_json=as_json)
        return
    if not what or folder is not None:
        raise UsageError("name the files to take in; --out is for --publication alone.")
    if stream:
        _stream(location, what, keep, cluster, dry_run=dry_run, as_json=as_json)
        return
    if keep is not None or cluster is not None:
        raise UsageError("--keep and --cluster are for the files of loggers; give them with --stream.")
    from trials.cli import display
    from trials.intake.gathering import gather
    from trials.intake.several import read_files
    from trials.register.store import Register

    with Register.open(location) as record:
        trial, named = _trial_and_files(record, what)
        sealed = record.find(trial)
        gathered = gather(named)
        quiet = as_json or not gathered.takes_long
        refused: list[tuple[str, str]] = []
        # All are read before any is stored: if one that was named cannot be read, none is.
        with display.working("Reading", quiet=quiet or len(gathered.files) > 1):
            shown = display.progress(gathered.files, "Reading", quiet=quiet)
            batches = list(
                read_files(
                    shown,
                    sealed.protocol,
                    record.seen(sealed.id),
                    today(),
                    record.seen_beside(sealed.id),
                    may_fail=gathered.found,
                    refused=refused,
                )
            )
        if not dry_run:
            record.record_intake(sealed.id, batches, now())
    held = sum(batch.count("held") for batch in batches)
    if as_json:
        left = {"left_alone": _reasons(gathered.left_alone), "refused": _reasons(refused)}
        display.json_document(_document(batches) | {"trial": sealed.id, "dry_run": dry_run} | left)
    else:
        display.left_alone(gathered.left_alone, refused)
        display.intake(batches, dry_run=dry_run)
    if held or refused:
        raise typer.Exit(NEEDS_A_PERSON)


def _stream(
    location: str, what: list[str], keep: Path | None, cluster: str | None, *, dry_run: bool, as_json: bool
) -> None:
    """Take the files of loggers in, and show what became of their values and of their days."""
    from trials.cli import display, streams
    from trials.intake.gathering import gather
    from trials.register.store import Register
    from trials.streams.intake import ENDINGS, How, take_in_stream
    from trials.streams.raw_files import folder_of

    folder = None if dry_run else folder_of(location, keep)
    with Register.open(location) as record:
        trial, named = _trial_and_files(record, what)
        sealed = record.find(trial)
        gathered = gather(named, ENDINGS)
        size = sum(path.stat().st_size for path in gathered.files)
        taken = take_in_stream(
            record,
            sealed,
            gathered.files,
            now(),
            today(),
            How(
                folder,
                cluster,
                streams.running(size, "Keeping", quiet=as_json),
                streams.running(size // _BYTES_A_ROW, "Reading", quiet=as_json),
            ),
        )
    batches = [taken.batch] if taken.batch else []
    if as_json:
        own = {"trial": sealed.id, "dry_run": dry_run, "left_alone": _reasons(gathered.left_alone)}
        display.json_document(_document(batches) | own | {"stream": streams.document(taken, folder)})
    else:
        display.left_alone(gathered.left_alone, [])
        streams.show(taken)
        if batches:
            display.intake(batches, dry_run=dry_run)
    if any(batch.count("held") or (batch.stream and batch.stream.held) for batch in batches):
        raise typer.Exit(NEEDS_A_PERSON)


def _publication(
    file: Path, what: list[str] | None, folder: Path | None, *, dry_run: bool, as_json: bool
) -> None:
    """Work out what a publication prints and keep it in a pack of its own."""
    from trials.cli import display, pooling_display
    from trials.publication.packing import write_publication
    from trials.publication.reading import read_publication

    if what:
        raise UsageError("a publication is taken in by itself: leave out trial and files, or --publication.")
    found = read_publication(file)
    place = folder or Path(found.id)
    if not dry_run:
        write_publication(place, found)
    if as_json:
        display.json_document(found.results | {"pack": str(place), "dry_run": dry_run})
    else:
        pooling_display.publication(found, None if dry_run else place)


def _trial_and_files(record: Register, what: list[str]) -> tuple[str | None, list[Path]]:
    """The first word is the trial if the register knows it, or if it is no file while others follow."""
    known = {sealed.id for sealed in record.trials()}
    first, *others = what
    named = first in known or (others and not Path(first).exists())
    files = others if named else what
    if not files:
        raise UsageError(f"{first} is a trial; name the files to take in after it.")
    return (first if named else None), [Path(name) for name in files]


def _reasons(files: Sequence[tuple[str, str]]) -> list[dict[str, str]]:
    return [{"file": file, "reason": reason} for file, reason in files]


def _document(batches: list[IntakeBatch]) -> dict[str, Any]:
    from dataclasses import asdict

    counts = {name: sum(batch.count(name) for batch in batches) for name in ("accepted", "held", "repeated")}
    held_rows = [
        {"file": row.file, "sheet": row.sheet, "row": row.row, "reasons": [asdict(r) for r in row.reasons]}
        for batch in batches
        for row in batch.held()
    ]
    return {
        "rows": sum(len(batch.rows) for batch in batches),
        **counts,
        "readings": sum(len(batch.readings) for batch in batches),
        "events": sum(len(batch.events) for batch in batches),
        "check_readings": sum(len(batch.checks) for batch in batches),
        "held_rows": held_rows,
        "files": [
            {
                "file": batch.file.name,
                "digest": batch.file.digest,
                "rows": len(batch.rows),
                **{name: batch.count(name) for name in counts},
                "readings": len(batch.readings),
                "events": len(batch.events),
                "check_readings": len(batch.checks),
                "remarks": list(batch.remarks),
            }
            for batch in batches
        ],
    }
