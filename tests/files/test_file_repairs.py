"""Every repair is reported with its evidence; decoded text is what the file holds."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sweep_writing import codes, read_text

from sweeplab.files import read_sweep, read_sweeps, sweep_from_bytes
from sweeplab.finding import Finding
from sweeplab.sweep import Sweep

HEAD = "# MHz S RI R 50\n"


def finding(sweep: Sweep, code: str) -> Finding:
    """The one finding with this code."""
    (found,) = [finding for finding in sweep.findings if finding.code == code]
    return found


class TestRows:
    def test_missing_numbers_are_left_out_and_counted(self) -> None:
        text = HEAD + "7 0.5 0.25\n8 nan 0\n9 1.#QNAN -1.#IND\n10 0.5 0.25\n"
        sweep = read_text(text)
        assert sweep.f_hz.tolist() == [7e6, 10e6]
        found = finding(sweep, "missing-values")
        assert (found.level, found.evidence) == ("warning", {"rows": 2, "first_line": 3})

    def test_no_reflection_at_all_in_decibels_is_a_number(self) -> None:
        sweep = read_text("# MHz S DB R 50\n7 -inf 0\n8 -20 0\n")
        np.testing.assert_allclose(sweep.gamma, [0, 0.1], atol=1e-15)

    def test_repeats_are_averaged(self) -> None:
        sweep = read_text(HEAD + "7 0.50 0.25\n7 0.51 0.25\n8 0.5 0.25\n")
        np.testing.assert_allclose(sweep.gamma, [0.505 + 0.25j, 0.5 + 0.25j])
        found = finding(sweep, "frequencies-repeated")
        assert found.level == "note"
        assert found.evidence["rows"] == 1
        assert found.evidence["largest_deviation"] == pytest.approx(0.005)

    def test_repeats_that_differ_by_more_than_noise_are_a_warning(self) -> None:
        sweep = read_text(HEAD + "7 0.5 0.25\n7 0.9 0.25\n8 0.5 0.25\n")
        assert finding(sweep, "frequencies-repeated").level == "warning"

    def test_a_missing_repeat_does_not_spoil_the_other(self) -> None:
        sweep = read_text(HEAD + "7 0.5 0.25\n7 nan nan\n8 0.5 0.25\n")
        assert sweep.gamma.tolist() == [0.5 + 0.25j] * 2

    def test_falling_frequencies_are_turned(self) -> None:
        sweep = read_text(HEAD + "9 0.9 0\n8 0.8 0\n7 0.7 0\n")
        assert sweep.gamma.real.tolist() == [0.7, 0.8, 0.9]
        assert "fall;" in finding(sweep, "frequencies-sorted").text

    def test_zero_frequency_is_left_out(self) -> None:
        sweep = read_text(HEAD + "0 -1 0\n7 0.5 0.25\n")
        assert sweep.f_hz.tolist() == [7e6]
        assert codes(sweep) == ["zero-frequency"]


@given(st.permutations(range(6)), st.lists(st.integers(0, 5), max_size=6))
def test_the_order_of_rows_and_true_repeats_do_not_matter(
    order: list[int], again: list[int]
) -> None:
    rows = [f"{k + 7} {0.1 * k} {0.5 - 0.1 * k}\n" for k in range(6)]
    sweep = read_text(HEAD + "".join(rows[k] for k in [*order, *again]))
    plain = read_text(HEAD + "".join(rows))
    np.testing.assert_array_equal(sweep.f_hz, plain.f_hz)
    np.testing.assert_allclose(sweep.gamma, plain.gamma, rtol=1e-15)


TEXT = "! Prüfstand, 2026-05-03 10:12:00\n# MHz S RI R 50\n7 0.5 0.25\n8 0.25 0.5\n"


class TestEncoding:
    @pytest.mark.parametrize(
        "encoding",
        ["utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-16-le", "utf-16-be", "utf-32"],
    )
    @pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
    def test_all_are_consistent(self, encoding: str, end: str) -> None:
        sweep = sweep_from_bytes(TEXT.replace("\n", end).encode(encoding), "a.s1p")
        assert sweep.gamma.tolist() == [0.5 + 0.25j, 0.25 + 0.5j]
        assert sweep.origin.comments == ("! Prüfstand, 2026-05-03 10:12:00",)
        assert codes(sweep) == ([] if encoding == "utf-8" else ["encoding"])

    def test_an_old_end_of_file_mark_is_no_data(self) -> None:
        sweep = read_text(HEAD + "7 0.5 0.25\n\x1a")
        assert codes(sweep) == []

    def test_half_a_character_at_the_end_is_a_row_cut_off(self) -> None:
        data = (HEAD + "7 0.5 0.25\n8 0.5 0.2").encode("utf-16")[:-1]
        sweep = sweep_from_bytes(data, "a.s1p")
        assert len(sweep) == 1
        assert sorted(codes(sweep)) == ["encoding", "last-row-cut"]


class TestOrigin:
    def test_names_the_file_its_hash_and_its_reader(self, tmp_path: Path) -> None:
        path = tmp_path / "a.s1p"
        path.write_bytes(TEXT.encode())
        sweep = read_sweep(path)
        assert sweep.origin.file == str(path)
        assert sweep.origin.sha256 == hashlib.sha256(TEXT.encode()).hexdigest()
        assert sweep.origin.reader == "touchstone"

    def test_a_time_in_the_comments_goes_before_the_files_own(self, tmp_path: Path) -> None:
        path = tmp_path / "a.s1p"
        path.write_bytes(TEXT.encode())
        assert read_sweep(path).origin.taken == "2026-05-03T10:12:00Z"

    @pytest.mark.parametrize("comment", ["", "; odd\n"])
    def test_the_modification_time_is_the_fallback(self, tmp_path: Path, comment: str) -> None:
        path = tmp_path / "a.s1p"
        path.write_text(comment + HEAD + "7 0.5 0.25\n")
        os.utime(path, (1_777_777_777, 1_777_777_777))
        assert read_sweep(path).origin.taken == "2026-05-03T03:09:37Z"
        assert sweep_from_bytes(path.read_bytes(), "a.s1p").origin.taken is None

    def test_bytes_read_again_give_the_same_sweep(self, tmp_path: Path) -> None:
        path = tmp_path / "a.s1p"
        path.write_bytes(TEXT.encode())
        (sweep,) = read_sweeps([path])
        again = sweep_from_bytes(path.read_bytes(), str(path))
        assert again.origin == sweep.origin
        np.testing.assert_array_equal(again.gamma, sweep.gamma)
