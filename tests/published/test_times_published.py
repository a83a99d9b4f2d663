"""Times to an event through the command line: the published remission times of 21 pairs."""

import csv
import datetime as dt
import json

import numpy as np
import pytest

from trials.cli import main

# Freireich et al. (1963), Blood 21:699; Gehan (1965): weeks of remission in pairs, 6-MP with censoring (0), placebo.
SIX_MP = [10, 7, 32, 23, 22, 6, 16, 34, 32, 25, 11, 20, 19, 6, 17, 35, 6, 13, 9, 6, 10]
RELAPSED = [1, 1, 0, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 0]
PLACEBO = [1, 22, 3, 12, 8, 17, 2, 11, 8, 12, 2, 5, 4, 15, 8, 23, 5, 11, 4, 1, 8]

PROTOCOL = """
format = 1
tanks = "tanks.csv"
[trial]
id = "remission"
title = "Published remission times"
[[arms]]
id = "placebo"
role = "control"
title = "Placebo"
[[arms]]
id = "six-mp"
role = "test"
title = "6-MP"
[design]
kind = "{kind}"
[schedule]
start = 2025-01-01
phases = [{{ id = "assessment", days = 60 }}]
sampling = [{{ variable = "relapse", every_days = 1 }}]
[[variables]]
id = "relapse"
unit = "1"
hard = [0, 1]
[[endpoints]]
id = "remission"
role = "primary"
variable = "relapse"
summary = "days-to-target"
target = 1
phase = "assessment"
better = "higher"
worthwhile = 5
"""


@pytest.fixture
def remission(tmp_path, capsys):
    """The endpoint of the trial, blocked by pair or not."""

    def run(kind):
        times = [("six-mp", i, *pair) for i, pair in enumerate(zip(SIX_MP, RELAPSED, strict=True))]
        times += [("placebo", i, time, 1) for i, time in enumerate(PLACEBO)]
        (tmp_path / "protocol.toml").write_text(PROTOCOL.format(kind=kind))
        files = {
            "tanks": [("id", "block"), *((f"{arm}-{i}", f"pair{i}") for arm, i, *_ in times)],
            "allocation": [("tank", "arm"), *((f"{arm}-{i}", arm) for arm, i, *_ in times)],
            "readings": [("tank", "taken_at", "variable", "value", "unit")],
        }
        for arm, i, time, event in times:
            for day, value in ((0, 0), (time, event)):
                when = dt.date(2025, 1, 1) + dt.timedelta(days=day)
                files["readings"].append((f"{arm}-{i}", when.isoformat(), "relapse", value, "1"))
        for name, rows in files.items():
            with (tmp_path / f"{name}.csv").open("w", newline="") as stream:
                csv.writer(stream).writerows(rows)
        register = ["--register", str(tmp_path / f"{kind}.db")]
        for words in (
            ["register", tmp_path / "protocol.toml"],
            ["allocate", "--recorded", tmp_path / "allocation.csv", "--how", "as published"],
            ["intake", tmp_path / "readings.csv"],
        ):
            assert main([*map(str, words), *register]) == 0, capsys.readouterr().err
        capsys.readouterr()
        assert main(["analyse", "--json", *register]) == 0
        (endpoint,) = json.loads(capsys.readouterr().out)["endpoints"]
        return endpoint

    return run


def test_log_rank_and_curves_without_pairs(remission):
    """Log-rank 16.79; Kaplan-Meier of 6-MP 0.857 at 6 and 0.448 at 23; 9 and 21 relapses (from memory)."""
    endpoint = remission("parallel")
    omnibus = endpoint["ranks"]["omnibus"]
    assert (omnibus["name"], omnibus["df"]) == ("log-rank", 1)
    assert omnibus["statistic"] == pytest.approx(16.79, abs=5e-3)
    assert omnibus["p"] == pytest.approx(4.2e-05, abs=5e-7)
    curves = {curve["arm"]: curve for curve in endpoint["time"]["curves"]}
    share = dict(zip(curves["six-mp"]["days"], curves["six-mp"]["share"], strict=True))
    assert [share[day] for day in (6, 7, 10, 13, 16, 22, 23)] == pytest.approx(
        [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179], abs=5e-7
    )
    assert (curves["six-mp"]["reached"], curves["placebo"]["reached"]) == (9, 21)
    # R survfit(conf.type = "log-log"), from memory: at 6 weeks 0.620 to 0.952, median 23 (13 and open), placebo 8 (4, 11).
    six = curves["six-mp"]
    assert (six["low"][0], six["high"][0]) == pytest.approx((0.620, 0.952), abs=5e-4)
    assert (six["median"], six["median_low"], six["median_high"]) == (23, 13, None)
    medians = [curves["placebo"][key] for key in ("median", "median_low", "median_high")]
    assert medians == [8, 4, 11]
    # All relapsed, so Greenwood's error is that of a mean with divisor n.
    assert curves["placebo"]["restricted_se"] == pytest.approx(np.std(PLACEBO) / np.sqrt(21))
    # The restricted mean is the area under the printed curve.
    placebo = curves["placebo"]["restricted_mean"]
    assert placebo == pytest.approx(sum(PLACEBO) / 21)


def test_log_rank_within_pairs(remission):
    """Stratified by pair: 10.714 (R's survival package; the 18 to 3 preferences give 15^2 / 21)."""
    endpoint = remission("blocks")
    assert endpoint["ranks"]["omnibus"]["statistic"] == pytest.approx(15**2 / 21, abs=1e-9)
    assert endpoint["n_blocks"] == 21
    (contrast,) = endpoint["contrasts"]
    # A target is better met sooner, and here the target is the relapse.
    assert contrast["favours"] == "placebo"
    assert contrast["estimate"] > 0
