"""During the trial: sheets for the people who measure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trials.cli.options import DEFAULT_REGISTER, JsonOption, RegisterOption, TrialArgument

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trials.sheets.folder import SheetFiles
    from trials.sheets.site import SiteSheet


def sheets(
    trial: TrialArgument = None,
    *,
    location: RegisterOption = DEFAULT_REGISTER,
    folder: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="Where to write; default TRIAL-sheets.")
    ] = None,
    site: Annotated[str | None, typer.Option("--site", help="One site alone.")] = None,
    kits: Annotated[
        list[str] | None,
        typer.Option(
            "--kit",
            metavar="KIT",
            help="A kit that the site has, by its id in the protocol; its unit then stands in the header. May be repeated.",
        ),
    ] = None,
    masked: Annotated[
        bool,
        typer.Option("--masked", help="Letters for arms and no doses, for people who score without knowing."),
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over files that are there.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Write recording sheets for each site: a workbook, and a page for a phone; both come back through intake.

    Doses stand on them once the tanks are shared out. The page is one file that asks for nothing from elsewhere; put it on
    a web address that begins with https, since some phones run no script in a page that is opened as a file.
    """
    from analysis.masking import mask_of
    from trials.cli import display
    from trials.register.store import Register
    from trials.sheets.folder import write_sheets
    from trials.sheets.site import site_sheets

    with Register.open(location) as record:
        found = record.find(trial)
        allocation = record.allocation(found.id)
        sealed = record.find(found.id, as_sealed=True)
    made = site_sheets(
        found.protocol,
        found.digest,
        allocation,
        only=site,
        kits=kits or (),
        mask=mask_of(sealed.protocol, sealed.digest) if masked else None,
    )
    place = folder or Path(f"{found.id}-sheets")
    files = write_sheets(place, made, force=force)
    if as_json:
        display.json_document(_document(found.id, found.digest, made, files))
        return
    for one, made_for in zip(files, made, strict=True):
        display.out(f"{made_for.place}: {one.workbook} and {one.page.name}")
    if allocation is None:
        display.out(
            "The tanks are not shared out yet, so the sheets say nothing of doses; write them again after the draw."
        )
    display.out(
        "Put the pages on a web address that begins with https: some phones run no script in a page that is opened as a file."
    )
    display.out(f"What comes back goes in with: fairtank intake {found.id} FILE...")


def _document(
    trial: str, digest: str, made: Sequence[SiteSheet], files: Sequence[SheetFiles]
) -> dict[str, Any]:
    return {
        "trial": trial,
        "protocol_digest": digest,
        "sites": [
            {
                "site": one.site,
                "tanks": [tank.id for tank in sheet.tanks],
                "planned_rows": len(sheet.rows),
                "masked": sheet.masked,
                "doses": bool(sheet.arms) and not sheet.masked,
                "workbook": str(one.workbook),
                "page": str(one.page),
            }
            for one, sheet in zip(files, made, strict=True)
        ],
    }
