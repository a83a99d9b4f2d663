"""Columns: long or wide, under the names that people use; and what is said where they are not there."""

from __future__ import annotations

import pytest

from schemas.errors import IntakeError
from schemas.variables import catalogue
from trials.intake.names import VariableNames

ROLES = [
    "tank,taken_at,variable,value,unit",
    "Tank,Taken At,Variable,Value,Unit",
    " tank , taken_at ,VARIABLE,value,unit",
    "tank,taken-at,variable,value,unit",
    "tank,date,parameter,value,units",
]


@pytest.mark.parametrize("header", ROLES)
def test_columns_are_known_whatever_their_case_and_spaces(take, header):
    assert take(f"{header}\nq01-a,2026-04-06,nitrate,12.5,mg/L\n").readings == [
        (2, "q01-a", "nitrate", 12.5, "")
    ]


# header of a wide column, variable, value in its canonical unit for a cell of 10
WIDE = [
    ("nitrate [mg/L]", "nitrate", 10),
    ("nitrate (mg/L)", "nitrate", 10),
    ("nitrate mg/L", "nitrate", 10),
    ("Nitrate [ppm]", "nitrate", 10),
    ("NO3 [mg/l]", "nitrate", 10),
    ("NO3 mg/l", "nitrate", 10),
    # Molar masses from standard atomic weights: NO3 62.004, N 14.007; PO4 94.971, P 30.974 g/mol.
    ("nitrate [mg/L N]", "nitrate", 10 * 62.004 / 14.007),
    ("NO3-N (mg/L)", "nitrate", 10 * 62.004 / 14.007),
    ("nitrate nitrogen mg/L", "nitrate", 10 * 62.004 / 14.007),
    ("nitrate [mg/L as N]", "nitrate", 10 * 62.004 / 14.007),
    ("NO3-N [umol/L]", "nitrate", 10 * 62.004e-3),
    ("PO4-P [ug/L]", "phosphate", 0.01 * 94.969762 / 30.973762),
    ("temp \u00b0C", "temperature", 10),
    ("Temperature [\u00b0F]", "temperature", (10 - 32) / 1.8),
    ("alk dKH", "alkalinity", 10 * 20 / 56.077),
    ("effort", "effort", 10),
    ("effort [1]", "effort", 10),
    ("pH", "ph", 10),
]


@pytest.mark.parametrize(("header", "variable", "value"), WIDE)
def test_variable_and_unit_are_read_from_a_header(take, header, variable, value):
    batch = take(f"tank\ttaken_at\t{header}\nq01-a\t2026-04-06\t10\n").batch
    if batch.count("held"):  # a bound can refuse the value, but not misunderstand it
        reasons = batch.rows["reasons"].item()
        assert "out-of-bounds" in reasons or "unlikely" in reasons
        assert f"({value:.6g} " in reasons or f" of {value:.6g}" in reasons
    else:
        assert batch.readings["variable"].tolist() == [variable]
        assert batch.readings["value"].item() == pytest.approx(value, rel=1e-6)


def test_what_was_understood_under_another_name_is_said(take):
    taken = take("tank,date,NO3-N (mg/L),comments,colour\nq01-a,2026-04-06,2.5,,red\n")
    for said in (
        'Column "date" was taken as taken_at.',
        'Column "comments" was taken as note.',
        '"NO3-N" was taken as nitrate as N.',
        'Column "colour" is not one that is known and was left alone.',
        "1 reading of nitrate in mg/L as N: multiplied by 4.42664 to give mg/L of nitrate ion (NO3).",
    ):
        assert said in taken.remarks
    assert taken.cells(2)["colour"] == "red"


# header, what it is taken for; the row holds tank, date and one value
SPELT_LIKE = [
    ("tannk,taken_at,nitrate [mg/L]", 'Column "tannk" was taken as tank, which it is spelt like.'),
    ("tanks,taken_at,nitrate [mg/L]", 'Column "tanks" was taken as tank, which it is spelt like.'),
    ("tank,takenat,nitrate [mg/L]", 'Column "takenat" was taken as taken_at, which it is spelt like.'),
    ("tank,dates,nitrate [mg/L]", 'Column "dates" was taken as taken_at, which it is spelt like.'),
    ("tank,date,nitrat [mg/L]", 'Column "nitrat [mg/L]" was taken as nitrate, which it is spelt like.'),
    ("tank,date,nitratee mg/L", 'Column "nitratee mg/L" was taken as nitrate, which it is spelt like.'),
    ("tank,date,N03 (mg/L)", 'Column "N03 (mg/L)" was taken as nitrate, which it is spelt like.'),
]


@pytest.mark.parametrize(("header", "said"), SPELT_LIKE)
def test_a_column_spelt_like_a_known_one_is_used_and_reported(take, header, said):
    taken = take(f"{header}\nq01-a,2026-04-06,12\n")
    assert taken.readings == [(2, "q01-a", "nitrate", 12.0, "")]
    assert said in taken.remarks


@pytest.mark.parametrize(
    ("header", "choices"),
    [("nitrte [mg/L]", "nitrate or nitrite"), ("nitratN [mg/L]", "nitrate or nitrate as N")],
)
def test_a_column_spelt_like_two_holds_the_rows_that_fill_it(take, header, choices):
    taken = take(f"tank,date,{header},pH\nq01-a,2026-04-06,12,8.1\nq01-b,2026-04-06,,8.1\n")
    assert taken.outcomes == {2: "held", 3: "accepted"}
    assert taken.reasons(2) == {
        "unclear-column": f'Column "{header}" may be {choices}: write the header out in full.'
    }


def test_a_column_that_only_a_long_table_has_is_left_alone_in_a_wide_one(take):
    taken = take("tank,date,nitrate [mg/L],units\nq01-a,2026-04-06,12,mg/L\n")
    assert taken.counts == (1, 0, 0)
    assert 'Column "units" is not one that is known and was left alone.' in taken.remarks
    assert "taken as unit" not in taken.remarks


def test_an_element_after_a_name_spelt_alike_is_counted(take):
    taken = take("tank,date,nitrat-N [mg/L]\nq01-a,2026-04-06,2\n")
    assert taken.batch.readings["value"].item() == pytest.approx(2 * 4.426644, rel=1e-6)
    assert 'Column "nitrat-N [mg/L]" was taken as nitrate as N, which it is spelt like.' in taken.remarks


def test_words_after_a_variable_are_not_taken_for_a_unit(take):
    taken = take("tank,taken_at,nitrate [mg/L],temp note\nq01-a,2026-04-06,12,warm\n")
    assert taken.counts == (1, 0, 0)
    assert '"temp note" is not one that is known' in taken.remarks


REFUSED = {
    "long without value": (
        "tank,taken_at,variable,unit\n",
        "lacks the column value",
    ),
    "no columns": ("some,words,here\n1,2,3\n", 'has no header.*The first row says "some", "words", "here"'),
    "data alone": ("q01-a,2026-04-06,nitrate,5,mg/L\n", "has no header.*put the names of the columns above"),
    "a date under another name": (
        "tank,taken_when,nitrate [mg/L]\n",
        'Rename "taken when" if it is meant as "taken_at"',
    ),
    "two columns like one": (
        "tanke,tanks,date,nitrate [mg/L]\n",
        'two columns that may be meant as "tank": "tanke" and "tanks"',
    ),
    "two tanks": ("tank,Tank,taken_at,nitrate [mg/L]\n", 'two columns for "tank"'),
    "one variable twice": (
        "tank,taken_at,nitrate [mg/L],NO3-N [mg/L]\n",
        r'two columns for nitrate: "nitrate \[mg/L\]" and "NO3-N \[mg/L\]"',
    ),
    "events": (
        "tank,kind,amount,unit\nq01-a,feed,2,g\n",
        "holds events and lacks the column at; it needs tank, at",
    ),
    "prose": ("Dear club, here are my readings\n", "has no header"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_file_without_the_columns_is_refused_with_what_is_needed_and_found(take, case):
    content, said = REFUSED[case]
    with pytest.raises(IntakeError, match=said) as refused:
        take(content)
    assert str(refused.value).startswith("sent.csv")


def test_a_header_alone_is_a_file_of_no_rows(take):
    taken = take("tank,taken_at,variable,value,unit\n")
    assert taken.counts == (0, 0, 0)
    assert list(taken.batch.readings.columns) == list(
        take("tank,date,pH\nq01-a,2026-04-06,8\n").batch.readings.columns
    )


def test_a_long_file_may_lack_the_unit_column_where_no_unit_is_needed(take):
    taken = take(
        "tank,taken_at,variable,value\nq01-a,2026-04-06,effort,5\nq01-a,2026-04-06,pH,8.1\nq01-a,2026-04-06,nitrate,5\n"
    )
    assert taken.counts == (2, 1, 0)
    assert "no-unit" in taken.reasons(4)


def test_every_variable_of_the_catalogue_is_found_by_its_names():
    names = VariableNames(catalogue())
    for variable in catalogue().values():
        for text in (variable.id, variable.id.upper(), variable.title, f" {variable.id} ".replace("-", "_")):
            named = names.find(text)
            assert named is not None
            assert (named.variable, named.counted_as) == (variable, "")
