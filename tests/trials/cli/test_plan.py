"""`fairtank plan`: published powers through the command, three plain lines, the same numbers whoever computes."""

import json
import math
import shutil

import numpy as np
import pytest
from scipy import stats

from analysis.power import power
from analysis.precision import parallel, precision
from schemas.vocabulary import Variance
from trials.cli import main

PROTOCOL = """format = 1
[trial]
id = "t"
title = "Growth"
[[arms]]
id = "control"
role = "control"
title = "Control"
[[arms]]
id = "test"
role = "test"
title = "Test"
[design]
kind = "{kind}"
seed = "any"
[schedule]
start = 2026-03-02
phases = [{{ id = "assessment", days = 28 }}]
sampling = [{{ variable = "growth", every_days = 7 }}]
[[variables]]
id = "growth"
unit = "mg"
hard = [-1000, 1000]
[[endpoints]]
id = "growth-mean"
role = "primary"
variable = "growth"
summary = "mean"
phase = "assessment"
better = "higher"
worthwhile = {worthwhile}
[analysis]
variance = "{variance}"
alpha = {alpha}
[planning]
effect = {effect}
sd = {sd}
"""


def protocol(kind, number, effect, sd, *, variance="pooled", alpha=0.05, worthwhile=1.0):
    """A protocol of two arms: ``number`` tanks an arm, or so many pairs."""
    block = 'block = "b{}"\n' if kind == "blocks" else ""
    tanks = "".join(
        f'[[tanks]]\nid = "t{n}{arm}"\n{block.format(n)}' for n in range(number) for arm in ("a", "b")
    )
    return (
        PROTOCOL.format(
            kind=kind, effect=effect, sd=sd, variance=variance, alpha=alpha, worthwhile=worthwhile
        )
        + tanks
    )


@pytest.fixture
def say(capsys, tmp_path, monkeypatch):
    """Plans a protocol; gives status, output and errors."""
    monkeypatch.chdir(tmp_path)

    def call(text, *arguments):
        (tmp_path / "protocol.toml").write_text(text)
        status = main(["plan", "protocol.toml", *arguments])
        shown = capsys.readouterr()
        return status, shown.out, shown.err

    return call


@pytest.fixture
def ask(say):
    """Plans with --json and gives the document."""

    def call(text, *arguments):
        status, out, err = say(text, *arguments, "--json")
        assert (status, err) == (0, "")
        return json.loads(out)

    return call


@pytest.fixture(scope="module")
def club(tmp_path_factory):
    """A drafted trial of polymer and liquid carbon against a control."""
    folder = tmp_path_factory.mktemp("club")
    path = folder / "protocol.toml"
    assert main(["draft", str(path), "--yes", "--blocks", "8", "--start", "2026-03-02"]) == 0
    return path


@pytest.fixture
def plan_club(club, capsys):
    """Plans the drafted trial."""

    def call(*arguments):
        capsys.readouterr()
        status = main(["plan", str(club), *arguments])
        shown = capsys.readouterr()
        return status, shown.out, shown.err

    return call


# R power.t.test(n = 20, delta = 1, sd = 1, strict = TRUE), from memory; Cohen 1988 by R's pwr (paired d of 0.5 and 0.8
# with 34 and 15 pairs are the first to reach 0.80). A paired sd of 1 between differences is 1/sqrt(2) between tanks.
PAIRED_SD = math.sqrt(0.5)
PUBLISHED = {
    "R, two groups of 20": (("parallel", 20, 1.0, 1.0), 0.8689530, 1e-6),
    "R, the same with Welch's error": (("parallel", 20, 1.0, 1.0, "own"), 0.8689530, 1e-6),
}


@pytest.mark.parametrize(("design", "power", "tolerance"), PUBLISHED.values(), ids=PUBLISHED)
def test_published_power(ask, design, power, tolerance):
    kind, number, effect, sd, *variance = design
    text = protocol(kind, number, effect, sd, variance=(variance or ["pooled"])[0])
    (contrast,) = ask(text)["endpoints"][0]["contrasts"]
    assert contrast["power"] == pytest.approx(power, abs=tolerance)
    assert {"test", "reference", "effect", "power", "half_width", "smallest_p"} <= contrast.keys()
    assert contrast["effect"] == effect


@pytest.mark.parametrize(("pairs", "d"), [(199, 0.2), (34, 0.5), (15, 0.8), (10, 1.0)])
def test_pairs_of_cohen_are_the_first_to_reach_80_per_cent(ask, pairs, d):
    found = [
        ask(protocol("blocks", number, d, PAIRED_SD, variance="own"))["endpoints"][0]["contrasts"][0]["power"]
        for number in (pairs - 1, pairs)
    ]
    assert found[0] < 0.80 <= found[1]


def test_smallest_p_of_pairs_is_counted(ask):
    for pairs in (4, 5, 6):
        (contrast,) = ask(protocol("blocks", pairs, 2.0, 0.1, variance="own"))["endpoints"][0]["contrasts"]
        assert contrast["smallest_p"] == pytest.approx(2 / 2**pairs)


# R power.t.test(power = 0.90, delta = 1) gives n = 22.02 a group; Cohen 1988 by R's pwr: 34 pairs for d of 0.5.
@pytest.mark.parametrize(
    ("design", "wanted", "present", "needed"),
    [(("parallel", 4, 1.0, 1.0), "0.9", 4, 23), (("blocks", 6, 0.5, PAIRED_SD, "own"), "0.8", 6, 34)],
)
def test_published_sizes(ask, say, design, wanted, present, needed):
    kind, number, effect, sd, *variance = design
    text = protocol(kind, number, effect, sd, variance=(variance or ["pooled"])[0])
    found = ask(text, "--power", wanted)["endpoints"][0]["sizes"]
    assert (found["present"], found["for_power"], found["for_width"]) == (present, needed, None)
    unit = "tanks an arm" if kind == "parallel" else "blocks"
    assert f"it takes {needed} {unit} of the same make" in say(text, "--power", wanted)[1]


def test_size_for_an_interval(ask):
    """The mean half width of a pooled t interval, by its definition, at and below the size that is named."""
    document = ask(protocol("parallel", 4, 1.0, 1.0), "--half-width", "0.5")
    number = document["endpoints"][0]["sizes"]["for_width"]

    def half(n):
        df = 2 * n - 2
        mean_s = math.sqrt(2 / df) * math.exp(math.lgamma((df + 1) / 2) - math.lgamma(df / 2))
        return stats.t.ppf(0.975, df) * mean_s * math.sqrt(2 / n)

    assert half(number) <= 0.5 < half(number - 1)


# Bioequivalence in a 2x2 crossover, limits 0.80 to 1.25, alpha 0.05: exact power of two one-sided tests, published
# tables of sample size (total n).
@pytest.mark.parametrize(
    ("cv", "tanks", "published"), [(0.30, 40, 0.815845), (0.20, 20, 0.834680), (0.25, 28, 0.807439)]
)
def test_published_power_of_equivalence(ask, cv, tanks, published):
    sd = math.sqrt(math.log1p(cv**2))
    text = protocol("crossover", tanks // 2, 0.95, sd, worthwhile=0.8).replace(
        'seed = "any"', 'seed = "any"\nperiods = 2'
    )
    text = text.replace("hard = [-1000, 1000]", "hard = [1, 1000]").replace(
        'better = "higher"', 'better = "lower"\nscale = "ratio"'
    )
    (contrast,) = ask(text)["endpoints"][0]["contrasts"]
    assert contrast["if_effect"]["equivalence"] == pytest.approx(published, abs=5e-7)
    assert contrast["if_none"]["equivalence"] > published
    for chances in (contrast["if_effect"], contrast["if_none"]):
        assert sum(chances["readings"].values()) == pytest.approx(1)
        assert chances["noninferiority"] > chances["equivalence"]


VERDICTS = {
    "yes": (("parallel", 20, 1.0, 1.0), "Worth starting: yes."),
    "doubtful": (("parallel", 10, 1.0, 1.0), "Worth starting: doubtful."),
    "no": (("parallel", 4, 0.5, 1.0), "Worth starting: no."),
    "sharp, but no draw can show it": (("blocks", 4, 3.0, 0.1), "Worth starting: doubtful."),
}


@pytest.mark.parametrize(("design", "answer"), VERDICTS.values(), ids=VERDICTS)
def test_first_three_lines_say_whether_it_is_worth_starting(say, design, answer):
    status, out, err = say(protocol(*design))
    first, second, third = out.splitlines()[:3]
    assert (status, err) == (0, "")
    assert first.startswith(answer)
    assert "interval should reach" in second
    assert "p as small as" in third


def test_what_is_assumed_is_marked(ask, say):
    text = protocol("parallel", 8, 1.0, 1.0).split("[planning]")[0]
    text += "".join(f'[[tanks]]\nid = "t{n}"\n' for n in range(16))
    (endpoint,) = ask(text)["endpoints"]
    assert (endpoint["effect_given"], endpoint["sd_given"]) == (False, False)
    assert endpoint["contrasts"][0]["power"] is None
    assert say(text)[1].startswith("Worth starting: cannot be said")
    ratio = text.replace("hard = [-1000, 1000]", "hard = [1, 1000]").replace(
        "worthwhile = 1.0", 'worthwhile = 1.5\nscale = "ratio"'
    )
    (endpoint,) = ask(ratio)["endpoints"]
    assert (endpoint["sd"], endpoint["contrasts"][0]["effect"]) == (0.35, 1.5)
    shown = say(ratio)[1]
    assert "on assumed figures" in shown.splitlines()[0]
    assert "assumed here is 0.35 on logarithms" in shown


def test_formula_and_simulation_agree(ask):
    document = ask(protocol("parallel", 12, 1.0, 1.0), "--simulate", "--trials", "4000", "--seed", "7")
    (planned,) = document["endpoints"][0]["contrasts"]
    (drawn,) = document["simulation"]["plain"]["contrasts"]
    assert abs(drawn["power"]["value"] - planned["power"]) < 4 * drawn["power"]["se"]
    assert abs(drawn["false_positive"]["value"] - 0.05) < 4 * drawn["false_positive"]["se"]
    assert abs(drawn["half_width"]["value"] - planned["half_width"]) < 4 * drawn["half_width"]["se"]
    assert sum(chance["value"] for chance in drawn["readings"].values()) == pytest.approx(1)
    assert document["simulation"]["tank_model"] is None
    assert "tank model" in " ".join(document["simulation"]["notes"])


def test_a_series_before_and_after_agrees_too(ask):
    text = protocol("before-after", 1, 1.0, 0.35).replace(
        'phases = [{ id = "assessment", days = 28 }]',
        'phases = [{ id = "baseline", days = 70 }, { id = "assessment", days = 98 }]',
    )
    text = text.replace('seed = "any"\n', "").replace('variance = "pooled"\n', "")
    document = ask(text, "--simulate", "--trials", "300", "--seed", "3", "--effect-sd", "0", "--sd-cv", "0")
    (planned,) = document["endpoints"][0]["contrasts"]
    (drawn,) = document["simulation"]["plain"]["contrasts"]
    assert abs(drawn["power"]["value"] - planned["power"]) < 3 * drawn["power"]["se"]
    assert abs(drawn["bias"]["value"]) < 4 * drawn["bias"]["se"]
    assert drawn["false_positive"]["value"] < 0.05 + 4 * drawn["false_positive"]["se"]
    assert drawn["half_width"]["value"] == pytest.approx(planned["half_width"], rel=0.25)


def test_workers_change_nothing(ask):
    text = protocol("blocks", 8, 1.0, 1.0)
    alone, shared = (
        ask(text, "--simulate", "--trials", "1200", "--workers", number)["simulation"] for number in "12"
    )
    assert alone == shared
    assert ask(text, "--simulate", "--trials", "1200", "--seed", "2")["simulation"] != alone


def test_drawing_stops_when_the_error_is_small_enough(ask, say):
    text = protocol("parallel", 12, 1.0, 1.0)
    options = ("--simulate", "--trials", "50000", "--error", "0.01")
    drawn = ask(text, *options)["simulation"]
    (contrast,) = drawn["plain"]["contrasts"]
    # 0.25 / 0.01^2 trials are enough for any power; trials come in chunks of 500.
    assert drawn["plain"]["trials"] == contrast["trials"] <= 2_500 + 500
    assert 0 < contrast["power"]["se"] <= 0.01
    assert 0 < contrast["assurance"]["se"] <= 0.01
    assert drawn["error"] == 0.01
    shown = say(text, *options)[1]
    assert f"{contrast['trials']:,} trials of at most 50,000 were enough" in shown
    short = say(text, "--simulate", "--trials", "500", "--error", "0.001")[1]
    assert "All 500 trials leave a Monte Carlo error of" in short


def test_assurance_is_the_mean_power_over_what_is_believed(ask, say):
    text = protocol("parallel", 12, 1.0, 1.0, alpha=0.05)
    options = ("--simulate", "--trials", "8000", "--effect-sd", "0.4", "--sd-cv", "0")
    (contrast,) = ask(text, *options)["simulation"]["plain"]["contrasts"]
    # The formula's power by quadrature over a normal belief about the effect.
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    known = precision(parallel("ab", [12, 12]), "b", "a", 1.0, variance=Variance.POOLED)
    expected = np.dot(weights / weights.sum(), [power(1.0 + 0.4 * z, known) for z in nodes])
    got = contrast["assurance"]
    assert abs(got["value"] - expected) < 4 * got["se"]
    assert got["value"] < contrast["power"]["value"]
    assert "assurance" in say(text, "--simulate", "--trials", "500")[1]
    certain = ("--simulate", "--trials", "500", "--effect-sd", "0", "--sd-cv", "0")
    assert ask(text, *certain)["simulation"]["plain"]["contrasts"][0]["assurance"] is None
    assert "ssurance" not in say(text, *certain)[1]


def test_the_club_sees_stalls_and_stop_rules(plan_club):
    status, out, err = plan_club("--simulate", "--trials", "50", "--json")
    assert (status, err) == (0, "")
    document = json.loads(out)
    tanks = document["simulation"]["tank_model"]
    arms = {arm["arm"]: arm for arm in tanks["arms"]}
    assert arms["control"]["stall_days"]["value"] == 0
    assert all(arms[arm]["stall_days"]["value"] > 0 for arm in ("polymer", "liquid"))
    assert arms["liquid"]["stop_rule_met"]["value"] > arms["control"]["stop_rule_met"]["value"]
    assert all(
        0 <= one["assurance"]["value"] <= 1 and one["assurance"]["se"] > 0 for one in tanks["contrasts"]
    )
    assert len(document["simulation"]["plain"]["contrasts"]) == len(tanks["contrasts"]) == 3
    shown = plan_club("--simulate", "--trials", "50")[1]
    assert "stall days" in shown
    assert "Stop rules on nitrite, oxygen" in shown


def test_search_finds_the_cheapest_design(plan_club, tmp_path):
    figure = tmp_path / "map.svg"
    status, out, err = plan_club(
        "--search", "--blocks", "8,14,16,20", "--cost-tank", "20", "--figure", str(figure)
    )
    assert (status, err) == (0, "")
    assert "Cheapest design that reaches 80 % power" in out
    assert "What it could not show" in out
    assert b"<svg" in figure.read_bytes()
    document = json.loads(plan_club("--search", "--blocks", "8,14,16,20", "--cost-tank", "20", "--json")[1])
    designs = document["search"]["designs"]
    assert len(designs) == 4 * 3 * 2 * 2
    assert [one["total"] for one in designs] == sorted(one["total"] for one in designs)
    assert all(one["total"] == 20 * one["tanks"] for one in designs)
    reaching = [one for one in designs if one["power"]["value"] >= 0.8]
    assert (
        f"{reaching[0]['blocks']} blocks, {reaching[0]['weeks']} weeks"
        in document["search"]["recommendation"][0]
    )


def test_costs_and_wished_power_come_from_the_protocol(club, ask):
    costs = "cost_kit_test = 0.5\ncost_tank_week = 3\ncost_hour = 12\nminutes_per_sampling = 30\nwished_power = 0.9\n"
    text = club.read_text().replace("[planning]\n", f"[planning]\n{costs}")
    options = ("--search", "--blocks", "8,16", "--weeks", "12", "--every", "7")
    shutil.copy(club.parent / "tanks.csv", "tanks.csv")
    document = ask(text, *options)
    assert document["wanted_power"] == 0.9
    for one in document["search"]["designs"]:
        # Each reading takes its share of the minutes of a sampling day, one for each variable that is read.
        hours = one["readings"] * 30 / text.count("every_days") / 60
        assert one["hours"] == pytest.approx(hours)
        assert one["total"] == pytest.approx(
            3 * one["tanks"] * one["weeks_in_all"] + 0.5 * one["readings"] + 12 * hours
        )
    given = (
        "--cost-kit",
        "0",
        "--cost-tank-week",
        "0",
        "--cost-hour",
        "0",
        "--minutes",
        "60",
        "--power",
        "0.7",
    )
    document = ask(text, *options, *given)
    assert document["wanted_power"] == 0.7
    assert all(one["total"] == 0 for one in document["search"]["designs"])
    assert document["search"]["designs"][0]["hours"] == pytest.approx(
        document["search"]["designs"][0]["readings"] / text.count("every_days")
    )


def test_search_by_the_tank_model(plan_club):
    options = ("--search", "--simulate", "--trials", "50", "--blocks", "4,10", "--weeks", "8", "--every", "7")
    designs = json.loads(plan_club(*options, "--json")[1])["search"]["designs"]
    assert len(designs) == 4
    power = {(one["blocks"], one["duplicates"]): one["power"]["value"] for one in designs}
    assert power[10, 1] > power[4, 1]


WRONG = {
    "figure without search": (["--figure", "a.svg"], 2, "--search"),
    "figure of another kind": (["--search", "--figure", "a.gif"], 2, "neither .svg nor .png"),
    "workers without work": (["--workers", "2"], 2, "--simulate"),
    "power of 1": (["--power", "1"], 2, "wished for"),
    "blocks in words": (["--search", "--blocks", "few"], 2, "whole numbers"),
    "a level of 0": (["--nitrate", "0"], 2, "above 0"),
    "an error without work": (["--error", "0.01"], 2, "--simulate"),
    "no error at all": (["--simulate", "--error", "0"], 2, "standard error"),
    "a belief below 0": (["--simulate", "--sd-cv", "-0.1"], 1, "not a number"),
    "a price below 0": (["--search", "--cost-hour", "-1"], 1, "not a number"),
    "everything lost": (["--simulate", "--lost", "100"], 2, "share of the tanks"),
    "both": (["--simulate", "--workers", "2", "--cluster", "tcp://127.0.0.1:1"], 2, "one of the two"),
}


@pytest.mark.parametrize(("options", "status", "sentence"), WRONG.values(), ids=WRONG)
def test_wrong_usage_is_one_sentence(plan_club, options, status, sentence):
    got, out, err = plan_club(*options)
    assert (got, out) == (status, "")
    assert sentence in err
    assert "Traceback" not in err


def test_ctrl_c_ends_cleanly(plan_club, monkeypatch):
    def interrupted(*_arguments, **_settings):
        raise KeyboardInterrupt

    monkeypatch.setattr("trials.planning_trials.simulate", interrupted)
    status, out, err = plan_club("--simulate")
    assert (status, out) == (130, "")
    assert "stopped" in err
