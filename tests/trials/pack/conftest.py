"""A small recorded trial with texts that mean harm, and what is made of it; both invented scenarios, recorded."""

import datetime as dt
import json
from pathlib import Path

import pytest
import tomli_w

from trials import allocation, protocol_file
from trials.cli import main
from trials.intake.several import read_files
from trials.pack.building import files_of
from trials.pack.gathering import gather
from trials.pack.persons import Persons
from trials.register.store import Register
from trials.scenarios import read_story, scenarios_folder

MARKUP = "<script>alert(1)</script> <img src=x onerror=alert(2)>"
FORMULA = '=HYPERLINK("http://example.org";"look")'
TURNED = "abc \u202egnp.exe\u202c \u2067end"
LINK = "[free pellets](javascript:alert(3)) `code` | **bold** www.example.org @everyone"
LONG = "long " * 59 + "words"
EMOJI = "🐠👩\u200d🔬"
HOSTILE = (MARKUP, FORMULA, TURNED, LINK, LONG, EMOJI)
PEOPLE = ("Ann Otter", "=Bo+Crane", "<b>Cy</b>")

PROTOCOL = {
    "format": 1,
    "trial": {
        "id": "hostile",
        "title": f"{MARKUP} {EMOJI}",
        "question": f"- {LINK} {TURNED}",
        "lead": FORMULA,
        "licence": "CC-BY-4.0",
    },
    "arms": [
        {"id": "control", "role": "control", "title": LONG},
        {"id": "polymer", "role": "test", "title": FORMULA, "carbon": {"source": LINK, "full_dose": TURNED}},
    ],
    "design": {"kind": "blocks", "seed_from": "the balls of 4 April"},
    "tanks": [
        {"id": f"s{site}-{tank}", "site": f"s{site}", "block": f"s{site}", "note": HOSTILE[site]}
        for site in range(5)
        for tank in "ab"
    ],
    "schedule": {
        "start": dt.date(2026, 3, 2),
        "phases": [{"id": "baseline", "days": 14}, {"id": "assessment", "days": 28}],
        "sampling": [{"variable": "nitrate", "every_days": 7}],
    },
    "kits": [{"id": "photometer", "variable": "nitrate", "limit": 0.5}],
    "check_samples": [
        {"id": "ref-a", "kind": "reference", "variable": "nitrate", "value": 10.0, "title": MARKUP}
    ],
    "variables": [{"id": "growth", "title": EMOJI, "unit": "mm/wk", "hard": [0.0, 90.0]}],
    "endpoints": [
        {
            "id": "nitrate-mean",
            "role": "primary",
            "title": f"{MARKUP} mean",
            "variable": "nitrate",
            "summary": "mean",
            "phase": "assessment",
            "baseline": "adjust",
            "scale": "ratio",
            "better": "lower",
            "worthwhile": 0.8,
        }
    ],
}


def readings_text():
    """Readings of six weeks, long, by three persons with notes; one row of them cannot be accepted."""
    lines = ["tank,taken_at,variable,value,unit,kit,by,note"]
    for week in range(6):
        day = dt.date(2026, 3, 2) + dt.timedelta(weeks=week)
        for site in range(5):
            for place, tank in enumerate("ab"):
                value = 12.5 + 1.3 * site - 0.7 * week * place + 0.1 * ((week * 7 + site * 3 + place) % 5)
                text = "<0.5" if (week, site, tank) == (4, 1, "b") else f"{value:.1f}"
                note = f'"{HOSTILE[site].replace(chr(34), chr(34) * 2)}"' if week == 2 else ""
                lines.append(f"s{site}-{tank},{day},nitrate,{text},mg/L,photometer,{PEOPLE[site % 3]},{note}")
    lines.append('s9-z,2026-04-06,nitrate,"Ann Otter forgot",mg/L,,Ann Otter,Cy said so')
    return "\n".join(lines) + "\n"


EVENTS = f"""tank,at,kind,amount,unit,by,note
s0-b,2026-03-10,feed,2.5,g,Ann Otter,{EMOJI}
s1-b,2026-03-11,water-change,20,L,Di,Eve asked for it
s2-b,2026-03-12,fault,,,Di,
"""
CHECKS = """tank,site,taken_at,variable,value,unit,kit,by
ref-a,s0,2026-03-03,nitrate,9.5,mg/L,photometer,Fay
ref-a,s1,2026-03-03,nitrate,10.5,mg/L,photometer,Ann Otter
"""


@pytest.fixture(scope="session")
def recorded(tmp_path_factory):
    """The register of the small trial: amended, corrected, with deviations, closed."""
    folder = tmp_path_factory.mktemp("hostile")
    (folder / "protocol.toml").write_text(tomli_w.dumps(PROTOCOL), encoding="utf-8")
    longer = PROTOCOL | {"trial": PROTOCOL["trial"] | {"title": "Solid carbon or none"}}
    longer["stop_rules"] = [{"variable": "nitrate", "below": 0.5, "action": LINK}]
    (folder / "amended.toml").write_text(tomli_w.dumps(longer), encoding="utf-8")
    (folder / "ann otter.csv").write_text(readings_text(), encoding="utf-8")
    (folder / "again.csv").write_text(
        readings_text().splitlines()[0] + "\ns0-a,2026-03-05,nitrate,9.1,mg/L,,Di,\n"
    )
    (folder / "eve's events.csv").write_text(EVENTS, encoding="utf-8")
    (folder / "checks.csv").write_text(CHECKS, encoding="utf-8")
    said = ("--why", f"Bo said {MARKUP}", "--by", "Ann  otter")
    commands = (
        ("register", str(folder / "protocol.toml")),
        ("allocate", "--seed", "4 17 23"),
        ("intake", str(folder / "ann otter.csv"), str(folder / "again.csv")),
        ("intake", str(folder / "eve's events.csv"), str(folder / "checks.csv")),
        ("amend", "--reading", "3", "--value", "11.5", *said),
        ("amend", "--reading", "4", "--withdraw", *said),
        ("amend", "--event", "1", "--amount", "3.5", *said),
        ("amend", "--tank", "s1-b", "--deviation", f"dosed twice {FORMULA}", "--from", "2026-03-20", *said),
        ("amend", "--protocol", str(folder / "amended.toml"), *said),
        ("amend", "--close-data-entry", *said),
    )
    for command in commands:
        assert main([*command, "--register", str(folder / "fairtank.db")]) in {0, 3}, command
    return folder / "fairtank.db"


@pytest.fixture(scope="session")
def pack_of():
    """Make the files of a pack from a register: consent by folded name, with texts or without."""

    def make(register, *, consent=(), texts=False):
        with Register.open(str(register)) as record:
            trial = record.find(None).id
            contents, analysis = gather(record, trial, Persons(dict.fromkeys(consent, True)), texts=texts)
        return files_of(contents, analysis)

    return make


@pytest.fixture(scope="session")
def coded(pack_of, recorded):
    """The files of a pack in which nobody is named."""
    return pack_of(recorded)


@pytest.fixture(scope="session")
def whole(pack_of, recorded):
    """The files of a pack with all texts and files, everybody having agreed."""
    return pack_of(recorded, consent=["ann otter", "=bo+crane", "<b>cy</b>", "di", "fay"], texts=True)


@pytest.fixture(scope="session", params=["club", "farm"])
def scenario(request, tmp_path_factory):
    """The register of an invented scenario, as its story tells it."""
    folder = scenarios_folder() / request.param
    path = tmp_path_factory.mktemp("scenario") / "fairtank.db"
    story = read_story(folder)
    with Register.open(str(path), create=True) as record:
        sealed = record.seal(protocol_file.load(folder / "protocol.toml"), story.registered_at)
        for number, step in enumerate(story.intake):
            paths = sorted((folder / "readings" / step.folder).iterdir())
            batches = read_files(paths, sealed.protocol, record.seen(sealed.id), step.at.date())
            record.record_intake(sealed.id, list(batches), step.at)
            if number == 0:
                shared = allocation.draw(sealed.protocol, sealed.digest, story.seed)
                record.record_allocation(sealed.id, shared, story.drawn_at)
    return path


@pytest.fixture
def written(tmp_path):
    """Put files into a folder and give its path."""

    def write(files, name="pack"):
        folder = tmp_path / name
        for path, content in files.items():
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_bytes(content)
        return folder

    return write


@pytest.fixture(scope="session")
def rows_of():
    """The rows of a table of a pack as mappings of texts."""
    import csv
    import io

    def read(files, path):
        return list(csv.DictReader(io.StringIO(files[path].decode(), newline="")))

    return read


@pytest.fixture(scope="session")
def json_of():
    """A JSON file of a pack."""

    def read(files, path):
        return json.loads(files[path])

    return read


@pytest.fixture(scope="session")
def data_folder():
    """Where the invented scenarios are."""
    return Path(scenarios_folder())
