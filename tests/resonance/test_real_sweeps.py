"""Measurements that sweeplab did not make: figures known from elsewhere, refusals, no surprises."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
import skrf
from corpus import CORPUS, MAT58, NEEDS_CORPUS, measured

from sweeplab import ReadError, Resonance, find_match, fit_resonance, read_sweep


@cache
def fitted(path: Path) -> Resonance:
    return fit_resonance(read_sweep(path))


@NEEDS_CORPUS
class TestASmallTransmittingLoop:
    # A home-built loop's calibrated sweeps (MIT- or GPL-licensed collections, see the corpus's own
    # notes); figures of a fit with a line-delay term by whoever gathered them, not truth: 3 %.
    FIGURES = (
        ("hf_loops/loopctl__calibrated_20m310322.s1p", 13.993e6, 72.0),
        ("hf_loops/loopctl__calibrated_15m310322.s1p", 21.220e6, 54.0),
    )

    @pytest.mark.parametrize(("name", "f_loaded_hz", "q_loaded"), FIGURES)
    def test_resonance_and_loaded_q(self, name: str, f_loaded_hz: float, q_loaded: float) -> None:
        fit = fitted(CORPUS / name)
        assert fit.f_loaded_hz is not None
        assert fit.q_loaded is not None
        assert fit.f_loaded_hz.value == pytest.approx(f_loaded_hz, rel=1e-4)
        assert fit.q_loaded.value == pytest.approx(q_loaded, rel=0.03)

    @pytest.mark.parametrize("name", [name for name, _, _ in FIGURES])
    def test_some_210_ns_of_line_are_found(self, name: str) -> None:
        fit = fitted(CORPUS / name)
        assert fit.circle is not None
        assert fit.circle.delay_s == pytest.approx(210e-9, rel=0.10)

    def test_a_span_too_narrow_is_refused(self) -> None:
        # "12 m not determinable from that span", as the corpus's notes have it.
        assert fitted(CORPUS / "hf_loops/loopctl__calibrated_12m310322.s1p").status == "refused"


class TestWireAntennasAndCoils:
    @pytest.mark.parametrize("path", measured("hf_antennas/*.s1p"))
    def test_a_wire_antenna_is_no_isolated_resonance(self, path: Path) -> None:
        # Low Q or a part of an arc: refusing is right.
        assert fitted(path).status != "ok"

    @pytest.mark.slow
    @pytest.mark.parametrize("path", measured("rfid_lc_coils/*.s1p"))
    def test_a_coil_on_a_ferrite_core_is_refused(self, path: Path) -> None:
        assert fitted(path).status == "refused"


class TestCoaxialResonators:
    @pytest.mark.parametrize("path", measured("highq_resonators/*"))
    def test_loaded_q_lies_where_its_notes_put_it(self, path: Path) -> None:
        # "Coaxial resonators near 62 MHz, close to critical coupling, QL about 570-820".
        fit = fitted(path)
        assert fit.q_loaded is not None
        assert fit.coupling_factor is not None
        assert 560 < fit.q_loaded.value < 840
        assert 0.5 < fit.coupling_factor.value < 2


class TestWhateverCanBeRead:
    @NEEDS_CORPUS
    def test_every_readable_file_has_a_status_and_reasons(self) -> None:
        # The coils' thousand points take a second each: see the slow test.
        folders = ("hf_*/*", "highq_*/*", "zoo/*")
        assert_no_surprises([path for folder in folders for path in CORPUS.glob(folder)])

    def test_the_resonators_of_mat58(self) -> None:
        assert_no_surprises(sorted(MAT58.iterdir()))

    def test_scikit_rf_s_own_data(self) -> None:
        folder = Path(skrf.__file__).parent / "data"
        paths = sorted(folder.glob("*.s?p"))
        assert paths
        assert_no_surprises(paths)


def assert_no_surprises(paths: list[Path]) -> None:
    """Whatever reads is fitted without an exception; a refusal has a reason, a figure a u."""
    read = 0
    for path in paths:
        try:
            sweep = read_sweep(path)
        except ReadError:
            continue
        read += 1
        fit = fitted(path)
        match = find_match(sweep, fit)
        assert match.swr_min is None or match.swr_min >= 1
        if fit.status == "refused":
            assert any(finding.level == "problem" for finding in fit.findings)
        else:
            assert fit.q_loaded is not None
            assert 0 < fit.q_loaded.u < fit.q_loaded.value
        if fit.status == "doubtful":
            assert any(finding.level == "warning" for finding in fit.findings)
    assert read > 0
