"""scikit-rf as oracle: what it reads, and what this package says of the same files.

Its own data files come with it (BSD licence).
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
import skrf
from corpus import MAT58, measured

from sweeplab.errors import ReadError
from sweeplab.files import read_sweep

PACKAGED = sorted((Path(skrf.__file__).parent / "data").glob("*.s?p"))
MEASURED = [
    *measured("**/*"),
    *(pytest.param(path, id=path.name) for path in sorted(MAT58.iterdir())),
]


def oracle(path: Path, port: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies, each once, and a port's reflection by scikit-rf, repeats averaged."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        network = skrf.Network(str(path))
    f_hz, place = np.unique(network.f, return_inverse=True)
    s11 = network.s[:, port - 1, port - 1]
    mean = (np.bincount(place, s11.real) + 1j * np.bincount(place, s11.imag)) / np.bincount(place)
    return f_hz, mean


@pytest.mark.parametrize("path", PACKAGED, ids=lambda path: path.name)
def test_agrees_on_the_files_that_come_with_it(path: Path) -> None:
    sweep = read_sweep(path)
    f_hz, s11 = oracle(path)
    np.testing.assert_allclose(sweep.f_hz, f_hz, rtol=1e-14)
    np.testing.assert_allclose(sweep.gamma, s11, atol=1e-14)
    assert sweep.z0_ohm == 50


@pytest.mark.parametrize(
    "path", [path for path in PACKAGED if path.suffix != ".s1p"], ids=lambda path: path.name
)
def test_agrees_at_the_last_port_too(path: Path) -> None:
    port = int(path.suffix[2:-1])
    f_hz, reflection = oracle(path, port)
    sweep = read_sweep(path, port=port)
    np.testing.assert_allclose(sweep.f_hz, f_hz, rtol=1e-14)
    np.testing.assert_allclose(sweep.gamma, reflection, atol=1e-14)


@pytest.mark.parametrize("path", MEASURED)
def test_agrees_on_measured_files_or_refuses_in_one_line(path: Path) -> None:
    refused = None
    try:
        sweep = read_sweep(path)
    except ReadError as error:
        refused = str(error)
    if refused is not None:
        # Tables without a header, notes, transmission, complex references.
        assert path.suffix != ".s1p"
        assert "\n" not in refused
        return
    if sweep.origin.reader == "touchstone":
        f_hz, s11 = oracle(path)
        np.testing.assert_allclose(sweep.f_hz, f_hz, rtol=1e-14)
        np.testing.assert_allclose(sweep.gamma, s11, atol=1e-13)


def test_reads_the_reflection_of_npl_mat_58() -> None:
    """NPL Report MAT 58 (2021), Table 6(c): real and imaginary part next to magnitude and angle."""
    path = MAT58 / "Table6c27.txt"
    sweep = read_sweep(path)
    f_ghz, re, im, size, _ = np.loadtxt(path, comments="%", unpack=True)
    np.testing.assert_allclose(sweep.f_hz, f_ghz * 1e9, rtol=1e-15)
    np.testing.assert_allclose(sweep.gamma, re + 1j * im)
    np.testing.assert_allclose(abs(sweep.gamma), size, atol=1e-6)
    assert sweep.origin.taken == "2013-02-03T12:06:23Z"
