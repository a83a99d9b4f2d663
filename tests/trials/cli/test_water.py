"""`fairtank water` as a user calls it: figures, units, JSON, sentences for mistakes, cautions at the point of use."""

import json
import subprocess
import sys

import pytest

from trials.cli import main


@pytest.fixture
def say(capsys):
    """Calls one water command; gives status, output and errors."""

    def call(*arguments):
        status = main(["water", *arguments])
        shown = capsys.readouterr()
        return status, shown.out, shown.err

    return call


@pytest.fixture
def ask(say):
    """Calls one water command with --json and gives the document."""

    def call(*arguments):
        status, out, err = say(*arguments, "--json")
        assert (status, err) == (0, "")
        return json.loads(out)

    return call


# Each figure is checked against separately computed ones in the tests of analysis; here the way there.
@pytest.mark.parametrize(
    ("arguments", "path", "value"),
    [
        (["convert", "20", "mg/L", "mg/L NO3-N", "--of", "nitrate"], ["value"], 20 * 0.225905),
        (["convert", "1", "mg/L", "mg/kg", "--of", "NO3"], ["value"], 0.977189),
        (["convert", "8", "dKH", "meq/L", "--of", "alkalinity"], ["value"], 8 * 0.356652),
        (["salinity", "--gravity", "1.025", "--scale", "25/25"], ["salinity"], 33.187),
        (["salinity", "--gravity", "1,0264", "--scale", "25"], ["salinity"], 35.036),
        (["salinity", "--conductivity", "53.0"], ["salinity"], 34.94730),
        (["oxygen"], ["saturation"], 6.7708),
        (["oxygen", "--measured", "6.7708"], ["percent"], 100),
        (["ammonia", "1", "mg/L as N", "--ph", "8.1"], ["unionised_n"], 0.06671),
        (["carbon", "1 mL/d", "ethanol 40 %"], ["carbon"], 0.164615),
        (["carbon", "1 mL/d", "ethanol 40 %", "--volume", "100"], ["carbon_per_litre"], 1.64615),
        (["carbon", "1 g C", "phb", "--volume", "1000"], ["nitrate_taken"], 0.30974),
        (["equal-dose", "1 mL/d", "ethanol 40 %", "vinegar 5 %"], ["dose", "amount"], 8.230),
        (["equal-dose", "1 mL/d", "ethanol 40 %", "phb", "--basis", "oxygen"], ["dose", "amount"], 0.3933),
        (["equal-dose", "0.5 mg C/L/d", "phb", "phb"], ["standing"], 0.256),
        (["runs-out", "20", "0.10"], ["nitrate_left"], 19.347),
        (["runs-out", "20", "0.10", "--cells", "106:16:1"], ["taken", "carbon_used"], 4.46867),
        (["runs-out", "20", "0.10", "--carbon", "10"], ["carbon_left"], 10 - 2.10786),
        # 1 mg/L of nitrate-nitrogen, by half reactions (Rittmann and McCarty); 2.86 g of oxygen demand without growth.
        (["denitrify", "4.4266", "phb", "--cell-share", "0"], ["oxygen_demand_per_nitrate_n"], 2.8557),
        (["denitrify", "4.4266", "phb"], ["oxygen_demand_per_nitrate_n"], 4.8461),
        (["denitrify", "4.4266", "phb"], ["cells_grown"], 1.22359),
        (["denitrify", "4.4266", "phb"], ["alkalinity_returned"], 3.5727 / 50.043),
        # Garcia and Gordon 1992, printed check value at salinity 35 and 10 degrees.
        (["oxygen", "--temperature", "10"], ["saturation_umol_per_kg"], 274.610),
        (["ramp", "60 g / 100 L"], ["steps", 1, "amount"], 30),
        (["ramp", "60 g / 100 L", "--start", "25%"], ["steps", 0, "amount"], 15),
        (["top-up", "100", "--days", "126"], ["top_ups", 6, "left"], 86.33),
        (["water-change", "100", "10", "--times", "10"], ["after"], 34.87),
        (["water-change", "100", "10 %"], ["rate_per_day"], 0.015052),
        (["evaporation", "35", "100", "5"], ["before_top_up"], 36.842),
        (["evaporation", "10", "100", "1", "--top-up", "20"], ["brought"], 0.2),
        (["feed", "1", "100"], ["nitrate"], 3.187),
        (
            ["feed", "1", "100", "--protein", "45", "--phosphorus", "1.2 %", "--released", "50"],
            ["phosphate"],
            0.184,
        ),
        (["balance", "100", "0=20", "14=14", "--fed", "600", "--change", "7=10@2"], ["removed"], 1050),
        (["balance", "100", "0=20", "14=14", "--fed", "600", "--per", "45"], ["removed_per"], 1200 / 45),
    ],
)
def test_figures(ask, arguments, path, value):
    got = ask(*arguments)
    for step in path:
        got = got[step]
    assert got == pytest.approx(value, rel=2e-4)


@pytest.mark.parametrize(
    ("arguments", "shown"),
    [
        (["convert", "20", "mg/L", "umol/kg", "--of", "nitrate"], "315.2 umol/kg"),
        (["salinity", "--gravity", "1.026", "--scale", "25/25"], "34.51"),
        (["oxygen", "--measured", "6"], "88.62 % of saturation"),
        (["carbon", "1 mL/d", "ethanol 40 %"], "0.1646 g per day"),
        (["equal-dose", "1 mL/d", "ethanol 40 %", "sucrose"], "0.3909 g per day"),
        (["runs-out", "20", "0.1"], "Phosphate runs out first."),
        (["runs-out", "0", "0"], "Nitrate and phosphate run out together."),
        (["ramp", "50 g / 100 L", "--first", "2026-03-30"], "2026-04-27  100 %  50"),
        (["top-up", "200", "--days", "126", "--first", "2026-03-30"], "2026-07-20"),
        (["sources"], "methanol (never dosed)"),
        (["balance", "100", "0=20", "14=14"], "removed by all else"),
        (["feed", "1", "100"], "72 mg"),
    ],
)
def test_what_a_person_reads(say, arguments, shown):
    status, out, err = say(*arguments)
    assert (status, err) == (0, "")
    assert shown in out


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (["convert", "1", "umol/L", "meq/L", "--of", "alkalinity"], 1, "two equivalents"),
        (["convert", "1", "mg/L", "mg/L", "--of", "nitrat"], 1, "did you mean nitrate"),
        (["convert", "1", "mg/L", "mg/L", "--of", "kryptonite"], 1, "known: nitrate"),
        (["convert", "1,500", "mg/L", "ppb", "--of", "nitrate"], 1, "two ways"),
        (["salinity"], 2, "either --gravity with --scale, or --conductivity"),
        (["salinity", "--gravity", "1.02"], 2, "--gravity needs --scale"),
        (["salinity", "--gravity", "35", "--scale", "25/25"], 1, "no sea water"),
        (["ammonia", "1", "mg/L", "--ph", "8"], 1, "as N, as NH3 or as NH4"),
        (["carbon", "250 mL / 100 L", "phb"], 1, "must be weighed"),
        (["carbon", "a capful", "vinegar 5 %"], 1, "is not a dose"),
        (["equal-dose", "1 mL/d", "ethanol 40 %", "methanol"], 1, "poisonous"),
        (["equal-dose", "1 mL/d", "ethanol 40 %", "phb", "--basis", "mass"], 1, "carbon or oxygen"),
        (["runs-out", "20", "0.1", "--efficiency", "30"], 1, "growth efficiency of 30"),
        (["balance", "100", "0=20", "7"], 1, "DAY=VALUE"),
        (["balance", "100", "0=20"], 1, "two or more readings"),
        (["water-change", "20", "100"], 1, "10 % is 0.1"),
        (["water-change", "20", "10", "--every", "0"], 1, "above 0"),
        (["feed", "1", "0"], 1, "more than 0 L"),
        (["ramp", "50 g", "--days", "0"], 2, "--days"),
    ],
)
def test_mistakes_are_one_sentence(say, arguments, status, says):
    got, out, err = say(*arguments)
    assert (got, out) == (status, "")
    assert says in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("arguments", "caution"),
    [
        (["carbon", "1 mL/d", "ethanol 40 %"], "flammable"),
        (["carbon", "1 mL/d", "ethanol 40 %"], "at dawn"),
        (["equal-dose", "1 mL/d", "ethanol 40 %", "phb"], "hydrogen sulfide"),
        (["carbon", "8 mL/d", "vinegar 5 %"], "pH"),
        (["top-up", "100", "--days", "60"], "hydrogen sulfide"),
        (["ramp", "1 mL/d"], "a vet"),
        (["carbon", "1 g/d", "methanol"], "poisonous"),
        (["runs-out", "20", "0.1"], "hold the dose"),
        (["oxygen", "--measured", "4"], "ask a vet"),
        (["ammonia", "0.5", "mg/L as N", "--ph", "8.3"], "ask a vet"),
    ],
)
def test_cautions_stand_where_they_matter(say, ask, arguments, caution):
    _, out, _ = say(*arguments)
    assert any(caution in line for line in out.splitlines() if line.startswith("Caution: "))
    assert any(caution in text for text in ask(*arguments)["cautions"])


@pytest.mark.parametrize("arguments", [["oxygen", "--measured", "6.5"], ["runs-out", "1", "5"]])
def test_no_caution_without_cause(ask, arguments):
    assert ask(*arguments)["cautions"] == []


def test_help_of_the_group_loads_no_heavy_library():
    code = (
        "import sys; from trials.cli import main; main(['water', '--help']); "
        "heavy = {'numpy', 'scipy', 'gsw', 'pandas', 'sqlalchemy'} & set(sys.modules); sys.exit(bool(heavy))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, capture_output=True).returncode == 0
