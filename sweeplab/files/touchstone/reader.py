"""Touchstone 1.0, 1.1, 2.0 and 2.1: the reflection at one of any number of ports.

Source: IBIS Open Forum, Touchstone File Format Specification 2.1 (2024). Version 1 holds Z, Y,
G and H normalised to R, version 2 in ohms and siemens. Noise data are left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.text.decode import TextFile
from sweeplab.files.text.normalize import MAX_PLAUSIBLE_HZ, ParsedSweep
from sweeplab.files.text.reader_protocol import Confidence, ReadOptions
from sweeplab.files.touchstone.data_rows import DataRows, group_rows
from sweeplab.files.touchstone.lexer import ClassifiedLines, classify_lines
from sweeplab.files.touchstone.network_parameters import (
    MatrixFormat,
    matrix_of,
    natural_units,
    reflection_of,
    to_complex,
)
from sweeplab.files.touchstone.option_line import (
    OptionLine,
    looks_like_option_line,
    parse_reference_ohm,
)
from sweeplab.finding import Finding
from sweeplab.sweep import ComplexArray, FloatArray

# Some simulators write each port's impedance next to each row, as a comment; the first non-zero
# number of a pair is the resistance.
_PORT_IMPEDANCE = re.compile(
    r"port impedance\s*(?:0(?:\.0*)?\s+)?([0-9]*\.?[0-9]+(?:e[+-]?[0-9]+)?)", re.IGNORECASE
)
_VERSIONS = ("2.0", "2.1")
_MATRIX_FORMATS: dict[str, MatrixFormat] = {"full": "full", "lower": "lower", "upper": "upper"}


@dataclass(frozen=True)
class MatrixLayout:
    """How a file's numbers represent matrices.

    Parameters
    ----------
    ports : int
    references_ohm : ndarray, shape (ports,)
        [ohm]
    matrix_format : {'full', 'lower', 'upper'}
    normalised : bool
        Z, Y, G and H are relative to the reference, as in version 1.
    """

    ports: int
    references_ohm: FloatArray
    matrix_format: MatrixFormat
    normalised: bool


def recognize(text_file: TextFile, options: ReadOptions) -> Confidence:
    """Return how confident the reader is that a text is Touchstone."""
    if options.columns is not None:
        return Confidence(0.0, "its columns were named")
    suffix_matches = text_file.ports is not None or text_file.suffix == ".ts"
    for line in text_file.lines:
        text = line.partition("!")[0].strip()
        if text.lower().startswith("[version]"):
            return Confidence(1.0, "begins with [Version]")
        if text.startswith("#"):
            return _recognize_option_line(text, suffix_matches)
        if text and text[0] not in ";%":
            break
    if suffix_matches:
        return Confidence(0.5, f"no option line, but named {text_file.suffix}")
    return Confidence(0.0, "no option line '# ...'")


def _recognize_option_line(text: str, suffix_matches: bool) -> Confidence:
    if not looks_like_option_line(text):
        return Confidence(0.8 if suffix_matches else 0.0, "the '#' line is no option line")
    if text == "#" and not suffix_matches:
        return Confidence(0.4, "a bare '#'")
    return Confidence(1.0, "has an option line")


def read(text_file: TextFile, options: ReadOptions) -> ParsedSweep:
    """Return the sweep of a Touchstone text.

    Raises
    ------
    ReadError
        The text breaks the standard in a way that leaves more than one reading.
    """
    classified = classify_lines(text_file)
    if not classified.row_lines:
        raise ReadError(text_file.name, "no data", "save the sweep again")
    option_line = classified.option_line or OptionLine()
    rows = group_rows(classified, text_file)
    layout = _matrix_layout(classified, option_line, rows, text_file.name)
    port = _selected_port(options, layout, text_file.name)
    findings = [*classified.findings, *rows.findings, *_port_impedance_findings(classified, layout)]
    if layout.normalised and option_line.parameter != "S" and len(set(layout.references_ohm)) > 1:
        findings.append(_references_differ(option_line.parameter))
    with np.errstate(over="ignore"):
        f_hz = rows.values[:, 0] * option_line.f_scale_hz
    pairs = to_complex(rows.values[:, 1::2], rows.values[:, 2::2], option_line.pair_format)
    is_negative = option_line.pair_format == "MA" and bool((rows.values[:, 1] < 0).any())
    if is_negative:
        findings.append(_negative_magnitude())
    if classified.option_line is None:
        first_line = classified.row_lines[0]
        findings.append(_default_options(f_hz, is_negative, text_file.name, first_line))
    z0_ohm = float(layout.references_ohm[port - 1])
    if options.z0_ohm is not None and options.z0_ohm != z0_ohm:
        findings.append(_reference_replaced(z0_ohm, options.z0_ohm))
    z0_ohm = options.z0_ohm or z0_ohm
    gamma = _reflection(pairs, option_line, layout, port, z0_ohm)
    return ParsedSweep(
        f_hz, gamma, rows.lines, z0_ohm, tuple(classified.comments.lines), tuple(findings)
    )


def _reflection(
    pairs: ComplexArray, option_line: OptionLine, layout: MatrixLayout, port: int, z0_ohm: float
) -> ComplexArray:
    """Return the reflection at a port, against `z0_ohm` there."""
    matrix = matrix_of(pairs, layout.ports, layout.matrix_format)
    if option_line.parameter == "S":
        return matrix[:, port - 1, port - 1]
    if layout.normalised:
        matrix = natural_units(matrix, option_line.parameter, layout.references_ohm)
    termination_ohm = layout.references_ohm.copy()
    termination_ohm[port - 1] = z0_ohm
    return reflection_of(matrix, option_line.parameter, termination_ohm, port)


def _selected_port(options: ReadOptions, layout: MatrixLayout, path: str) -> int:
    port = options.port or 1
    if port > layout.ports:
        raise ReadError(
            path, f"port {port} asked of {layout.ports} port(s)", "ask for one that is there"
        )
    return port


def _default_options(f_hz: FloatArray, is_negative: bool, path: str, line: int) -> Finding:
    """Return the warning that the standard's default was used, if it is plausible."""
    highest = float(np.nanmax(f_hz, initial=0.0))
    if is_negative or highest > MAX_PLAUSIBLE_HZ:
        why = "a magnitude below zero" if is_negative else f"frequencies up to {highest:.3g} Hz"
        raise ReadError(
            path,
            f"no option line, and its default (GHz S MA R 50) would mean {why}",
            "put one above, such as '# MHz S RI R 50', with the unit, parameter, format and "
            "reference the file was saved in",
            line,
        )
    return Finding(
        code="option-line-missing",
        level="warning",
        text="There is no option line; the standard's default was taken: GHz, S, magnitude and "
        "angle, 50 ohm.",
        evidence={"f_stop_hz": highest},
        action="Check the frequencies; put an option line above if they are wrong.",
    )


def _matrix_layout(
    classified: ClassifiedLines, option_line: OptionLine, rows: DataRows, path: str
) -> MatrixLayout:
    references = option_line.references_ohm
    matrix_format: MatrixFormat = "full"
    if classified.is_version_2:
        _check_version(classified, path)
        references = _keyword_references(classified, path) or references
        matrix_format = _matrix_format(classified, path)
    if len(references) not in (1, rows.ports):
        raise ReadError(
            path,
            f"{len(references)} reference impedances, {rows.ports} port(s)",
            "give one, or one a port",
        )
    if option_line.parameter in ("G", "H") and rows.ports != 2:
        raise ReadError(
            path,
            f"{option_line.parameter} parameters of {rows.ports} port(s)",
            "save the sweep as S, Z or Y parameters: hybrids are a two-port's",
        )
    full = np.full(rows.ports, references[0]) if len(references) == 1 else np.array(references)
    return MatrixLayout(rows.ports, full, matrix_format, normalised=not classified.is_version_2)


def _check_version(classified: ClassifiedLines, path: str) -> None:
    line, words = classified.keywords["version"]
    if words[:1] not in [[version] for version in _VERSIONS]:
        raise ReadError(
            path, f"version {quoted(' '.join(words))}", "save as Touchstone 1 or 2.0", line
        )
    if "mixed-mode order" in classified.keywords:
        line, _ = classified.keywords["mixed-mode order"]
        raise ReadError(path, "mixed-mode data", "save single-ended data", line)


def _keyword_references(classified: ClassifiedLines, path: str) -> tuple[float, ...]:
    if "reference" not in classified.keywords:
        return ()
    line, words = classified.keywords["reference"]
    return tuple(parse_reference_ohm(word, path, line) for word in words)


def _matrix_format(classified: ClassifiedLines, path: str) -> MatrixFormat:
    if "matrix format" not in classified.keywords:
        return "full"
    line, words = classified.keywords["matrix format"]
    found = _MATRIX_FORMATS.get(" ".join(words).lower())
    if found is None:
        raise ReadError(
            path, f"matrix format {quoted(' '.join(words))}", "use Full, Lower or Upper", line
        )
    return found


def _negative_magnitude() -> Finding:
    return Finding(
        code="negative-magnitude",
        level="warning",
        text="Magnitudes below zero: is the format DB and not MA?",
        action="Check the format in the option line.",
    )


def _references_differ(parameter: str) -> Finding:
    return Finding(
        code="references-differ",
        level="warning",
        text=f"The ports have different references; {parameter} parameters were taken as "
        "normalised to those, port by port.",
        action="Save the sweep as S parameters if all were normalised to one.",
    )


def _reference_replaced(stated_ohm: float, used_ohm: float) -> Finding:
    return Finding(
        code="reference-replaced",
        level="warning",
        text=f"The file says {stated_ohm:g} ohm; {used_ohm:g} ohm was used, as asked.",
        evidence={"stated_ohm": stated_ohm, "used_ohm": used_ohm},
        action="Leave the reference out to use the file's own.",
    )


def _port_impedance_findings(classified: ClassifiedLines, layout: MatrixLayout) -> list[Finding]:
    """Return a warning where comments name other port impedances than the option line."""
    stated_ohm = float(layout.references_ohm[0])
    for comment in classified.comments.lines:
        match = _PORT_IMPEDANCE.search(comment)
        value = float(match[1]) if match else stated_ohm
        if value != stated_ohm:
            return [
                Finding(
                    code="impedance-in-comments",
                    level="warning",
                    text=f"A comment names a port impedance of {value:g} ohm; the reference "
                    f"of {stated_ohm:g} ohm was used.",
                    evidence={"comment_ohm": value},
                    action="Save the sweep renormalised to one real impedance.",
                )
            ]
    return []
