"""Carbon sources and products. Figures follow from IUPAC conventional atomic weights, computed separately."""

import pytest

from analysis.water.carbon import BIOMASS, SOURCES, decimal, phbv, product
from schemas.errors import WaterError


# g/mol, g C/g, g O2/g, g O2/g C, g source per g C.
@pytest.mark.parametrize(
    ("source", "printed"),
    [
        ("phb", "86.0900 0.55807 1.67256 2.9971 1.7919"),
        ("pcl", "114.1440 0.63136 2.10248 3.3301 1.5839"),
        ("pla", "72.0630 0.50002 1.33208 2.6641 1.9999"),
        ("pbs", "172.1800 0.55807 1.67256 2.9971 1.7919"),
        ("ethanol", "46.0690 0.52144 2.08370 3.9961 1.9178"),
        ("methanol", "32.0420 0.37485 1.49794 3.9961 2.6677"),
        ("acetic-acid", "60.0520 0.40002 1.06568 2.6641 2.4999"),
        ("sodium-acetate", "82.0338 0.29283 0.78012 2.6641 3.4149"),
        ("glucose", "180.1560 0.40002 1.06568 2.6641 2.4999"),
        ("sucrose", "342.2970 0.42107 1.12176 2.6641 2.3749"),
    ],
)
def test_composition(source, printed):
    s = SOURCES[source]
    got = f"{s.molar_mass:.4f} {s.carbon_share:.5f} {s.oxygen_demand:.5f} {s.oxygen_per_carbon:.4f}"
    assert f"{got} {1 / s.carbon_share:.4f}" == printed


@pytest.mark.parametrize(
    ("valerate", "printed"),
    [
        (5, "86.79 0.56048 1.68670"),
        (8, "87.21 0.56190 1.69507"),
        (12, "87.77 0.56379 1.70611"),
        (20, "88.90 0.56748 1.72777"),
    ],
)
def test_copolymer_by_its_share_of_valerate(valerate, printed):
    s = phbv(valerate)
    assert f"{s.molar_mass:.2f} {s.carbon_share:.5f} {s.oxygen_demand:.5f}" == printed


def test_copolymer_at_its_ends_is_a_homopolymer():
    assert phbv(0).carbon_share == pytest.approx(SOURCES["phb"].carbon_share)
    # Polyhydroxyvalerate has the formula of C5H8O2, as one repeat of any five-carbon polyester.
    assert phbv(100).molar_mass == pytest.approx(5 * 12.011 + 8 * 1.008 + 2 * 15.999)


def test_monohydrate_and_cells():
    assert f"{SOURCES['glucose-monohydrate'].carbon_share:.5f}" == "0.36366"
    cells = f"{BIOMASS.carbon_share:.5f} {BIOMASS.oxygen_demand:.5f} {BIOMASS.oxygen_per_carbon:.4f}"
    assert cells == "0.53092 1.41439 2.6641"


# g of the source, g of carbon and g of oxygen demand in a millilitre. Density of ethanol 0.78924 g/mL (International
# Organization of Legal Metrology, from memory).
@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("ethanol 37.5 % vol", "0.295965 0.154327 0.616702"),
        ("ethanol 40 %", "0.315696 0.164615 0.657816"),
        ("ethanol 50 % v/v", "0.394620 0.205769 0.822270"),
        ("alcohol 95 %", "0.749778 0.390961 1.562313"),
        ("Ethanol 96%", "0.757670 0.395076 1.578758"),
        ("vinegar 5 %", "0.050000 0.020001 0.053284"),
        ("acetic acid 6 % w/v", "0.060000 0.024001 0.063941"),
        ("acetic acid 100 %", "1.049200 0.419701 1.118108"),
        ("sucrose 100 g/L", "0.100000 0.042107 0.112176"),
        ("glucose 100 g / l", "0.100000 0.040002 0.106568"),
    ],
)
def test_strength_of_liquids(text, printed):
    p = product(text)
    assert (
        f"{p.grams_per_ml:.6f} {p.carbon_per_ml:.6f} {p.grams_per_ml * p.source.oxygen_demand:.6f}" == printed
    )


@pytest.mark.parametrize(
    ("text", "source", "label"),
    [
        ("PHB", "phb", "phb"),
        ("phbv 12 mol% HV", "phbv", "phbv 12 mol %"),
        ("table sugar", "sucrose", "table sugar"),
        ("  sodium   acetate ", "sodium-acetate", "sodium acetate"),
        ("glucose-monohydrate", "glucose-monohydrate", "glucose-monohydrate"),
    ],
)
def test_what_is_weighed(text, source, label):
    p = product(text)
    assert (p.source.id, p.label, p.grams_per_ml, p.carbon_per_ml) == (
        source,
        label,
        *[None] * 2,
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("ethanol", 'e.g. "ethanol 40 %"'),
        ("vinegar", 'e.g. "vinegar 5 %"'),
        ("etanol 40 %", "did you mean ethanol"),
        ("treacle", "known: phb"),
        ("", "known: phb"),
        ("ethanol 40 % w/w", "not understood"),
        ("ethanol 140 %", "not understood"),
        ("ethanol 0 %", "not understood"),
        ("phb 5 %", "not understood"),
        ("sucrose 10 %", "not understood"),
        ("phbv 120 mol%", "outside 0 to 100"),
        ("sucrose 1.2.3 g/L", "not a number"),
        ("sucrose 1,500 g/L", "two ways"),
    ],
)
def test_what_is_not_a_product_is_refused_with_a_sentence(text, says):
    with pytest.raises(WaterError, match=says):
        product(text)


@pytest.mark.parametrize(
    ("text", "value"), [("0,5", 0.5), ("12", 12), ("0,250", 0.25), ("1,50", 1.5), (".5", 0.5), ("1.500", 1.5)]
)
def test_decimals(text, value):
    assert decimal(text) == value


def test_hazards_travel_with_the_source():
    assert any("flammable" in caution for caution in SOURCES["ethanol"].cautions)
    assert all(
        any("hydrogen sulfide" in caution for caution in source.cautions) is source.solid
        for source in SOURCES.values()
    )
    dissolved = [source for source in SOURCES.values() if not source.solid and source.dosed]
    assert all(any("oxygen" in caution for caution in source.cautions) for source in dissolved)
    assert [source.id for source in SOURCES.values() if not source.dosed] == ["methanol"]
