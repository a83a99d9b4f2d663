"""Numbers and names as they are shown: no digit that misleads, no character that turns the line around it."""

import math
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.numerals import (
    count,
    number,
    p_value,
    places_apart,
    places_for,
    plain,
    quantity,
)

MINUS = "\N{MINUS SIGN}"


@pytest.mark.parametrize(
    ("value", "places", "shown"),
    [
        (0.5, 2, "0.50"),
        (-1.25, 1, f"{MINUS}1.2"),
        (-0.0004, 2, "0.00"),
        (12345.6, 0, "12,346"),
        (None, 2, "\N{EN DASH}"),
        (math.nan, 2, "\N{EN DASH}"),
        (-math.inf, 2, f"{MINUS}∞"),
    ],
)
def test_number_has_fixed_places_and_no_negative_zero(value, places, shown):
    assert number(value, places) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (0.0, "0"),
        (5.0, "5"),
        (0.05, "0.05"),
        (-20.0, f"{MINUS}20"),
        (99.96, "100"),
        (1e12, "1e+12"),
        (2.5e-9, "2.50e\N{MINUS SIGN}09"),
    ],
)
def test_quantity_drops_what_says_nothing(value, shown):
    assert quantity(value) == shown


@pytest.mark.parametrize(
    ("p", "shown"),
    [
        (1.0, "1"),
        (0.9999, "> 0.99"),
        (0.2, "0.20"),
        (0.05, "0.050"),
        (0.04996, "0.04996"),
        (0.0009, "< 0.001"),
        (None, "\N{EN DASH}"),
    ],
)
def test_p_is_never_shown_as_zero_nor_as_the_alpha_it_misses(p, shown):
    assert p_value(p) == shown


@given(
    st.floats(-1e6, 1e6).map(lambda x: round(x, 6)),
    st.floats(-1e6, 1e6).map(lambda x: round(x, 6)),
    st.integers(0, 3),
)
def test_a_value_never_looks_equal_to_a_landmark_that_it_misses(value, mark, places):
    shown = places_apart([value], [mark], places)
    assert shown >= places
    if abs(value - mark) > 2e-9 * max(1.0, abs(mark)):
        assert number(value, shown) != number(mark, shown)
    else:
        assert shown == places


@given(st.floats(1e-5, 1e5))
def test_places_show_two_significant_digits(size):
    assert round(size, places_for(size)) == pytest.approx(size, rel=0.05)


@given(st.text(max_size=400))
def test_plain_text_is_one_line_without_controls(text):
    shown = plain(text, 80)
    assert len(shown) <= 80
    assert shown == " ".join(shown.split())
    assert all(unicodedata.category(c) not in {"Cc", "Cf"} or c in "\u200c\u200d" for c in shown)


def test_things_are_counted():
    assert [count(1, "tank"), count(2000, "tank"), count(2, "box", "boxes")] == [
        "1 tank",
        "2,000 tanks",
        "2 boxes",
    ]
