"""Base modules by hand: units, texts of errors, calibration, estimates, output, isolation."""

from __future__ import annotations

import math
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from sweeplab import batch
from sweeplab.bands import BANDS_HZ, band_of, band_order, select_resonance
from sweeplab.calibration import OnePortCalibration
from sweeplab.errors import BuildError, QuantityError, ReadError, SweepError, one_line, quoted
from sweeplab.estimate import Estimate, coverage_factor, propagate
from sweeplab.finding import Finding
from sweeplab.isolation import find_unforeseen, isolated, unforeseen_finding
from sweeplab.line import (
    Line,
    deembed,
    propagation_per_radian,
    renormalized,
    round_trip_loss_prior,
)
from sweeplab.loss.result import LossBudget
from sweeplab.output import PLOTS, REPORT, check, write
from sweeplab.quantity import Dimension, Quantity, exact_text, format_quantity, parse_quantity
from sweeplab.reading import Reading
from sweeplab.record import Record
from sweeplab.resonance import Match, Resonance
from sweeplab.sweep import Origin, Sweep
from sweeplab.version import __version__

# Powers of ten of the SI prefixes (SI Brochure, 9th edition, table 7).
SI = {"f": -15, "p": -12, "n": -9, "u": -6, "m": -3, "c": -2, "": 0, "k": 3, "M": 6, "G": 9}
PREFIXES: dict[Dimension, tuple[str, str]] = {
    "length": ("m", "n u m c k"),
    "resistance": ("ohm", "n u m k M"),
    "capacitance": ("F", "f p n u m"),
    "inductance": ("H", "p n u m"),
    "conductivity": ("S/m", "k M"),
    "voltage": ("V", "n u m k M"),
    "current": ("A", "n u m k"),
    "power": ("W", "n u m k M"),
    "frequency": ("Hz", "m k M G"),
    "time": ("s", "p n u m"),
}


class TestUnits:
    @pytest.mark.parametrize("dimension", PREFIXES)
    def test_prefixes_are_those_of_the_si(self, dimension: Dimension) -> None:
        symbol, prefixes = PREFIXES[dimension]
        for prefix in ("", *prefixes.split()):
            read = parse_quantity(f"3 {prefix}{symbol}", dimension)
            assert read.value == float(Decimal(3).scaleb(SI[prefix]))

    @pytest.mark.parametrize(
        ("text", "dimension", "value"),
        [
            # International yard and pound agreement, 1959: exact.
            ("1 in", "length", 0.0254), ("1 ft", "length", 0.3048), ("1 lb", "mass", 0.45359237),
            ("16 oz", "mass", 0.45359237), ("1 in2", "area", 0.0254**2),
            ("1 ft2", "area", 0.09290304), ("1 cm2", "area", 1e-4), ("1 mm2", "area", 1e-6),
            ("1 m2", "area", 1.0), ("1 g", "mass", 1e-3), ("1 mg", "mass", 1e-6),
            ("1 kg", "mass", 1.0),
        ],
    )  # fmt: skip
    def test_others_are_as_defined(self, text: str, dimension: Dimension, value: float) -> None:
        assert parse_quantity(text, dimension).value == pytest.approx(value, rel=1e-15)

    @pytest.mark.parametrize(
        ("text", "said"),
        [
            ("3 s", "'3 s' is a time where a length is wanted; write it like \"3.20 m\""),
            ("3 H", "'3 H' is an inductance where a length"),
            ("3 m2", "'3 m2' is an area where a length"),
            ("3 M", "unknown unit 'M'; did you mean m?"),
        ],
    )
    def test_articles_and_hints(self, text: str, said: str) -> None:
        with pytest.raises(QuantityError) as error:
            parse_quantity(text, "length")
        assert said in str(error.value)
        with pytest.raises(QuantityError, match="where an area is wanted"):
            parse_quantity("3 s", "area")

    @pytest.mark.parametrize(
        ("text", "value", "u"),
        [
            ("3.20(12) m", 3.2, 0.12),
            ("320(5) cm", 3.2, 0.05),
            ("-3 m ± 10 %", -3.0, 0.3),
            ("3 ± 0.1 m", 3.0, 0.1),
            ("3 m +/- 1 mm", 3.0, 0.001),
            ("3 m +- 1 mm", 3.0, 0.001),
            ("- 0 m", None, None),
            ("12,5 cm", 0.125, None),
            ("0,125 m", 0.125, None),
            ("1234,5 mm", 1.2345, None),
            ("1 3/4 ft", 0.5334, None),
        ],
    )
    def test_ways_to_write(self, text: str, value: float | None, u: float | None) -> None:
        if value is None:
            with pytest.raises(QuantityError):
                parse_quantity(text, "length")
            return
        read = parse_quantity(text, "length")
        assert read.value == pytest.approx(value, rel=1e-15)
        assert (read.u, read.u_given) == (pytest.approx(u or 0.0, rel=1e-12), u is not None)


class TestWritten:
    @pytest.mark.parametrize(
        ("value", "unit", "u", "text"),
        [
            (1e-5, "", None, "0.00001000"),
            (9.9e-6, "", None, "9.900e-6"),
            (9.999e9, "", None, "9999000000"),
            (1e10, "", None, "1.000e+10"),
            (1e-5, "", 1e-6, "0.0000100 ± 0.0000010"),
            (1e10, "", 1e9, "1.00e+10 ± 1.0e+9"),
            (2e9, "", 1e8, "2000000000 ± 100000000"),
            (0.15, "m", None, "0.1500 m"),
            (0.05, "m", None, "50.00 mm"),
            (1500.0, "m", None, "1.500 km"),
            (1e-16, "F", None, "0.1000 fF"),
            (-0.0, "ohm", None, "0.000 ohm"),
            (7.1e6, "Hz", 10e3, "7.100 ± 0.010 MHz"),
            (7.1e6, "Hz", 9.9e3, "7.1000 MHz ± 9.9 kHz"),
            (100.0, "%", 0.001, "100.0000 ± 0.0010 %"),
            (1.5e12, "Hz", None, "1500 GHz"),
        ],
    )
    def test_prefix_and_exponent(self, value: float, unit: str, u: float | None, text: str) -> None:
        assert format_quantity(value, unit, u) == text

    @pytest.mark.parametrize(
        ("quantity", "unit", "text"),
        [
            (Quantity(3.2), "m", "3.2 m"),
            (Quantity(3.2, 0.0, True), "m", "3.2 m ± 0 m"),
            (Quantity(3.2, 0.01, True), "m", "3.2 m ± 10 mm"),
            (Quantity(2.6e-10), "F", "260 pF"),
            (Quantity(0.0), "F", "0 F"),
            (Quantity(1.5e-7), "", "1.5E-7"),
        ],
    )
    def test_exactly(self, quantity: Quantity, unit: str, text: str) -> None:
        assert exact_text(quantity, unit) == text

    @pytest.mark.parametrize(("value", "u"), [(math.nan, None), (1.0, math.inf), (math.inf, 1.0)])
    def test_only_where_finite(self, value: float, u: float | None) -> None:
        with pytest.raises(ValueError, match="finite"):
            format_quantity(value, "m", u)


class TestTexts:
    @pytest.mark.parametrize(
        ("text", "shown"),
        [
            ("a" * 40, f"'{'a' * 40}'"),
            ("a" * 41, f"'{'a' * 37}...'"),
            ("a\tb", "'a\\tb'"),
            ("ä", "'ä'"),
        ],
    )
    def test_a_quotation_is_forty_characters(self, text: str, shown: str) -> None:
        assert quoted(text) == shown

    def test_unprintable_characters_are_escapes_and_others_stay(self) -> None:
        assert one_line("ä\nb\x1b[1m") == "ä\\nb\\x1b[1m"
        assert one_line("plain ä") == "plain ä"

    def test_places_are_path_line_and_key_as_far_as_known(self) -> None:
        assert str(ReadError("a", "x", "do y", 3)) == "a:3: x; do y"
        assert str(ReadError("a", "x", "do y")) == "a: x; do y"
        assert str(BuildError("k", "x", "do y", "b", 2)) == "b:2: k: x; do y"
        assert str(BuildError("k", "x", "do y")) == "k: x; do y"
        assert str(BuildError("", "x", "do y", "b")) == "b: x; do y"


class TestBands:
    # IARU Region 1 to 3 band plans, the widest of each (from memory), in kHz.
    EDGES = (
        (1800, 2000), (3500, 4000), (5250, 5450), (7000, 7300), (10100, 10150), (14000, 14350),
        (18068, 18168), (21000, 21450), (24890, 24990), (28000, 29700), (50000, 54000),
    )  # fmt: skip

    def test_edges_are_those_of_the_plans(self) -> None:
        assert list(BANDS_HZ.values()) == [(1e3 * low, 1e3 * high) for low, high in self.EDGES]

    def test_a_frequency_in_none_has_three_digits_and_sorts_by_it(self) -> None:
        assert band_of(6.234e6) == "6.23MHz"
        assert band_of(999.6e6) == "1e+03MHz"
        assert band_of(1234.4e6) == "1234MHz"
        assert band_order("6.23MHz") == 6.23e6
        assert band_order("40m") == 7.0e6

    def test_the_resonance_meant_is_nearest_in_band_or_deepest(self) -> None:
        assert select_resonance([6.0e6, 7.1e6, 9.0e6], [0.9, 0.1, 0.5], 8.6e6) == 2
        assert select_resonance([6.0e6, 7.1e6], [0.9, 0.1], None) == 1
        assert select_resonance([7.0e6, 7.1e6, 6.0e6], [0.3, 0.4, 0.9], None) == 2
        assert select_resonance([6.0e6, 9.0e6], [0.9, 0.1], None) == 0


class TestCalibration:
    f_hz = np.linspace(7.0e6, 7.2e6, 5)

    def standard(self, value: complex, f_hz: np.ndarray | None = None, z0: float = 50.0) -> Sweep:
        f = self.f_hz if f_hz is None else f_hz
        return Sweep(f, np.full(f.size, value), z0)

    def corrected(self, sweep: Sweep, **standards: Sweep) -> Sweep:
        plain = {"open": 1.0, "short": -1.0, "load": 0.0}
        given = {name: self.standard(value) for name, value in plain.items()} | standards
        return OnePortCalibration(**given).correct(sweep)

    def test_ideal_standards_change_nothing_and_leave_a_note(self) -> None:
        sweep = Sweep(self.f_hz, np.full(5, 0.3 - 0.2j), origin=Origin(file="x"))
        corrected = self.corrected(sweep)
        np.testing.assert_allclose(corrected.gamma, sweep.gamma, rtol=1e-14)
        assert corrected.origin.file == "x"
        (note,) = corrected.findings
        assert (note.code, note.level, note.evidence) == (
            "referenced", "note", {"largest_turn_rad": 0.0},
        )  # fmt: skip

    def test_the_readers_findings_stay_first(self) -> None:
        found = Finding(code="a", level="note", text="")
        sweep = Sweep(self.f_hz, np.full(5, 0.3), findings=(found,))
        assert [one.code for one in self.corrected(sweep).findings] == ["a", "referenced"]

    @pytest.mark.parametrize("name", ["open", "short", "load"])
    def test_a_standard_of_another_span_or_reference_is_named(self, name: str) -> None:
        sweep = Sweep(self.f_hz, np.full(5, 0.3))
        value = {"open": 1.0, "short": -1.0, "load": 0.0}[name]
        narrow = self.standard(value, np.linspace(7.0e6, 7.1e6, 5))
        with pytest.raises(SweepError) as error:
            self.corrected(sweep, **{name: narrow})
        assert str(error.value) == (
            f"the {name} was swept from 7 to 7.1 MHz, which does not cover the sweep's 7 to "
            "7.2 MHz: sweep it over the same span"
        )
        with pytest.raises(SweepError, match=f"the {name} refers to 75 ohm, the sweep to 50 ohm"):
            self.corrected(sweep, **{name: self.standard(value, z0=75.0)})
        gap = Sweep(self.f_hz, np.array([value, value, math.nan, value, value]))
        scalar = Sweep(self.f_hz, np.full(5, value), content="magnitude")
        for bad in (gap, scalar):
            with pytest.raises(SweepError, match=f"the {name}'s sweep needs a complex reflection"):
                self.corrected(sweep, **{name: bad})

    def test_standards_of_the_sweeps_own_points_need_no_interpolation(self) -> None:
        turned = Sweep(self.f_hz, np.exp(-0.2j * np.arange(5)))
        found = self.corrected(Sweep(self.f_hz, np.full(5, 0.3)), open=turned).findings
        assert [(one.code, one.evidence["largest_turn_rad"]) for one in found] == [
            ("referenced", 0.0)
        ]

    def test_the_largest_turn_between_coarse_points_is_reported(self) -> None:
        wide = np.linspace(7.0e6, 7.2e6, 4)
        turned = Sweep(wide, np.exp(-1j * np.array([0.0, 0.01, 0.04, 0.06])))
        sweep = Sweep(self.f_hz, np.full(5, 0.3))
        note = self.corrected(sweep, open=turned).findings[0]
        assert note.evidence["largest_turn_rad"] == pytest.approx(0.03)


class TestEstimates:
    def test_of_a_figure_that_is_not_positive_is_the_normal_one(self) -> None:
        for value in (0.0, -1.0):
            assert Estimate.lognormal(value, 0.5) == Estimate.normal(value, 0.5)
        for value in (0.0, 1.0):
            assert Estimate.share(value, 0.1) == Estimate.normal(value, 0.1)

    def test_of_a_share_is_the_logits_interval(self) -> None:
        k, value, u = 1.959963984540054, 0.2, 0.05
        logit, half = math.log(value / (1 - value)), k * u / (value * (1 - value))
        found = Estimate.share(value, u)
        ends = [1 / (1 + math.exp(-(logit + sign * half))) for sign in (-1, 1)]
        assert (found.low, found.high) == pytest.approx(ends, rel=1e-12)

    def test_rows_are_those_one_by_one(self) -> None:
        values, u = np.array([2.0, 5.0]), np.array([0.1, 2.0])
        dof = np.array([3.0, math.inf])
        rows = list(zip(values, u, dof, strict=True))
        for many, one in (
            (Estimate.normals, Estimate.normal),
            (Estimate.lognormals, Estimate.lognormal),
        ):
            for got, row in zip(many(values, u, dof), rows, strict=True):
                expected = one(*row)
                assert vars(got) == pytest.approx(vars(expected), rel=1e-14)

    def test_the_factor_from_fifteen_degrees_of_freedom_on_is_students(self) -> None:
        # GUM, table G.2, 95.45 % is another column; 95 %: 2.13, 2.09, 2.04 (any table of t).
        for dof, factor in ((15.0, 2.131450), (20.0, 2.085963), (30.0, 2.042272), (3.0, 3.182446)):
            assert coverage_factor(dof) == pytest.approx(factor, abs=2e-6)

    def test_a_value_is_finite_where_all_four_are(self) -> None:
        assert Estimate.normal(1.0, 0.1).is_finite()
        for i in range(4):
            parts = [1.0, 0.1, 0.8, 1.2]
            parts[i] = math.inf
            assert not Estimate(*parts).is_finite()

    def test_propagation_of_a_product(self) -> None:
        covariance = np.array([[0.01, 0.002], [0.002, 0.04]])
        y, c = propagate(lambda x: x[:1] * x[1:], [2.0, 3.0], covariance)
        assert y == pytest.approx([6.0])
        # GUM eq. 13 by hand: 9 * 0.01 + 4 * 0.04 + 2 * 2 * 3 * 0.002.
        assert c[0, 0] == pytest.approx(0.274, rel=1e-9)


class TestLine:
    def test_delay_is_there_and_back(self) -> None:
        # Speed of light (SI), exact.
        line = Line(10.0, 0.66, u_length_m=0.1)
        assert line.delay_s == pytest.approx(20.0 / (0.66 * 299792458.0), rel=1e-15)
        assert line.u_delay_s == pytest.approx(line.delay_s / 100, rel=1e-15)

    def test_impedance_against_another_reference(self) -> None:
        z = 100 + 20j
        gamma = np.array([(z - 50) / (z + 50)])
        assert renormalized(gamma, 50.0, 75.0) == pytest.approx([(z - 75) / (z + 75)])
        assert renormalized(gamma, 50.0, 50.0) is gamma

    def test_an_uncertain_line_has_loss_and_delay_an_exact_one_its_slope(self) -> None:
        f = np.array([7.0e6, 7.1e6])
        slope = 1j * (f / 7.05e6 - 1)
        for line in (None, Line(10.0), Line(0.0, u_length_m=0.1)):
            assert propagation_per_radian(f, 7.05e6, line) == pytest.approx(slope)
        line = Line(10.0, 1.0, ((10e6, 5.0),), u_length_m=0.1)
        radians = 2 * math.pi * 7.05e6 * 20.0 / 299792458.0
        # One way 0.5 dB at 10 MHz, as the root of frequency; there and back in neper.
        neper = 2 * 0.5 * np.sqrt(f / 10e6) * math.log(10) / 20
        found = propagation_per_radian(f, 7.05e6, line)
        assert found == pytest.approx(1j * f / 7.05e6 + neper / radians, rel=1e-12)

    def test_loss_not_described_is_that_of_thin_coax(self) -> None:
        mean, u = round_trip_loss_prior(2.5e6, Line(10.0))
        # 4.6 dB per 100 m at 10 MHz, half that at a quarter of the frequency; two ways, in neper.
        assert mean == pytest.approx(2 * 4.6 / 2 / 10 * math.log(10) / 20)
        assert u == pytest.approx(0.7 * mean)
        assert round_trip_loss_prior(2.5e6, None) == (0.0, 0.0)
        assert round_trip_loss_prior(2.5e6, Line(10.0, 1.0, ((1e6, 1.0),))) == (0.0, 0.0)

    def test_a_line_of_another_impedance_is_taken_off_in_its_own(self) -> None:
        f = np.array([7.0e6])
        line = Line(3.0, 0.8, z0_ohm=75.0)
        sweep = Sweep(f, np.array([0.2 + 0.1j]))
        # Telegrapher's equations, lossless: Z = Z0 (Zl + j Z0 tan)/(Z0 + j Zl tan), solved for Zl.
        t = math.tan(2 * math.pi * 7.0e6 * line.delay_s / 2)
        z = complex(sweep.z_ohm[0])
        load = 75 * (z - 75j * t) / (75 - 1j * z * t)
        assert complex(deembed(sweep, line).z_ohm[0]) == pytest.approx(load, rel=1e-12)


class TestReadings:
    sweep = Sweep([7.0e6, 14.0e6], [0.1 + 0j, 0.2 + 0j])  # type: ignore[arg-type]

    def test_the_worse_status_of_two(self) -> None:
        match = Match(None, None, None)
        for fit, budget, status in (
            ("ok", "doubtful", "doubtful"),
            ("doubtful", "ok", "doubtful"),
            ("ok", "refused", "refused"),
            ("ok", "ok", "ok"),
        ):
            loss = LossBudget(budget)  # type: ignore[arg-type]
            reading = Reading(self.sweep, Resonance(fit), match, loss)  # type: ignore[arg-type]
            assert reading.status == status

    def test_a_swr_is_a_figure_where_its_uncertainty_is_known(self) -> None:
        for u in (None, 0.02):
            reading = Reading(self.sweep, Resonance("ok"), Match(1.01, 7e6, None, u_swr_min=u))
            figures = reading.figures()
            assert ("swr_min" in figures) is (u is not None)
        assert figures["swr_min"].low == 1.0
        assert figures["swr_min"].high == pytest.approx(1.01 + 1.95996 * 0.02, rel=1e-6)
        assert reading.shares() == {"swr_min": {"fit": 0.02}}
        assert reading.band == "10.5MHz"

    def test_a_budgets_shares_are_its_own(self) -> None:
        shares = {"efficiency": {"loop.gap": -0.01}}
        loss = LossBudget("ok", efficiency=Estimate.normal(0.2, 0.01), shares=shares)
        reading = Reading(self.sweep, Resonance("ok"), Match(None, None, None), loss)
        assert reading.shares() == shares

    def test_a_record_counts_unless_refused_or_set_aside(self) -> None:
        def counts(status: str, aside: str | None) -> bool:
            record = Record(1, "", "", None, "", None, status, {}, {}, "", aside)  # type: ignore[arg-type]
            return record.counts

        assert counts("ok", None)
        assert counts("doubtful", None)
        assert not counts("refused", None)
        assert not counts("ok", "loose")

    def test_a_record_s_noise_is_never_negative(self) -> None:
        shares = {"q": {"fit": -2.0, "other": 5.0}}
        record = Record(1, "", "", None, "", None, "ok", {}, shares)
        assert record.noise("q") == 2.0
        assert record.noise("r") == 0.0


class TestBatch:
    def test_columns_are_a_figure_and_its_uncertainty_and_losses_with_a_build(self) -> None:
        plain, full = batch._columns(False), batch._columns(True)
        assert plain[:6] == ["file", "sha256", "status", "points", "f_loaded_hz", "u_f_loaded_hz"]
        assert plain[-3:] == ["residual_rms", "points_in_bandwidth", "findings"]
        assert full[: len(plain)] == plain
        assert full[len(plain) :][-2:] == ["efficiency", "u_efficiency"]

    def test_a_row_has_values_and_none_where_not_known(self) -> None:
        found = tuple(Finding(code=code, level="note", text=code) for code in ("a", "b"))
        fit = Resonance("ok", found, q_loaded=Estimate.normal(200.0, 1.0), residual_rms=0.1)
        sweep = Sweep([7.0e6], [0.1 + 0j], origin=Origin(sha256="x"))  # type: ignore[arg-type]
        loss = LossBudget("doubtful", efficiency=Estimate.normal(0.2, 0.01))
        row = batch._row(Reading(sweep, fit, Match(1.5, 7e6, None, u_swr_min=0.1), loss))
        assert (row["q_loaded"], row["u_q_loaded"], row["q_unloaded"]) == (200.0, 1.0, None)
        assert (row["efficiency"], row["u_efficiency"], row["r_loss_ohm"]) == (0.2, 0.01, None)
        assert (row["status"], row["points"], row["findings"]) == ("doubtful", 1, "a;b")
        assert (row["swr_min"], row["u_swr_min"], row["sha256"]) == (1.5, 0.1, "x")


class TestOutput:
    @pytest.mark.parametrize(
        ("kind", "start"),
        [
            (PLOTS[".svg"], b"<?xml version='1'?>\n<!-- a --><!DOCTYPE svg x>\n<svg width='1'>"),
            (PLOTS[".svg"], b"\xef\xbb\xbf <svg>"),
            (REPORT, b'\n<!doctype html>\n<meta name="generator" content="sweeplab 1">'),
        ],
    )
    def test_a_signature_is_known_after_what_may_precede_it(
        self, tmp_path: Path, kind: SimpleNamespace, start: bytes
    ) -> None:
        path = tmp_path / "a"
        path.write_bytes(start)
        check(path, kind)  # type: ignore[arg-type]
        write(path, b"new", kind)  # type: ignore[arg-type]
        assert path.read_bytes() == b"new"

    def test_two_names_that_differ_in_case_alone_are_one_file(self, tmp_path: Path) -> None:
        with pytest.raises(Exception, match="belongs to the log; name another file"):
            check(tmp_path / "A.DB", REPORT, never=[tmp_path / "a.db"])
        check(tmp_path / "b.db", REPORT, never=[tmp_path / "a.db"])
        (tmp_path / "inner").mkdir()
        check(tmp_path / "inner" / "a.db", REPORT, never=[tmp_path / "a.db"])


class TestIsolation:
    def test_one_that_raises_is_refused_and_the_others_computed_together(self) -> None:
        seen = []

        def compute(items: object) -> list[int]:
            batch_of = list(items)  # type: ignore[call-overload]
            seen.append(batch_of)
            return [1 // item for item in batch_of]

        result = isolated([1, 0, 1], compute, lambda item, error: f"{item} {error.args[0]}")
        assert result == [1, "0 integer division or modulo by zero", 1]
        assert seen[-1] == [1, 1]

    def test_the_finding_names_the_file_alone_or_the_points(self) -> None:
        named = Sweep([7e6], [0.1 + 0j], origin=Origin(file="private/x.s1p"))  # type: ignore[arg-type]
        nameless = Sweep([7e6, 8e6], [0.1 + 0j] * 2)  # type: ignore[arg-type]
        found = unforeseen_finding(named, ValueError("x"))
        assert "broke off on x.s1p, which" in found.text
        assert found.evidence == {"error": "ValueError", "version": __version__}
        assert found.level == "problem"
        assert "on a sweep of 2 points" in unforeseen_finding(nameless, ValueError("x")).text
        other = Finding(code="a", level="note", text="")
        assert find_unforeseen([other, found]) is found
        assert find_unforeseen([other]) is None
