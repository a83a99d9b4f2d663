"""How pooled evidence is shown in a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trials.cli import display

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.pooled_records import Pooled
    from trials.pooling.evidence import Evidence
    from trials.publication.publication import Publication


def evidence(found: Evidence, page: Path | None) -> None:
    """The answer, what is settled, each question, what was left out, and what to plan with."""
    from analysis.pooled_wording import next_trial_words, settled_words
    from trials.pooling.writing import planning_text

    for one in found.pooled:
        _question(one)
        display.out()
    settled, unsettled = settled_words(found.pooled)
    for head, lines in (("Settled:", settled), ("Not settled:", unsettled)):
        if lines:
            _block(head, lines)
    if found.left_out:
        _block("Left out, and why:", found.left_out)
    if found.unused:
        display.out(f"In no question: {', '.join(found.unused)}. A mapping (--map FILE) may join them.")
    _block("The next trial:", next_trial_words(found.pooled[0]))
    text = planning_text(found.pooled[0])
    if text:
        display.out()
        display.out(text.rstrip())
    if page is not None:
        display.out()
        display.out(f"Written: {page}")


def _question(one: Pooled) -> None:
    from analysis.numerals import number
    from analysis.pooled_notes import summary_of
    from analysis.pooled_wording import answer, interval_words, prediction_words, size_words

    question = one.question
    for line in filter(None, (answer(one), prediction_words(one), summary_of(one))):
        display.out(line)
    rows = [
        (
            trial.trial + (" *" if trial.published else ""),
            str(trial.ended or ""),
            str(trial.n),
            size_words(question, trial.estimate),
            interval_words(question, trial.low, trial.high, one.margins),
            f"{number(100 * weight, 0)} %",
        )
        for trial, weight in zip(one.trials, one.weights, strict=True)
    ]
    display.table(
        ("trial", "ended", "n", "estimate", f"{100 * (1 - one.alpha):g} % interval", "weight"), rows
    )
    if any(trial.published for trial in one.trials):
        display.out("  * from a publication, not from readings")
    for slope in one.modifiers:
        display.out(
            f"  exploratory slope on {slope.name.replace('_', ' ')}: {slope.slope:.3g} a {slope.unit or 'unit'} "
            f"({slope.low:.3g} to {slope.high:.3g}), {slope.k} trials"
        )
    for note in one.notes:
        display.out(f"  {note}")


def _block(head: str, lines: list[str] | tuple[str, ...]) -> None:
    display.out(head)
    for line in lines:
        display.out(f"  {line}")


def publication(found: Publication, folder: Path | None) -> None:
    """What was worked out of a publication, and where it lies."""
    from analysis.numerals import quantity

    display.out(f"From a publication: {found.citation}")
    for endpoint in found.results["endpoints"]:
        display.out(f"{endpoint['title']}, {endpoint['scale']}, {endpoint['unit']}:")
        display.table(
            ("contrast", "n", "estimate", "se", "df", "interval"),
            [
                (
                    f"{one['test']} - {one['reference']}",
                    str(one["n"]),
                    quantity(one["estimate"]),
                    quantity(one["se"]),
                    quantity(one["df"]),
                    f"{quantity(one['low'])} to {quantity(one['high'])}",
                )
                for one in endpoint["contrasts"]
            ],
        )
    for remark in found.remarks:
        display.out(f"  {remark}")
    display.out(
        "Nothing was stored: this was a dry run."
        if folder is None
        else f"Kept apart from every register, for `fairtank pool`: {folder}"
    )
