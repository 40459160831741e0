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
from sweeplab.files.text.normalize import MOST_PLAUSIBLE_HZ, ParsedSweep
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
from sweeplab.files.touchstone.option_line import OptionLine, looks_like_option_line, reference_ohm
from sweeplab.finding import Finding
from sweeplab.sweep import ComplexArray, FloatArray

# Some simulators write the impedance of each port beside each row, as a comment; of a pair the
# first number that is not zero is the resistance.
_PORT_IMPEDANCE = re.compile(
    r"port impedance\s*(?:0(?:\.0*)?\s+)?([0-9]*\.?[0-9]+(?:e[+-]?[0-9]+)?)", re.IGNORECASE
)
_VERSIONS = ("2.0", "2.1")
_MATRIX_FORMATS: dict[str, MatrixFormat] = {"full": "full", "lower": "lower", "upper": "upper"}


@dataclass(frozen=True)
class MatrixLayout:
    """How a file's numbers stand for matrices.

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


def claim(source: TextFile, request: ReadOptions) -> Confidence:
    """Return how sure it is that a text is Touchstone."""
    if request.columns is not None:
        return Confidence(0.0, "its columns were named")
    named = source.ports is not None or source.suffix == ".ts"
    for line in source.lines:
        text = line.partition("!")[0].strip()
        if text.lower().startswith("[version]"):
            return Confidence(1.0, "begins with [Version]")
        if text.startswith("#"):
            return _claim_by_options(text, named)
        if text and text[0] not in ";%":
            break
    if named:
        return Confidence(0.5, f"no option line, but named {source.suffix}")
    return Confidence(0.0, "no option line '# ...'")


def _claim_by_options(text: str, named: bool) -> Confidence:
    if not looks_like_option_line(text):
        return Confidence(0.8 if named else 0.0, "the '#' line is no option line")
    if text == "#" and not named:
        return Confidence(0.4, "a bare '#'")
    return Confidence(1.0, "has an option line")


def read(source: TextFile, request: ReadOptions) -> ParsedSweep:
    """Return the rows of a Touchstone text.

    Raises
    ------
    ReadError
        The text breaks the standard in a way that leaves more than one reading.
    """
    script = classify_lines(source)
    if not script.row_lines:
        raise ReadError(source.name, "no data", "save the sweep again")
    options = script.options or OptionLine()
    groups = group_rows(script, source)
    layout = _layout(script, options, groups, source.name)
    port = _port(request, layout, source.name)
    findings = [*script.findings, *groups.findings, *_impedance_comments(script, layout)]
    if layout.normalised and options.parameter != "S" and len(set(layout.references_ohm)) > 1:
        findings.append(_normalised_port_by_port(options.parameter))
    with np.errstate(over="ignore"):
        f_hz = groups.values[:, 0] * options.f_scale_hz
    pairs = to_complex(groups.values[:, 1::2], groups.values[:, 2::2], options.form)
    below_zero = options.form == "MA" and bool((groups.values[:, 1] < 0).any())
    if below_zero:
        findings.append(_negative_magnitude())
    if script.options is None:
        findings.append(_default_options(f_hz, below_zero, source.name, script.row_lines[0]))
    z0_ohm = float(layout.references_ohm[port - 1])
    if request.z0_ohm is not None and request.z0_ohm != z0_ohm:
        findings.append(_other_reference(z0_ohm, request.z0_ohm))
    z0_ohm = request.z0_ohm or z0_ohm
    gamma = _reflection(pairs, options, layout, port, z0_ohm)
    return ParsedSweep(
        f_hz, gamma, groups.lines, z0_ohm, tuple(script.comments.lines), tuple(findings)
    )


def _reflection(
    pairs: ComplexArray, options: OptionLine, layout: MatrixLayout, port: int, z0_ohm: float
) -> ComplexArray:
    """Return the reflection at a port, against `z0_ohm` there."""
    matrix = matrix_of(pairs, layout.ports, layout.matrix_format)
    if options.parameter == "S":
        return matrix[:, port - 1, port - 1]
    if layout.normalised:
        matrix = natural_units(matrix, options.parameter, layout.references_ohm)
    wanted = layout.references_ohm.copy()
    wanted[port - 1] = z0_ohm
    return reflection_of(matrix, options.parameter, wanted, port)


def _port(request: ReadOptions, layout: MatrixLayout, path: str) -> int:
    port = request.port or 1
    if port > layout.ports:
        raise ReadError(
            path, f"port {port} asked of {layout.ports} port(s)", "ask for one that is there"
        )
    return port


def _default_options(f_hz: FloatArray, below_zero: bool, path: str, line: int) -> Finding:
    """Return the warning that the standard's default was taken, where it can be meant."""
    highest = float(np.nanmax(f_hz, initial=0.0))
    if below_zero or highest > MOST_PLAUSIBLE_HZ:
        why = "a magnitude below zero" if below_zero else f"frequencies up to {highest:.3g} Hz"
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


def _layout(
    script: ClassifiedLines, options: OptionLine, groups: DataRows, path: str
) -> MatrixLayout:
    references = options.references_ohm
    matrix_format: MatrixFormat = "full"
    if script.is_version_2:
        _check_version(script, path)
        references = _stated_references(script, path) or references
        matrix_format = _matrix_format(script, path)
    if len(references) not in (1, groups.ports):
        raise ReadError(
            path,
            f"{len(references)} reference impedances, {groups.ports} port(s)",
            "give one, or one a port",
        )
    if options.parameter in ("G", "H") and groups.ports != 2:
        raise ReadError(
            path,
            f"{options.parameter} parameters of {groups.ports} port(s)",
            "save the sweep as S, Z or Y parameters: hybrids are a two-port's",
        )
    full = np.full(groups.ports, references[0]) if len(references) == 1 else np.array(references)
    return MatrixLayout(groups.ports, full, matrix_format, normalised=not script.is_version_2)


def _check_version(script: ClassifiedLines, path: str) -> None:
    line, words = script.keywords["version"]
    if words[:1] not in [[version] for version in _VERSIONS]:
        raise ReadError(
            path, f"version {quoted(' '.join(words))}", "save as Touchstone 1 or 2.0", line
        )
    if "mixed-mode order" in script.keywords:
        line, _ = script.keywords["mixed-mode order"]
        raise ReadError(path, "mixed-mode data", "save single-ended data", line)


def _stated_references(script: ClassifiedLines, path: str) -> tuple[float, ...]:
    if "reference" not in script.keywords:
        return ()
    line, words = script.keywords["reference"]
    return tuple(reference_ohm(word, path, line) for word in words)


def _matrix_format(script: ClassifiedLines, path: str) -> MatrixFormat:
    if "matrix format" not in script.keywords:
        return "full"
    line, words = script.keywords["matrix format"]
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


def _normalised_port_by_port(parameter: str) -> Finding:
    return Finding(
        code="references-differ",
        level="warning",
        text=f"The ports have different references; {parameter} parameters were taken as "
        "normalised to those, port by port.",
        action="Save the sweep as S parameters if all were normalised to one.",
    )


def _other_reference(stated_ohm: float, asked_ohm: float) -> Finding:
    return Finding(
        code="reference-replaced",
        level="warning",
        text=f"The file says {stated_ohm:g} ohm; {asked_ohm:g} ohm was used, as asked.",
        evidence={"stated_ohm": stated_ohm, "used_ohm": asked_ohm},
        action="Leave the reference out to use the file's own.",
    )


def _impedance_comments(script: ClassifiedLines, layout: MatrixLayout) -> list[Finding]:
    """Return a warning where comments name other port impedances than the option line."""
    stated_ohm = float(layout.references_ohm[0])
    for comment in script.comments.lines:
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
