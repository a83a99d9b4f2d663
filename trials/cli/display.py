"""Everything the commands show: text and tables on standard output, progress on standard error."""

from __future__ import annotations

import json
import sys
from contextlib import contextmanager, nullcontext
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from contextlib import AbstractContextManager

    from analysis.records import Analysis, Contrast, EndpointResult
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol
    from trials.demo import DemoOutcome
    from trials.register.records import Finding, IntakeBatch, SealedTrial
    from trials.report_tables import Table

MOST_HELD_SHOWN = 20


def out(text: str = "") -> None:
    """One line on standard output."""
    print(text)


def complain(text: str) -> None:
    """What went wrong, on standard error."""
    print(f"fairtank: {text}", file=sys.stderr)


def json_document(document: dict[str, Any]) -> None:
    """The one JSON document of a command; no number in it is rounded, none is NaN."""
    print(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2))


def progress(items: Sequence[Any], label: str, *, quiet: bool) -> Iterable[Any]:
    """The items, with a bar on standard error where that is a terminal and there is more than one."""
    if quiet or len(items) < 2 or not sys.stderr.isatty():
        return items
    return _tracked(items, label)


def _tracked(items: Sequence[Any], label: str) -> Iterator[Any]:
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=len(items))
        for item in items:
            bar.update(task, description=f"{label} {getattr(item, 'name', '')}".rstrip())
            yield item
            bar.advance(task)


def working(label: str, *, quiet: bool) -> AbstractContextManager[Any]:
    """A sign of life on standard error, where that is a terminal."""
    if quiet or not sys.stderr.isatty():
        return nullcontext()
    from rich.console import Console

    return Console(stderr=True).status(label)


@contextmanager
def counting(total: int, label: str, *, quiet: bool) -> Iterator[Callable[[int], None]]:
    """Tells how many of so many are done: a bar on standard error where that is a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=total)
        yield lambda done: bar.update(task, completed=done)


def progress_line(text: str) -> None:
    """A step of a longer check as it begins, on standard error where that is a terminal."""
    if sys.stderr.isatty():
        print(f"{text} ...", file=sys.stderr, flush=True)


def step(*, quiet: bool) -> Callable[[str], None]:
    """Shows one step of a longer job as it begins."""
    return (lambda _: None) if quiet else (lambda text: print(text, flush=True))


def findings_document(findings: Sequence[Finding]) -> dict[str, Any]:
    """Findings as JSON data."""
    return {
        "ok": not findings,
        "findings": [{"what": f.what, "where": f.where, "text": f.text} for f in findings],
    }


def findings(found: Sequence[Finding], whole: str) -> None:
    """What a check found, or the sentence that all is whole."""
    for finding in found:
        out(f"{finding.where}: {finding.text}")
    out(f"{len(found)} found." if found else whole)


def protocol(sealed: Protocol, digest: str, plan: Sequence[str], warnings: Sequence[str]) -> None:
    """What a protocol says, as sealed."""
    blocks = {tank.block for tank in sealed.tanks if tank.block}
    shape = f"{len(sealed.tanks)} tanks" + (f" in {len(blocks)} blocks" if blocks else "")
    out(f"{sealed.trial.id}: {sealed.trial.title}")
    out(
        f"{shape}, arms {', '.join(arm.id for arm in sealed.arms)}; {sealed.schedule.start} to {sealed.last_day}."
    )
    out(f"Digest {digest}")
    out()
    out("The analysis that will run:")
    for line in plan:
        out(f"  {line}")
    if warnings:
        out()
        out("Worth a thought before the first reading:")
        for warning in warnings:
            out(f"  {warning}")
    out()


def allocation(sealed: SealedTrial, shared: Allocation) -> None:
    """An allocation with what a person needs to draw it again by hand."""
    from trials.allocation import instructions, remarks

    if shared.drawn:
        for line in instructions(sealed.protocol, sealed.digest, shared):
            out(line)
    else:
        out(
            f"Recorded, not drawn here: {shared.how}."
            + ("" if shared.random else " Not random: observational.")
        )
    if sealed.protocol.n_periods > 1 or not shared.drawn:
        periods = range(1, sealed.protocol.n_periods + 1)
        heads = [f"period {period}" for period in periods] if len(periods) > 1 else ["arm"]
        blocks = {a.tank: a.block or "" for a in shared.assignments}
        table(
            ("tank", "block", *heads),
            [(tank, blocks[tank], *arms) for tank, arms in shared.sequence_of().items()],
        )
    for note in shared.notes:
        out(note)
    for remark in remarks(sealed.protocol, shared):
        out(remark)


def intake(batches: Sequence[IntakeBatch], *, dry_run: bool) -> None:
    """What became of each file: remarks, held rows with their reasons, and the sum of rows."""
    for batch in batches:
        out(f"{batch.file.name}")
        for remark in batch.remarks:
            out(f"  {remark}")
        _held(batch)
        out(f"  {_sum(batch)}")
    if len(batches) > 1:
        total = sum(len(batch.rows) for batch in batches)
        parts = " + ".join(
            f"{sum(b.count(n) for b in batches)} {n}" for n in ("accepted", "held", "repeated")
        )
        out()
        for batch in batches:
            out(f"{batch.file.name}: {_sum(batch)}")
        out(f"All files: {total} rows = {parts}.")
    if dry_run:
        out("Nothing was stored: this was a dry run.")
    if any(batch.count("held") for batch in batches):
        out(
            "Held rows wait: mend them in the file and take the file in again; what is in already is recognised."
        )


def left_alone(files: Sequence[tuple[str, str]], refused: Sequence[tuple[str, str]]) -> None:
    """Files of a folder that were not read, or that could not be."""
    for file, reason in files:
        out(f"{file} was left alone: {reason}.")
    for file, reason in refused:
        out(f"{file} could not be taken in: {reason}")


def _held(batch: IntakeBatch) -> None:
    held = batch.held()
    for row in held[:MOST_HELD_SHOWN]:
        where = f"row {row.row}" + (f" of sheet {row.sheet}" if row.sheet else "")
        for reason in row.reasons:
            out(f"  {where} held: {reason.text}")
    if len(held) > MOST_HELD_SHOWN:
        out(f"  and {len(held) - MOST_HELD_SHOWN} more held rows; --json lists them all.")


def _sum(batch: IntakeBatch) -> str:
    parts = " + ".join(f"{batch.count(name)} {name}" for name in ("accepted", "held", "repeated"))
    brought = [f"{len(batch.readings)} new readings"]
    brought += [f"{len(batch.events)} new events"] if len(batch.events) else []
    brought += [f"{len(batch.checks)} readings of check samples"] if len(batch.checks) else []
    return f"{len(batch.rows)} rows = {parts}; {', '.join(brought)}."


def analysis(
    result: Analysis, answer: Sequence[str], tables: Sequence[Table] = (), remarked: Sequence[str] = ()
) -> None:
    """The answer in plain words, each endpoint's numbers and notes, then tables of the water with remarks on them."""
    for line in answer:
        out(line)
    for endpoint in result.endpoints:
        out()
        out(f"{endpoint.title} ({endpoint.role}): {endpoint.n_tanks} tanks{_blocks(endpoint)}")
        table(
            (
                "contrast",
                "n",
                "estimate",
                f"{100 * (1 - endpoint.alpha):g} % interval",
                "p",
                "adjusted",
                "drawn p",
                "reading",
            ),
            [_row(contrast) for contrast in endpoint.contrasts],
        )
        for note in endpoint.notes:
            out(f"  {note}")
    for shown in tables:
        out()
        out(shown.caption)
        table(shown.head, shown.rows)
    for remark in remarked:
        out(f"  {remark}")
    out()
    for note in result.notes:
        out(note)
    out(
        f"Protocol {result.protocol_digest[:16]}, data {result.data_digest[:16]}, fairtank {result.fairtank}."
    )


def demo(outcome: DemoOutcome) -> None:
    """How the demo ends: the answer and where the report is."""
    out()
    for line in outcome.answer:
        out(line)
    out()
    out(f"Report: {outcome.report}")


def _blocks(endpoint: EndpointResult) -> str:
    return f" in {endpoint.n_blocks} blocks" if endpoint.n_blocks else ""


def _row(contrast: Contrast) -> tuple[str, ...]:
    from analysis.numerals import p_value, quantity

    name = f"{contrast.test} - {contrast.reference}"
    interval = "none"
    if contrast.low is not None and contrast.high is not None:
        interval = f"{quantity(contrast.low)} to {quantity(contrast.high)}"
    drawn = contrast.randomisation.p if contrast.randomisation else None
    return (
        name,
        str(contrast.n),
        "none" if contrast.estimate is None else quantity(contrast.estimate),
        interval,
        p_value(contrast.p),
        p_value(contrast.p_adjusted),
        p_value(drawn),
        contrast.verdict or "none",
    )


def table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Aligned columns, two spaces apart, that survive being copied into a message."""
    widths = [max(len(str(cell)) for cell in column) for column in zip(header, *rows, strict=True)]
    for row in (header, *rows):
        out(
            "  " + "  ".join(str(cell).ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        )


def quantities(
    rows: Sequence[tuple[str, float | None, str] | tuple[str, float | None, str, int]],
    document: dict[str, Any],
    *,
    as_json: bool,
    headline: str = "",
    notes: Sequence[str] = (),
    cautions: Sequence[str] = (),
) -> None:
    """Named quantities with their units (and significant digits, else four), then notes and cautions.

    Those that do not exist are left out. As JSON it is ``document`` with the notes and cautions added.
    """
    if as_json:
        json_document(document | {"notes": list(notes), "cautions": list(cautions)})
        return
    from analysis.numerals import quantity

    if headline:
        out(headline)
    width = max(len(row[0]) for row in rows)
    for name, value, unit, *digits in rows:
        if value is not None:
            out(f"  {name.ljust(width)}  {quantity(value, *(digits or [4]))} {unit}".rstrip())
    remarks(notes, cautions)


def remarks(notes: Sequence[str], cautions: Sequence[str]) -> None:
    """What was assumed, and what can hurt."""
    for note in notes:
        out(f"Note: {note}.")
    for caution in cautions:
        out(f"Caution: {caution}")
