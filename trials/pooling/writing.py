"""A pool kept in a folder: a page that works offline, its figures and tables, the document, and what to plan with."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

import jinja2

from analysis.numerals import count, day_words, number, p_value, plain, quantity
from analysis.plots import forest
from analysis.plots.theme import render
from analysis.pooled_document import pooled_document
from analysis.pooled_notes import summary_of
from analysis.pooled_wording import (
    answer,
    comparison,
    interval_words,
    next_trial_words,
    prediction_words,
    reported,
    settled_words,
    size_words,
)
from analysis.pooling import MAIN, WIDENED
from schemas.errors import FairtankError, UsageError
from trials import __version__
from trials.cautions import cautions
from trials.report_figures import Drawing
from trials.report_tables import Table, table
from trials.typesetting import typeset

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence
    from pathlib import Path

    from analysis.pooled_records import Pooled
    from trials.pooling.evidence import Evidence

_WAYS = {
    MAIN: "Random effects, Hartung and Knapp",
    WIDENED: "The same, factor kept at 1 or more",
    "fixed-effect": "Fixed effect",
    "dersimonian-laird": "DerSimonian and Laird",
    "paule-mandel-hartung-knapp": "Paule and Mandel, Hartung and Knapp",
    "variances-of-t": "Variances of each trial's t law",
}
PAGE, DOCUMENT, PLANNING = "pool.html", "pool.json", "planning.toml"


def evidence_document(evidence: Evidence) -> dict[str, Any]:
    """The document of `fairtank pool --json`."""
    made = pooled_document(evidence.pooled, evidence.left_out, __version__)
    return made | {"unused": evidence.unused, "planning": planning_text(evidence.pooled[0])}


def planning_text(pooled: Pooled) -> str:
    """The ``[planning]`` table for the next trial of a question, ready for a protocol; empty where none can be given."""
    plan = pooled.next_trial
    if plan is None:
        return ""
    trials = ", ".join(trial.trial for trial in pooled.trials)
    return (
        f"# From {count(len(pooled.trials), 'trial')} ({trials}), fairtank {__version__}: for planning, never evidence.\n"
        "# Put it into the protocol, and let the plan allow for an effect that differs from trial to trial:\n"
        f"#   fairtank plan protocol.toml --effect-sd {plan.effect_sd:.4g}\n"
        "[planning]\n"
        f"effect = {reported(pooled.question, plan.effect)!r}\n"
        f"sd = {plan.sd!r}\n"
        f"wished_power = {plan.wished!r}\n"
    )


def write_pool(folder: Path, evidence: Evidence, made_on: dt.date) -> Path:
    """Write the page, figures (SVG and PNG), tables, document and planning table; the path of the page.

    Raises
    ------
    UsageError
        The folder holds other things and no pool, so it may not be meant.
    FairtankError
        The folder cannot be written.
    """
    try:
        if folder.is_dir() and any(folder.iterdir()) and not (folder / PAGE).is_file():
            raise UsageError(f"{folder} holds other files and no pool; name a new or an empty folder.")
        for old in (
            *folder.glob("figures/*.svg"),
            *folder.glob("figures/*.png"),
            *folder.glob("tables/*.csv"),
        ):
            old.unlink()
        drawings = _drawings(evidence.pooled)
        for drawing in drawings:
            _write(folder / "figures" / f"{drawing.name}.svg", drawing.svg)
            _write(folder / "figures" / f"{drawing.name}.png", drawing.png)
        _write(folder / "tables" / "trials.csv", _trials_csv(evidence.pooled).encode())
        made = json.dumps(evidence_document(evidence), ensure_ascii=False, allow_nan=False, indent=2)
        _write(folder / DOCUMENT, made.encode())
        _write(folder / PLANNING, planning_text(evidence.pooled[0]).encode())
        _write(folder / PAGE, page(evidence, drawings, made_on).encode())
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FairtankError(
            f"The pool cannot be written to {folder} ({reason}); name another folder."
        ) from error
    return folder / PAGE


def page(evidence: Evidence, drawings: Sequence[Drawing], made_on: dt.date) -> str:
    """Render the page."""
    templates = jinja2.Environment(
        loader=jinja2.PackageLoader("trials", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters |= {"typeset": typeset, "plain": plain}
    settled, unsettled = settled_words(evidence.pooled)
    titles = " ".join(
        f"{source.title} {source.pack.protocol.trial.lead or '' if source.pack else ''}"
        for source in evidence.sources
    )
    return templates.get_template("pool.html.j2").render(
        questions=evidence.pooled,
        sources=sources_table(evidence),
        drawings={drawing.name: drawing for drawing in drawings},
        numbers={drawing.name: at for at, drawing in enumerate(drawings, 1)},
        answer=answer,
        comparison=comparison,
        prediction=prediction_words,
        spread=summary_of,
        trials=trials_table,
        ways=ways_table,
        slopes=slopes_table,
        settled=settled,
        unsettled=unsettled,
        next_trial=next_trial_words(evidence.pooled[0]),
        planning=planning_text(evidence.pooled[0]),
        left_out=evidence.left_out,
        cautions=cautions(doses=True),
        invented="invented" in titles.casefold(),
        fairtank=__version__,
        made=day_words(made_on),
    )


def sources_table(evidence: Evidence) -> Table:
    """The trials given."""
    rows = [
        (
            source.trial,
            source.title,
            "publication" if source.published else str(source.design),
            day_words(source.ended) if source.ended else "not known",
        )
        for source in evidence.sources
    ]
    return table("Trials given", ("Trial", "Title or citation", "Design", "Ended"), rows)


def trials_table(pooled: Pooled) -> Table:
    """Each trial of a question with its weight."""
    question = pooled.question
    rows = [
        (
            trial.trial + (" (from a publication)" if trial.published else ""),
            f"{trial.arms[0]} v {trial.arms[1]}",
            str(trial.n),
            size_words(question, trial.estimate),
            interval_words(question, trial.low, trial.high, pooled.margins),
            quantity(trial.se),
            number(trial.df, 1),
            f"{number(100 * weight, 0)} %",
        )
        for trial, weight in zip(pooled.trials, pooled.weights, strict=True)
    ]
    head = ("Trial", "Arms", "n", "Estimate", "Interval", "Standard error", "df", "Weight")
    return table(f"{question.title}: the trials", head, rows, (2, 5, 6, 7))


def ways_table(pooled: Pooled) -> Table:
    """The pooled estimate by other ways, and without each trial."""
    question = pooled.question
    fits = [
        (_WAYS[fit.name], fit) for fit in (pooled.main, pooled.widened, *pooled.beside) if fit is not None
    ]
    fits += [(f"without {fit.name}", fit) for fit in pooled.leave_one_out]
    rows = [
        (
            name,
            size_words(question, fit.estimate),
            interval_words(question, fit.low, fit.high, pooled.margins),
            p_value(fit.p),
            quantity(fit.tau2),
            str(fit.verdict or "none"),
        )
        for name, fit in fits
    ]
    head = ("Way", "Estimate", "Interval", "p", "tau2", "Reading")
    return table(f"{question.title}: other ways, and without each trial", head, rows, (3, 4))


def slopes_table(pooled: Pooled) -> Table:
    """The effect (working scale) regressed on what differs between trials."""
    rows = [
        (
            f"{slope.name.replace('_', ' ')}{f', {slope.unit}' if slope.unit else ''}",
            str(slope.k),
            quantity(slope.slope),
            f"{quantity(slope.low)} to {quantity(slope.high)}",
            p_value(slope.p),
            quantity(slope.tau2),
        )
        for slope in pooled.modifiers
    ]
    head = ("Modifier", "Trials", "Slope a unit", "Interval", "p", "tau2 left")
    return table(f"{pooled.question.title}: exploratory slopes on what differs", head, rows, (1, 2, 4, 5))


def _drawings(pooled: Sequence[Pooled]) -> list[Drawing]:
    drawn = []
    for one in pooled:
        name = f"{plain(one.question.title, 80)}, {comparison(one.question)}"
        pairs = [
            ("forest", f"{name}: each trial, and all together.", forest.figure, forest.alt_text),
            (
                "cumulative",
                f"{name}: as trials came in.",
                forest.cumulative_figure,
                forest.cumulative_alt_text,
            ),
        ]
        for kind, title, figure, alt in pairs if len(one.trials) > 1 else ():
            files = render(figure(one), "svg", "png")
            drawn.append(Drawing(f"{kind}-{one.question.id}", title, alt(one), files["svg"], files["png"]))
    return drawn


def _trials_csv(pooled: Sequence[Pooled]) -> str:
    """Ids and numbers alone, so that no cell can be a formula."""
    file = io.StringIO()
    head = [
        "question",
        "trial",
        "endpoint",
        "test",
        "reference",
        "n",
        "estimate",
        "se",
        "df",
        "low",
        "high",
        "weight",
    ]
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(head)
    for one in pooled:
        for trial, weight in zip(one.trials, one.weights, strict=True):
            ends = [reported(one.question, value) for value in (trial.low, trial.high)]
            writer.writerow(
                [
                    one.question.id,
                    trial.trial,
                    trial.endpoint,
                    *trial.arms,
                    trial.n,
                    reported(one.question, trial.estimate),
                    trial.se,
                    trial.df,
                    *ends,
                    weight,
                ]
            )
    return file.getvalue()


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
