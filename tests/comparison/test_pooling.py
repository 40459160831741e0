"""Figures of repeats taken together."""

from __future__ import annotations

import pytest

from sweeplab.comparison.pooling import pooled_figures
from sweeplab.estimate import Estimate
from sweeplab.record import Record


def record(number, value, u=1.0, common=0.0, **more):
    figures = {"q_loaded": Estimate.normal(value, (u**2 + common**2) ** 0.5)}
    shares = {"q_loaded": {"fit": u, "loop.circumference": common}}
    facts = {"build": "b", "setting": None, "band": "40m", "taken": None, "status": "ok"}
    facts |= more
    return Record(sweep_id=number, file="f", figures=figures, shares=shares, **facts)


def test_repeats_that_agree_are_worth_more_than_one():
    one = pooled_figures([record(1, 500.0)])["40m"]["q_loaded"]
    four = pooled_figures([record(i, 500.0 + 0.5 * (-1) ** i) for i in range(4)])["40m"]["q_loaded"]
    assert one.u == pytest.approx(1.0)
    assert four.value == pytest.approx(500.0)
    assert four.u < one.u


def test_repeats_that_scatter_widen_it():
    apart = pooled_figures([record(i, value) for i, value in enumerate((480.0, 500.0, 520.0))])
    assert apart["40m"]["q_loaded"].u > 5


def test_what_repeats_share_does_not_average_out():
    many = pooled_figures([record(i, 500.0, u=0.1, common=3.0) for i in range(9)])
    assert many["40m"]["q_loaded"].u == pytest.approx(3.0, rel=0.05)


def test_what_does_not_count_is_left_out():
    valid, refused = record(1, 500.0), record(2, 900.0, status="refused")
    aside = record(3, 900.0, set_aside="wrong loop")
    assert pooled_figures([valid, refused, aside])["40m"]["q_loaded"].value == pytest.approx(500.0)


def test_settings_are_columns_of_their_own():
    both = pooled_figures([record(1, 500.0, setting="low"), record(2, 400.0, setting="high")])
    assert set(both) == {"40m, low", "40m, high"}


def test_what_is_exact_stays_exact():
    assert pooled_figures([record(1, 5.0, u=0.0), record(2, 5.0, u=0.0)])["40m"]["q_loaded"].u == 0
