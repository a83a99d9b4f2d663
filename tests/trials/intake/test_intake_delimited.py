"""Text files of every dialect become the same table, and what is no table is refused in one sentence."""

from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.errors import IntakeError
from trials.intake.delimited import read_delimited

KNOWN = frozenset({"tank", "taken_at", "variable", "value", "unit", "note"})
HEADER = ["tank", "taken_at", "variable", "value", "unit", "note"]
ROWS = [
    ["q01-a", "2026-04-06", "nitrate", "12.5", "mg/L", ""],
    ["q01-b", "2026-04-06", "nitrate", "007", "µg/L", "café"],
]


class Names:
    """The headings of readings, without the rest of intake."""

    def known(self, header):
        return sum(cell.strip() in KNOWN for cell in header)

    def carried_down(self, text):
        return text.strip() in {"tank", "taken_at"}


def read(content, name="sent.csv"):
    data = content.encode() if isinstance(content, str) else content
    return read_delimited(data, name, Names())


def texts(table):
    return [list(json.loads(row).values()) for row in table.cells_as_json()]


def written(separator=",", end="\n", quoting=csv.QUOTE_MINIMAL, rows=ROWS):
    stream = io.StringIO()
    csv.writer(stream, delimiter=separator, lineterminator=end, quoting=quoting).writerows([HEADER, *rows])
    return stream.getvalue()


DIALECTS = {
    "commas": written(),
    "semicolons": written(";"),
    "tabs": written("\t"),
    "all quoted": written(quoting=csv.QUOTE_ALL),
    "CRLF": written(end="\r\n"),
    "CRLF quoted": written(end="\r\n", quoting=csv.QUOTE_ALL),
    "CR": written(end="\r"),
    "no last line end": written().rstrip("\n"),
    "separator stated": "sep=;\n" + written(";"),
    "separator stated with CRLF": "sep=;\r\n" + written(";", end="\r\n"),
    "bars stated": "sep=|\n" + written("|"),
}
ENCODINGS = ["utf-8", "utf-8-sig", "utf-16", "cp1252", "latin-1"]


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("dialect", DIALECTS)
def test_every_dialect_gives_the_same_table(dialect, encoding):
    table, remarks = read(DIALECTS[dialect].encode(encoding))
    assert list(table.header) == HEADER
    assert texts(table) == ROWS
    assert any("Western European" in remark for remark in remarks) == (encoding in {"cp1252", "latin-1"})


def test_utf_16_with_the_high_byte_first_is_read_by_its_mark():
    assert texts(read(b"\xfe\xff" + written().encode("utf-16-be"))[0]) == ROWS


def test_bytes_that_no_windows_code_page_has_are_still_read():
    table, _ = read(written(rows=[[*ROWS[0][:5], "caf\xe9"]]).encode("latin-1") + b"q,\x81,,,,\n")
    assert texts(table)[0][5] == "café"


@pytest.mark.parametrize("quote", ["", '"'])
def test_row_numbers_are_those_of_a_spreadsheet(quote):
    lines = [
        "",
        ",".join(HEADER),
        f"{quote}q01-a{quote},2026-04-06,nitrate,12,mg/L,",
        "",
        "q01-b,2026-04-06,nitrate,12,mg/L,",
        " , ,,,,",
    ]
    table, _ = read("\n".join(lines) + "\n\n")
    assert table.numbers.tolist() == [3, 5]
    # The row of separators and the empty line at the end are blank rows too.
    assert table.blank == 3


def test_a_cell_over_several_lines_is_one_row():
    table, _ = read('tank,value,note\nq01-a,1,"first\nsecond"\nq01-b,2,\n')
    assert table.numbers.tolist() == [2, 3]
    assert texts(table)[0][2] == "first\nsecond"


RAGGED = {
    "too few": ("q01-a,2026-04-06,nitrate", {0: 3}, {}),
    "too many": ("q01-a,2026-04-06,nitrate,12,5,mg/L,x", {}, {0: ("x",)}),
    "empty cells beyond": ("q01-a,2026-04-06,nitrate,12,mg/L,x,,,", {}, {}),
    "one long and one short": ("a,b,c,d,e,f,g\na,b,c,d,e", {1: 5}, {0: ("g",)}),
}


@pytest.mark.parametrize("quote", ["", '"'])
@pytest.mark.parametrize("case", RAGGED)
def test_rows_wider_or_narrower_than_the_header_are_told(case, quote):
    lines, short, surplus = RAGGED[case]
    table, _ = read(f"{','.join(HEADER)}\n{lines}\n{quote}q01-b{quote},2026-04-06,nitrate,12,mg/L,\n")
    assert (table.short, table.surplus) == (short, surplus)
    assert texts(table)[-1][0] == "q01-b"


def test_cells_beyond_the_header_are_kept():
    table, _ = read("tank,value\nq01-a,1,left over\n")
    assert json.loads(table.cells_as_json()[0]) == {"tank": "q01-a", "value": "1", "column 3": "left over"}


def test_repeated_and_empty_headers_are_kept_apart():
    table, _ = read("tank,note,,note\nq01-a,one,two,three\n")
    assert json.loads(table.cells_as_json()[0]) == {
        "tank": "q01-a",
        "note": "one",
        "column 3": "two",
        "note (2)": "three",
    }


def test_columns_without_header_and_cells_are_left_out():
    assert read("tank,value,,\nq01-a,1,,\n")[0].header == ("tank", "value")


FIGURES = ["007", "7", "7.0", "1e5", "True", "NA", "null", "", " 7", "nan", "inf", "2026-04-06"]


@pytest.mark.parametrize("column", [["007", "7"], ["1.50", "1.5"], ["True", "False"], ["NA", ""], FIGURES])
def test_every_cell_stays_as_it_was_written(column):
    table, _ = read("tank,value\n" + "".join(f"q,{cell}\n" for cell in column))
    assert [row[1] for row in texts(table)] == column


CELLS = st.text(st.characters(exclude_characters='\r\n\0"', exclude_categories=["Cs"]), max_size=8)


@given(rows=st.lists(st.lists(CELLS, min_size=1, max_size=5), max_size=12), separator=st.sampled_from(",;\t"))
def test_the_quick_way_and_the_csv_module_agree(rows, separator):
    header = separator.join(["tank", "value", "note"])
    plain = header + "\n" + "".join(separator.join(row) + "\n" for row in rows)
    quick, _ = read(plain)
    # One quotation mark, in a blank row's worth of its own, sends the same lines through the csv module.
    careful, _ = read(plain + f'"{separator}"\n')
    assert quick.cells_as_json() == careful.cells_as_json()[: len(quick)]
    assert quick.numbers.tolist() == careful.numbers.tolist()[: len(quick)]
    assert (quick.short, quick.surplus) == (
        {row: cells for row, cells in careful.short.items() if row < len(quick)},
        careful.surplus,
    )


REFUSED = {
    "nothing": (b"", "is empty"),
    "only white space": (b" \n\n\t\n", "is empty"),
    "zero bytes": ("tank,value\nq,1\n".encode("utf-16-le"), "zero bytes"),
    "half a UTF-16 file": (b"\xff\xfet\x00a\x00n", "UTF-16"),
    "one endless line": (b"tank,value\n" + b"x" * 6_000_000, "more than 1,048,576 characters"),
    "an endless header": (b"x" * 2_000_000, "more than 1,048,576 characters"),
    "ten thousand columns": (b"tank," * 10_000 + b"\n", "10001 columns"),
    "a quotation mark left open": (b'tank,value\n"q,1\n' + b"q,1\n" * 2000, "opened in line 2"),
    "a cell without end": (b'tank,value\n"' + b"x" * 200_000 + b'",1\n', "131,072 characters in line 2"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_no_table_is_refused_in_one_sentence(case):
    content, said = REFUSED[case]
    with pytest.raises(IntakeError, match=said) as refused:
        read(content)
    assert str(refused.value).startswith("sent.csv")
    assert str(refused.value).endswith(".")
