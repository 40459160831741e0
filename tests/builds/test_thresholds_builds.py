"""Each bound of a description, held from both sides by what the person gets."""

from __future__ import annotations

import math

import pytest
from build_samples import FIVE_LINES

from sweeplab import Build
from sweeplab.errors import BuildError
from sweeplab.loop.ground import soil_of

BEYOND = {
    # table, key: just inside, just outside, what the refusal says
    ("loop", "turns", "at most 100"): ("100", "101"),
    ("loop", "turns", "at least 1"): ("1", "0"),
    ("conductor", "conductivity", "at least 10 kS/m"): ('"10.1 kS/m"', '"9.9 kS/m"'),
    ("conductor", "conductivity", "at most 100 MS/m"): ('"99 MS/m"', '"101 MS/m"'),
    ("conductor", "temperature_c", "at least -60"): ("-59", "-61"),
    ("conductor", "temperature_c", "at most 250"): ("249", "251"),
    ("conductor", "surface_factor", "at least 0.5"): ("0.51", "0.49"),
    ("conductor", "surface_factor", "at most 100"): ("99", "101"),
    ("feed.line", "z0_ohm", "at least 1"): ("1.1", "0.9"),
    ("feed.line", "z0_ohm", "at most 1000"): ("990", "1010"),
    ("feed.line", "velocity_factor", "above 0"): ("0.01", "0"),
    ("feed.line", "velocity_factor", "at most 1"): ("1.0", "1.01"),
    ("feed", "position", "at least 0"): ("0.0", "-0.01"),
    ("feed", "position", "at most 1"): ("1.0", "1.01"),
    ("feed", "tilt_deg", "at least 0"): ("0", "-1"),
    ("feed", "tilt_deg", "at most 90"): ("90", "91"),
    ("feed.line", "loss_db_per_100m", "10 MHz is 10e6"): ("[[10_100, 1.0]]", "[[9_900, 1.0]]"),
    ("site", "ground", "0 to 100 S/m"): ("[13, 99]", "[13, 101]"),
    ("site", "ground", "permittivity is at least 1"): ("[1.0, 0.1]", "[0.99, 0.1]"),
}


def described(table: str, key: str, value: str) -> Build:
    """The five lines with one key more."""
    entry = f"{key} = {value}\n"
    if table == "feed.line":
        entry = f'length = "3 m"\n{entry}'
    text = FIVE_LINES if f"[{table}]" in FIVE_LINES else f"{FIVE_LINES}[{table}]\n"
    return Build.from_toml(text.replace(f"[{table}]\n", f"[{table}]\n{entry}"))


@pytest.mark.parametrize(("place", "values"), BEYOND.items())
def test_just_inside_is_taken_just_outside_refused(
    place: tuple[str, str, str], values: tuple[str, str]
) -> None:
    table, key, bound = place
    inside, outside = values
    described(table, key, inside)
    with pytest.raises(BuildError) as caught:
        described(table, key, outside)
    assert caught.value.key == f"{table}.{key}"
    assert bound in caught.value.action


def wired(gauge: str) -> Build:
    return Build.from_toml(FIVE_LINES.replace('diameter = "12 mm"', f"awg = {gauge}"))


@pytest.mark.parametrize(("inside", "outside"), [("-3", "-4"), ("40", "41")])
def test_wire_gauges_run_from_four_noughts_to_40(inside: str, outside: str) -> None:
    assert wired(inside).conductor.diameter is not None
    with pytest.raises(BuildError, match="no wire gauge"):
        wired(outside)


def test_a_description_holds_a_million_characters_at_most() -> None:
    whole = FIVE_LINES.ljust(1_000_000, "\n")
    assert Build.from_toml(whole).name == "porch-loop"
    with pytest.raises(BuildError, match="1000001 characters, over the limit of 1000000"):
        Build.from_toml(whole + "\n")


@pytest.mark.parametrize(("dots", "found"), [(16, "unknown key"), (17, "many dotted steps")])
def test_a_key_has_sixteen_dots_at_most(dots: int, found: str) -> None:
    with pytest.raises(BuildError, match=found):
        Build.from_toml(f"{'.'.join(['a'] * (dots + 1))} = 1\n{FIVE_LINES}")


class TestWhatIsTakenForGranted:
    """Stated uncertainties of what a description leaves out."""

    def test_the_velocity_factor_of_a_line(self) -> None:
        # A rectangular spread over 0.66 to 0.88 (GUM 4.3.7).
        feed = described("feed.line", "z0_ohm", "50").feed
        assert feed is not None
        assert feed.line is not None
        assert feed.line.velocity_factor == 0.77
        assert feed.line.u_length_m == pytest.approx(3 * 0.11 / math.sqrt(3) / 0.77)

    @pytest.mark.parametrize(
        ("material", "percent", "u_percent"),
        [
            ("copper", 100.0, 5.0),
            ("silver", 105.0, 2.0),
            ("aluminium-6063", 55.0, 2.0),
            ("aluminium-1350", 61.8, 0.6),
            ("brass", 28.0, 1.0),
        ],
    )
    def test_how_far_a_metals_conductivity_spreads(
        self, material: str, percent: float, u_percent: float
    ) -> None:
        found = described("conductor", "material", f'"{material}"').conductor.conductivity
        assert found.value == pytest.approx(58e6 * percent / 100)
        assert found.u == pytest.approx(58e6 * u_percent / 100)

    @pytest.mark.parametrize(
        ("ground", "eps_factor", "sigma_factor"),
        [
            ('"poor"', 1.5, 2.0),
            ('"average"', 1.5, 2.0),
            ('"good"', 1.5, 2.0),
            ('"sea"', 1.1, 1.2),
            ("[13, 0.005]", 1.2, 1.4),
        ],
    )
    def test_by_what_factors_a_grounds_constants_may_be_off(
        self, ground: str, eps_factor: float, sigma_factor: float
    ) -> None:
        site = described("site", "ground", ground).site
        assert site is not None
        soil = soil_of(site)
        assert (soil.eps_factor, soil.sigma_factor) == (eps_factor, sigma_factor)
