"""A page for each reader: what it says of which result, and that it stays harmless whatever people wrote."""

import io
import re
import struct
import zipfile
import zlib
from dataclasses import replace

import pandas as pd
import pytest
from docx import Document

from analysis.numerals import plain
from schemas.errors import UsageError
from schemas.protocol import Planning
from schemas.vocabulary import Better, Verdict
from trials.report import write_for, write_report
from trials.report_article import article, must_not_be_claimed
from trials.report_club import club_words, tanks_to_settle
from trials.report_csv import csv_files, harmless
from trials.report_docx import article_docx
from trials.report_farm import decision
from trials.report_figures import Drawing
from trials.report_pages import article_markdown, article_page, club_page, farm_page, markdown, record_page
from trials.report_reader import Reader
from trials.reporting_items import reporting_items

HOSTILE = (
    "</title><script>alert('x')</script>",
    '"><img src=x onerror="alert(2)">',
    "{{ 7 * 7 }} ${7*7} [a](javascript:alert(1)) | `x` *y* # z",
    '=HYPERLINK("http://example.org")',
    "\u202egnp.exe\u2066 \u0645\u0631\u062d\u0628\u0627 \u200f",
    "\U0001f420\U0001f469\u200d\U0001f52c \u6c34\u69fd",
    "W" * 300,
    "bell \x07 end \uffff\ufffe \x1b[31m",
)


def png():
    """The smallest picture there is, of one white point (PNG specification, section 5)."""
    chunks = [
        (b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)),
        (b"IDAT", zlib.compress(b"\x00\xff")),
        (b"IEND", b""),
    ]
    parts = [struct.pack(">I", len(d)) + n + d + struct.pack(">I", zlib.crc32(n + d)) for n, d in chunks]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


PNG = png()
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" width="1" height="1" viewBox="0 0 1 1"></svg>'


@pytest.fixture(scope="module")
def club(invent):
    """A small trial, one tank without assessment."""
    return invent(blocks=5, gone=(4,), limit=0.07)


@pytest.fixture(scope="module")
def made(club, report_material):
    """The club's material, with changes."""
    return lambda **changes: report_material(club, **changes)


def with_verdict(m, verdict, **parts):
    """The material with one comparison of the first endpoint read otherwise."""
    first, *others = m.analysis.endpoints
    contrast = replace(first.contrasts[0], verdict=verdict, **parts)
    endpoint = replace(first, contrasts=(contrast,))
    return replace(m, analysis=replace(m.analysis, endpoints=(endpoint, *others)))


def hostile_material(m, text):
    """The material with a text in every field that takes one."""
    protocol = m.protocol
    arms = tuple(
        arm.model_copy(
            update={"title": text}
            | (
                {"carbon": arm.carbon.model_copy(update={"source": text, "full_dose": text})}
                if arm.carbon
                else {}
            )
        )
        for arm in protocol.arms
    )
    hostile = protocol.model_copy(
        update={
            "trial": protocol.trial.model_copy(
                update=dict.fromkeys(("title", "question", "lead", "licence"), text)
            ),
            "arms": arms,
            "design": protocol.design.model_copy(update={"seed_from": text}),
            "stop_rules": tuple(rule.model_copy(update={"action": text}) for rule in protocol.stop_rules),
            "tanks": tuple(tank.model_copy(update={"note": text}) for tank in protocol.tanks),
        }
    )
    endpoints = tuple(
        replace(
            endpoint,
            title=text,
            unit=text,
            notes=(text,),
            tanks=tuple(
                replace(tank, why_missing=text) if tank.y is None else tank for tank in endpoint.tanks
            ),
        )
        for endpoint in m.analysis.endpoints
    )
    return replace(
        m,
        protocol=hostile,
        readings=m.readings.assign(note=text, by=text, kit=text),
        analysis=replace(m.analysis, endpoints=endpoints),
        deviations=(text,),
        cautions=(text,),
        allocation=replace(m.allocation, how=text, seed=text, notes=(text,)),
    )


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_leaves_every_page_harmless_and_readable(made, text):
    m = hostile_material(made(), text)
    drawing = Drawing("effects-nitrate-mean", text, text, SVG, PNG)
    shown = plain(text).replace("'", "\u2019")
    for page in (club_page, farm_page, article_page, record_page):
        kinds = set(
            re.findall(
                r"<([a-z][a-z0-9]*)[\s>]", page(made(), [replace(drawing, title="t", alt="t"), *more(page)])
            )
        )
        found = page(m, [drawing, *more(page)])
        assert set(re.findall(r"<([a-z][a-z0-9]*)[\s>]", found)) <= kinds | {"ul", "li", "bdi"}
        assert not re.search(r"<[^>]*\son[a-z]+=(?!\")", re.sub(r'"[^"]*"', '""', found))
        assert "\u202e" not in found
        assert "\x07" not in found
        visible = (
            re.sub(r"<[^>]*>", " ", found).replace("&lt;", "<").replace("&gt;", ">").replace("&#34;", '"')
        )
        assert " ".join(shown.split())[:40] in " ".join(
            visible.replace("&#39;", "'").replace("&amp;", "&").split()
        )


def more(page):
    """The other figures that the full record asks for."""
    if page is not record_page:
        return []
    names = [
        f"{kind}-{endpoint}"
        for endpoint in ("nitrate-mean", "phosphate-mean")
        for kind in ("effects", "tanks")
    ]
    return [Drawing(name, "t", "t", SVG, PNG) for name in names if name != "effects-nitrate-mean"]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_leaves_the_document_and_the_markdown_harmless(made, text):
    m = hostile_material(made(), text)
    drawing = Drawing("flow", text, text, SVG, PNG, width_mm=178)
    content = article_docx(m, article(m), [drawing], reporting_items(m), (text,))
    read = Document(io.BytesIO(content))
    assert plain(text).replace("'", "\u2019") in [paragraph.text for paragraph in read.paragraphs]
    assert read.core_properties.title == plain(text, 250)
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        body = parts.read("word/document.xml").decode()
    assert not re.search(r"<w:(hyperlink|fldSimple|instrText|object)", body)
    assert len(read.inline_shapes) == 1
    shown = article_markdown(m, [drawing])
    assert not re.search(r"(?<!\\)<[a-z/]", shown)
    assert not re.search(r"(?<!\\)\]\((?!article-figures/)", shown)
    tables = [line for line in shown.splitlines() if line.startswith("|")]
    widths = [len(re.findall(r"(?<!\\)\|", line)) for line in tables]
    assert set(widths) == {5, 7, 9}
    assert markdown(text)[:30] in shown


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx"])
def test_csv_holds_no_formula(made, text):
    assert harmless(text) == f"'{text}"
    tables = csv_files(hostile_material(made(), text))
    cells = [cell for table in tables.values() for line in table.splitlines() for cell in line.split(",")]
    assert text not in cells
    numbers = re.compile(r"-?\d+(\.\d+)?(e-?\d+)?$")
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@")) and not numbers.match(cell)]
    assert harmless(-0.5) == -0.5


def test_the_clubs_page_says_each_comparison_and_how_often_chance_does_as_much(club, made):
    words = club_words(made())
    first = club.analysis.endpoints[0]
    assert len(words.found) == len(first.contrasts) == 3
    assert words.asked[0] == club.protocol.trial.question
    assert "in 15 tanks in 5 blocks, every arm in each, for 20 weeks. Chance decided" in words.asked[1]
    assert (
        sum("another draw would have shown a difference as large as ours" in line for line in words.sure) == 3
    )
    assert (
        words.sure[0]
        == f"This rests on 14 tanks and {len(club.readings):,} readings; 1 tank could not be counted."
    )
    told = (*words.asked, *words.found, *words.also, *words.sure, *words.next_steps)
    assert not [line for line in told if re.search(r"\bp\b", line)]
    assert any(
        line.startswith("Also looked at, a question for the next trial: Mean phosphate")
        for line in words.also
    )


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (0.0002, "less than once in 1,000 draws"),
        (0.0078, "about once in 128 draws"),
        (0.91, "in 91 of 100 draws"),
    ],
)
def test_chance_is_told_as_a_person_counts(made, p, words):
    m = made()
    drawn = replace(m.analysis.endpoints[0].contrasts[0].randomisation, p=p)
    assert words in " ".join(club_words(with_verdict(m, Verdict.UNSETTLED, randomisation=drawn)).sure)


@pytest.mark.parametrize(
    ("verdict", "favours", "words"),
    [
        (
            Verdict.WORTHWHILE,
            "polymer",
            "what Polymer pellets, fluidised gains over Water changes alone is worth having in tanks like these",
        ),
        (Verdict.WORTHWHILE, "control", "do not take up Polymer pellets, fluidised"),
        (Verdict.NONE_WORTHWHILE, "polymer", "it makes no odds that matter"),
        (Verdict.TOO_SMALL, "polymer", "it makes no odds that matter"),
        (Verdict.UNSETTLED, "polymer", "still open."),
        (None, None, "agree on the difference that would matter"),
    ],
)
def test_what_to_do_follows_from_the_reading(made, verdict, favours, words):
    steps = club_words(with_verdict(made(), verdict, favours=favours)).next_steps
    assert words in steps[0]
    assert steps[-1].startswith("One trial is one trial")


@pytest.mark.parametrize(
    ("low", "high", "worthwhile", "n", "needed"),
    [
        (
            0.64,
            1.5625,
            0.8,
            6,
            24,
        ),  # half the interval is twice the margin on the log scale: four times the blocks
        (0.9, 1.1, 0.8, 6, None),
        (None, 1.2, 0.8, 6, None),
    ],
)
def test_the_size_that_would_settle_grows_with_the_square(club, low, high, worthwhile, n, needed):
    endpoint = replace(club.analysis.endpoints[0], worthwhile=worthwhile)
    assert tanks_to_settle(replace(endpoint.contrasts[0], low=low, high=high, n=n), endpoint) == needed


def rows_of(decided):
    return {row[0]: row[1:] for table in decided.tables for row in table.rows}


def test_the_farm_weighs_what_is_recorded_and_says_what_is_not(made):
    decided = decision(made())
    rows = rows_of(decided)
    assert len(rows["Mean nitrate"]) == 3
    assert rows["Animals lost"] == ("not recorded in both",) * 3
    missing = " ".join(decided.missing)
    for word in (
        "No husbandry event was taken in",
        "No price for the carbon",
        "minutes_per_sampling",
        "cost_hour",
    ):
        assert word in missing
    assert decided.tables[0].head[1:] == (
        "Polymer pellets, fluidised v Water changes alone",
        "Liquid carbon, dripped v Water changes alone",
        "Polymer pellets, fluidised v Liquid carbon, dripped",
    )


def test_the_farm_counts_doses_prices_and_work_for_a_month_of_a_tank(club, made):
    arm_of = club.allocation.arm_of()
    liquid = [tank for tank, arm in arm_of.items() if arm == "liquid"]
    days = pd.date_range("2026-03-30", periods=112)
    events = pd.DataFrame(
        [(tank, day, "dose", 2.0, "mL") for tank in liquid for day in days]
        + [(liquid[0], days[5], "loss", 2.0, "1"), (liquid[0], days[6], "fault", float("nan"), "")],
        columns=["tank", "at", "kind", "amount", "unit"],
    ).assign(at=lambda frame: frame["at"].astype("datetime64[us]"))
    arms = tuple(
        arm.model_copy(
            update={"carbon": arm.carbon.model_copy(update={"source": "ethanol 40 %", "cost": 25.0})}
        )
        if arm.id == "liquid"
        else arm
        for arm in club.protocol.arms
    )
    planning = Planning(minutes_per_sampling=15, cost_hour=20)
    decided = decision(
        made(protocol=club.protocol.model_copy(update={"arms": arms, "planning": planning}), events=events)
    )
    rows = rows_of(decided)
    # 2 mL a day for 30.44 days is 60.9 mL; at 25 a litre that is 1.52.
    assert rows["Materials a month, one tank"][1] == "60.9 mL as recorded, at a cost of 1.52 v none"
    assert rows["Work a month, one tank"][1].startswith(
        "tests on 4.3 days, 1.1 h, at a cost of 21.7 and 30 doses v "
    )
    assert rows["Animals lost"][1] == "2 in 80 tank-weeks v 0 in 80 tank-weeks"
    assert rows["Equipment faults"][1] == "1 in 80 tank-weeks v 0 in 80 tank-weeks"


def test_more_comparisons_than_fit_go_into_further_tables(invent, report_material):
    trial = invent(blocks=3, arms=5)
    tables = decision(report_material(trial)).tables
    assert [len(table.head) - 1 for table in tables] == [3, 2]


def test_the_article_gives_every_number_that_the_table_holds(club, made):
    parts = article(made())
    first = club.analysis.endpoints[0]
    told = parts.results[0]
    for contrast in first.contrasts:
        assert f"ratio {contrast.estimate:.2f}; n = {contrast.n}, p" in told
    assert "1 had no nitrate reading in the assessment phase" in told
    assert parts.results[1].startswith("Exploratory: Mean phosphate")
    assert "SHA-256" in parts.methods[0]
    assert "with its baseline as a covariate" in parts.methods[1]
    assert "adjusted over the comparisons of all primary endpoints after Holm" in parts.methods[1]
    assert "cd" * 32 in parts.availability


@pytest.mark.parametrize("verdict", list(Verdict))
def test_what_must_not_be_claimed_follows_from_the_reading(made, verdict):
    claims = list(must_not_be_claimed(with_verdict(made(), verdict)))
    assert claims[0].startswith("Do not claim that ")
    assert "mean nitrate" in claims[0]
    assert "{" not in claims[0]


def test_invented_and_observational_trials_claim_less(club, made):
    recorded = replace(club.allocation, random=False, drawn=False)
    claims = " ".join(must_not_be_claimed(made(invented=True, allocation=recorded)))
    assert "Do not claim anything of real aquaria" in claims
    assert "Do not claim that the treatment caused the difference" in claims


def test_items_answer_by_a_part_of_the_record_or_say_that_they_do_not(made):
    items = reporting_items(made())
    page = record_page(made(), [Drawing("effects-nitrate-mean", "t", "t", SVG, PNG), *more(record_page)])
    ids = set(re.findall(r'id="([^"]+)"', page))
    assert {item.anchor for item in items if item.anchor} <= ids
    assert [i.number for i in items if i.guideline == "ARRIVE 2.0"] == [str(n) for n in range(1, 11)]
    assert [i.number for i in items if i.guideline == "CONSORT 2025"] == [str(n) for n in range(1, 31)]
    assert {i.guideline for i in items} == {"ARRIVE 2.0", "CONSORT 2025", "within-person"}
    assert all(item.answer for item in items)
    assert all(item.anchor or item.answer.startswith(("Not answered", "There was nothing")) for item in items)
    assert not any(
        "compl" in f"{item.asks} {item.answer}".casefold() for item in items if "compli" in item.answer
    )
    funding = next(item for item in items if item.number == "5" and item.guideline == "CONSORT 2025")
    assert funding.answer.startswith("Not answered")


def test_pages_of_one_reader_leave_the_others_and_are_linked_where_they_are(made, tmp_path, monkeypatch):
    drawing = Drawing("effects-nitrate-mean", "t", "t", SVG, PNG, pdf=b"%PDF-")
    monkeypatch.setattr(
        "trials.report.draw", lambda plans: [replace(drawing, name=plan.name) for plan in plans]
    )
    monkeypatch.setattr(
        "trials.report.draw_for_print", lambda plans: [replace(drawing, name=plan.name) for plan in plans]
    )
    alone = write_for(tmp_path / "alone", made(), Reader.CLUB)
    assert {path.name for path in alone.parent.iterdir()} == {"club.html", "figures"}
    assert "report.html" not in alone.read_text()
    written = write_for(tmp_path / "alone", made(), Reader.ARTICLE)
    assert {path.name for path in written.parent.iterdir()} == {
        "article-figures", "article.docx", "article.html", "article.md", "club.html", "figures",
    }  # fmt: skip
    kinds = {path.suffix for path in (written.parent / "article-figures").iterdir()}
    assert kinds == {".svg", ".pdf", ".png"}
    links = re.findall(r'href="([^"#]+)"', written.read_text())
    assert all((written.parent / link).is_file() for link in links)
    whole = write_report(tmp_path / "alone", made())
    assert 'href="article.html"' in whole.read_text()
    assert 'href="farm.html"' in whole.read_text()


def test_folder_of_other_things_is_refused_for_a_reader_too(made, tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(UsageError, match="holds other files and no report"):
        write_for(tmp_path, made(), Reader.FARM)


def test_higher_is_better_turns_the_advice(made):
    m = made()
    first = replace(m.analysis.endpoints[0], better=Better.HIGHER, worthwhile=1.25)
    m = replace(m, analysis=replace(m.analysis, endpoints=(first, *m.analysis.endpoints[1:])))
    steps = club_words(with_verdict(m, Verdict.WORTHWHILE, favours="control")).next_steps
    assert steps[0].startswith("For mean nitrate, do not take up Polymer pellets, fluidised")
