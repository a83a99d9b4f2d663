"""Readings described by the product-limit curve: published concentrations with three detection limits."""

import math

import pandas as pd
import pytest

from analysis.described import _row

# US EPA (2009) Unified Guidance, Example 15-1: manganese in five wells, ppb (from memory).
MANGANESE = "<5 12.1 16.9 21.6 <2 <5 7.7 53.6 9.5 45.9 <5 5.3 12.6 106.3 34.5 6.3 11.9 10 <2 77.2 17.9 22.7 3.3 8.4 <2"


def logs(text):
    return pd.DataFrame(
        [(math.log(float(item.lstrip("<"))), "<" if item.startswith("<") else "") for item in text.split()],
        columns=["value", "sign"],
    )


def test_manganese():
    """Kaplan-Meier of logarithms: mean 2.309, sd 1.18, the leftover at ln 2."""
    row = _row("well", logs(MANGANESE))
    assert (row.mean, row.sd) == pytest.approx((2.309, 1.18), abs=2e-3)
    assert (row.n, row.n_below) == (25, 6)
    assert row.placed_at == pytest.approx(math.log(2))


def test_nothing_measured_has_no_mean():
    row = _row("arm", logs("<2 <5"))
    assert (row.n, row.n_below, row.mean) == (2, 2, None)


def test_every_arm_is_described(club):
    endpoint = club.analysis.endpoints[0]
    assert [row.arm for row in endpoint.described] == [arm.id for arm in club.protocol.arms]
    assert all(row.n > 0 for row in endpoint.described)
