"""Bands by name."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sweeplab.bands import BANDS_HZ, band_of, band_order, select_resonance


@pytest.mark.parametrize(
    ("f_mhz", "name"),
    [(1.85, "160m"), (3.5, "80m"), (3.8, "80m"), (5.3585, "60m"), (7.0, "40m"), (7.2, "40m"),
     (10.125, "30m"), (14.35, "20m"), (18.1, "17m"), (21.2, "15m"), (24.94, "12m"), (28.0, "10m"),
     (29.7, "10m"), (50.1, "6m")],
)  # fmt: skip
def test_every_amateur_band_has_its_name(f_mhz: float, name: str) -> None:
    # IARU Region 1 HF band plan; 12 m, 10 m and the other regions' edges from memory.
    assert band_of(f_mhz * 1e6) == name


@pytest.mark.parametrize("f_mhz", [7.3, 7.01, 6.99, 7.32])
def test_a_loop_tuned_slightly_outside_a_band_still_belongs_to_it(f_mhz: float) -> None:
    assert band_of(f_mhz * 1e6) == "40m"


@pytest.mark.parametrize(
    ("f_mhz", "name"), [(6.2, "6.2MHz"), (13.56, "13.6MHz"), (0.475, "0.475MHz")]
)
def test_outside_any_band_the_frequency_is_the_name(f_mhz: float, name: str) -> None:
    assert band_of(f_mhz * 1e6) == name


def test_no_two_bands_overlap_even_with_their_margins() -> None:
    edges = sorted(BANDS_HZ.values())
    for (_, high), (low, _) in pairwise(edges):
        assert high * 1.005 < low * 0.995


@given(st.lists(st.floats(1e5, 6e7), min_size=2, max_size=8))
def test_names_sort_by_frequency(frequencies: list[float]) -> None:
    names = [band_of(f) for f in sorted(frequencies)]
    order = [band_order(name) for name in names]
    # A band counts from its lower edge and a frequency is rounded to three digits.
    for f, key in zip(sorted(frequencies), order, strict=True):
        assert 0.88 * f <= key <= 1.006 * f


class TestSelectedResonance:
    def test_is_the_one_closest_to_where_it_is_expected(self) -> None:
        assert select_resonance([7.1e6, 9.0e6, 14.1e6], [0.9, 0.1, 0.5], 9.4e6) == 1

    @pytest.mark.parametrize(("f_hz", "selected"), [(7.0e6, 1), (7.3e6, 1), (7.301e6, 0)])
    def test_is_the_only_one_in_an_amateur_band(self, f_hz: float, selected: int) -> None:
        assert select_resonance([6.2e6, f_hz], [0.9, 0.1], None) == selected

    @pytest.mark.parametrize("f_hz", [(6.2e6, 6.5e6, 6.8e6), (7.05e6, 7.1e6, 7.2e6)])
    def test_is_the_deepest_where_none_or_several_are(self, f_hz: tuple[float, ...]) -> None:
        assert select_resonance(f_hz, [0.3, 0.8, 0.5], None) == 1

    def test_is_the_first_of_several_alike(self) -> None:
        assert select_resonance([6.2e6, 6.4e6], [0.5, 0.5], None) == 0
        assert select_resonance([6.2e6, 6.4e6], [0.5, 0.6], 6.3e6) == 0
