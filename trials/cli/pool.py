"""`fairtank pool`: several trials together."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotation at run time
from typing import Annotated

import typer

from trials.cli.options import NEEDS_A_PERSON, JsonOption, number_option, today


def pool(
    packs: Annotated[
        list[Path],
        typer.Argument(metavar="PACK...", help="Packs (folders or zips), and publications (packs or .toml)."),
    ],
    *,
    mapping: Annotated[
        Path | None,
        typer.Option(
            "--map",
            metavar="FILE",
            help="TOML that says which contrasts ask the same though named otherwise.",
        ),
    ] = None,
    endpoint: Annotated[
        str | None,
        typer.Option("--endpoint", help="Only questions of this endpoint, variable or question id."),
    ] = None,
    power: Annotated[float, number_option("--power", "Wished of the next trial.")] = 0.8,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FOLDER", help="Where to write page, figures, document and planning.toml."
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Pool trials by random effects: what they settle together, what they do not, and what the next should be."""
    from schemas.errors import UsageError
    from trials.cli import display, pooling_display
    from trials.pooling.evidence import pool_packs
    from trials.pooling.mapping import read_mapping

    if not 0 < power < 1:
        raise UsageError(f"a power of {power:g} cannot be wished for; give one between 0 and 1, e.g. 0.8.")
    same = read_mapping(mapping) if mapping is not None else ()
    shown = display.progress(packs, "Reading packs", quiet=as_json)
    found = pool_packs(shown, same, endpoint=endpoint, wished=power)
    page = None
    if folder is not None:
        from trials.pooling.writing import write_pool

        with display.working("Drawing figures", quiet=as_json):
            page = write_pool(folder, found, today())
    if as_json:
        from trials.pooling.writing import evidence_document

        display.json_document(evidence_document(found))
    else:
        pooling_display.evidence(found, page)
    if found.unused:
        raise typer.Exit(NEEDS_A_PERSON)
