"""Touchstone 1 and 2.

Example numbers are those of the IBIS Open Forum's Touchstone File Format Specification 2.1
(ratified 26 January 2024), quoted with credit; values derived from them are computed by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from sweep_writing import Case, cases, codes, read_text

from sweeplab.errors import ReadError

EXAMPLE_10 = """\
! Example 10: normalised impedances, version 1
# MHz Z MA R 75
100 0.99 -4
200 0.80 -22
300 0.707 -45
400 0.40 -62
500 0.01 -89
"""
EXAMPLE_11 = """\
! Example 11: the same in ohms, version 2
[Version] 2.0
# MHz Z MA
[Number of Ports] 1
[Number of Frequencies] 5
[Reference] 20.0
[Network Data]
100 74.25 -4
200 60 -22
300 53.025 -45
400 30 -62
500 0.75 -89
[End]
"""
# S11 against 50 ohm of Examples 10 and 11, computed from their magnitudes and angles.
IN_50_OHM = [
    0.195400 - 0.033589j,
    0.094315 - 0.192714j,
    0.034394 - 0.413795j,
    -0.332750 - 0.550877j,
    -0.999027 - 0.029973j,
]
TWO_PORT = "2 .95 -26 3.57 157 .04 76 .66 -14\n22 .60 -144 1.30 40 .14 40 .56 -85\n"


class TestExamplesOfTheStandard:
    def test_example_9_one_point_of_magnitude_and_angle(self) -> None:
        sweep = read_text("# MHz S MA R 50\n!freq magS11 angS11\n2.000 0.894 -12.136\n")
        assert sweep.f_hz.tolist() == [2e6]
        assert sweep.gamma[0] == pytest.approx(0.874020 - 0.187948j, abs=5e-7)
        assert sweep.z_ohm[0] == pytest.approx(196.076 - 367.119j, abs=5e-4)
        assert sweep.swr[0] == pytest.approx(17.868, abs=5e-4)

    def test_examples_10_and_11_give_the_same_ohms(self) -> None:
        version_1, version_2 = read_text(EXAMPLE_10), read_text(EXAMPLE_11, "sweep.ts")
        assert version_1.z0_ohm == 75
        assert version_2.z0_ohm == 20
        np.testing.assert_allclose(version_1.z_ohm, version_2.z_ohm, rtol=1e-12)

    def test_example_10_against_50_ohm(self) -> None:
        sweep = read_text(EXAMPLE_10, z0_ohm=50.0)
        np.testing.assert_allclose(sweep.gamma, IN_50_OHM, atol=6e-7)

    def test_example_14_two_ports(self) -> None:
        row = "1.0000 0.3926 -0.1211 -0.0003 -0.0021 -0.0003 -0.0021 0.3926 -0.1211"
        sweep = read_text(f"# GHz S RI R 50.0\n{row}\n", "sweep.s2p")
        assert sweep.f_hz.tolist() == [1e9]
        assert sweep.gamma.tolist() == [0.3926 - 0.1211j]

    def test_example_19_noise_is_left_out(self) -> None:
        noise = "4 .7 .64 69 .38\n18 2.7 .46 -33 .40\n"
        sweep = read_text(f"#\n{TWO_PORT}! NOISE PARAMETERS\n{noise}", "sweep.s2p")
        assert sweep.f_hz.tolist() == [2e9, 22e9]
        expected = [0.95 * np.exp(-26j * np.pi / 180), 0.60 * np.exp(-144j * np.pi / 180)]
        np.testing.assert_allclose(sweep.gamma, expected, rtol=1e-14)
        assert codes(sweep) == ["noise-left-out"]


class TestOptionLine:
    def test_a_bare_line_means_the_standard_defaults(self) -> None:
        bare = read_text("#\n1 0.5 90\n")
        full = read_text("# GHz S MA R 50\n1 0.5 90\n")
        assert (bare.f_hz[0], bare.z0_ohm) == (1e9, 50)
        assert bare.gamma[0] == full.gamma[0] == pytest.approx(0.5j)

    def test_a_missing_line_means_the_same_with_a_finding(self) -> None:
        sweep = read_text("7 0.5 90\n8 0.5 80\n")
        assert (sweep.f_hz[0], sweep.z0_ohm) == (7e9, 50)
        assert sweep.gamma[0] == pytest.approx(0.5j)
        assert codes(sweep) == ["option-line-missing"]

    def test_one_below_the_data_holds_with_a_finding(self) -> None:
        sweep = read_text("7 0.5 0.25\n# MHz S RI R 50\n8 0.5 0.25\n")
        assert sweep.f_hz.tolist() == [7e6, 8e6]
        assert sweep.gamma[0] == 0.5 + 0.25j
        assert codes(sweep) == ["option-line-late"]

    def test_only_the_first_line_holds(self) -> None:
        sweep = read_text("# MHz S RI R 50\n# GHz S MA R 75\n7 0.5 0.25\n")
        assert (sweep.f_hz[0], sweep.z0_ohm, sweep.gamma[0]) == (7e6, 50, 0.5 + 0.25j)
        assert codes(sweep) == ["option-line-repeated"]

    @pytest.mark.parametrize("word", ["75", "75.", "7.5e1", "(75+0j)"])
    def test_a_real_reference_in_any_spelling(self, word: str) -> None:
        assert read_text(f"# MHz S RI R {word}\n7 0.5 0.25\n").z0_ohm == 75

    def test_references_a_port_give_port_1_its_own(self) -> None:
        sweep = read_text(f"# GHz S MA R 75 50\n{TWO_PORT}", "sweep.s2p")
        assert sweep.z0_ohm == 75


@given(cases())
def test_any_notation_gives_the_written_values(case: Case) -> None:
    sweep = read_text(case.text())
    np.testing.assert_allclose(sweep.f_hz, case.f_hz, rtol=1e-14)
    np.testing.assert_allclose(sweep.gamma, case.gamma, atol=1e-11)
    assert sweep.z0_ohm == case.r_ohm
    assert sweep.findings == ()
    assert sweep.origin.comments == ("! drawn",)


class TestManyPorts:
    def test_z11_alone_is_not_taken_for_the_input(self) -> None:
        # A shunt of 100 ohm, then 50 ohm in series to port 2. Ended in 50 ohm, by hand:
        # 100 || (50 + 50) = 50 ohm, no reflection; Z11 alone would be 100 ohm.
        rows = "1 2 0 2 0 2 0 3 0"
        sweep = read_text(f"# MHz Z RI R 50\n{rows}\n", "sweep.s2p")
        assert sweep.gamma[0] == pytest.approx(0, abs=1e-14)

    def test_y11_alone_is_not_taken_for_the_input(self) -> None:
        # The inverse of that Z: 1/100 [[3, -2], [-2, 2]] S, times 50 ohm.
        sweep = read_text("# MHz Y RI R 50\n1 1.5 0 -1 0 -1 0 1 0\n", "sweep.s2p")
        assert sweep.gamma[0] == pytest.approx(0, abs=1e-14)

    def test_one_singular_matrix_costs_one_point_only(self) -> None:
        rows = "1 -1 0 0 0 0 0 -1 0\n2 2 0 2 0 2 0 3 0\n"
        sweep = read_text(f"# MHz Z RI R 50\n{rows}", "sweep.s2p")
        assert sweep.f_hz.tolist() == [2e6]
        assert codes(sweep) == ["missing-values"]

    def test_four_ports_in_one_long_row_each(self) -> None:
        row = " ".join(str(k / 100) for k in range(32))
        sweep = read_text(f"# MHz S RI R 50\n1 {row}\n2 {row}\n", "sweep.s4p")
        assert sweep.gamma.tolist() == [0 + 0.01j] * 2

    def test_references_differ_in_version_2(self) -> None:
        # Zin = 100 || (50 + 100) = 60 ohm with port 2 ended in 100 ohm; port 1 against 60 ohm.
        text = (
            "[Version] 2.0\n# MHz Z RI\n[Number of Ports] 2\n[Two-Port Data Order] 21_12\n"
            "[Number of Frequencies] 1\n[Reference] 60\n100\n[Network Data]\n"
            "1 100 0 100 0 100 0 150 0\n[End]\n"
        )
        sweep = read_text(text, "sweep.ts")
        assert sweep.z0_ohm == 60
        assert sweep.gamma[0] == pytest.approx(0, abs=1e-14)


class TestWhichPort:
    def test_port_2_of_either_order(self) -> None:
        text = "# MHz S RI R 50\n7 0.1 0 0.2 0 0.3 0 0.4 0.5\n"
        assert read_text(text, "sweep.s2p", port=2).gamma[0] == 0.4 + 0.5j
        assert read_text(text, "sweep.s2p", port=1).gamma[0] == 0.1

    def test_its_own_reference_comes_with_it(self) -> None:
        sweep = read_text(f"# GHz S MA R 75 60\n{TWO_PORT}", "sweep.s2p", port=2)
        assert sweep.z0_ohm == 60
        assert abs(sweep.gamma[0]) == pytest.approx(0.66)

    @pytest.mark.parametrize(("form", "last"), [("Full", 8), ("Lower", 5), ("Upper", 5)])
    def test_the_last_of_three_in_every_matrix_format(self, form: str, last: int) -> None:
        entries = " ".join(f"{k} 0" for k in range(last + 1))
        text = (
            "[Version] 2.0\n# MHz S RI\n[Number of Ports] 3\n[Number of Frequencies] 1\n"
            f"[Matrix Format] {form}\n[Network Data]\n7 {entries}\n[End]\n"
        )
        assert read_text(text, "sweep.ts", port=3).gamma[0] == last

    @pytest.mark.parametrize("parameter", "ZYGH")
    @pytest.mark.parametrize("port", [1, 2])
    @pytest.mark.parametrize("version", [1, 2])
    def test_a_padded_step_in_every_parameter(
        self, parameter: str, port: int, version: int
    ) -> None:
        # A series 30 ohm, a shunt 100 ohm, an ideal 1:2 step up to port 2. Both ends 50 ohm.
        # From port 1: 30 + (100 || 50/4) = 41.111 ohm; from port 2: 4 (100 || 80) = 177.78 ohm.
        z = np.array([[130.0, 200.0], [200.0, 400.0]])
        det = np.linalg.det(z)
        matrices = {
            "Z": z,
            "Y": np.linalg.inv(z),
            # By their definitions: V1 = h11 I1 + h12 V2, I2 = h21 I1 + h22 V2; G with 1 and V
            # for 2 and I.
            "H": np.array([[det, z[0, 1]], [-z[1, 0], 1]]) / z[1, 1],
            "G": np.array([[1, -z[0, 1]], [z[1, 0], det]]) / z[0, 0],
        }
        m = matrices[parameter]
        if version == 1:
            # Touchstone 2.1: each over R or times R, as its unit has it.
            units = {"Z": [[50, 50], [50, 50]], "Y": [[0.02, 0.02], [0.02, 0.02]],
                     "H": [[50, 1], [1, 0.02]], "G": [[0.02, 1], [1, 50]]}  # fmt: skip
            m = m / np.array(units[parameter])
        row = f"7 {m[0, 0]} 0 {m[1, 0]} 0 {m[0, 1]} 0 {m[1, 1]} 0\n"
        text = f"# MHz {parameter} RI R 50\n{row}"
        if version == 2:
            head = "[Number of Ports] 2\n[Two-Port Data Order] 21_12\n[Number of Frequencies] 1\n"
            text = f"[Version] 2.0\n# MHz {parameter} RI\n{head}[Network Data]\n{row}[End]\n"
        expected = {1: 30 + 1 / (1 / 100 + 4 / 50), 2: 4 / (1 / 100 + 1 / 80)}[port]
        sweep = read_text(text, "sweep.s2p", port=port)
        assert sweep.z_ohm[0] == pytest.approx(expected, rel=1e-12)
        # Against another reference at that port it is the same impedance.
        other = read_text(text, "sweep.s2p", port=port, z0_ohm=75.0)
        assert other.z_ohm[0] == pytest.approx(expected, rel=1e-12)


class TestRequestedReference:
    def test_scattering_parameters_are_taken_as_normalised_to_it_with_a_finding(self) -> None:
        sweep = read_text("# MHz S RI R 50\n7 0.5 0.25\n", z0_ohm=75.0)
        assert (sweep.z0_ohm, sweep.gamma[0]) == (75, 0.5 + 0.25j)
        assert codes(sweep) == ["reference-replaced"]

    def test_an_impedance_stays_itself(self) -> None:
        sweep = read_text("# MHz Z RI R 50\n7 2 1\n", z0_ohm=75.0)
        assert sweep.z_ohm[0] == pytest.approx(100 + 50j)


class TestDoubt:
    def test_frequencies_beyond_reason_are_pointed_out(self) -> None:
        sweep = read_text("# S RI R 50\n7000000 0.5 0.25\n")
        assert codes(sweep) == ["frequency-implausible"]
        assert sweep.findings[0].level == "warning"

    def test_magnitudes_below_zero_are_pointed_out(self) -> None:
        assert codes(read_text("# MHz S MA R 50\n7 -12 90\n")) == ["negative-magnitude"]

    def test_impedances_in_comments_are_pointed_out(self) -> None:
        text = "# GHz S MA\n0.9 0.5 90\n! Port Impedance0                29.25 0\n"
        sweep = read_text(text)
        assert codes(sweep) == ["impedance-in-comments"]
        assert sweep.findings[0].evidence == {"comment_ohm": 29.25}

    def test_version_2_points_that_are_missing_are_pointed_out(self) -> None:
        text = EXAMPLE_11.replace("500 0.75 -89\n", "")
        assert codes(read_text(text, "sweep.ts")) == ["points-differ"]

    def test_text_after_the_end_is_left_out(self) -> None:
        sweep = read_text(EXAMPLE_11 + "600 0.75 -89\n", "sweep.ts")
        assert len(sweep) == 5
        assert codes(sweep) == ["text-after-end"]

    def test_a_row_cut_short_is_left_out_only_at_the_end(self) -> None:
        sweep = read_text("# MHz S RI R 50\n7 0.5 0.25\n8 0.5")
        assert len(sweep) == 1
        assert codes(sweep) == ["last-row-cut"]
        with pytest.raises(ReadError, match="2 values where 3 should stand"):
            read_text("# MHz S RI R 50\n7 0.5 0.25\n8 0.5\n9 0.5 0.25\n")


class TestNormalisedToDifferentReferences:
    """Version 1.1: ``R 50 75``. A tee of 10, 20 and 30 ohm, worked out by hand."""

    Z_OHM = np.array([[30.0, 20.0], [20.0, 50.0]])
    # Seen from port 1 with 75 ohm at port 2, and from port 2 with 50 ohm at port 1.
    Z_IN_OHM = (30 - 400 / (50 + 75), 50 - 400 / (30 + 50))
    REFERENCES_OHM = (50.0, 75.0)

    def natural(self, parameter: str) -> tuple[np.ndarray, np.ndarray]:
        """The tee's parameters, and what each port's own are relative to."""
        (a, b), (c, d) = self.Z_OHM
        r1, r2 = self.REFERENCES_OHM
        determinant = a * d - b * c
        return {
            "Z": (self.Z_OHM, np.array([r1, r2])),
            "Y": (np.linalg.inv(self.Z_OHM), 1 / np.array([r1, r2])),
            "H": (np.array([[determinant, b], [-c, 1.0]]) / d, np.array([r1, 1 / r2])),
            "G": (np.array([[1.0, -b], [c, determinant]]) / a, np.array([1 / r1, r2])),
        }[parameter]

    @pytest.mark.parametrize("parameter", ["Z", "Y", "G", "H"])
    @pytest.mark.parametrize("way", ["row", "column", "root"])
    @pytest.mark.parametrize("port", [1, 2])
    def test_the_reflection_is_that_of_the_network(
        self, parameter: str, way: str, port: int
    ) -> None:
        matrix, ends = self.natural(parameter)
        over = {"row": ends[:, None], "column": ends, "root": np.sqrt(np.outer(ends, ends))}[way]
        n11, n12, n21, n22 = (matrix / over).ravel().tolist()
        row = f"7 {n11!r} 0 {n21!r} 0 {n12!r} 0 {n22!r} 0"
        sweep = read_text(f"# MHz {parameter} RI R 50 75\n{row}\n", "a.s2p", port=port)
        z_in_ohm = self.Z_IN_OHM[port - 1]
        reference_ohm = self.REFERENCES_OHM[port - 1]
        expected = (z_in_ohm - reference_ohm) / (z_in_ohm + reference_ohm)
        assert sweep.gamma[0] == pytest.approx(expected, abs=1e-14)
        assert sweep.z0_ohm == reference_ohm
        assert "references-differ" in codes(sweep)
