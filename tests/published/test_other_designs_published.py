"""Published incomplete blocks and crossovers through the command line as whole trials."""

import math

import pytest

DRUG_FIRST = "8 5, 14 10, 8 0, 9 7, 11 6, 3 5, 6 0, 0 0, 13 12, 10 2, 7 5, 13 13, 8 10, 7 7, 9 0, 10 6, 2 2"
PLACEBO_FIRST = "12 11, 6 8, 13 9, 8 8, 8 9, 4 8, 8 14, 2 4, 8 13, 9 7, 7 10, 7 6"
COWS = [
    ("first", "abc", (38, 25, 15)), ("first", "bca", (109, 86, 39)), ("first", "cab", (124, 72, 27)),
    ("second", "acb", (86, 76, 46)), ("second", "bac", (75, 35, 34)), ("second", "cba", (101, 63, 1)),
]  # fmt: skip
CATALYST = {
    "c1": {"b1": 73, "b2": 74, "b4": 71},
    "c2": {"b2": 75, "b3": 67, "b4": 72},
    "c3": {"b1": 73, "b2": 75, "b3": 68},
    "c4": {"b1": 75, "b3": 72, "b4": 75},
}


def nights(text):
    return [tuple(float(value) for value in pair.split()) for pair in text.split(",")]


def test_enuresis(analysed, published_trial):
    """Hills and Armitage (1979), Br. J. Clin. Pharmacol. 8:7: cell means 8.12, 5.29, 7.67, 8.92 (from memory).

    The estimate and its t on 27 degrees of freedom follow from the published cell means and differences.
    """
    tanks = [(None, ("drug", "placebo"), pair) for pair in nights(DRUG_FIRST)]
    tanks += [(None, ("placebo", "drug"), pair) for pair in nights(PLACEBO_FIRST)]
    trial = published_trial.of_crossover(["placebo", "drug"], tanks, endpoint={"better": "higher"})
    endpoint = analysed(trial)
    (contrast,) = endpoint["contrasts"]
    assert contrast["estimate"] == pytest.approx((2.823529 + 1.25) / 2, abs=5e-7)
    assert contrast["se"] == pytest.approx(0.618600, abs=5e-7)
    assert contrast["estimate"] / contrast["se"] == pytest.approx(3.292539, abs=5e-7)
    assert (contrast["df"], contrast["p"]) == (27, pytest.approx(0.0027725, abs=5e-8))
    # All ways to give 17 of 29 the drug first.
    assert contrast["randomisation"]["draws"] == math.comb(29, 12) == 51895935
    assert contrast["randomisation"]["method"] == "exact"
    # Period 0.786765 with t 1.271847.
    assert endpoint["period"]["F"] == pytest.approx(1.271847**2, abs=5e-6)
    assert endpoint["carry_over"]["F"] == pytest.approx(1.299673**2, abs=5e-6)
    assert endpoint["carry_over"]["p"] == pytest.approx(0.20470, abs=5e-6)
    assert endpoint["variance"] == "pooled"


def test_dairy_cows_carry_over(analysed, published_trial):
    """Cochran, Autrey and Cannon (1941); Cochran and Cox p. 135: residual 616.19, error 199.25 on 4 (from memory)."""
    tanks = [(square, tuple(sequence), values) for square, sequence, values in COWS]
    trial = published_trial.of_crossover(["a", "b", "c"], tanks)
    # Squares of their own dates: periods are taken out within each square.
    trial.starts = {"first": "2025-03-03", "second": "2025-03-04"}
    carry = analysed(trial)["carry_over"]
    assert (carry["df1"], carry["df2"]) == (2, 4)
    assert carry["F"] == pytest.approx(616.194444 / 2 / (199.25 / 4), rel=1e-6)


def test_catalyst_in_incomplete_blocks(analysed, published_trial):
    """Montgomery, catalysts: adjusted F 11.66 (7.58 / 0.65) on 3 and 5; error 3.25 (from memory)."""
    tanks = [
        (f"{block}-{arm}", arm, block, float(value), None)
        for arm, values in CATALYST.items()
        for block, value in values.items()
    ]
    endpoint = analysed(published_trial(list(CATALYST), tanks, kind="incomplete-blocks"))
    assert endpoint["omnibus"]["F"] == pytest.approx(22.75 / 3 / (3.25 / 5), rel=1e-9)
    assert endpoint["variance"] == "pooled"
    assert [c["se"] for c in endpoint["contrasts"]] == pytest.approx([0.698212] * 3, abs=5e-7)
    # Adjusted means 71.375, 71.625, 72.000, 75.000.
    assert [c["estimate"] for c in endpoint["contrasts"]] == pytest.approx([0.25, 0.625, 3.625], abs=1e-9)
    names = [sensitivity["name"] for sensitivity in endpoint["sensitivity"]]
    assert names[:2] == ["cluster-robust", "mixed-model"]
