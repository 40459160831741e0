"""Network parameters: from a file's pairs of numbers to the reflection at one port.

Sources: IBIS Open Forum, Touchstone File Format Specification 2.1 (2024), on formats and
normalisation; K. Kurokawa, IEEE Trans. MTT 13(2), 194 (1965), on power waves, which for real
references are the S-parameters of the specification.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from sweeplab.sweep import ComplexArray, FloatArray

Parameter = Literal["S", "Z", "Y", "G", "H"]
Immittance = Literal["Z", "Y", "G", "H"]
PairFormat = Literal["RI", "MA", "DB"]
MatrixFormat = Literal["full", "lower", "upper"]


def to_complex(first: FloatArray, second: FloatArray, pair_format: PairFormat) -> ComplexArray:
    """Return the complex numbers of pairs.

    Parameters
    ----------
    first, second : ndarray, same shape
        RI: real and imaginary part. MA: magnitude and angle [deg]. DB: 20 log10 of the magnitude
        and angle [deg].
    pair_format : {'RI', 'MA', 'DB'}

    Returns
    -------
    ndarray of complex, same shape
        Not finite where a number is missing or overflows.
    """
    if pair_format == "RI":
        value = np.empty(first.shape, dtype=np.complex128)
        value.real, value.imag = first, second
        return value
    with np.errstate(all="ignore"):
        magnitude = first if pair_format == "MA" else 10.0 ** (first / 20.0)
        return np.asarray(magnitude * np.exp(1j * np.deg2rad(second)))


def matrix_of(values: ComplexArray, ports: int, matrix_format: MatrixFormat) -> ComplexArray:
    """Return the square matrices of rows of entries.

    Parameters
    ----------
    values : ndarray of complex, shape (m, k)
        k is ``ports ** 2`` for a full matrix, else ``ports * (ports + 1) / 2``.
    ports : int
    matrix_format : {'full', 'lower', 'upper'}
        Triangles are those of a symmetric matrix.

    Returns
    -------
    ndarray of complex, shape (m, ports, ports)
        The off-diagonal entries of a two-port may be swapped, which does not change the
        reflections at its ports.
    """
    if matrix_format == "full":
        return values.reshape(-1, ports, ports)
    rows, columns = np.tril_indices(ports) if matrix_format == "lower" else np.triu_indices(ports)
    matrix = np.empty((len(values), ports, ports), dtype=np.complex128)
    matrix[:, rows, columns] = values
    matrix[:, columns, rows] = values
    return matrix


def natural_units(
    matrix: ComplexArray, parameter: Immittance, references_ohm: FloatArray
) -> ComplexArray:
    """Return matrices in ohms and siemens that version 1 holds relative to the references.

    With different references an entry off the diagonal may have been divided by that of its row,
    of its column or by the root of both. Each of these is M = A m B with A and B diagonal and
    A B = D, the terminations; so (M + D)^-1 = B^-1 (m + 1)^-1 A^-1 has the same diagonal for all,
    and `reflection_of` gives the same. The root is used here.

    Parameters
    ----------
    matrix : ndarray of complex, shape (m, n, n)
    parameter : {'Z', 'Y', 'G', 'H'}
    references_ohm : ndarray, shape (n,)
        [ohm]
    """
    terminations = _terminations(parameter, references_ohm)
    with np.errstate(all="ignore"):
        return np.asarray(matrix * np.sqrt(np.outer(terminations, terminations)))


def reflection_of(
    matrix: ComplexArray, parameter: Immittance, references_ohm: FloatArray, port: int = 1
) -> ComplexArray:
    """Return the reflection at a port with every other port terminated in its reference.

    Parameters
    ----------
    matrix : ndarray of complex, shape (m, n, n)
        Z [ohm], Y [S], or of a two-port G or H [ohm, S, 1]. Z11 alone would leave the other
        ports open, Y11 shorted.
    parameter : {'Z', 'Y', 'G', 'H'}
        With H the first port is driven by a current and the second by a voltage, with G the
        other way round.
    references_ohm : ndarray, shape (n,)
        Real reference impedance of each port [ohm].
    port : int
        Counted from one.

    Returns
    -------
    ndarray of complex, shape (m,)
        With D the terminations, R where a current drives the port and 1/R where a voltage does, and
        e = [(M + D)^-1]pp: 1 - 2 Rp e where a current drives port p, 2 e / Rp - 1 where a voltage
        does (from S = F (Z - D) (Z + D)^-1 F^-1, Kurokawa 1965, with F diagonal, and what it
        becomes as ports change sides). Not finite where the inverse does not exist.
    """
    terminations = _terminations(parameter, references_ohm)
    # One singular or infinite point must not affect the others; it becomes non-finite.
    with np.errstate(all="ignore"):
        inverse = _inverse_diagonal(matrix + np.diag(terminations), port - 1)
        by_current = (parameter, port) in (("H", 1), ("G", 2)) or parameter == "Z"
        doubled = 2.0 * terminations[port - 1] * inverse
        return np.asarray(1.0 - doubled if by_current else doubled - 1.0)


def _terminations(parameter: Immittance, references_ohm: FloatArray) -> FloatArray:
    """Return each port's termination: ohms if a current drives it, siemens if a voltage does."""
    terminations = np.array(references_ohm if parameter in ("Z", "H") else 1.0 / references_ohm)
    if parameter in ("G", "H"):
        terminations[1:] = 1.0 / terminations[1:]
    return terminations


def _inverse_diagonal(matrix: ComplexArray, index: int) -> ComplexArray:
    """Return one diagonal entry of each inverse by Cramer's rule, non-finite if singular."""
    others = np.delete(np.delete(matrix, index, axis=1), index, axis=2)
    return np.asarray(np.linalg.det(others) / np.linalg.det(matrix))
