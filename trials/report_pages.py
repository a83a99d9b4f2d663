"""The pages of a report as HTML: the full record, and one for each kind of reader."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import jinja2

from analysis.limitations import cannot_say
from analysis.numerals import day_words, plain
from analysis.wording import VERDICT_MEANS, answer_lines, contrast_sentence, first_primary
from schemas.vocabulary import EndpointRole
from trials import report_kits, report_results, report_tables, report_water, report_words
from trials.cautions import usual_cautions
from trials.report_article import article
from trials.report_club import club_words
from trials.report_farm import decision
from trials.reporting_items import reporting_items
from trials.typesetting import typeset

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from trials.report_article import Article
    from trials.report_figures import Drawing
    from trials.report_material import ReportMaterial

RECORD = "report.html"


def record_page(m: ReportMaterial, drawings: Sequence[Drawing], beside: Collection[str] = ()) -> str:
    """Render the full record; ``beside`` names the pages in the same folder."""
    protocol, analysis = m.protocol, m.analysis
    return _render(
        "report.html.j2",
        m,
        drawings,
        beside,
        tables=report_tables,
        found=report_results,
        kits=report_kits,
        water=report_water,
        words=report_words,
        answer=answer_lines(analysis, protocol, m.allocation),
        first=first_primary(analysis),
        primary=EndpointRole.PRIMARY,
        contrast_sentence=contrast_sentence,
        verdicts=VERDICT_MEANS,
        cannot_say=cannot_say(analysis, protocol, m.allocation, registered_on=m.registered_at.date()),
        registered=report_words.registered(protocol, m.sealed_digest or m.digest, m.registered_at),
        items=reporting_items(m),
    )


def club_page(m: ReportMaterial, drawings: Sequence[Drawing], beside: Collection[str] = ()) -> str:
    """Render the club's page: plain words and one figure."""
    return _render("club.html.j2", m, drawings, beside, words=club_words(m))


def farm_page(m: ReportMaterial, drawings: Sequence[Drawing], beside: Collection[str] = ()) -> str:
    """Render the farm's page: what to weigh, side by side."""
    return _render("farm.html.j2", m, drawings, beside, decision=decision(m))


def article_page(
    m: ReportMaterial, drawings: Sequence[Drawing], beside: Collection[str] = (), parts: Article | None = None
) -> str:
    """Render what an article is pasted from."""
    return _render(
        "article.html.j2", m, drawings, beside, article=parts or article(m), items=reporting_items(m)
    )


def article_markdown(m: ReportMaterial, drawings: Sequence[Drawing], parts: Article | None = None) -> str:
    """Write the same as Markdown, every text of a person's with its marks taken as text."""
    return _render("article.md.j2", m, drawings, (), article=parts or article(m), items=reporting_items(m))


def _render(
    template: str,
    m: ReportMaterial,
    drawings: Sequence[Drawing],
    beside: Collection[str],
    **more: Any,
) -> str:
    script = _script()
    return (
        _templates()
        .get_template(template)
        .render(
            m=m,
            protocol=m.protocol,
            analysis=m.analysis,
            drawings={drawing.name: drawing for drawing in drawings},
            numbers={drawing.name: number for number, drawing in enumerate(drawings, 1)},
            beside=beside,
            cautions=(*usual_cautions(m.protocol), *m.cautions),
            made=day_words(m.made_at.date()),
            moment=report_words.moment,
            script=script,
            script_digest=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
            **more,
        )
    )


def _script() -> str:
    """The one script of a page, which picks out a tank; the page is whole without it."""
    return resources.files("trials").joinpath("templates", "pick.js").read_text(encoding="utf-8")


@cache
def _templates() -> jinja2.Environment:
    templates = jinja2.Environment(
        loader=jinja2.PackageLoader("trials", "templates"),
        autoescape=jinja2.select_autoescape(disabled_extensions=("md.j2",), default=True),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters |= {"typeset": typeset, "plain": plain, "markdown": markdown}
    return templates


def markdown(text: str) -> str:
    r"""One harmless line of Markdown: whatever would be a mark or markup is text.

    Examples
    --------
    >>> markdown("*a* <b> [c](d) | 1_000")
    '\\*a\\* &lt;b&gt; \\[c\\](d) \\| 1\\_000'
    """
    escaped = plain(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    for mark in "\\`*_[]|#~$":
        escaped = escaped.replace(mark, f"\\{mark}")
    return escaped
