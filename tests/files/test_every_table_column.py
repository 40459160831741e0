"""Each quantity a table may hold: read as the reflection it means, and compared with the others."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable

import numpy as np
import pytest
from sweep_writing import codes, read_text

from sweeplab.errors import ReadError
from sweeplab.files.table.columns import WORDS, classify
from sweeplab.sweep import Sweep

# A locus of both signs and magnitudes from 0.16 to 0.9, and frequencies in MHz.
F_MHZ = np.linspace(7.0, 7.2, 25)
GAMMA = 0.9 - 0.75 / (1 + 400j * (F_MHZ / 7.1 - 7.1 / F_MHZ)) + 0.05j


def impedance(gamma: complex) -> complex:
    """Of a reflection against 50 ohm."""
    return 50 * (1 + gamma) / (1 - gamma)


# The definitions: IEEE Std 145 for return loss and SWR, text books for the rest.
WRITTEN: dict[str, Callable[[complex], float]] = {
    "re": lambda g: g.real,
    "im": lambda g: g.imag,
    "magnitude": abs,
    "db": lambda g: 20 * math.log10(abs(g)),
    "return_loss_db": lambda g: -20 * math.log10(abs(g)),
    "swr": lambda g: (1 + abs(g)) / (1 - abs(g)),
    "angle_deg": lambda g: math.degrees(cmath.phase(g)),
    "angle_rad": cmath.phase,
    "angle_abs_deg": lambda g: abs(math.degrees(cmath.phase(g))),
    "r_ohm": lambda g: impedance(g).real,
    "x_ohm": lambda g: impedance(g).imag,
    "x_abs_ohm": lambda g: abs(impedance(g).imag),
    "z_abs_ohm": lambda g: abs(impedance(g)),
    "z_angle_deg": lambda g: math.degrees(cmath.phase(impedance(g))),
    "z_angle_rad": lambda g: cmath.phase(impedance(g)),
    "z_angle_abs_deg": lambda g: abs(math.degrees(cmath.phase(impedance(g)))),
    "g_s": lambda g: (1 / impedance(g)).real,
    "b_s": lambda g: (1 / impedance(g)).imag,
    "g_ms": lambda g: 1e3 * (1 / impedance(g)).real,
    "b_ms": lambda g: 1e3 * (1 / impedance(g)).imag,
}
COMPLEX = [
    ("re", "im"), ("magnitude", "angle_deg"), ("magnitude", "angle_rad"), ("db", "angle_deg"),
    ("return_loss_db", "angle_deg"), ("r_ohm", "x_ohm"), ("z_abs_ohm", "z_angle_deg"),
    ("z_abs_ohm", "z_angle_rad"), ("g_s", "b_s"), ("g_ms", "b_ms"),
]  # fmt: skip
UNSIGNED = [
    ("r_ohm", "x_abs_ohm"), ("z_abs_ohm", "z_angle_abs_deg"), ("magnitude", "angle_abs_deg"),
    ("db", "angle_abs_deg"), ("return_loss_db", "angle_abs_deg"),
]  # fmt: skip


def read(words: tuple[str, ...], change: Callable[[str, float], float] | None = None) -> Sweep:
    """Read a table with these columns, named by the caller."""
    rows = [
        [
            f,
            *(
                WRITTEN[word](g) if change is None else change(word, WRITTEN[word](g))
                for word in words
            ),
        ]
        for f, g in zip(F_MHZ.tolist(), GAMMA.tolist(), strict=True)
    ]
    text = "".join(",".join(f"{value!r}" for value in row) + "\n" for row in rows)
    return read_text(text, "a.csv", columns=["f_mhz", *words], z0_ohm=50.0)


@pytest.mark.parametrize("words", COMPLEX, ids=" ".join)
def test_a_pair_with_signs(words: tuple[str, ...]) -> None:
    sweep = read(words)
    assert (sweep.content, codes(sweep)) == ("complex", [])
    np.testing.assert_allclose(sweep.f_hz, F_MHZ * 1e6)
    np.testing.assert_allclose(sweep.gamma, GAMMA, rtol=1e-9)


@pytest.mark.parametrize("words", UNSIGNED, ids=" ".join)
def test_a_pair_without_signs(words: tuple[str, ...]) -> None:
    sweep = read(words)
    assert (sweep.content, codes(sweep)) == ("unsigned", ["content-unsigned"])
    # The reactance's sign is that of the imaginary part of the reflection: both are lost.
    np.testing.assert_allclose(sweep.gamma, GAMMA.real + 1j * abs(GAMMA.imag), rtol=1e-9)


@pytest.mark.parametrize("word", ["magnitude", "db", "return_loss_db", "swr"])
def test_a_magnitude_alone(word: str) -> None:
    sweep = read((word,))
    assert (sweep.content, codes(sweep)) == ("magnitude", ["content-magnitude"])
    np.testing.assert_allclose(sweep.gamma, abs(GAMMA), rtol=1e-9)


@pytest.mark.parametrize("word", ["db", "return_loss_db"])
def test_the_sign_of_a_level_or_a_return_loss_has_no_meaning(word: str) -> None:
    sweep = read((word,), lambda _, value: -value)
    np.testing.assert_allclose(sweep.gamma, abs(GAMMA), rtol=1e-9)
    assert ("positive-level" in codes(sweep)) == (word == "db")


def test_a_positive_level_says_its_median() -> None:
    sweep = read(("db",), lambda _, value: -value)
    (found,) = [finding for finding in sweep.findings if finding.code == "positive-level"]
    assert found.evidence["median_db"] == pytest.approx(np.median(-20 * np.log10(abs(GAMMA))))


def test_an_swr_below_one_is_missing() -> None:
    sweep = read_text(
        "7,2\n7.1,0.99\n7.2,1\n7.3,3\n", "a.csv", columns=["f_mhz", "swr"], z0_ohm=50.0
    )
    assert sweep.f_hz.tolist() == [7e6, 7.2e6, 7.3e6]
    np.testing.assert_allclose(sweep.gamma, [1 / 3, 0, 1 / 2], atol=1e-12)


OTHERS = [word for word in WRITTEN if word not in ("re", "im")]


@pytest.mark.parametrize("word", OTHERS)
def test_a_further_column_that_agrees_is_passed_over(word: str) -> None:
    sweep = read(("re", "im", word))
    assert codes(sweep) == []
    np.testing.assert_allclose(sweep.gamma, GAMMA, rtol=1e-9)


@pytest.mark.parametrize("word", OTHERS)
def test_a_further_column_that_disagrees_is_pointed_out(word: str) -> None:
    # By 30 degrees, 10 dB or a factor: well beyond rounding on any scale.
    shift = {"_deg": 30.0, "_rad": 0.5, "db": -10.0, "return_loss_db": 10.0}
    added = next((by for end, by in shift.items() if word.endswith(end)), 0.0)
    if word == "return_loss_db":
        added = 10.0
    factor = 1.0 if added else 1.5 if word != "magnitude" else 0.5

    def change(name: str, value: float) -> float:
        return value * factor + added if name == word else value

    sweep = read(("re", "im", word), change)
    (found,) = [finding for finding in sweep.findings if finding.code == "columns-disagree"]
    assert WORDS[word].role in found.text.partition(";")[2]
    assert found.evidence == {"z0_ohm": 50.0}
    np.testing.assert_allclose(sweep.gamma, GAMMA, rtol=1e-9)


def test_two_pairs_that_disagree_are_refused_with_both_values() -> None:
    rows = [f"{f},{g.real},{g.imag},{60},{20}" for f, g in zip(F_MHZ, GAMMA, strict=True)]
    with pytest.raises(ReadError, match="two readings that disagree") as refused:
        read_text(
            "\n".join(rows), "a.csv", columns=["f_mhz", "re", "im", "r_ohm", "x_ohm"], z0_ohm=50.0
        )
    # 60 + 20j ohm: (10 + 20j)/(110 + 20j).
    other = (10 + 20j) / (110 + 20j)
    assert f"re and im give {GAMMA[0].real:.3f}{GAMMA[0].imag:+.3f}j" in str(refused.value)
    assert f"r_ohm and x_ohm give {other.real:.3f}{other.imag:+.3f}j" in str(refused.value)


class TestReactanceThatMayHaveLostItsSign:
    def sweep(self, x_ohm: list[float]) -> Sweep:
        """Read a table with this reactance and 50 ohm."""
        rows = "".join(f"{7 + i / 100},50,{x}\n" for i, x in enumerate(x_ohm))
        return read_text(rows, "a.csv", columns=["f_mhz", "r_ohm", "x_ohm"], z0_ohm=50.0)

    def test_touches_zero_in_the_middle(self) -> None:
        sweep = self.sweep([abs(x) + 0.5 for x in range(-60, 61, 10)])
        (found,) = sweep.findings
        assert (found.code, found.level) == ("sign-doubtful", "warning")
        assert found.evidence == {"lowest_ohm": 0.5}

    @pytest.mark.parametrize(
        "x_ohm",
        [
            list(range(-60, 61, 10)),  # crosses it
            list(range(0, 130, 10)),  # begins there
            list(range(120, -10, -10)),  # ends there
            [abs(x) + 30 for x in range(-60, 61, 10)],  # stays away from it
        ],
    )
    def test_or_not(self, x_ohm: list[float]) -> None:
        assert codes(self.sweep(x_ohm)) == []


@pytest.mark.parametrize(
    ("label", "role", "scale"),
    [
        ("Freq. (MHz)", "f", 1e6), ("kHz", "f", 1e3), ("Frequency", "f", None),
        ("f [GHz]", "f", 1e9), ("Re(S11)", "re", 1.0), ("S11 imag", "im", 1.0),
        ("|S11|", "magnitude", 1.0), ("S11 (dB)", "db", 1.0), ("S11 log mag", "db", 1.0),
        ("S11 phase (deg)", "angle", math.pi / 180), ("arg S11 [rad]", "angle", 1.0),
        ("phase", "angle", None), ("|phase S11| (deg)", "angle_abs", math.pi / 180),
        ("Z phase (deg)", "z_angle", math.pi / 180), ("|Z| (ohm)", "z_abs_ohm", 1.0),
        ("R (ohm)", "r_ohm", 1.0), ("Re Z", "r_ohm", 1.0), ("X (ohm)", "x_ohm", 1.0),
        ("Im Z", "x_ohm", 1.0), ("|X|", "x_abs_ohm", 1.0), ("abs(Xs)", "x_abs_ohm", 1.0),
        ("unsigned X", "x_abs_ohm", 1.0), ("SWR", "swr", 1.0), ("VSWR", "swr", 1.0),
        ("Return loss (dB)", "return_loss_db", 1.0), ("RL", "return_loss_db", 1.0),
        ("G (mS)", "g_s", 1e-3), ("B (uS)", "b_s", 1e-6), ("Re Y (S)", "g_s", 1.0),
        ("Im Y", "b_s", None), ("conductance siemens", "g_s", 1.0), ("|Y| (S)", "skip", 1.0),
        ("S21 (dB)", "skip", 1.0), ("Z (dB)", "skip", 1.0), ("temperature", "skip", 1.0),
        ("Rp (ohm)", "skip", 1.0), ("phase S21", "skip", 1.0), ("Y phase", "skip", None),
        ("G", "skip", 1.0), ("note", "skip", 1.0),
    ],
)  # fmt: skip
def test_a_headers_words(label: str, role: str, scale: float | None) -> None:
    column = classify(label)
    assert column.role == role
    assert column.scale == scale


@pytest.mark.parametrize(
    ("label", "explicit"),
    [("Re(S11)", True), ("re", False), ("gamma angle", True), ("angle", False)],
)
def test_a_header_that_names_the_reflection(label: str, explicit: bool) -> None:
    assert classify(label).is_reflection is explicit


@pytest.mark.parametrize(
    ("header", "width", "advice"),
    [
        ("MHz,phase,mag,what", 4, "f_mhz,angle_deg,magnitude,skip"),
        ("what,ever", 2, "f_mhz,swr"),
        ("what,ever,this,is", 4, "f_mhz,re,im,skip"),
        ("a1,a2,a3,a4,a5,a6,a7,a8,a9", 9, "f_mhz,re,im,skip,skip,skip,skip,skip,..."),
    ],
)
def test_what_to_say_about_columns_that_are_not_clear(header: str, width: int, advice: str) -> None:
    # Values that fit no quantity without being named.
    row = ",".join(["7.1", "1.2", "0.5", *["9"] * 9][:width])
    with pytest.raises(ReadError) as refused:
        read_text(f"{header}\n" + f"{row}\n" * 4, "a.csv")
    assert f'say what the {width} columns are, for example --columns "{advice}"' in str(
        refused.value
    )
