"""Tables: what the columns are, by header or by word, and what two readings make of them.

Gamma = (Z - Z0)/(Z + Z0), SWR = (1 + |Gamma|)/(1 - |Gamma|), return loss = -20 log10 |Gamma|:
D. M. Pozar, Microwave Engineering, 4th ed. 2012, section 2.3 (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sweep_writing import codes, gammas, read_text, table_text

from sweeplab.errors import ReadError
from sweeplab.files.table.columns import WORDS, classify

F_MHZ = [7.0, 7.1, 7.2]
GAMMA = np.array([0.5 + 0.25j, -0.3 + 0.1j, 0.2 - 0.6j])
Z_OHM = 50 * (1 + GAMMA) / (1 - GAMMA)
SIZE = abs(GAMMA)
SWR = (1 + SIZE) / (1 - SIZE)
LOSS_DB = -20 * np.log10(SIZE)
ANGLE_DEG = np.degrees(np.angle(GAMMA))


@pytest.mark.parametrize(
    ("label", "role", "scale"),
    [
        ("Frequency (Hz)", "f", 1.0),
        ("freq[MHz]", "f", 1e6),
        ("f_kHz", "f", 1e3),
        ("GHz", "f", 1e9),
        ("f/Hz", "f", 1.0),
        ("Freq", "f", None),
        ("Re(S11)", "re", 1.0),
        ("reS11", "re", 1.0),
        ("S11 real", "re", 1.0),
        ("S11.imag", "im", 1.0),
        ("Im Γ", "im", 1.0),
        ("S(1,1) Im", "im", 1.0),
        ("|S11|", "magnitude", 1.0),
        ("|Γ|", "magnitude", 1.0),
        ("Mag", "magnitude", 1.0),
        ("S11 (dB)", "db", 1.0),
        ("dB(S11)", "db", 1.0),
        ("Log(Mg.)", "db", 1.0),
        ("Return Loss (dB)", "return_loss_db", 1.0),
        ("RL", "return_loss_db", 1.0),
        ("Phase (deg)", "angle", np.pi / 180),
        ("arg(S11) [rad]", "angle", 1.0),
        ("Phase(°)", "angle", np.pi / 180),
        ("phase", "angle", None),
        ("Z angle (deg)", "z_angle", np.pi / 180),
        ("R", "r_ohm", 1.0),
        ("R (ohm)", "r_ohm", 1.0),
        ("Rs/Ω", "r_ohm", 1.0),
        ("Re(Z)", "r_ohm", 1.0),
        ("Z real", "r_ohm", 1.0),
        ("Resistance", "r_ohm", 1.0),
        ("X (Ohm)", "x_ohm", 1.0),
        ("Im(Z)", "x_ohm", 1.0),
        ("|X|", "x_abs_ohm", 1.0),
        ("abs(X)", "x_abs_ohm", 1.0),
        ("|Z|", "z_abs_ohm", 1.0),
        ("Impedance (ohm)", "z_abs_ohm", 1.0),
        ("SWR", "swr", 1.0),
        ("VSWR", "swr", 1.0),
        ("S21 (dB)", "skip", 1.0),
        ("Re(S21)", "skip", 1.0),
        ("Rp", "skip", 1.0),
        ("Time", "skip", 1.0),
        ("RBW (Hz)", "skip", 1.0),
        ("Insertion loss (dB)", "skip", 1.0),
        ("L (uH)", "skip", 1.0),
        ("", "skip", 1.0),
    ],
)
def test_a_header_is_read_by_quantity_and_unit(label: str, role: str, scale: float | None) -> None:
    column = classify(label)
    assert column.role == role
    assert column.scale == (scale if scale is None else pytest.approx(scale))


ROUND_TRIPS = {
    ("re", "im"): (GAMMA.real, GAMMA.imag),
    ("magnitude", "angle_deg"): (SIZE, ANGLE_DEG),
    ("magnitude", "angle_rad"): (SIZE, np.radians(ANGLE_DEG)),
    ("db", "angle_deg"): (-LOSS_DB, ANGLE_DEG),
    ("return_loss_db", "angle_deg"): (LOSS_DB, ANGLE_DEG),
    ("r_ohm", "x_ohm"): (Z_OHM.real, Z_OHM.imag),
    ("z_abs_ohm", "z_angle_deg"): (abs(Z_OHM), np.degrees(np.angle(Z_OHM))),
}


@pytest.mark.parametrize("words", ROUND_TRIPS, ids=" ".join)
def test_named_columns_need_no_header(words: tuple[str, str]) -> None:
    text = table_text("", [F_MHZ, *ROUND_TRIPS[words]])
    sweep = read_text(text, "a.csv", columns=["f_mhz", *words])
    np.testing.assert_allclose(sweep.f_hz, np.array(F_MHZ) * 1e6)
    np.testing.assert_allclose(sweep.gamma, GAMMA, rtol=1e-12)
    assert sweep.content == "complex"


def test_columns_may_be_named_in_one_string() -> None:
    text = table_text("", [F_MHZ, GAMMA.real, GAMMA.imag])
    sweep = read_text(text, "a.csv", columns="F_MHz, re, im")
    np.testing.assert_allclose(sweep.gamma, GAMMA)


def test_named_columns_override_a_header_and_an_option_line() -> None:
    text = "# GHz S MA R 50\n7 0.5 0.25\n8 0.5 0.25\n"
    sweep = read_text(text, "a.s1p", columns=["f_mhz", "im", "re"])
    assert sweep.f_hz.tolist() == [7e6, 8e6]
    assert sweep.gamma.tolist() == [0.25 + 0.5j] * 2
    assert sweep.origin.reader == "table"


def test_every_word_is_in_the_documented_vocabulary() -> None:
    from sweeplab.files.table import columns

    assert columns.__doc__ is not None
    for word in WORDS:
        assert word in columns.__doc__ or word in ("f_khz", "f_mhz", "f_ghz")


class TestIncompleteData:
    def test_unsigned_reactance(self) -> None:
        text = table_text("MHz,R (ohm),|X| (ohm)", [F_MHZ, Z_OHM.real, abs(Z_OHM.imag)])
        sweep = read_text(text, "a.csv")
        assert sweep.content == "unsigned"
        np.testing.assert_allclose(abs(sweep.gamma), SIZE)
        assert "content-unsigned" in codes(sweep)

    @pytest.mark.parametrize(
        ("x_ohm", "doubtful"),
        [
            (np.arange(-10.0, 11.0), False),
            (abs(np.arange(-10.0, 11.0)), True),
            (np.arange(0.0, 21.0), False),
            (20 + abs(np.arange(-10.0, 11.0)), False),
            (abs(np.arange(-2.0, 3.0)), False),
        ],
        ids=["signed", "folded", "rising", "far from zero", "too few"],
    )
    def test_a_reactance_folded_at_zero_is_pointed_out(
        self, x_ohm: np.ndarray, doubtful: bool
    ) -> None:
        f_mhz = np.linspace(7, 8, x_ohm.size)
        sweep = read_text(table_text("MHz,R,X", [f_mhz, np.ones(x_ohm.size), x_ohm]), "a.csv")
        assert ("sign-doubtful" in codes(sweep)) == doubtful

    @pytest.mark.parametrize(
        ("header", "values"),
        [("SWR", SWR), ("Return Loss", LOSS_DB), ("S11 (dB)", -LOSS_DB), ("|S11|", SIZE)],
    )
    def test_size_alone(self, header: str, values: np.ndarray) -> None:
        sweep = read_text(table_text(f"MHz,{header}", [F_MHZ, values]), "a.csv")
        assert sweep.content == "magnitude"
        np.testing.assert_allclose(sweep.gamma, SIZE)
        assert "content-magnitude" in codes(sweep)

    def test_swr_below_one_is_no_swr(self) -> None:
        sweep = read_text("MHz,SWR\n7,0.9\n8,3\n", "a.csv")
        assert sweep.f_hz.tolist() == [8e6]
        assert "missing-values" in codes(sweep)


class TestSeveralReadings:
    def test_consistent_columns_are_read_as_reflection(self) -> None:
        columns = [F_MHZ, GAMMA.real, GAMMA.imag, Z_OHM.real.round(1), Z_OHM.imag.round(1), SWR]
        sweep = read_text(table_text("MHz,re,im,R,X,SWR", columns), "a.csv")
        assert sweep.gamma.tolist() == GAMMA.tolist()
        assert codes(sweep) == ["reference-assumed"]

    @pytest.mark.parametrize("whose", ["reflection", "impedance"])
    def test_an_angle_that_names_no_owner_is_given_to_whom_it_fits(self, whose: str) -> None:
        angle = ANGLE_DEG if whose == "reflection" else np.degrees(np.angle(Z_OHM))
        columns = [F_MHZ, LOSS_DB, abs(Z_OHM), angle]
        sweep = read_text(table_text("MHz,RL (dB),|Z|,phase (deg)", columns), "a.csv")
        np.testing.assert_allclose(sweep.gamma, GAMMA, rtol=1e-9)

    def test_an_impedance_angle_next_to_r_and_x_is_harmless(self) -> None:
        angle = np.degrees(np.angle(Z_OHM))
        columns = [F_MHZ, SWR, LOSS_DB, Z_OHM.real, Z_OHM.imag, angle]
        sweep = read_text(table_text("MHz,SWR,RL (dB),R,X,phase (deg)", columns), "a.csv")
        np.testing.assert_allclose(sweep.gamma, GAMMA, rtol=1e-9)

    def test_another_reference_than_taken_is_pointed_out(self) -> None:
        columns = [F_MHZ, 1.5 * Z_OHM.real, 1.5 * Z_OHM.imag, SWR]
        text = table_text("MHz,R,X,SWR", columns)
        assert "columns-disagree" in codes(read_text(text, "a.csv"))
        sweep = read_text(text, "a.csv", z0_ohm=75.0)
        np.testing.assert_allclose(sweep.gamma, GAMMA)
        assert codes(sweep) == []

    def test_the_column_that_names_the_reflection_is_preferred(self) -> None:
        columns = [F_MHZ, GAMMA.real, GAMMA.imag, [5, 6, 7], [8, 9, 9]]
        sweep = read_text(table_text("MHz,re S11,im S11,re A,im A", columns), "a.csv")
        np.testing.assert_allclose(sweep.gamma, GAMMA)

    def test_a_level_above_nought_is_return_loss(self) -> None:
        sweep = read_text(table_text("MHz,S11 (dB)", [F_MHZ, LOSS_DB]), "a.csv")
        np.testing.assert_allclose(sweep.gamma, SIZE)
        assert "positive-level" in codes(sweep)


class TestReference:
    @pytest.mark.parametrize(
        "line", ["Z0 = 75 ohm", "# reference impedance: 75", "% Z0[ohm]; 75.0", "Zref 75 Ω"]
    )
    def test_named_above_the_table(self, line: str) -> None:
        text = table_text("MHz,R,X", [F_MHZ, 1.5 * Z_OHM.real, 1.5 * Z_OHM.imag])
        sweep = read_text(f"{line}\n{text}", "a.csv")
        assert sweep.z0_ohm == 75
        np.testing.assert_allclose(sweep.gamma, GAMMA)
        assert codes(sweep) == []

    def test_a_word_is_not_a_reference(self) -> None:
        text = table_text("MHz,R,X", [F_MHZ, Z_OHM.real, Z_OHM.imag])
        assert read_text(f"Z0 = 5.0.0\n{text}", "a.csv").z0_ohm == 50


class TestFrequencyUnit:
    def test_hertz_if_no_other_unit_is_possible(self) -> None:
        columns = [[f * 1e6 for f in F_MHZ], GAMMA.real, GAMMA.imag]
        sweep = read_text(table_text("freq,re,im", columns), "a.csv")
        np.testing.assert_allclose(sweep.f_hz, [7.0e6, 7.1e6, 7.2e6])
        assert "unit-inferred" in codes(sweep)

    def test_the_one_unit_named_above(self) -> None:
        text = "start 7 MHz, stop 7.2 MHz\n" + table_text("f,re,im", [F_MHZ, SIZE, SIZE])
        sweep = read_text(text, "a.csv")
        assert sweep.f_hz[0] == 7e6
        assert "unit-inferred" in codes(sweep)

    def test_two_units_named_above_settle_nothing(self) -> None:
        text = "start 7 MHz, bandwidth 1 kHz\n" + table_text("f,re,im", [F_MHZ, SIZE, SIZE])
        with pytest.raises(ReadError, match="could be MHz or GHz"):
            read_text(text, "a.csv")

    def test_a_unit_of_another_column_or_beyond_reason_settles_nothing(self) -> None:
        columns = [F_MHZ, [10, 10, 10], SIZE, SIZE]
        for line in ("", "noise bandwidth 1 Hz\n"):
            text = line + table_text("f,RBW (Hz),re,im", columns)
            with pytest.raises(ReadError, match="could be MHz or GHz"):
                read_text(text, "a.csv")


class TestPaths:
    def test_decimal_commas_in_quotes_between_commas(self) -> None:
        sweep = read_text('"f (MHz)","re","im"\n"7,05","0,5","-0,25"\n"7,10","0,3","1"\n', "a.csv")
        assert sweep.f_hz.tolist() == [7.05e6, 7.1e6]
        assert sweep.gamma.tolist() == [0.5 - 0.25j, 0.3 + 1j]

    def test_a_row_of_units_may_leave_the_last_ones_out(self) -> None:
        sweep = read_text("Freq,RL,SWR\nMHz,dB,\n7,-10,1.92\n8,-12,1.67\n", "a.csv")
        assert sweep.f_hz.tolist() == [7e6, 8e6]

    def test_rows_of_separators_alone_are_blank(self) -> None:
        sweep = read_text("MHz,re,im\n7,0.5,0.25\n,,\n8,0.5,0.25\n" + ",,\n" * 600, "a.csv")
        assert sweep.f_hz.tolist() == [7e6, 8e6]
        assert codes(sweep) == ["reference-assumed"]

    def test_a_row_without_its_first_field_is_no_comment(self) -> None:
        sweep = read_text("MHz;re;im\n7;0,5;0,25\n;0,5;0,25\n; gust\n9;0,5;0,25\n", "a.csv")
        assert sweep.f_hz.tolist() == [7e6, 9e6]
        assert "missing-values" in codes(sweep)
        assert sweep.origin.comments == ("MHz;re;im", "; gust")

    def test_transmission_named_far_above_is_refused(self) -> None:
        preamble = "parameter: S21\n" + "note\n" * 20
        with pytest.raises(ReadError, match="columns of S21"):
            read_text(preamble + table_text("MHz,re,im", [F_MHZ, SIZE, SIZE]), "a.csv")

    def test_a_second_block_of_something_else_is_left_out_and_pointed_out(self) -> None:
        block = table_text("MHz,S11 re,S11 im", [F_MHZ, GAMMA.real, GAMMA.imag])
        other = block.replace("S11", "S21")
        sweep = read_text(f"BEGIN\n{block}END\n\nBEGIN\n{other}END\n", "a.csv")
        assert len(sweep) == 3
        assert "second-block" in codes(sweep)

    def test_comments_between_the_rows_are_kept_as_comments(self) -> None:
        sweep = read_text("MHz;re;im\n7;1;0\n# gust\n8;1;0\n", "a.csv")
        assert len(sweep) == 2
        assert sweep.origin.comments == ("MHz;re;im", "# gust")

    @pytest.mark.parametrize("rest", ["9;0,5", "9;0,5;-", "9", "9;0,5;0,2x"])
    def test_a_last_row_cut_off_is_left_out(self, rest: str) -> None:
        sweep = read_text(f"MHz;re;im\n7;0,5;0,25\n\n8;0,5;0,25\n{rest}", "a.csv")
        assert sweep.f_hz.tolist() == [7e6, 8e6]
        assert sweep.gamma.tolist() == [0.5 + 0.25j] * 2
        assert {"last-row-cut", "missing-values"} & set(codes(sweep))

    def test_one_row_is_enough(self) -> None:
        assert len(read_text("MHz,re,im\n7,0.5,0.25\n", "a.csv")) == 1


@given(
    st.lists(gammas, min_size=1, max_size=20),
    st.sampled_from([",", ";", "\t", "  "]),
    st.booleans(),
    st.sampled_from(["Hz", "kHz", "MHz", "GHz"]),
)
def test_any_separator_and_decimal_sign(
    gamma: list[complex], separator: str, comma: bool, unit: str
) -> None:
    f = [float(k + 1) * 10 for k in range(len(gamma))]
    header = separator.join([f"f({unit})", "re", "im"])
    text = table_text(header, [f, [g.real for g in gamma], [g.imag for g in gamma]], separator)
    if comma and separator != ",":
        text = text.replace(".", ",")
    sweep = read_text(text, "a.txt")
    np.testing.assert_allclose(sweep.gamma, gamma, rtol=1e-15)
    assert sweep.f_hz[0] == 10 * {"Hz": 1, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}[unit]


class TestComplexCells:
    def test_a_real_number_among_them_has_no_imaginary_part(self) -> None:
        sweep = read_text("MHz,S11\n7,0.5+0.25j\n8,0.5\n9,0.25-0.5j\n", "a.csv")
        assert sweep.gamma.tolist() == [0.5 + 0.25j, 0.5, 0.25 - 0.5j]

    def test_a_last_row_cut_off_is_left_out(self) -> None:
        sweep = read_text(
            "Hz\tS11\n7000000\t0.5 - j0.5\n7100000\t0.25 + j0.5\n7200000\t0x5", "a.tsv"
        )
        assert sweep.gamma.tolist() == [0.5 - 0.5j, 0.25 + 0.5j]

    @pytest.mark.parametrize(
        ("words", "ohms"),
        [("f_mhz,z_ohm", 25 + 10j), ("f_mhz,y_s", 1 / (25 + 10j)), ("f_mhz,gamma", None)],
    )
    def test_they_may_be_named(self, words: str, ohms: complex | None) -> None:
        text = "7;25+10j\n8;25+10j\n" if ohms else "7;0.5+0.25j\n8;0.5+0.25j\n"
        sweep = read_text(text, "a.csv", columns=words)
        expected = sweep.z_ohm if words.endswith("z_ohm") else 1 / sweep.z_ohm
        if ohms is None:
            assert sweep.gamma[0] == 0.5 + 0.25j
        else:
            assert expected[0] == pytest.approx(25 + 10j)

    def test_other_words_for_them_are_refused(self) -> None:
        with pytest.raises(ReadError) as caught:
            read_text("7;25+10j\n8;25+10j\n", "a.csv", columns="f_mhz,swr")
        assert str(caught.value) == (
            "a.csv: complex numbers in column 'swr'; "
            "use gamma, z_ohm or y_s for complex cells, skip for others"
        )

    def test_their_words_for_others_are_refused(self) -> None:
        with pytest.raises(ReadError) as caught:
            read_text("7;25\n8;25\n", "a.csv", columns="f_mhz,gamma")
        assert str(caught.value) == (
            "a.csv: no complex numbers in column 'gamma'; "
            'say what the 2 columns are, for example --columns "f_mhz,swr"'
        )
