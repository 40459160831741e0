"""``sweeplab read``: first words, JSON as the contract has it, one line for what is wrong."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest

SWEEP = "quay-1_20m_a.s1p"
KEYS = {"file", "sha256", "points", "f_start_hz", "f_stop_hz", "z0_ohm", "content", "status",
        "findings", "resonance", "match", "loss"}  # fmt: skip
RESONANCE = {"f0_hz", "f_loaded_hz", "q_loaded", "q_unloaded", "q_unloaded_other",
             "coupling_factor", "coupling", "half_power_bandwidth_hz", "residual_rms",
             "points_in_bandwidth"}  # fmt: skip
LOSS = {"x_eff_ohm", "r_total_ohm", "r_radiation_ohm", "r_loss_ohm", "r_ground_ohm",
        "r_conductor_ohm", "r_parts_ohm", "r_remainder_ohm", "efficiency", "efficiency_db",
        "efficiency_over_ground"}  # fmt: skip


def strict(text: str):
    """Read JSON that holds no NaN and no Infinity."""
    return json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} in JSON"))


def noise_file(path):
    """A sweep without any resonance: a plain load with a little scatter."""
    rows = [f"{7e6 + 1e3 * i:.0f} {0.3 + 0.001 * math.sin(i * i):.6f} 0.0" for i in range(101)]
    path.write_text("# Hz S RI R 50\n" + "\n".join(rows) + "\n")
    return str(path)


def test_json_holds_the_contract(run, demo):
    build = demo / "quay-1.toml"
    out = strict(run("read", str(demo / SWEEP), "--build", str(build), "--json").stdout)
    assert out["schema"] == "sweeplab/1"
    assert out["failed"] == []
    (sweep,) = out["sweeps"]
    assert set(sweep) >= KEYS
    assert set(sweep["resonance"]) >= RESONANCE
    assert set(sweep["loss"]) >= LOSS
    assert set(sweep["resonance"]["q_loaded"]) == {"value", "u", "low", "high"}
    assert set(sweep["match"]["swr_bandwidth_hz"]) == {"2", "3"}


def test_sweeps_come_in_the_order_given_and_failures_with_them(run, demo):
    names = ["quay-2_20m_a.s1p", "missing.s1p", "quay-1_20m_a.s1p"]
    result = run("read", *(str(demo / name) for name in names), "--json", status=1)
    out = strict(result.stdout)
    assert [sweep["file"] for sweep in out["sweeps"]] == [
        str(demo / names[0]),
        str(demo / names[2]),
    ]
    assert [failure["file"] for failure in out["failed"]] == [str(demo / "missing.s1p")]
    (line,) = result.stderr.splitlines()
    assert "missing.s1p" in line


def test_a_sweep_without_resonance_is_no_error(run, tmp_path):
    out = strict(run("read", noise_file(tmp_path / "flat.s1p"), "--json").stdout)
    (sweep,) = out["sweeps"]
    assert sweep["status"] == "refused"
    assert sweep["resonance"] is None
    assert sweep["loss"] is None
    assert any(finding["level"] == "problem" for finding in sweep["findings"])
    assert "the best point measured" in run("read", str(tmp_path / "flat.s1p")).stdout


def test_the_summary_comes_first(run, demo):
    text = run("read", str(demo / SWEEP), "--build", str(demo / "quay-1.toml")).stdout
    lines = text.splitlines()
    assert SWEEP in text.replace("\n", "")
    words = [line.split()[0] for line in lines if line[:1] not in (" ", "")]
    order = [words.index(word) for word in ("Efficiency", "Match", "Next", "figure")]
    assert order == sorted(order)


def test_without_a_build_it_says_why_there_is_no_efficiency(run, demo):
    text = run("read", str(demo / SWEEP)).stdout
    assert "no build given" in text
    assert "sweeplab build template" in " ".join(text.split())


def test_text_fits_80_columns_and_is_plain_when_piped(run, demo, monkeypatch):
    monkeypatch.chdir(demo)
    text = run("read", SWEEP, "--build", "quay-1.toml").stdout
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= 80


def test_colour_is_forced_and_refused(run, demo):
    assert "\x1b[" in run("read", str(demo / SWEEP), "--color").stdout
    assert "\x1b[" not in run("read", str(demo / SWEEP), "--no-color").stdout
    plain = run("read", str(demo / SWEEP), env={"NO_COLOR": "1", "FORCE_COLOR": "1"}).stdout
    assert "\x1b[" not in plain


def test_several_files_get_a_summary_each(run, demo):
    text = run("read", str(demo / SWEEP), str(demo / "quay-2_20m_a.s1p")).stdout
    assert text.count("Match") == 2
    assert "half-power" not in text


@pytest.mark.parametrize(
    "ending",
    ["png", *(pytest.param(other, marks=pytest.mark.slow) for other in ("svg", "pdf"))],
)
def test_plot_is_written(run, demo, tmp_path, ending):
    run("read", str(demo / SWEEP), "--plot", f"out.{ending}")
    assert (tmp_path / f"out.{ending}").stat().st_size > 1000


@pytest.mark.parametrize(
    "args",
    [["--setting", "one"], ["--plot", "out.doc"], ["--z0", "fifty"], ["--nonsense"]],
)
def test_wrong_usage_is_status_2(run, demo, args):
    result = run("read", str(demo / SWEEP), *args, status=2)
    assert "Traceback" not in result.output


def test_no_file_is_wrong_usage(run):
    run("read", status=2)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            'name = "x"\n[loop]\ncircumfrence = "3 m"\n[conductor]\ndiameter = "1 cm"\n',
            "circumference",
        ),
        ("name = \n", "bad.toml:1"),
        (b"\xff\xfe\x00", "UTF-8"),
    ],
)
def test_a_bad_build_is_one_line(run, demo, tmp_path, text, expected):
    raw = text if isinstance(text, bytes) else text.encode()
    (tmp_path / "bad.toml").write_bytes(raw)
    result = run("read", str(demo / SWEEP), "--build", "bad.toml", status=1)
    (line,) = result.stderr.splitlines()
    assert "bad.toml" in line
    assert expected in line
    assert result.stdout == ""


def test_a_build_that_is_not_there_is_one_line(run, demo):
    result = run("read", str(demo / SWEEP), "--build", "nowhere.toml", status=1)
    (line,) = result.stderr.splitlines()
    assert "nowhere.toml" in line


def test_an_unknown_setting_is_one_line(run, demo, first):
    result = run("read", str(demo / SWEEP), "--build", str(first), "--setting", "x", status=1)
    assert len(result.stderr.splitlines()) == 1


def test_columns_and_impedance_are_passed_on(run, demo, tmp_path):
    rows = (demo / "quay-2_30m_b.csv").read_text(encoding="utf-8").splitlines()[3:]
    (tmp_path / "bare.csv").write_text("\n".join(rows) + "\n")
    result = run("read", "bare.csv", "--columns", "f_hz, re, im", "--z0", "75", "--json")
    (sweep,) = strict(result.stdout)["sweeps"]
    assert sweep["z0_ohm"] == 75
    assert sweep["content"] == "complex"


def test_magnitudes_alone_show_both_candidates_in_the_summary(run, first, tmp_path):
    from simulated import Truth

    truth = Truth(coupling_factor=0.6)
    loss_db = -20 * np.log10(np.abs(truth.reflection()))
    rows = (f"{f / 1e6:.6f},{db:.4f}" for f, db in zip(truth.f_hz, loss_db, strict=True))
    for name in ("a.csv", "b.csv"):
        text = "\n".join(["frequency (MHz),return loss (dB)", *rows])
        (tmp_path / name).write_text(text, encoding="utf-8")
        rows = text.splitlines()[1:]
    # Coupling factors 0.6 and 1/0.6 dip alike: Q0 is 480 or 800 (Kajfez & Hwan 1984).
    summary = " ".join(run("read", "a.csv", "b.csv").stdout.split())
    assert summary.count("one of") == 2
    under, over = re.findall(r"one of ([\d.]+) .*?, ([\d.]+) ±", summary)[0]
    assert float(under) == pytest.approx(480, rel=1e-3)
    assert float(over) == pytest.approx(800, rel=1e-3)
    for part in ("factor 0.600", "factor 1.667"):
        assert summary.count(part) == 2
    page = " ".join(run("read", "a.csv").stdout.split())
    assert "or 1.667" in page
    run("init")
    run("build", "add", str(first))
    added = run("add", "a.csv", "--build", "first").stdout
    assert re.search(r"Q one of [\d.]+ .* or [\d.]+", added)
