"""A publication's file: what can be typed in, what comes out, and one sentence for each mistake."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest

from schemas.errors import FairtankError, PackError, PublicationError, UsageError
from trials.publication.packing import publication_of, write_publication
from trials.publication.reading import read_publication

HEAD = """
format = 1
[publication]
id = "harbour-2019"
citation = "Nobody, A. (2019) Invented pellets. Journal of Invented Tanks 1:1-9"
doi = "https://doi.org/10.9999/Invented"
date = 2019
design = "{design}"
source = "Table 2"
[[arms]]
id = "control"
role = "control"
title = "No carbon"
[[arms]]
id = "pellets"
role = "test"
title = "Pellets"
carbon = {{ source = "phb" }}
[[endpoints]]
id = "nitrate"
variable = "nitrate"
summary = "mean"
better = "lower"
{endpoint}
"""
ARMS = 'rows = [{ arm = "control", n = 8, mean = 5.0, sd = 1.5 }, { arm = "pellets", n = 9, mean = 3.0, sd = 1.2 }]'


def typed(folder, endpoint, design="parallel"):
    path = folder / "typed.toml"
    path.write_text(HEAD.format(design=design, endpoint=endpoint), encoding="utf-8")
    return path


def contrast(publication):
    (endpoint,) = publication.results["endpoints"]
    (found,) = endpoint["contrasts"]
    return found


def test_arms_in_another_unit_and_scale(tmp_path):
    # Nitrate-nitrogen is turned into nitrate (62.004 / 14.007 by weight): differences grow, ratios do not.
    factor = 4.426644
    found = contrast(read_publication(typed(tmp_path, f'scale = "difference"\nunit = "mg/L as N"\n{ARMS}')))
    assert found["estimate"] == pytest.approx(-2 * factor, rel=1e-5)
    assert found["se"] == pytest.approx(math.sqrt(1.5**2 / 8 + 1.2**2 / 9) * factor, rel=1e-5)
    ratios = [
        contrast(
            read_publication(typed(tmp_path, f'scale = "ratio"\nworthwhile = 0.8\nunit = "{unit}"\n{ARMS}'))
        )
        for unit in ("mg/L as N", "mg/L", "umol/L")
    ]
    assert [one["estimate"] for one in ratios] == pytest.approx([ratios[0]["estimate"]] * 3)
    assert ratios[0]["se"] == pytest.approx(math.sqrt(math.log1p(0.3**2) / 8 + math.log1p(0.4**2) / 9))
    assert ratios[0]["reading"] == "a difference of unsettled size"


def test_every_mark_of_a_publication_is_there(tmp_path):
    found = read_publication(typed(tmp_path, f'scale = "ratio"\nworthwhile = 0.8\nunit = "mg/L"\n{ARMS}'))
    assert found.results["from_publication"] is True
    assert found.results["publication"]["citation"].startswith("Nobody")
    assert found.results["notes"][0].startswith("From a publication, not from readings")
    assert found.doi == "10.9999/invented"
    assert (found.date.year, found.date.month) == (2019, 12)
    assert any("log-normal" in remark for remark in found.remarks)
    (endpoint,) = found.results["endpoints"]
    assert (endpoint["n_tanks"], [arm["n"] for arm in endpoint["arms"]]) == (17, [8, 9])


@pytest.mark.parametrize(
    ("cells", "se"),
    [
        ("sd = 0.6", 0.6 / 3),
        ("se = 0.2", 0.2),
        ("t = -6", 0.2),
        ("low = -1.5, high = -0.9, level = 0.8", 0.3 / 1.396815),  # t of 0.9 on 8 df, standard tables
    ],
)
def test_paired_differences(tmp_path, cells, se):
    row = f'rows = [{{ test = "pellets", reference = "control", n = 9, difference = -1.2, {cells} }}]'
    found = contrast(
        read_publication(typed(tmp_path, f'scale = "difference"\nunit = "mg/L"\n{row}', "paired"))
    )
    assert (found["estimate"], found["df"], found["n"]) == (-1.2, 8, 9)
    assert found["se"] == pytest.approx(se, rel=1e-6)


def test_ratios_with_their_interval_need_no_unit(tmp_path):
    row = 'rows = [{ test = "pellets", reference = "control", n_test = 8, n_reference = 8, ratio = 0.6, low = 0.45, high = 0.8 }]'
    found = contrast(read_publication(typed(tmp_path, f'scale = "ratio"\nworthwhile = 0.8\n{row}')))
    assert found["df"] == 14
    assert found["se"] == pytest.approx(math.log(0.8 / 0.45) / 2 / 2.144787, rel=1e-6)  # t of 0.975 on 14 df


def test_a_table_beside_with_decimal_commas(tmp_path):
    (tmp_path / "table-2.csv").write_text(
        "Arm;n;mean;se\ncontrol;8;5,0;0,5\npellets;9;3,0;0,4\n", encoding="utf-8-sig"
    )
    found = read_publication(typed(tmp_path, 'scale = "difference"\nunit = "mg/L"\ntable = "table-2.csv"'))
    assert contrast(found)["se"] == pytest.approx(math.hypot(0.5, 0.4))
    assert set(found.files) == {"publication.toml", "table-2.csv"}


def test_a_pack_comes_back_and_a_changed_one_does_not(tmp_path):
    publication = read_publication(
        typed(tmp_path, f'scale = "ratio"\nworthwhile = 0.8\nunit = "mg/L"\n{ARMS}')
    )
    folder = write_publication(tmp_path / "pack", publication)
    files = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert publication_of(folder, files).results == publication.results
    descriptor = json.loads(files["datapackage.json"])
    assert descriptor["published"] is True
    changed = files["publication.toml"].replace(b"mean = 3.0", b"mean = 3.1")
    with pytest.raises(PackError, match="one of them was changed"):
        publication_of(folder, files | {"publication.toml": changed})
    with pytest.raises(PackError, match=r"results\.json is missing"):
        publication_of(folder, {name: files[name] for name in files if name != "results.json"})
    write_publication(folder, publication)  # over an earlier one of its own
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "x.txt").write_text("x")
    with pytest.raises(UsageError, match="holds other files"):
        write_publication(tmp_path / "other", publication)


ROW = 'rows = [{{ test = "pellets", reference = "control", {cells} }}]'


@pytest.mark.parametrize(
    ("endpoint", "design", "says"),
    [
        (f'scale = "difference"\n{ARMS}', "parallel", "needs the unit that its table is in"),
        (f'scale = "difference"\nunit = "furlong"\n{ARMS}', "parallel", "not measured in"),
        (f'scale = "difference"\nunit = "mg/L"\n{ARMS}', "paired", "give the paired differences"),
        ('scale = "difference"\nunit = "mg/L"', "parallel", "needs either table"),
        ('scale = "difference"\nunit = "mg/L"\ntable = "../x.csv"', "parallel", "lies beside this one"),
        ('scale = "difference"\nunit = "mg/L"\ntable = "gone.csv"', "parallel", "cannot be read"),
        (
            'scale = "difference"\nunit = "mg/L"\nrows = [{ arm = "control", n = 8, median = 5, q1 = 4, q3 = 6 }]',
            "parallel",
            'conversion = "wan-2014"',
        ),
        (
            'scale = "difference"\nunit = "mg/L"\nrows = [{ arm = "control", n = 8, mean = 5, sd = 1, se = 1 }]',
            "parallel",
            "give one of",
        ),
        (
            'scale = "difference"\nunit = "mg/L"\nrows = [{ arm = "x", n = 8, mean = 5, sd = 1 }]',
            "parallel",
            "not an arm",
        ),
        (
            'scale = "difference"\nunit = "mg/L"\n' + ROW.format(cells='n = 8, difference = -1, p = "<0.05"'),
            "paired",
            "a limit and no number",
        ),
        (
            'scale = "difference"\nunit = "mg/L"\n' + ROW.format(cells="n = 8, difference = -1, p = 0.03"),
            "parallel",
            "n_test and n_reference",
        ),
        (
            'scale = "difference"\nunit = "mg/L"\n' + ROW.format(cells="n = 8, ratio = 0.5, p = 0.03"),
            "paired",
            "give the difference",
        ),
        (
            'scale = "difference"\nunit = "mg/L"\n' + ROW.format(cells="n = 8, difference = -1"),
            "paired",
            "gives none of",
        ),
        (
            'scale = "difference"\nunit = "mg/L"\n' + ROW.format(cells="n = 8, diference = -1"),
            "paired",
            "did you mean difference",
        ),
        (f'scale = "sideways"\nunit = "mg/L"\n{ARMS}', "parallel", "to mend"),
        (f'scale = "difference"\nunit = "mg/L"\ncolour = 3\n{ARMS}', "parallel", "colour"),
    ],
)
def test_each_mistake_is_one_sentence(tmp_path, endpoint, design, says):
    with pytest.raises(FairtankError, match=says) as error:
        read_publication(typed(tmp_path, endpoint, design))
    assert str(error.value).startswith(("typed.toml", str(tmp_path)))


def test_the_example_of_the_readme_is_one(tmp_path):
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    path = tmp_path / "harbour-2019.toml"
    path.write_text(
        re.search(r"```toml\n(format = 1\n\[publication\].*?)```", readme, re.DOTALL)[1], encoding="utf-8"
    )
    assert contrast(read_publication(path))["n"] == 16


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("format = 2", "format must be 1"),
        ("format = 1", r"no \[publication\] table"),
        ("format = 1\n[publication]\nid = 'A b'\ncitation = 'x'\ndesign = 'parallel'", "small letters"),
        ("format = 1\n[publication]\nid = 'a'\ncitation = ' '\ndesign = 'parallel'", "citation is missing"),
        (
            "format = 1\n[publication]\nid = 'a'\ncitation = 'x'\ndesign = 'blocks'",
            'must be "parallel" or "paired"',
        ),
        ("format = 1\n[publication]\nid = 'a'\ncitation = 'x'\ndesign = 'parallel'", r"no \[\[endpoints\]\]"),
        ("format 1", "cannot be read as TOML"),
        ("format = 1\npublications = 2", "did you mean publication"),
    ],
)
def test_the_head_of_the_file(tmp_path, text, says):
    path = tmp_path / "typed.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PublicationError, match=says):
        read_publication(path)
