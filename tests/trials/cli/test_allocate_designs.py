"""Each design from the protocol to its allocation by the commands, stored, checked and verified."""

import datetime as dt
import json
from dataclasses import replace

import pytest

from trials.allocation import draw
from trials.cli import main
from trials.register.store import Register

PROTOCOL = """
format = 1
tanks = "tanks.csv"
[trial]
id = "try"
title = "A first try"
[[arms]]
id = "control"
role = "control"
title = "Water changes alone"
[[arms]]
id = "polymer"
role = "test"
title = "Polymer pellets"
{third}
[design]
{design}
[schedule]
start = 2025-03-03
phases = [{{ id = "baseline", days = 28 }}, {{ id = "assessment", days = 56 }}]
sampling = [{{ variable = "nitrate", every_days = 7 }}]
[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
scale = "ratio"
better = "lower"
worthwhile = 0.8
"""
THIRD = '[[arms]]\nid = "liquid"\nrole = "test"\ntitle = "Liquid carbon"'
AT = dt.datetime(2025, 4, 4, 18, tzinfo=dt.UTC)


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Run a command in an empty folder; its exit status, standard output and standard error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)

    def call(*words):
        capsys.readouterr()
        status = main([str(word) for word in words])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return status, shown.out, shown.err

    return call


@pytest.fixture
def registered(run, tmp_path):
    """Register a protocol of one design with blocks of the sizes given."""

    def register(design, sizes, third=THIRD, blocks=True):
        rows = [
            (f"q{b}-{n}", f"q{b}" if blocks else "") for b, size in enumerate(sizes, 1) for n in range(size)
        ]
        (tmp_path / "tanks.csv").write_text("id,block\n" + "".join(f"{t},{b}\n" for t, b in rows))
        (tmp_path / "protocol.toml").write_text(PROTOCOL.format(design=design, third=third))
        status, out, err = run("register", "protocol.toml")
        assert status == 0, err
        return out

    return register


def allocated(run, *words):
    status, out, err = run("allocate", *words, "--json")
    assert status == 0, err
    document = json.loads(out)
    status, out, _ = run("allocate", "--check", "--json")
    assert (status, json.loads(out)["findings"]) == (0, [])
    status, out, _ = run("verify", "--json")
    assert (status, json.loads(out)["findings"]) == (0, [])
    return document


def test_incomplete_blocks(run, registered):
    registered('kind = "incomplete-blocks"\nseed = "reef"', [2] * 6)
    document = allocated(run)
    assert document["notes"][0].startswith("Balanced: every two arms meet ")
    assert len(document["ranked"]) == 6
    assert {len(name["takes"]) for name in document["ranked"]} == {2}
    assert all(
        tank["arms"] == [row["arm"]]
        for tank in document["derivation"]
        for row in document["assignments"]
        if row["tank"] == tank["tank"]
    )
    _, out, _ = run("allocate", "--check")
    assert "Blocks are ranked in the same way" in out
    assert "Balanced: every two arms meet " in out


def test_crossover(run, registered):
    registered('kind = "crossover"\nseed = "reef"\nperiods = 2\nwashout_days = 56', [4, 4], third="")
    document = allocated(run)
    assert len(document["assignments"]) == 16
    assert {row["period"] for row in document["assignments"]} == {1, 2}
    assert document["notes"] == [
        "Balanced: in each period every arm has 4 tanks, and it follows each other arm 4 times."
    ]
    _, out, _ = run("allocate", "--check")
    heads = next(line for line in out.splitlines() if "period 1" in line and "period 2" in line)
    assert heads.split()[:2] == ["tank", "block"]
    with Register.open("fairtank.db") as record:
        shared = record.allocation("try")
        sealed = record.find("try")
    assert shared == draw(sealed.protocol, sealed.digest, None)


def test_recorded_crossover(run, registered, tmp_path):
    registered('kind = "crossover"\nperiods = 2\nwashout_days = 56', [4], third="", blocks=False)
    arms = ("control", "polymer")
    rows = [f"q1-{n},{period},{arms[(n + period) % 2]}\n" for n in range(4) for period in (1, 2)]
    (tmp_path / "lots.csv").write_text("tank,period,arm\n" + "".join(rows))
    document = allocated(run, "--recorded", "lots.csv", "--how", "lots drawn by two members")
    assert (document["drawn"], document["how"], document["derivation"]) == (
        False,
        "lots drawn by two members",
        [],
    )
    assert document["notes"] == [
        "Balanced: in each period every arm has 2 tanks, and it follows each other arm 2 times."
    ]


def test_before_after(run, registered, tmp_path):
    registered('kind = "before-after"', [2], third="", blocks=False)
    (tmp_path / "chosen.csv").write_text("tank,arm\nq1-0,polymer\nq1-1,control\n")
    document = allocated(run, "--recorded", "chosen.csv", "--how", "the owner chose", "--not-random")
    assert (document["random"], document["attempt"], document["balance_values"]) == (False, None, {})


BALANCE = (
    'kind = "blocks"\nseed_from = "the balls of 4 April"\nbalance = {{ variable = "nitrate", max_gap = {} }}'
)


def baselines(tmp_path, lacking=()):
    """Two baseline days and one of the assessment, which has no say, of twelve tanks in four blocks."""
    rows = []
    for n, tank in enumerate(f"q{b}-{t}" for b in range(1, 5) for t in range(3)):
        if tank not in lacking:
            level = 5 + 7 * n % 11
            rows += [
                f"{tank},2025-03-03,{level - 1}",
                f"{tank},2025-03-10,{level + 1}",
                f"{tank},2025-04-07,49",
            ]
    (tmp_path / "baseline.csv").write_text("tank,taken_at,nitrate [mg/L]\n" + "\n".join(rows) + "\n")


def test_a_balanced_draw_waits_for_the_baseline_and_holds_it(run, registered, tmp_path):
    out = registered(BALANCE.format(1.5), [3] * 4)
    assert "with the baseline readings, which the draw is held against" in out
    status, out, err = run("allocate", "--seed", "4 17")
    assert (status, out) == (1, "")
    assert "have no reading of; take the baseline readings in first" in err
    baselines(tmp_path, lacking=("q2-1",))
    assert run("intake", "baseline.csv")[0] == 0
    status, _, err = run("allocate", "--seed", "4 17")
    assert (status, "baseline nitrate, which q2-1 has no reading of" in err) == (1, True)
    baselines(tmp_path)
    assert run("intake", "baseline.csv")[0] == 0
    document = allocated(run, "--seed", "4 17")
    values = document["balance_values"]
    assert values == {f"q{b}-{t}": 5 + 7 * (3 * (b - 1) + t) % 11 for b in range(1, 5) for t in range(3)}
    means = [
        sum(values[row["tank"]] for row in document["assignments"] if row["arm"] == arm) / 4
        for arm in ("control", "polymer", "liquid")
    ]
    assert max(means) - min(means) <= 1.5
    assert document["notes"] == [
        (
            f"Draw {document['attempt']} is the first that meets the balance rule: the arms' mean baseline nitrate differs "
            f"by {max(means) - min(means):.4g} at most, and 1.5 is allowed."
        )
    ]
    _, out, _ = run("allocate", "--check")
    assert f"k = {document['attempt']}." in out


def test_baselines_that_were_not_read_do_not_pass_for_read(run, registered, tmp_path):
    """Whoever writes other baselines into the register can redo the draw, but not the readings."""
    registered(BALANCE.format(3), [3] * 4)
    baselines(tmp_path, lacking=("q4-2",))
    assert run("intake", "baseline.csv")[0] == 0
    with Register.open("fairtank.db") as record:
        sealed = record.find("try")
        values = {f"q{b}-{t}": 5.0 + 7 * (3 * (b - 1) + t) % 11 for b in range(1, 5) for t in range(3)}
        forged = draw(sealed.protocol, sealed.digest, "4 17", values | {"q1-0": 6.5})
        record.record_allocation("try", replace(forged, how="by hand"), AT)
    status, out, _ = run("verify", "--json")
    found = {finding["where"]: finding["text"] for finding in json.loads(out)["findings"]}
    assert status == 3
    assert set(found) == {"q1-0", "q4-2"}
    assert "drawn with a baseline of 6.5, but the readings taken in before entry 3 give 5." in found["q1-0"]
    assert "before entry 3 hold none of it." in found["q4-2"]
