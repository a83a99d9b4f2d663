"""Detection limits by the procedure of 40 CFR Part 136, appendix B, revision 2."""

import numpy as np
import pytest

from analysis.kits.detection import detection_limit, from_blanks, from_spiked, student


# The table of Student's t of the procedure (40 CFR 136 appendix B), which cuts off rather than rounds in places.
@pytest.mark.parametrize(
    ("n", "t"),
    [
        (7, 3.143),
        (8, 2.998),
        (9, 2.896),
        (10, 2.821),
        (11, 2.764),
        (16, 2.602),
        (21, 2.528),
        (31, 2.457),
        (61, 2.390),
    ],
)
def test_students_t_of_the_procedure(n, t):
    assert student(n) == pytest.approx(t, abs=1e-3)


SPIKED = np.array([0.052, 0.047, 0.055, 0.049, 0.058, 0.051, 0.045])
BLANKS = np.array([0.004, 0.0, 0.007, 0.003, -0.002, 0.005, 0.002])


def test_worked_by_hand():
    """Invented readings; t = 3.143, sd 0.0045092 of the spiked, mean 0.0027143 and sd 0.0030394 of the blanks."""
    assert from_spiked(SPIKED) == pytest.approx(3.143 * 0.0045092, rel=2e-4)
    assert from_blanks(BLANKS, 0) == pytest.approx(0.0027143 + 3.143 * 0.0030394, rel=2e-4)
    found = detection_limit("phosphate", "photometer", BLANKS, 0, [SPIKED], of_card=False)
    assert found.value == found.from_spiked == pytest.approx(0.014172, abs=2e-6)
    assert found.why == ""


def test_a_mean_of_blanks_below_nothing_counts_as_nothing():
    low = BLANKS - 0.01
    assert from_blanks(low, 0) == pytest.approx(student(7) * low.std(ddof=1))


BLANK_CASES = {
    "six are too few": ([0.1] * 6, 0, None),
    "none gives a number": ([], 9, None),
    "some give one: the highest": ([0.1, 0.3], 6, 0.3),
    "over a hundred: at least the 99th percentile": ([0.1, 0.3, 0.2], 147, 0.2),
    "over a hundred and hardly any number": ([0.3], 300, 0.3),
}


@pytest.mark.parametrize(("values", "below", "limit"), BLANK_CASES.values(), ids=BLANK_CASES)
def test_blanks_below_the_limit(values, below, limit):
    assert from_blanks(np.array(values), below) == limit


SAID = {
    "card": (BLANKS, 0, [SPIKED], True, "off a card in steps"),
    "few": (BLANKS[:3], 0, [], False, "asks for 7 blanks at least, and there are 3"),
    "all below": (np.array([]), 8, [], False, "All 8 blanks are below the kit's limit"),
    "some below": (BLANKS[:2], 6, [], False, "6 of 8 blanks are below the kit's limit, so the highest"),
    "no low standard": (BLANKS, 0, [SPIKED[:4]], False, "No low standard was read 7 times"),
}


@pytest.mark.parametrize(("values", "below", "spiked", "card", "said"), SAID.values(), ids=SAID)
def test_what_is_missing_is_said(values, below, spiked, card, said):
    found = detection_limit("phosphate", "kit", values, below, spiked, of_card=card)
    assert said in found.why
    assert (found.value is None) == (card or len(values) + below < 7 or not len(values))


def test_the_largest_of_several_standards_holds():
    found = detection_limit("phosphate", "kit", np.array([]), 0, [SPIKED, SPIKED * 2], of_card=False)
    assert found.value == pytest.approx(2 * from_spiked(SPIKED))
    assert found.spiked == 14
