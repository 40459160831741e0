"""Wire gauge and conductivity against published values."""

from __future__ import annotations

import pytest
from build_samples import FIVE_LINES, with_line

from sweeplab.builds import MATERIALS, Build
from sweeplab.builds.materials import awg_diameter_m, material

# Diameters in mm as tabulated in ASTM B258 (from memory), to the digits shown.
AWG = [(-3, 11.684), (0, 8.251), (10, 2.588), (12, 2.053), (14, 1.628), (18, 1.024),
       (24, 0.511), (36, 0.127)]  # fmt: skip


@pytest.mark.parametrize(("gauge", "diameter_mm"), AWG)
def test_wire_gauges_have_their_published_diameters(gauge: int, diameter_mm: float) -> None:
    assert awg_diameter_m(gauge) * 1e3 == pytest.approx(diameter_mm, abs=6e-4)


@pytest.mark.parametrize(
    ("written", "diameter_mm"),
    [("12", 2.053), ('"12"', 2.053), ('"4/0"', 11.684), ('"0000"', 11.684), ("0", 8.251)],
)
def test_a_gauge_in_a_file_is_a_diameter(written: str, diameter_mm: float) -> None:
    text = FIVE_LINES.replace('diameter = "12 mm"', f"awg = {written}")
    diameter = Build.from_toml(text).conductor.diameter
    assert diameter is not None
    assert diameter.value * 1e3 == pytest.approx(diameter_mm, abs=6e-4)


# Resistivity in uohm cm: copper 1.7241 (IEC Publication 28, 1925: 100 % IACS); aluminium 6061-T6
# 3.99, 6063-T5 3.16, 1350-O 2.79, cartridge brass C26000 6.2, silver 1.59 to 1.64, tin 11.5
# (handbook values, from memory).
RESISTIVITY = [("copper", 1.7241, 1e-4), ("aluminium-6061", 3.99, 0.02),
               ("aluminium-6063", 3.16, 0.02), ("aluminium-1350", 2.79, 0.01),
               ("brass", 6.2, 0.02), ("silver", 1.62, 0.03), ("tin", 11.5, 0.03)]  # fmt: skip


@pytest.mark.parametrize(("name", "resistivity_uohm_cm", "tolerance"), RESISTIVITY)
def test_metals_have_their_published_resistivity(
    name: str, resistivity_uohm_cm: float, tolerance: float
) -> None:
    conductivity = MATERIALS[name].conductivity_s_per_m
    assert 1e8 / conductivity == pytest.approx(resistivity_uohm_cm, rel=tolerance)


def test_every_material_says_where_its_figure_is_from() -> None:
    for name, metal in MATERIALS.items():
        assert metal.name == name
        assert "IACS, " in metal.source


def test_aluminium_without_an_alloy_says_what_it_may_be() -> None:
    for name in ("aluminium", "aluminum"):
        build = Build.from_toml(with_line(FIVE_LINES, "conductor", f'material = "{name}"'))
        assert (
            build.conductor.conductivity.value == MATERIALS["aluminium-6063"].conductivity_s_per_m
        )
        finding = next(f for f in build.findings if f.code == "alloy-open")
        assert f"{name} may be any alloy from 25 to 36 MS/m" in finding.text
    named = with_line(FIVE_LINES, "conductor", 'material = "aluminum-6061"')
    assert "alloy-open" not in {f.code for f in Build.from_toml(named).findings}
    assert material("aluminum-6061") is MATERIALS["aluminium-6061"]


def test_a_named_metal_spreads_as_what_is_sold_under_its_name() -> None:
    # Phosphorus-deoxidised copper pipe has 80 to 90 % IACS, electrolytic copper 100 (typical
    # handbook values, memory); aluminium as such may be 43 to 62 %.
    copper = Build.from_toml(FIVE_LINES).conductor.conductivity
    assert copper.value - 3.1 * copper.u < 0.85 * 5.8e7
    assert not copper.u_given
    for name in ("aluminium", "aluminum"):
        text = with_line(FIVE_LINES, "conductor", f'material = "{name}"')
        spread = Build.from_toml(text).conductor.conductivity
        assert 2.1 * spread.u > spread.value - MATERIALS["aluminium-6061"].conductivity_s_per_m
    for metal in MATERIALS.values():
        assert 0 < metal.u_s_per_m < 0.1 * metal.conductivity_s_per_m


@pytest.mark.parametrize(
    ("written", "value", "u"),
    [("5.8e7", 5.8e7, 0.0), ('"58 MS/m"', 5.8e7, 0.0), ('"58 ± 1 MS/m"', 5.8e7, 1e6),
     ('"35 MS/m ± 2 %"', 3.5e7, 7e5)],
)  # fmt: skip
def test_a_conductivity_may_say_how_surely(written: str, value: float, u: float) -> None:
    build = Build.from_toml(with_line(FIVE_LINES, "conductor", f"conductivity = {written}"))
    found = build.conductor.conductivity
    assert (found.value, found.u) == pytest.approx((value, u))
    assert found.u_given == (u > 0)
    changed = build.with_changes({"conductor.conductivity": "57 MS/m ± 1 %"}).conductor
    assert changed.conductivity.u == pytest.approx(5.7e5)
