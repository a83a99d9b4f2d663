"""Endpoints on what events tell, from the protocol to a pack that gives every number again."""

import datetime as dt
import json

import pytest
import tomli_w

from trials.cli import main
from trials.register.store import Register
from trials.registered_analysis import analyse_registered
from trials.report_figures import Drawing, record_plans
from trials.report_material import material_from
from trials.report_pages import record_page

FIRST = dt.date(2026, 3, 2)
SAID = ("--why", "a slip of the pen", "--by", "the lead")
PLAN = {
    "format": 1,
    "trial": {"id": "fed", "title": "An invented trial", "licence": "CC-BY-4.0"},
    "arms": [
        {"id": "control", "role": "control", "title": "No carbon"},
        {
            "id": "liquid",
            "role": "test",
            "title": "Liquid carbon",
            "carbon": {"source": "ethanol 40 %", "full_dose": "0.3 mL / 100 L / d"},
        },
    ],
    "design": {"kind": "blocks", "seed_from": "the balls of 4 April"},
    "tanks": [
        {"id": f"s{site}-{tank}", "site": f"s{site}", "block": f"s{site}", "volume_L": 100.0 + 50 * site}
        for site in range(4)
        for tank in "ab"
    ],
    "schedule": {
        "start": FIRST,
        "phases": [{"id": "baseline", "days": 14}, {"id": "assessment", "days": 21}],
        "sampling": [{"variable": name, "every_days": 7} for name in ("nitrate", "phosphate")],
    },
    "endpoints": [
        {
            "id": "nitrate-mean",
            "role": "primary",
            "variable": "nitrate",
            "summary": "mean",
            "phase": "assessment",
            "better": "lower",
            "worthwhile": 2.0,
        },
        *(
            {
                "id": name,
                "role": "secondary",
                "variable": name,
                "summary": "mean",
                "phase": "assessment",
                "better": "higher",
            }
            for name in ("carbon-given", "nitrate-removed", "feed-given")
        ),
        {
            "id": "losses",
            "role": "safety",
            "variable": "losses",
            "summary": "count",
            "scale": "ratio",
            "phase": "assessment",
            "better": "lower",
        },
    ],
}


def readings():
    """Weekly nitrate and phosphate, wide."""
    lines = ["tank,taken_at,nitrate [mg/L],phosphate [mg/L]"]
    for place, tank in enumerate(PLAN["tanks"]):
        for week in range(5):
            day = FIRST + dt.timedelta(weeks=week)
            lines.append(
                f"{tank['id']},{day},{20 - week * (1 + place % 3) / 2},{0.15 - 0.01 * week - 0.002 * place}"
            )
    return "\n".join(lines) + "\n"


def events(arms):
    """Feed each day, a dose each day to the liquid arm, one loss."""
    lines = ["tank,at,kind,amount,unit,by,note"]
    for tank in PLAN["tanks"]:
        for number in range(35):
            day = FIRST + dt.timedelta(days=number)
            lines.append(f"{tank['id']},{day},feed,0.5,g,Ann,")
            if number >= 14 and arms[tank["id"]] == "liquid":
                lines.append(f"{tank['id']},{day},dose,{tank['volume_L'] * 0.003:.2f},mL,Ann,")
    return "\n".join([*lines, f"s1-a,{FIRST + dt.timedelta(days=20)},loss,2,,Ann,"]) + "\n"


@pytest.fixture(scope="module")
def fed(tmp_path_factory):
    """The trial with its readings and events, one tank gone on day 28, one event corrected."""
    folder = tmp_path_factory.mktemp("fed")
    register = folder / "fairtank.db"
    (folder / "protocol.toml").write_text(tomli_w.dumps(PLAN), encoding="utf-8")
    (folder / "readings.csv").write_text(readings(), encoding="utf-8")
    for command in (("register", str(folder / "protocol.toml")), ("allocate", "--seed", "4 17 23")):
        assert main([*command, "--register", str(register)]) == 0
    with Register.open(str(register)) as record:
        arms = record.allocation("fed").arm_of()
    (folder / "events.csv").write_text(events(arms), encoding="utf-8")
    assert (
        main(
            ["intake", str(folder / "readings.csv"), str(folder / "events.csv"), "--register", str(register)]
        )
        == 0
    )
    left = ("amend", "--tank", "s2-a", "--dropout", "its keeper moved", "--from", "2026-03-30", *SAID)
    assert main([*left, "--register", str(register)]) == 0
    return folder, register, arms


@pytest.fixture
def analysed(fed, capsys):
    """``analyse --json``, by endpoint; the whole under the empty name."""

    def analyse(*options):
        capsys.readouterr()
        assert main(["analyse", "--json", *options, "--register", str(fed[1])]) == 0
        whole = json.loads(capsys.readouterr().out)
        return {endpoint["id"]: endpoint for endpoint in whole["endpoints"]} | {"": whole}

    return analyse


def test_numbers_are_those_of_the_events(fed, analysed):
    found = analysed()
    arms = fed[2]
    full = (
        1000 * 0.3 * 0.40 * 0.78924 * 24.022 / 46.069 / 100
    )  # 0.3 mL / 100 L of ethanol, see test_carbon_by_day
    for tank in found["carbon-given"]["tanks"]:
        assert tank["value"] == pytest.approx(full if arms[tank["tank"]] == "liquid" else 0.0, rel=2e-2)
    gone = {tank["tank"]: tank["exposure"] for tank in found["losses"]["tanks"]}
    assert (gone["s2-a"], gone["s1-a"]) == (
        14,
        21,
    )  # day 28 is its first out of the trial; the phase begins on day 14
    rates = {rate["arm"]: rate["tank_days"] for rate in found["losses"]["rates"]}
    assert rates == {arm: 84 - 7 * (arms["s2-a"] == arm) for arm in ("control", "liquid")}
    arm = {one["arm"]: one for one in found[""]["dose"]["arms"]}
    assert (arm["liquid"]["share"], arm["liquid"]["days_without"]) == (pytest.approx(1.0, abs=0.02), 0)
    assert {one["variable"] for one in found[""]["balance"]["balances"]} == {"nitrate", "phosphate"}


def test_letters_say_nothing_of_carbon(analysed):
    found = analysed("--masked")
    assert found[""]["dose"] is None
    assert found[""]["balance"] is None
    assert {tank["value"] for tank in found["carbon-given"]["tanks"]} == {None}
    assert all(tank["value"] is not None for tank in found["feed-given"]["tanks"])


def test_a_corrected_event_and_a_withdrawn_one_count_as_they_are_now(fed, analysed):
    before = {tank["tank"]: tank["value"] for tank in analysed()["feed-given"]["tanks"]}
    with Register.open(str(fed[1])) as record:
        known = record.events("fed")
    inside = known[(known["tank"] == "s0-a") & (known["kind"] == "feed")]["event"].tolist()[20:22]
    for event, change in zip(inside, (("--amount", "1.55"), ("--withdraw",)), strict=True):
        assert main(["amend", "--event", str(event), *change, *SAID, "--register", str(fed[1])]) == 0
    after = {tank["tank"]: tank["value"] for tank in analysed()["feed-given"]["tanks"]}
    assert after["s0-a"] == pytest.approx(before["s0-a"] + (1.05 - 0.5) / 21)
    assert {k: v for k, v in after.items() if k != "s0-a"} == {k: v for k, v in before.items() if k != "s0-a"}


def test_a_pack_gives_every_number_again(fed, analysed, capsys):
    folder, register, _ = fed
    pack = folder / "pack"
    assert main(["pack", "--out", str(pack), "--register", str(register)]) == 0
    capsys.readouterr()
    assert main(["verify", str(pack)]) == 0
    assert "every number comes out again" in capsys.readouterr().out
    stored = json.loads((pack / "results" / "results.json").read_bytes())
    now = analysed()[""]
    for key in ("dose", "balance"):
        assert stored[key] == now[key]
    variables = (pack / "data" / "variables.csv").read_text(encoding="utf-8")
    assert "\nnitrate-removed,Nitrate removed,mg/L/d,mg/L/d," in variables.replace("\r\n", "\n")


def test_text_and_report_say_what_happened_in_the_water(fed, capsys):
    register = str(fed[1])
    capsys.readouterr()
    assert main(["analyse", "--register", register]) == 0
    shown = capsys.readouterr().out
    assert "Carbon given, mg C/L/d, over the days of dosing" in shown
    assert "it describes, and proves no cause." in shown
    with Register.open(register) as record:
        sealed = record.find("fed")
        found = analyse_registered(record, sealed)
        material = material_from(
            record, sealed, found.allocation, found.analysis, made_at=dt.datetime(2026, 7, 1, tzinfo=dt.UTC)
        )
    blank = b'<svg xmlns="http://www.w3.org/2000/svg" width="9pt" height="9pt" viewBox="0 0 9 9"></svg>'
    plans = record_plans(material)
    assert not {"course-feed-given", "sampling-feed-given"} & {plan.name for plan in plans}
    page = record_page(material, [Drawing(plan.name, plan.title, "a figure", blank, b"") for plan in plans])
    assert 'id="water-title">What happened in the water' in page
    assert "Growth alone" in page
    assert "of the carbon that was planned" not in page  # it was kept to the plan


def test_a_plan_with_them_can_be_made(fed, capsys):
    capsys.readouterr()
    assert main(["plan", str(fed[0] / "protocol.toml")]) == 0
    assert "nitrate-mean" in capsys.readouterr().out
