"""The page says what the records say, whatever is written in them, and asks nothing of the network."""

import base64
import csv
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from analysis.document import document
from analysis.numerals import plain
from schemas.errors import FairtankError, UsageError
from schemas.vocabulary import Better, Verdict
from trials import report
from trials.register.records import HeldRow, Reason
from trials.report import write_report
from trials.report_figures import draw, inline_svg, record_plans
from trials.report_pages import RECORD, record_page
from trials.typesetting import typeset

HOSTILE = (
    "</title><script>alert('x')</script>",
    "<img src=x onerror=alert(1)>",
    '"><svg onload="alert(2)">',
    "{{ 7 * 7 }} {% raw %} ${7*7} $\\frac{a}{b}$",
    '=HYPERLINK("http://example.org")',
    "\u202egnp.exe\u2066 مرحبا \u200f",
    "\U0001f420\U0001f469\u200d\U0001f52c 水槽",
    "W" * 300,
    "long word " * 30,
)


class Reader(HTMLParser):
    """What a browser would make of the page: elements with attributes, and the text that is shown."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements = []
        self.shown = []
        self._quiet = 0
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._quiet += tag in {"style", "script"}

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        self._quiet -= tag in {"style", "script"}

    def handle_data(self, data):
        if not self._quiet:
            self.shown.append(data)

    @property
    def text(self):
        """All text of the page on one line."""
        return " ".join("".join(self.shown).split())

    def all(self, tag):
        """Attributes of every element of a kind."""
        return [attrs for name, attrs in self.elements if name == tag]


def read_csv(path):
    """The rows of a table beside the page."""
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@pytest.fixture(scope="module")
def club(invent):
    """A small trial: five blocks of three, one tank without assessment, some phosphate below the limit."""
    return invent(blocks=5, gone=(4,), limit=0.07)


@pytest.fixture(scope="module")
def drawings(club, report_material):
    """The figures of nitrate, drawn once, and the same again in the places of those of phosphate."""
    nitrate = replace(club.analysis, endpoints=club.analysis.endpoints[:1])
    drawn = draw(record_plans(report_material(club, analysis=nitrate)))
    again = [
        replace(d, name=d.name.replace("nitrate", "phosphate"), narrow=b"")
        for d in drawn
        if d.name != "nitrate-phosphate"
    ]
    return drawn + again


@pytest.fixture(scope="module")
def read(club, drawings, report_material):
    """Render the club's report with changes, and read it."""
    return lambda **changes: Reader(record_page(report_material(club, **changes), drawings))


def hostile_protocol(protocol, text):
    """The protocol with a text in every field that takes one."""
    return protocol.model_copy(
        update={
            "trial": protocol.trial.model_copy(
                update=dict.fromkeys(("title", "question", "lead", "licence"), text)
            ),
            "arms": tuple(
                arm.model_copy(
                    update={"title": text}
                    | (
                        {"carbon": arm.carbon.model_copy(update={"source": text, "full_dose": text})}
                        if arm.carbon
                        else {}
                    )
                )
                for arm in protocol.arms
            ),
            "design": protocol.design.model_copy(update={"seed_from": text}),
            "stop_rules": tuple(rule.model_copy(update={"action": text}) for rule in protocol.stop_rules),
        }
    )


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_shown_and_does_nothing(club, read, text):
    honest = [name for name, _ in read().elements]
    protocol = hostile_protocol(club.protocol, text)
    held = [HeldRow(text, text, 3, {text: text}, (Reason("x", text),))]
    endpoints = tuple(replace(endpoint, title=text) for endpoint in club.analysis.endpoints)
    found = read(
        protocol=protocol,
        held=held,
        allocation=replace(club.allocation, how=text, seed=text, notes=(text,)),
        analysis=replace(club.analysis, endpoints=endpoints),
        deviations=(text,),
        cautions=(text,),
    )
    kinds = {name for name, _ in found.elements}
    assert kinds <= set(honest) | {"ul", "li"}
    assert not [a for _, attrs in found.elements for a in attrs if a.startswith("on")]
    shown = plain(text).replace("'", "\u2019")
    assert found.text.count(" ".join(shown.split())[:60]) > 10
    assert "\u202e" not in "".join(found.shown)


def test_figures_hold_hostile_text_as_text(club, report_material):
    protocol = hostile_protocol(club.protocol, HOSTILE[0])
    one = replace(club.analysis, endpoints=club.analysis.endpoints[:1])
    for drawing in draw(record_plans(report_material(club, protocol=protocol, analysis=one))):
        inside = Reader(drawing.inline())
        assert "script" not in {name for name, _ in inside.elements}
    assert "alert" in inside.text


def test_page_asks_nothing_of_the_network(read):
    links = [
        value
        for _, attrs in read().elements
        for name, value in attrs.items()
        if name in {"href", "src", "srcset", "data", "action", "xlink:href", "style"} and value
    ]
    assert links
    assert not [value for value in links if re.search(r"//|url\((?!#)", value)]
    assert not read().all("link") + read().all("iframe")
    (policy,) = [m["content"] for m in read().all("meta") if "http-equiv" in m]
    assert policy.startswith("default-src 'none'")


def test_the_one_script_is_our_own_and_the_policy_lets_no_other_run(club, drawings, report_material):
    found = record_page(report_material(club), drawings)
    (script,) = re.findall(r"<script>(.*?)</script>", found, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', found)
    assert re.findall(r"script-src ([^;]*);", policy) == [f"'sha256-{digest}'"]
    assert not re.search(r"https?:|fetch|XMLHttp|import", script)


def test_structure_is_that_of_a_document(read):
    found = read()
    levels = [int(name[1]) for name, _ in found.elements if re.fullmatch(r"h[1-6]", name)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    ids = [attrs["id"] for _, attrs in found.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    inner = [a["href"][1:] for a in found.all("a") if a["href"].startswith("#")]
    referred = [a["aria-labelledby"] for _, a in found.elements if "aria-labelledby" in a]
    assert set(inner + referred) <= set(ids)
    assert len(found.all("caption")) == len(found.all("table")) > 10
    assert all(cell.get("scope") in {"col", "row", "rowgroup"} for cell in found.all("th"))
    assert all(svg.get("role") == "img" and svg.get("aria-label") for svg in found.all("svg"))
    assert found.all("html") == [{"lang": "en-GB"}]


def test_answer_comes_first_and_every_part_follows(read):
    text = read().text
    parts = [
        "The answer With Polymer pellets",
        "What it rests on Tanks",
        "What was registered The protocol was sealed on 20 February 2026, 19:30 UTC",
        "Results Mean nitrate primary",
        "Mean phosphate secondary, exploratory",
        "Course and sampling",
        "What this trial cannot say",
        "Cautions Animals come before data",
        "Methods and versions The tank is the unit",
        "How to check it",
        "Reporting items Reported following ARRIVE 2.0",
    ]
    before, _, _ = text.rpartition("Reporting items Reported")  # its table names the parts again
    places = [before.rfind(part) for part in parts[:-1]] + [text.rfind(parts[-1])]
    assert -1 not in places
    assert places == sorted(places)


def test_numbers_are_those_of_the_records(club, read):
    text = read().text
    first = club.analysis.endpoints[0].contrasts[0]
    assert f"{first.estimate:.2f} {first.low:.2f} to {first.high:.2f}" in text
    (gone,) = (tank for tank in club.analysis.endpoints[0].tanks if tank.y is None)
    title = club.protocol.arm(gone.arm).title
    assert f"{title} 5 4 4" in text
    assert f"{gone.tank} {gone.block} {title} Mean nitrate no nitrate reading in the assessment phase" in text
    assert f"Accepted readings {len(club.readings)}" in text
    assert "ab" * 32 in text
    assert "cd" * 32 in text
    assert "ef" * 32 in text


def test_held_rows_deviations_and_cautions_are_shown(read):
    assert "None are recorded." in read().text
    held = [HeldRow("ropewalk.csv", "", 14, {}, (Reason("unknown-tank", "There is no tank rw-9."),))]
    found = read(held=held, deviations=("The pump stood still on 3 May.",), cautions=("Mind the cat.",)).text
    assert "ropewalk.csv \N{EN DASH} 14 There is no tank rw-9." in found
    assert "The pump stood still on 3 May." in found
    assert "Mind the cat." in found


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"drawn": True, "random": True}, "To draw it again, take for each tank the SHA-256"),
        ({"drawn": False, "random": True}, "The allocation was drawn elsewhere and recorded"),
        ({"drawn": False, "random": False}, "This trial is observational."),
    ],
)
def test_how_the_tanks_were_shared_out_is_said(club, read, changes, words):
    assert words in read(allocation=replace(club.allocation, **changes)).text


@pytest.mark.parametrize("invented", [True, False])
def test_invented_trials_say_so_first(read, invented):
    found = read(invented=invented).text
    assert ("Invented data." in found) is invented
    assert not invented or found.index("Invented data.") < found.index("Trial report")


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (
            None,
            "lie beyond a kit\N{RIGHT SINGLE QUOTATION MARK}s limit; whatever they really were, no conclusion changes",
        ),
        (
            Verdict.NONE_WORTHWHILE,
            "lie beyond what the kits can show, and the conclusion turns on what they really were",
        ),
    ],
)
def test_censored_readings_and_whether_they_matter_are_said(club, read, other, words):
    nitrate, phosphate = club.analysis.endpoints
    contrasts = tuple(
        replace(c, censoring=replace(c.censoring, verdicts=(c.verdict, other or c.verdict)))
        for c in phosphate.contrasts
    )
    endpoints = (nitrate, replace(phosphate, contrasts=contrasts))
    text = read(analysis=replace(club.analysis, endpoints=endpoints)).text
    assert "No reading behind these numbers lies beyond a kit" in text
    assert f"{sum(tank.censored for tank in phosphate.tanks)} readings " in text
    assert words in text
    assert "estimates at the extremes that readings beyond" in text


def test_carbon_cautions_only_where_carbon_is_dosed(club, read):
    assert "hydrogen sulfide" in read().text
    undosed = club.protocol.model_copy(
        update={"arms": tuple(arm.model_copy(update={"carbon": None}) for arm in club.protocol.arms)}
    )
    text = read(protocol=undosed).text
    assert "hydrogen sulfide" not in text
    assert "A vet, or whoever is licensed to, decides" in text


def test_files_beside_the_page_hold_the_unrounded_numbers(
    club, tmp_path, monkeypatch, drawings, report_material
):
    monkeypatch.setattr(report, "draw", lambda _: drawings)
    written = write_report(tmp_path / "new" / "report", report_material(club))
    folder = written.parent
    assert written.name == RECORD
    assert json.loads((folder / "results.json").read_text(encoding="utf-8")) == document(club.analysis)
    rows = read_csv(folder / "tables" / "results.csv")
    registered = [row for row in rows if row["analysis"] == "registered"]
    told = [c for endpoint in club.analysis.endpoints for c in endpoint.contrasts]
    assert [float(row["estimate"]) for row in registered] == [c.estimate for c in told]
    assert [row["reading"] for row in registered] == [str(c.verdict or "") for c in told]
    tanks = read_csv(folder / "tables" / "tanks.csv")
    assert len(tanks) == 30
    assert [row["why_missing"] for row in tanks if not row["y"]] == [
        "no nitrate reading in the assessment phase",
        "no phosphate reading in the assessment phase",
    ]
    names = {drawing.name for drawing in drawings}
    assert {path.stem for path in (folder / "figures").glob("*.svg")} == names
    assert {path.stem for path in (folder / "figures").glob("*.png")} == names
    for page in (RECORD, "club.html", "farm.html"):
        links = [a["href"] for a in Reader((folder / page).read_text(encoding="utf-8")).all("a")]
        files = {link.partition("#")[0] for link in links if link[0] != "#"}
        assert files
        assert all((folder / link).is_file() for link in files)


def test_report_repeats_and_replaces_an_earlier_one_and_nothing_else(
    club, tmp_path, monkeypatch, drawings, report_material
):
    monkeypatch.setattr(report, "draw", lambda _: drawings)
    first = write_report(tmp_path, report_material(club)).read_bytes()
    (tmp_path / "figures" / "old.svg").write_text("<svg/>")
    (tmp_path / "mine.txt").write_text("keep")
    assert write_report(tmp_path, report_material(club)).read_bytes() == first
    assert not (tmp_path / "figures" / "old.svg").exists()
    assert (tmp_path / "mine.txt").read_text() == "keep"


def test_folder_of_other_things_is_refused(club, tmp_path, report_material):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(UsageError, match="holds other files and no report"):
        write_report(tmp_path, report_material(club))
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_folder_that_cannot_be_written_is_one_sentence(
    club, tmp_path, monkeypatch, drawings, report_material
):
    monkeypatch.setattr(report, "draw", lambda _: drawings)
    (tmp_path / "file").write_text("")
    with pytest.raises(
        FairtankError, match=r"The report cannot be written to .*file.*; name another folder\."
    ):
        write_report(tmp_path / "file", report_material(club))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("38 % lower", "38\u202f% lower"),
        ("a kit's limit", "a kit\u2019s limit"),
        ("p = 0.03, p < 0.001", "p =\u00a00.03, p &lt;\u00a00.001"),
        ("<b>&", "&lt;b&gt;&amp;"),
    ],
)
def test_sentences_are_set_and_escaped(text, shown):
    assert str(typeset(text)) == shown


def test_two_drawings_share_no_id_and_carry_their_alt_text(drawings):
    ids = [
        attrs["id"]
        for drawing in drawings
        for narrow in ([False, True] if drawing.narrow else [False])
        for _, attrs in Reader(drawing.inline(narrow=narrow)).elements
        if "id" in attrs
    ]
    assert len(ids) == len(set(ids)) > 100
    svg = inline_svg(drawings[0].svg, "a", 'x" onload="y')
    (root,) = Reader(svg).all("svg")
    assert root["aria-label"] == 'x" onload="y'
    assert "onload" not in root
    used = [a["xlink:href"] for a in Reader(svg).all("use")]
    assert {href[1:] for href in used} <= {a["id"] for _, a in Reader(svg).elements if "id" in a}


def test_higher_is_better_reads_as_such(club, read):
    first = club.analysis.endpoints[0]
    against = tuple(replace(c, favours=c.reference) for c in first.contrasts)
    endpoint = replace(first, better=Better.HIGHER, worthwhile=1.25, contrasts=against)
    text = read(analysis=replace(club.analysis, endpoints=(endpoint, club.analysis.endpoints[1]))).text
    assert "Higher is better, so this is worse" in text
    assert "higher 25 % higher" in text
