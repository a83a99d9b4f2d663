"""Packs of other designs and histories: crossover, recorded allocations, a register of several trials, accepted rows."""

import json

import pytest
import tomli_w

from trials.cli import main
from trials.pack import layout
from trials.pack.checking import check_pack

ARMS = [
    {"id": "control", "role": "control", "title": "Water changes alone"},
    {"id": "polymer", "role": "test", "title": "Polymer pellets"},
]
ENDPOINT = {
    "id": "nitrate-mean",
    "role": "primary",
    "variable": "nitrate",
    "summary": "mean",
    "phase": "assessment",
    "scale": "ratio",
    "better": "lower",
    "worthwhile": 0.8,
}
BLOCKS = [{"id": f"{block}{tank}", "block": block} for block in "abcd" for tank in "12"]


def protocol(trial, design, *, block=True, baseline=0):
    phases = [{"id": "baseline", "days": baseline}] if baseline else []
    return {
        "format": 1,
        "trial": {"id": trial, "title": f"Trial {trial}", "licence": "CC0-1.0"},
        "arms": ARMS,
        "design": design,
        "tanks": BLOCKS if block else [{"id": tank["id"]} for tank in BLOCKS],
        "schedule": {
            "start": "START",
            "phases": [*phases, {"id": "assessment", "days": 28}],
            "sampling": [{"variable": "nitrate", "every_days": 7}],
        },
        "endpoints": [ENDPOINT],
    }


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Run a command in a folder of its own; held rows are no failure."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)

    def call(*words):
        status = main([str(word) for word in words])
        assert status in {0, 3}, words
        return status

    return call


@pytest.fixture
def register_trial(run, tmp_path):
    """Write, register and take readings of a number of weeks in."""

    def make(raw, weeks, allocate=("--seed", "7 21")):
        text = tomli_w.dumps(raw).replace('"START"', "2026-03-02")
        (tmp_path / "protocol.toml").write_text(text, encoding="utf-8")
        lines = ["tank,taken_at,nitrate [mg/L]"]
        for week in range(weeks):
            day = f"2026-{3 + (2 + 7 * week - 1) // 31:02d}-{(2 + 7 * week - 1) % 31 + 1:02d}"
            lines += [f"{t['id']},{day},{9 + n + (3 * n + week) % 4}.5" for n, t in enumerate(BLOCKS)]
        name = raw["trial"]["id"]
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        run("register", "protocol.toml")
        run("intake", name, f"{name}.csv")
        run("allocate", name, *allocate)
        return name

    return make


@pytest.mark.parametrize(
    ("raw", "weeks"),
    [
        (protocol("cross", {"kind": "crossover", "seed_from": "balls", "periods": 2, "washout_days": 0}), 8),
        (
            protocol(
                "even",
                {"kind": "blocks", "seed_from": "balls", "balance": {"variable": "nitrate", "max_gap": 3.0}},
                baseline=14,
            ),
            6,
        ),
    ],
    ids=["crossover", "balanced"],
)
def test_other_designs(run, register_trial, tmp_path, raw, weeks):
    name = register_trial(raw, weeks)
    run("pack", name, "--out", "pack")
    assert check_pack(tmp_path / "pack").findings == ()
    chain = (tmp_path / "pack" / layout.CHAIN).read_text()
    assert '"kind": "allocation"' in chain


@pytest.mark.parametrize("random", [True, False])
def test_a_recorded_allocation_shows_how_but_not_the_name_of_its_file(run, register_trial, tmp_path, random):
    lines = [f"{tank['id']},{'control' if tank['id'].endswith('1') else 'polymer'}" for tank in BLOCKS]
    (tmp_path / "ann otters draw.csv").write_text("\n".join(["tank,arm", *lines]) + "\n")
    how = (
        "--recorded",
        "ann otters draw.csv",
        "--how",
        "by tossing a coin",
        *(() if random else ("--not-random",)),
    )
    name = register_trial(protocol("coin", {"kind": "blocks", "seed_from": "a coin"}), 4, how)
    run("pack", name, "--out", "pack")
    assert check_pack(tmp_path / "pack").findings == ()
    by_hand = (tmp_path / "pack" / layout.BY_HAND).read_text()
    assert "recorded as made elsewhere: by tossing a coin" in by_hand
    assert ("observational" in by_hand) is not random
    assert "otter" not in (tmp_path / "pack" / layout.CHAIN).read_text()
    run("pack", name, "--with-texts", "--out", "whole")
    assert check_pack(tmp_path / "whole").findings == ()


def test_other_trials_of_a_register_are_bare_links(run, register_trial, tmp_path):
    design = {"kind": "parallel", "seed_from": "balls"}
    register_trial(protocol("secret", design, block=False), 4)
    name = register_trial(protocol("open", design, block=False), 4)
    run("pack", name, "--out", "pack")
    lines = [json.loads(line) for line in (tmp_path / "pack" / layout.CHAIN).read_text().splitlines()]
    assert [line.keys() for line in lines[:3]] == [{"number", "previous", "digest"}] * 3
    assert {line.get("trial") for line in lines} == {None, "open"}
    found = check_pack(tmp_path / "pack")
    assert found.findings == ()
    assert any("3 of 7 entries are of other trials" in note for note in found.notes)


def test_an_amendment_that_is_taken_back_and_rows_accepted_as_they_are(run, register_trial, tmp_path):
    raw = protocol("back", {"kind": "blocks", "seed_from": "balls"})
    name = register_trial(raw, 4)
    said = ("--why", "we thought again", "--by", "Ann Otter")
    first = (tmp_path / "protocol.toml").read_text()
    (tmp_path / "other.toml").write_text(first.replace("Trial back", "Trial forth"))
    run("amend", "--protocol", "other.toml", *said)
    run("amend", "--protocol", "protocol.toml", *said)
    (tmp_path / "late.csv").write_text("tank,taken_at,nitrate [mg/L]\na1,2026-03-25,99.5\n")
    assert run("intake", name, "late.csv") == 3
    run("held", "--accept", "late.csv", *said)
    (tmp_path / "consent.csv").write_text("name,may_name\nAnn Otter,yes\n")
    for place, more in (("coded", ()), ("whole", ("--with-texts", "--consent", "consent.csv"))):
        run("pack", name, "--out", place, *more)
        assert check_pack(tmp_path / place).findings == ()
    chain = (tmp_path / "coded" / layout.CHAIN).read_text()
    assert '"as_they_are"' in chain
    assert "Otter" not in chain
