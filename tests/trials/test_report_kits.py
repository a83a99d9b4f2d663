"""How the kits measured, in the report: a table, sentences, a line in the notes, and the article's supplement."""

import datetime as dt
import io

import docx
import pandas as pd
import pytest

from analysis.kits.comparison import compare_kits
from analysis.kits.correction import KitCorrection
from analysis.kits.scores import Grade
from schemas.protocol import CheckSample
from trials.report_article import article
from trials.report_docx import article_docx
from trials.report_figures import Drawing, record_plans
from trials.report_kits import CAPTION, kits_note, kits_sentences, kits_table
from trials.report_pages import article_markdown, article_page, record_page

HOSTILE = "<b>drops</b>"


@pytest.fixture(scope="module")
def material(club, report_material):
    """The invented trial with a shared bottle that three sites read, one of them far too high."""
    bottle = CheckSample(
        id="ref-a", kind="reference", variable="nitrate", value=10.0, uncertainty=0.1, fitness_sd=1.0
    )
    protocol = club.protocol.model_copy(update={"check_samples": (bottle,)})
    day = pd.Timestamp("2026-03-03")
    rows = [("q01", 10.2), ("q02", 9.7), ("q03", 15.0)]
    checks = pd.DataFrame(
        [{"site": site, "sample": "ref-a", "taken_at": day, "value": value} for site, value in rows]
    ).assign(variable="nitrate", sign="", replicate=1, kit=HOSTILE)
    readings = club.readings.assign(kit=HOSTILE)
    made = KitCorrection(HOSTILE, "nitrate", "q03", 0.7, 0.0, 0.0, dt.datetime(2026, 3, 9, tzinfo=dt.UTC))
    found = compare_kits(protocol, readings, checks, [made])
    return report_material(club, protocol=protocol, readings=readings, kits=found)


def test_the_table_has_each_kit_at_each_site(material):
    shown = kits_table(material.kits, material.protocol)
    assert shown.caption == CAPTION
    assert [(row[2], row[3], row[4], row[-1]) for row in shown.rows if row[0] == "nitrate"] == [
        ("q01", "102", "+0.2", "reads as it should"),
        ("q02", "97", "\N{MINUS SIGN}0.3", "reads as it should"),
        ("q03", "150", "+5.0", "fails"),
    ]


def test_a_kit_that_fails_is_in_the_sentences_and_in_the_notes_of_its_variable(material):
    said = kits_sentences(material.kits, material.protocol)
    assert said[0].startswith(
        f"Kit {HOSTILE} at q03 (nitrate) fails: ref-a read as 15 mg/L for 10 (150 %), z +5.0."
    )
    assert (
        said[-1]
        == f"Beside the registered analysis: nitrate by kit {HOSTILE} at q03: times 0.7, recorded on 9 March 2026."
    )
    failing = next(one for one in material.kits.verdicts if one.grade is Grade.FAILS)
    (note,) = kits_note(material.kits, "nitrate")
    assert note == (
        f"1 of 3 kits that were checked failed ({HOSTILE} at q03); {failing.readings} readings of tanks are by it, and the "
        "registered analysis keeps them as read."
    )
    assert kits_note(material.kits, "phosphate") == kits_note(None, "nitrate") == []


def test_the_record_shows_it_harmlessly(material):
    blank = b'<svg xmlns="http://www.w3.org/2000/svg" width="1" height="1"/>'
    drawings = [Drawing(plan.name, plan.title, "a figure", blank, b"") for plan in record_plans(material)]
    page = record_page(material, drawings)
    part = page.split('<h3 id="kits">')[1].split("<h3>")[0]
    assert "How the kits measured" in part
    assert '<td class="n">150</td>' in part
    assert "1 of 3 kits that were checked failed" in page.split('id="endpoint-nitrate-mean"')[1]
    assert "<b>drops" not in page


def test_the_article_has_it_as_supplement(material):
    parts = article(material)
    page = article_page(material, (), parts=parts)
    assert "Supplementary: how the kits measured" in page
    assert "&lt;b&gt;drops" in page
    assert "<b>drops" not in page
    text = article_markdown(material, (), parts=parts)
    assert "## Supplementary: how the kits measured" in text
    assert "| nitrate | &lt;b&gt;drops&lt;/b&gt; | q03 | 150 | +5.0 |" in text
    written = docx.Document(io.BytesIO(article_docx(material, parts, (), (), ())))
    assert "Supplementary: how the kits measured" in [paragraph.text for paragraph in written.paragraphs]


def test_without_checks_there_is_no_supplement(club, report_material):
    parts = article(report_material(club))
    assert parts.supplement is None
    assert "Supplementary" not in article_markdown(report_material(club), (), parts=parts)
