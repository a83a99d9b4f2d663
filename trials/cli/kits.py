"""How the kits measure: check samples, duplicates, blanks, check standards and nitrite, in plain words."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotation at run time
from typing import TYPE_CHECKING, Annotated

import typer

from schemas.errors import FairtankError, UsageError
from trials.cli.options import (
    DEFAULT_REGISTER,
    NEEDS_A_PERSON,
    JsonOption,
    RegisterOption,
    TrialArgument,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from analysis.kits.comparison import KitComparison
    from trials.register.records import SealedTrial


def kits(
    trial: TrialArgument = None,
    *,
    figure: Annotated[
        Path | None,
        typer.Option("--figure", metavar="FILE", help="Draw the control charts, .svg or .png."),
    ] = None,
    location: RegisterOption = DEFAULT_REGISTER,
    as_json: JsonOption = False,
) -> None:
    """Say how each kit at each site measures, by check samples and duplicates; status 3 where one fails.

    No reading is changed by it: `fairtank amend --kit` registers a correction, which stands beside.
    """
    from analysis.kits.document import kits_document
    from schemas.variables import variables_for
    from trials.cli import display
    from trials.kits import kits_of
    from trials.register.store import Register

    if figure is not None and figure.suffix.lower() not in (".svg", ".png"):
        raise UsageError(f"{figure} is neither .svg nor .png; name the figure by one of them.")
    with Register.open(location) as record:
        sealed = record.find(trial)
        found = kits_of(record, sealed)
    units = {name: variable.unit for name, variable in variables_for(sealed.protocol).items()}
    if figure is not None:
        _draw(figure, sealed, found)
    if as_json:
        display.json_document(kits_document(sealed.id, found, units))
    else:
        _show(sealed, found, units)
        if figure is not None:
            display.out(f"Figure: {figure}")
    if found.needs_a_person:
        raise typer.Exit(NEEDS_A_PERSON)


def _show(sealed: SealedTrial, found: KitComparison, units: Mapping[str, str]) -> None:
    from analysis.kits import wording
    from analysis.numerals import count
    from trials.cli.watch_display import fill

    if found.empty:
        fill(
            f"{sealed.id} has nothing to compare kits by yet: name [[check_samples]] in the protocol and take their readings "
            "in, or read the same water twice on a day."
        )
        return
    failing = [verdict for verdict in found.verdicts if verdict.needs_a_person]
    answered = [one for one in found.verdicts if one.corrected is not None]
    if failing:
        fill(
            f"{count(len(failing), 'kit')} {'fails and needs' if len(failing) == 1 else 'fail and need'} a person."
        )
    elif found.verdicts:
        fill("No kit fails." if not answered else "Each kit that fails was corrected since.")
    parts: list[tuple[str, Iterable[str]]] = [
        ("Kit by kit", (wording.verdict_sentence(one, found) for one in found.verdicts)),
        ("Shared references", (text for one in found.rounds for text in wording.round_sentences(one))),
        ("Check standards", (text for one in found.charts for text in wording.chart_sentences(one))),
        (
            "Duplicates",
            (wording.duplicates_sentence(one, units[one.variable]) for one in found.duplicates),
        ),
        ("Blanks", (wording.detection_sentence(one, units[one.variable]) for one in found.detection)),
        ("Nitrite", (wording.nitrite_sentence(one) for one in found.nitrite)),
        ("Corrections that stand beside", wording.correction_sentences(found.corrections, units)),
    ]
    for title, texts in parts:
        lines = list(texts)
        if lines:
            fill()
            fill(title)
            for text in lines:
                fill(text, "  ", 4)
    if found.not_scored:
        fill()
        fill(
            f"{count(found.not_scored, 'reading')} of check samples that the protocol in force does not name "
            f"{'is' if found.not_scored == 1 else 'are'} left aside."
        )


def _draw(path: Path, sealed: SealedTrial, found: KitComparison) -> None:
    from analysis.plots import control
    from analysis.plots.theme import render

    kind = path.suffix.lower().removeprefix(".")
    content = render(control.figure(found.charts), kind)[kind]
    try:
        path.write_bytes(content)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FairtankError(f"The figure of {sealed.id} cannot be written to {path} ({reason}).") from error
