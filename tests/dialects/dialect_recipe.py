"""Makes the spellings: one invented sweep, written in every way a file may write it.

Run as a script it writes the files of ``spellings/`` again, with ``expected.csv``. Formulas are
written out here, apart from the readers: S = (Z - 1)(Z + 1)^-1 and back by numpy's inverse.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).parent
F_HZ = np.array([7_050_000, 7_060_000, 7_070_000, 7_080_000, 7_090_000, 7_100_000, 7_110_000])
# A loaded resonance at 7.08 MHz; to nine decimals, so that every spelling can hold it.
GAMMA = np.round(0.02 - 0.31j - (0.9 - 0.1j) / (1 + 300j * (F_HZ / 7.08e6 - 7.08e6 / F_HZ)), 9)
Spelling = tuple[bytes, tuple[str, ...]]
Pair = Callable[[complex], tuple[float, float]]
SCALE = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}


def ri(value: complex) -> tuple[float, float]:
    return value.real, value.imag


def ma(value: complex) -> tuple[float, float]:
    return abs(value), math.degrees(cmath.phase(value))


def db(value: complex) -> tuple[float, float]:
    return 20 * math.log10(abs(value)), math.degrees(cmath.phase(value))


def z_of(gamma: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Impedance over reference."""
    return np.asarray((1 + gamma) / (1 - gamma))


def number(value: float) -> str:
    return f"{value:.12g}"


def rows(
    values: Iterable[complex] = GAMMA,
    pair: Pair = ri,
    unit: str = "Hz",
    gap: str = " ",
) -> list[str]:
    return [
        gap.join(number(x) for x in (f / SCALE[unit], *pair(complex(value))))
        for f, value in zip(F_HZ, values, strict=True)
    ]


def text(lines: Iterable[str], end: str = "\n") -> bytes:
    return "".join(line + end for line in lines).encode()


def inverse(m: NDArray[np.complex128]) -> NDArray[np.complex128]:
    return np.asarray(np.linalg.inv(m), dtype=np.complex128)


def matrices(ports: int) -> NDArray[np.complex128]:
    """Symmetric S matrices with the sweep at port 1 and made-up entries elsewhere."""
    s = np.zeros((F_HZ.size, ports, ports), dtype=complex)
    for i in range(ports):
        for j in range(ports):
            s[:, i, j] = 0.1 / (1 + i + j) + 0.03j * (i + 1) * (j + 1)
    s[:, 0, 0] = GAMMA
    return s


def z_matrices(ports: int) -> NDArray[np.complex128]:
    """Normalised impedance matrices of `matrices`."""
    one = np.eye(ports)
    s = matrices(ports)
    return np.asarray(inverse(one - s) @ (one + s))


def hybrid_matrices() -> NDArray[np.complex128]:
    """Normalised H matrices of `matrices`; G is their inverse.

    H11 = det Z / Z22, H12 = Z12 / Z22, H21 = -Z21 / Z22, H22 = 1 / Z22 (common practice, no
    source).
    """
    z = z_matrices(2)
    h = np.stack(
        [np.linalg.det(z), z[:, 0, 1], -z[:, 1, 0], np.ones(len(z))], axis=-1
    ) / z[:, 1, 1, None]  # fmt: skip
    return np.asarray(h.reshape(-1, 2, 2))


def matrix_rows(
    m: NDArray[np.complex128], wrap: int, entries: str = "full", unit: str = "MHz"
) -> list[str]:
    """Rows of a multi-port file, `wrap` pairs a line, a new line for each row of the matrix."""
    lines = []
    for f, matrix in zip(F_HZ, m, strict=True):
        start = [number(f / SCALE[unit])]
        for i, row in enumerate(matrix):
            chosen = {"full": row, "lower": row[: i + 1], "upper": row[i:]}[entries]
            pairs = [" ".join(number(x) for x in ri(complex(value))) for value in chosen]
            for k in range(0, len(pairs), wrap):
                lines.append(" ".join([*start, *pairs[k : k + wrap]]))
                start = []
    return lines


def two_port_rows(m: NDArray[np.complex128], unit: str = "MHz") -> list[str]:
    order = [(0, 0), (1, 0), (0, 1), (1, 1)]
    return [
        " ".join(
            [number(f / SCALE[unit])]
            + [number(x) for i, j in order for x in ri(complex(matrix[i, j]))]
        )
        for f, matrix in zip(F_HZ, m, strict=True)
    ]


def touchstone_1() -> dict[str, Spelling]:
    z, y = z_of(GAMMA), 1 / z_of(GAMMA)
    r75 = 50 * z / 75
    plain = ["# Hz S RI R 50", *rows()]
    return {
        "ri-hz.s1p": (text(plain), ()),
        "ri-khz.s1p": (text(["# kHz S RI R 50", *rows(unit="kHz")]), ()),
        "ma-mhz.s1p": (text(["# MHz S MA R 50", *rows(pair=ma, unit="MHz")]), ()),
        "db-ghz.s1p": (text(["# GHz S DB R 50", *rows(pair=db, unit="GHz")]), ()),
        "option-line-below.s1p": (text([*rows(), "# Hz S RI R 50"]), ("option-line-late",)),
        "option-line-missing.s1p": (
            text(["! GHz S MA R 50", *rows(pair=ma, unit="GHz")]),
            ("option-line-missing",),
        ),
        "two-ports-h.s2p": (
            text(["# MHz H RI R 50", *two_port_rows(hybrid_matrices())]),
            (),
        ),
        "two-ports-g.s2p": (
            text(["# MHz G RI R 50", *two_port_rows(inverse(hybrid_matrices()))]),
            (),
        ),
        "bare-option-line.s1p": (text(["#", *rows(pair=ma, unit="GHz")]), ()),
        "option-line-any-order.s1p": (text(["# r 50 ri hz s", *rows()]), ()),
        "option-line-joined.S1P": (text(["#HZ S RI R50", *rows()]), ()),
        "option-line-indented.s1p": (text(["  # Hz S RI R 50", *rows()]), ()),
        "option-line-twice.s1p": (
            text(["# Hz S RI R 50", "# GHz S MA R 75", *rows()]),
            ("option-line-repeated",),
        ),
        "reference-75.s1p": (
            text(["# Hz S RI R 75", *rows((r75 - 1) / (r75 + 1))]),
            (),
        ),
        "z-normalised-75.s1p": (text(["# Hz Z RI R 75", *rows(r75)]), ()),
        "y-normalised.s1p": (text(["# Hz Y MA R 50", *rows(y, pair=ma)]), ()),
        "references-a-port.s2p": (
            text(["# MHz S RI R 50 75", *two_port_rows(matrices(2))]),
            (),
        ),
        "tabs.s1p": (text(["#\tHz\tS\tRI\tR\t50", *rows(gap="\t")]), ()),
        "blank-lines.s1p": (text(["", "# Hz S RI R 50", "", *rows(gap="   "), "", ""]), ()),
        "no-final-line-end.s1p": (text(plain)[:-1], ()),
        "cr-lf.s1p": (text(plain, "\r\n"), ()),
        "cr.s1p": (text(plain, "\r"), ()),
        "comments-inline.s1p": (
            text(["! at dusk", "# Hz S RI R 50 ! as saved", *(row + " !" for row in rows())]),
            (),
        ),
        "comments-semicolon.s1p": (
            text(["; at dusk", "# Hz S RI R 50", *(row + "; ok" for row in rows())]),
            ("semicolon-comment",),
        ),
        "two-ports-noise.s2p": (
            text(
                [
                    "# MHz S RI R 50",
                    *two_port_rows(matrices(2)),
                    "7.05 0.7 0.64 69 0.38",
                    "7.11 2.7 0.46 -33 0.40",
                ]
            ),
            ("noise-left-out",),
        ),
        "two-ports-z.s2p": (
            text(["# MHz Z RI R 50", *two_port_rows(z_matrices(2))]),
            (),
        ),
        "two-ports-y.s2p": (
            text(["# MHz Y RI R 50", *two_port_rows(inverse(z_matrices(2)))]),
            (),
        ),
        "two-ports-named-one.s1p": (
            text(["# MHz S RI R 50", *two_port_rows(matrices(2))]),
            ("ports-differ",),
        ),
        "three-ports.s3p": (text(["# MHz S RI R 50", *matrix_rows(matrices(3), 3)]), ()),
        "four-ports-z.s4p": (text(["# MHz Z RI R 50", *matrix_rows(z_matrices(4), 4)]), ()),
        "five-ports-wrapped.s5p": (text(["# MHz S RI R 50", *matrix_rows(matrices(5), 4)]), ()),
        "unnamed-ports.txt": (text(["# MHz S RI R 50", *matrix_rows(matrices(3), 3)]), ()),
    }


def touchstone_1_repaired() -> dict[str, Spelling]:
    head = "# Hz S RI R 50"
    fortran = [
        row.replace(row.split()[0], f"{float(row.split()[0]) / 1e6:g}D+06") for row in rows()
    ]
    comma = [row.replace(".", ",") for row in rows(unit="MHz")]
    twice = [row for row in rows() for _ in range(2)]
    missing = rows()
    missing.insert(3, "7075000 nan nan")
    cut = rows()
    return {
        "byte-order-mark.s1p": (b"\xef\xbb\xbf" + text([head, *rows()]), ("encoding",)),
        "utf-16.s1p": (
            "\r\n".join(["! dämmerung", head, *rows(), ""]).encode("utf-16"),
            ("encoding",),
        ),
        "utf-16-unmarked.s1p": (
            "\n".join([head, *rows(), ""]).encode("utf-16-be"),
            ("encoding",),
        ),
        "latin-1.s1p": (
            "\n".join(["! dämmerung", head, *rows(), ""]).encode("latin-1"),
            ("encoding",),
        ),
        "fortran-exponents.s1p": (text([head, *fortran]), ("fortran-exponent",)),
        "decimal-commas.s1p": (text(["# MHz S RI R 50", *comma]), ("decimal-comma",)),
        "comma-separated.s1p": (text([head, *rows(gap=", ")]), ("comma-separated",)),
        "falling.s1p": (text([head, *reversed(rows())]), ("frequencies-sorted",)),
        "each-twice.s1p": (text([head, *twice]), ("frequencies-repeated",)),
        "missing-value.s1p": (text([head, *missing]), ("missing-values",)),
        "last-row-cut.s1p": (text([head, *cut]) + b"7120000 0.1", ("last-row-cut",)),
        "last-number-cut.s1p": (text([head, *cut]) + b"7120000 0.1 -", ("last-row-cut",)),
        "zero-frequency.s1p": (text([head, "0 -1 0", *rows()]), ("zero-frequency",)),
    }


def touchstone_2() -> dict[str, Spelling]:
    head = ["[Version] 2.0", "# MHz S RI R 50"]
    count = f"[Number of Frequencies] {F_HZ.size}"
    y2 = inverse(50 * z_matrices(2))
    return {
        "version-2.s1p": (
            text(
                [*head, "[Number of Ports] 1", count, "[Network Data]", *rows(unit="MHz"), "[End]"]
            ),
            (),
        ),
        "version-2-z-reference-20.ts": (
            text(
                [
                    "! ohms, whatever the reference",
                    "[Version] 2.1",
                    "# MHz Z RI",
                    "[number of ports] 1",
                    count,
                    "[Reference]",
                    "20.0",
                    "[Network Data]",
                    *rows(50 * z_of(GAMMA), unit="MHz"),
                    "[End]",
                ]
            ),
            (),
        ),
        "version-2-y-lower.ts": (
            text(
                [
                    "[Version] 2.0",
                    "# MHz Y RI",
                    "[Number of Ports] 2",
                    "[Two-Port Data Order] 21_12",
                    count,
                    "[Reference] 50",
                    "50",
                    "[Matrix Format] Lower",
                    "[Network Data]",
                    *matrix_rows(y2, 2, "lower"),
                    "[End]",
                ]
            ),
            (),
        ),
        "version-2-s-upper.ts": (
            text(
                [
                    *head,
                    "[Number of Ports] 3",
                    count,
                    "[Matrix Format] Upper",
                    "[Begin Information]",
                    "made up, 7 of them",
                    "[End Information]",
                    "[Network Data]",
                    *matrix_rows(matrices(3), 3, "upper"),
                    "[End]",
                ]
            ),
            (),
        ),
        "version-2-noise.s2p": (
            text(
                [
                    *head,
                    "[Number of Ports] 2",
                    "[Two-Port Data Order] 12_21",
                    count,
                    "[Number of Noise Frequencies] 1",
                    "[Network Data]",
                    *two_port_rows(matrices(2)),
                    "[Noise Data]",
                    "7.05 0.7 0.64 69 19",
                    "[End]",
                ]
            ),
            (),
        ),
    }


def tables() -> dict[str, Spelling]:
    z = 50 * z_of(GAMMA)
    y = 1 / z
    sizes = [(abs(g), math.degrees(cmath.phase(g))) for g in GAMMA]
    swr = [(1 + size) / (1 - size) for size, _ in sizes]

    def build(separator: str, *columns: Iterable[float], decimal: str = ".") -> list[str]:
        return [
            separator.join(number(x).replace(".", decimal) for x in row)
            for row in zip(*columns, strict=True)
        ]

    re, im, mhz = GAMMA.real, GAMMA.imag, F_HZ / 1e6
    size = np.array([size for size, _ in sizes])
    angle = np.array([angle for _, angle in sizes])
    level = 20 * np.log10(size)
    assumed = ("reference-assumed",)
    return {
        "re-im.csv": (text(["Frequency (Hz),Re(S11),Im(S11)", *build(",", F_HZ, re, im)]), assumed),
        "re-im-underscores.csv": (text(["f_MHz,s11_re,s11_im", *build(",", mhz, re, im)]), assumed),
        "no-unit-but-hz.csv": (
            text(["freq,real,imag", *build(",", F_HZ, re, im)]),
            (*assumed, "unit-inferred"),
        ),
        "unit-in-preamble.csv": (
            text(["stimulus: kHz", "", "freq;reS11;imS11", *build(";", F_HZ / 1e3, re, im)]),
            (*assumed, "unit-inferred"),
        ),
        "decimal-commas.csv": (
            text(["Frequenz [MHz];Re;Im", *build(";", mhz, re, im, decimal=",")]),
            assumed,
        ),
        "tabs.tsv": (
            text(["Freq/GHz\t|S11|\targ(S11) in deg", *build("\t", F_HZ / 1e9, size, angle)]),
            assumed,
        ),
        "tabs-decimal-commas.tsv": (
            text(["Freq (MHz)\tMag\tPhase (deg)", *build("\t", mhz, size, angle, decimal=",")]),
            assumed,
        ),
        "level-angle.csv": (
            text(["Freq. (MHz), S11 (dB), S11 (deg)", *build(", ", mhz, level, angle)]),
            assumed,
        ),
        "level-radians.csv": (
            text(["Freq. (MHz),dB(S11),Phase [rad]", *build(",", mhz, level, np.radians(angle))]),
            assumed,
        ),
        "angle-unit-from-values.csv": (
            text(["MHz,magnitude,angle", *build(",", mhz, size, angle)]),
            assumed,
        ),
        "return-loss-angle.csv": (
            text(
                [
                    "Frequency (kHz),Return Loss (dB),Phase(°)",
                    *build(",", F_HZ / 1e3, -level, angle),
                ]
            ),
            assumed,
        ),
        "r-x.csv": (
            text(["Frequency (MHz),R (ohm),X (ohm)", *build(",", mhz, z.real, z.imag)]),
            assumed,
        ),
        "resistance-reactance.csv": (
            text(
                [
                    "Z0 = 50 ohm",
                    "Frequency (MHz);Resistance;Reactance",
                    *build(";", mhz, z.real, z.imag),
                ]
            ),
            (),
        ),
        "re-z-im-z.txt": (
            text(["% freq  ZS", "% MHz  Re(Z)  Im(Z)", *build("   ", mhz, z.real, z.imag)]),
            assumed,
        ),
        "all-that-agrees.csv": (
            text(
                [
                    "Freq(MHz),Re,Im,R,X,SWR,Return loss (dB)",
                    *build(",", mhz, re, im, np.round(z.real, 1), np.round(z.imag, 1), swr, -level),
                ]
            ),
            assumed,
        ),
        "white-space.txt": (text(["# freq_hz  re  im", *build("  ", F_HZ, re, im)]), assumed),
        "white-space-decimal-commas.txt": (
            text(["Freq (MHz)   Re   Im", *build("   ", mhz, re, im, decimal=",")]),
            assumed,
        ),
        "units-in-own-row.csv": (
            text(["Frequency;Magnitude;Phase", "MHz;;deg", *build(";", mhz, size, angle)]),
            assumed,
        ),
        "quoted.csv": (
            text(
                [
                    '"Frequency, MHz","Re(S11)","Im(S11)"',
                    *(
                        ",".join(f'"{x}"' for x in row.split(","))
                        for row in build(",", mhz, re, im)
                    ),
                ]
            ),
            assumed,
        ),
        "begin-end.csv": (
            text(
                [
                    "!made up",
                    "!2026-05-03T10:12:00Z",
                    "",
                    "BEGIN CH1_DATA",
                    "Freq(Hz),S11(REAL),S11(IMAG)",
                    *build(",", F_HZ, re, im),
                    "END",
                    "",
                ],
                "\r\n",
            ),
            assumed,
        ),
        "late-header.csv": (
            text(
                [
                    *(f"note {n}: made up" for n in "abcdefghijklmnop"),
                    "Points: 7",
                    "Freq (MHz),S11 Re,S11 Im",
                    *build(",", mhz, re, im),
                ]
            ),
            assumed,
        ),
        "trailing-separators.csv": (
            text(["Freq (MHz),Re,Im,", *(row + "," for row in build(",", mhz, re, im))]),
            assumed,
        ),
        "two-ports.csv": (
            text(
                ["Freq (MHz),S11 Re,S11 Im,S21 Re,S21 Im", *build(",", mhz, re, im, re / 2, im / 3)]
            ),
            assumed,
        ),
        "utf-16.tsv": (
            "\r\n".join(["Freq (MHz)\tRe Γ\tIm Γ", *build("\t", mhz, re, im), ""]).encode("utf-16"),
            ("encoding", *assumed),
        ),
        "typographic-minus.csv": (
            "\n".join(
                [
                    "Freq (MHz);Re;Im",
                    *(row.replace("-", "\u2212") for row in build(";", mhz, re, im)),
                ]
            ).encode(),
            (*assumed, "minus-sign"),
        ),
        "conductance.csv": (
            text(["Freq (MHz),G (mS),B (mS)", *build(",", mhz, 1e3 * y.real, 1e3 * y.imag)]),
            assumed,
        ),
        "conductance-words.csv": (
            text(
                [
                    "Frequency [kHz];Conductance [S];Susceptance [S]",
                    *build(";", F_HZ / 1e3, y.real, y.imag, decimal=","),
                ]
            ),
            assumed,
        ),
        "admittance-parts.csv": (
            text(["Hz\tRe(Y) [µS]\tIm(Y) [µS]", *build("\t", F_HZ, 1e6 * y.real, 1e6 * y.imag)]),
            assumed,
        ),
        "impedance-angle.csv": (
            text(
                ["MHz,|Z| (ohm),Z phase (deg)", *build(",", mhz, abs(z), np.degrees(np.angle(z)))]
            ),
            assumed,
        ),
        "return-loss-negative.csv": (
            text(["MHz,Return Loss (dB),Phase (deg)", *build(",", mhz, level, angle)]),
            assumed,
        ),
        "level-positive.csv": (
            text(["MHz,S11 (dB),Phase (deg)", *build(",", mhz, -level, angle)]),
            (*assumed, "positive-level"),
        ),
        "complex-cells.csv": (
            text(["Freq (MHz),S11", *complex_cells(",", mhz, GAMMA, "{}{:+.12g}j")]),
            assumed,
        ),
        "complex-cells-brackets.csv": (
            text(["Freq (MHz);Gamma", *complex_cells(";", mhz, GAMMA, "({}{:+.12g}i)")]),
            assumed,
        ),
        "complex-impedance.txt": (
            text(["Freq(MHz)  Z(ohm)", *complex_cells("   ", mhz, z, "{} {:+.12g}j")]),
            assumed,
        ),
        "complex-cells-decimal-commas.csv": (
            text(
                [
                    "Freq (MHz);S11",
                    *(
                        row.replace(".", ",")
                        for row in complex_cells(";", mhz, GAMMA, "{}{:+.12g}j")
                    ),
                ]
            ),
            assumed,
        ),
        "complex-j-in-front.csv": (
            text(
                [
                    "Freq (Hz)\tImpedance",
                    *(
                        f"{number(f)}\t{number(v.real)} {sign} j{number(abs(v.imag))}"
                        for f, v in zip(F_HZ, z, strict=True)
                        for sign in ("+" if v.imag > 0 else "-")
                    ),
                ]
            ),
            assumed,
        ),
        "thousands-quoted.csv": (
            text(
                [
                    "Frequency (Hz),Re,Im",
                    *(
                        f'"{f:,}",{number(g.real)},{number(g.imag)}'
                        for f, g in zip(F_HZ.tolist(), GAMMA, strict=True)
                    ),
                ]
            ),
            (*assumed, "thousands-separators"),
        ),
        "thousands-points.csv": (
            text(
                [
                    "Frequency (Hz);Re;Im",
                    *(
                        f"{f:,};".replace(",", ".")
                        + f"{number(g.real)};{number(g.imag)}".replace(".", ",")
                        for f, g in zip(F_HZ.tolist(), GAMMA, strict=True)
                    ),
                ]
            ),
            (*assumed, "thousands-separators"),
        ),
        "thousands-apostrophes.csv": (
            text(
                [
                    "Frequency (Hz);Re;Im",
                    *(
                        f"{f:,};".replace(",", "'") + f"{number(g.real)};{number(g.imag)}"
                        for f, g in zip(F_HZ.tolist(), GAMMA, strict=True)
                    ),
                ]
            ),
            (*assumed, "thousands-separators"),
        ),
        "thousands-thin-spaces.csv": (
            text(
                [
                    "Frequency (Hz);Re;Im",
                    *(
                        f"{f:,};".replace(",", "\u202f") + f"{number(g.real)};{number(g.imag)}"
                        for f, g in zip(F_HZ.tolist(), GAMMA, strict=True)
                    ),
                ]
            ),
            (*assumed, "thousands-separators"),
        ),
        "percent-comments.csv": (
            text(["% made up", "% MHz, re, im", *build(",", mhz, re, im)]),
            assumed,
        ),
        "slash-comments.csv": (
            text(["// made up", "// Freq/MHz; Re; Im", *build(";", mhz, re, im)]),
            assumed,
        ),
        "negative-zero.csv": (
            text(["MHz,re,im", "-0,1,0", *build(",", mhz, re, im)]),
            (*assumed, "zero-frequency"),
        ),
        "falling.csv": (
            text(["MHz,re,im", *reversed(build(",", mhz, re, im))]),
            (*assumed, "frequencies-sorted"),
        ),
        "missing-value.csv": (
            text(["MHz,re,im", *build(",", mhz, re, im), "7.2,,"]),
            (*assumed, "missing-values"),
        ),
        "missing-value-inside.csv": (
            text(["MHz,re,im", "7.01,,", "7.02,--,n/a", *build(",", mhz, re, im)]),
            (*assumed, "missing-values"),
        ),
        "table-named-touchstone.s1p": (
            text(["Freq (MHz),Re,Im", *build(",", mhz, re, im)]),
            assumed,
        ),
    }


def complex_cells(
    separator: str, f: NDArray[np.float64], values: NDArray[np.complex128], form: str
) -> list[str]:
    return [
        f"{number(x)}{separator}{form.format(number(v.real), float(v.imag))}"
        for x, v in zip(f, values, strict=True)
    ]


def spellings() -> dict[str, Spelling]:
    """Every file's name, bytes, and the codes of the findings it should bring."""
    return touchstone_1() | touchstone_1_repaired() | touchstone_2() | tables()


def expected() -> bytes:
    """The one table all spellings stand for, with the findings of each file below it."""
    head = "f_hz,re,im"
    body = (f"{f},{number(g.real)},{number(g.imag)}" for f, g in zip(F_HZ, GAMMA, strict=True))
    return text([head, *body])


def listing() -> bytes:
    """The table of spellings for people: name and what was noticed."""
    head = [
        "# One sweep in many spellings",
        "",
        f"Made by `dialect_recipe.py`; {len(spellings())} files that all read as `expected.csv`.",
        "",
        "| file | findings |",
        "|---|---|",
    ]
    rows = [
        f"| `{name}` | {', '.join(found) or 'none'} |"
        for name, (_, found) in sorted(spellings().items())
    ]
    return text([*head, *rows])


def main() -> None:
    """Write the files again."""
    folder = HERE / "spellings"
    folder.mkdir(exist_ok=True)
    for name, (data, _) in spellings().items():
        (folder / name).write_bytes(data)
    (HERE / "expected.csv").write_bytes(expected())
    (HERE / "README.md").write_bytes(listing())
    codes = [",".join([name, *found]) for name, (_, found) in sorted(spellings().items())]
    (HERE / "findings.csv").write_bytes(text(codes))


if __name__ == "__main__":
    main()
