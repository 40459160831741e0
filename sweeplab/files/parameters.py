"""From the pairs of numbers in a file to the reflection at port 1.

Sources: IBIS Open Forum, Touchstone File Format Specification 2.1 (2024), on formats and
normalisation; K. Kurokawa, IEEE Trans. MTT 13(2), 194 (1965), on power waves, which for real
references are the S-parameters of the specification.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from sweeplab.sweep import ComplexArray, FloatArray

Parameter = Literal["S", "Z", "Y"]
Immittance = Literal["Z", "Y"]
Form = Literal["RI", "MA", "DB"]
MatrixFormat = Literal["full", "lower", "upper"]


def to_complex(first: FloatArray, second: FloatArray, form: Form) -> ComplexArray:
    """Return the complex numbers of pairs.

    Parameters
    ----------
    first, second : ndarray, same shape
        RI: real and imaginary part. MA: magnitude and angle [deg]. DB: 20 log10 of the magnitude
        and angle [deg].
    form : {'RI', 'MA', 'DB'}

    Returns
    -------
    ndarray of complex, same shape
        Not finite where a number is missing or beyond floating point.
    """
    if form == "RI":
        value = np.empty(first.shape, dtype=np.complex128)
        value.real, value.imag = first, second
        return value
    with np.errstate(all="ignore"):
        size = first if form == "MA" else 10.0 ** (first / 20.0)
        return np.asarray(size * np.exp(1j * np.deg2rad(second)))


def matrix_of(values: ComplexArray, ports: int, matrix_format: MatrixFormat) -> ComplexArray:
    """Return the square matrices that rows of entries stand for.

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
        Of a two-port the off-diagonal entries may stand exchanged, which leaves S11 as it is.
    """
    if matrix_format == "full":
        return values.reshape(-1, ports, ports)
    rows, columns = np.tril_indices(ports) if matrix_format == "lower" else np.triu_indices(ports)
    matrix = np.empty((len(values), ports, ports), dtype=np.complex128)
    matrix[:, rows, columns] = values
    matrix[:, columns, rows] = values
    return matrix


def s11_of(matrix: ComplexArray, parameter: Immittance, references_ohm: FloatArray) -> ComplexArray:
    """Return the reflection at port 1 with every other port ended in its reference.

    Parameters
    ----------
    matrix : ndarray of complex, shape (m, n, n)
        Z [ohm] or Y [S]. Z11 alone would leave the other ports open, Y11 shorted.
    parameter : {'Z', 'Y'}
    references_ohm : ndarray, shape (n,)
        Real reference impedance of each port [ohm].

    Returns
    -------
    ndarray of complex, shape (m,)
        With D = diag(R): S11 = 1 - 2 R1 [(Z + D)^-1]11, and S11 = 2 [(1 + D Y)^-1]11 - 1
        (from S = F (Z - D) (Z + D)^-1 F^-1, Kurokawa 1965, with F diagonal). Not finite where
        the inverse does not exist.
    """
    # One singular or infinite point must not stop the others; it comes out as not finite.
    with np.errstate(all="ignore"):
        if parameter == "Z":
            inverse = _first_of_inverse(matrix + np.diag(references_ohm))
            return np.asarray(1.0 - 2.0 * references_ohm[0] * inverse)
        one = np.eye(matrix.shape[-1])
        return np.asarray(2.0 * _first_of_inverse(one + references_ohm[:, None] * matrix) - 1.0)


def _first_of_inverse(matrix: ComplexArray) -> ComplexArray:
    """Return entry 11 of each inverse, by Cramer's rule, which answers singular matrices too."""
    return np.asarray(np.linalg.det(matrix[:, 1:, 1:]) / np.linalg.det(matrix))
