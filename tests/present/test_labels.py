"""Words for figures and verdicts."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sweeplab.estimate import Estimate
from sweeplab.present import labels


def move(verdict, before=0.0533, after=0.0796, u=0.0007):
    ends = (Estimate.normal(value, u) for value in (before, after, after - before))
    return labels.KnownChange("efficiency", *ends, verdict)


def test_a_figure_carries_its_uncertainty():
    assert labels.estimate_text("efficiency", Estimate.normal(0.4028, 0.0022)) == "40.28 ± 0.22 %"
    assert (
        labels.estimate_text("r_loss_ohm", Estimate.normal(0.0312, 0.0008)) == "31.20 ± 0.80 mohm"
    )


def test_a_figure_without_uncertainty_says_why():
    assert labels.estimate_text("r_parts_ohm", Estimate.normal(0.02, 0.0)) == "20.00 mohm (exact)"


def test_an_interval_keeps_the_digits_that_tell_its_ends_apart():
    f = Estimate.normal(14.147029e6, 15.0)
    assert labels.interval_text("f_loaded_hz", f) == "14.147000 MHz to 14.147058 MHz"


def test_an_interval_without_end_says_so():
    assert labels.interval_text("swr_min", Estimate(9.0, 3.0, 4.0, math.inf)).endswith(
        "to no limit"
    )


@given(st.floats(1e-6, 1e9), st.floats(1e-6, 0.5))
def test_interval_ends_are_not_swapped_by_rounding(value, relative):
    low, high = labels.interval_text("q_loaded", Estimate.normal(value, relative * value)).split(
        " to "
    )
    assert float(low) <= float(high)


@pytest.mark.parametrize(
    ("verdict", "expected"),
    [
        ("up", "40m: efficiency rose from 5.330 % to 7.960 %, by 2.630 ± 0.070 percentage points."),
        ("same", "40m: efficiency stayed the same (change 2.630 ± 0.070 percentage points)."),
        ("unsure", "40m: whether efficiency changed is not settled "
                   "(change 2.630 ± 0.070 percentage points)."),
    ],
)  # fmt: skip
def test_a_verdict_is_a_sentence(verdict, expected):
    assert labels.change_sentence("40m", move(verdict)) == expected


def test_a_fall_names_its_size_without_a_sign():
    assert "by 2.630" in labels.change_sentence("40m", move("down", 0.0796, 0.0533))
    assert "fell by 2.630" in labels.change_phrase(move("down", 0.0796, 0.0533))


def test_every_figure_of_comparisons_has_words():
    from sweeplab.comparison.metrics import NAMES
    from sweeplab.loss import FIGURES as LOSS

    assert set(labels.FIGURES) >= {*NAMES, *LOSS}


@pytest.mark.parametrize(
    ("name", "value", "u", "expected"),
    [
        ("efficiency", 0.4020, 0.0022, "40.2 ± 0.2 %"),
        ("efficiency", 0.42, 0.13, "42 ± 13 %"),
        ("efficiency_db", -3.958, 0.024, "-3.96 ± 0.02 dB"),
        ("swr_min", 1.19520, 0.00002, "1.195 ± 0.001"),
        ("swr_min", 1.2, 0.0, "1.20"),
    ],
)
def test_a_summary_shows_one_digit_of_uncertainty(name, value, u, expected):
    assert labels.short_text(name, value, u) == expected
