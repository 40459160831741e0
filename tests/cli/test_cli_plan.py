"""``sweeplab plan`` as a person would use it."""

from __future__ import annotations

import json

import pytest

from sweeplab.cli.plan import _allowance, _band, _sizes

FULL = """name = "next-loop"
[loop]
circumference = "2.56 m ± 5 mm"
gap = "30 mm"
[conductor]
diameter = "12 mm"
wall = "1 mm"
[capacitor]
c_min = "8 pF"
c_max = "330 pF"
esr = "20 mohm"
rated_voltage = "2 kV"
turns_per_range = 3.0
[feed]
circumference = "0.40 m"
conductor_diameter = "6 mm"
offset = "25 mm"
"""
EXTRAS = ("--circumference", "2m:3m:0.5m", "--stock", "2.6 m", "--stock", "1.3m", "--joint",
          "2 mohm ± 1 mohm", "--allow", "connector=20mm", "--allow", "turn 1:box=3cm",
          "--power", "10", "--mast", "2 m")  # fmt: skip


@pytest.fixture
def planned(tmp_path):
    path = tmp_path / "next.toml"
    path.write_text(FULL, encoding="utf-8")
    return str(path)


def test_json_has_the_contracts_keys_and_every_extra_requested(run, planned):
    found = json.loads(run("plan", planned, "--band", "40m", "--json", *EXTRAS).output)
    assert found["build"] == "next-loop"
    (row,) = found["bands"]
    assert (row["band"], row["reachable"]) == ("40m", True)
    assert 0 < row["efficiency"]["low"] < row["efficiency"]["value"] < row["efficiency"]["high"] < 1
    assert [size["circumference_m"] for size in found["sizes"]] == pytest.approx([2.0, 2.5, 3.0])
    assert [loop["pieces_m"] for loop in found["stock"]] == [
        [1.3], [2.6], [1.3, 1.3], [1.3, 2.6], [2.6, 2.6]
    ]  # fmt: skip
    assert found["cut_list"][0]["cut_m"] == pytest.approx(2.53 + 0.02 + 0.03)
    assert found["mast"]["moment_n_m"] > 0
    assert row["distances"]["h_axis_m"]["value"] > 0.5
    assert found["tuning_hz_per_degree"] == row["tuning_hz_per_degree"] > 0


def test_the_page_fits_and_says_what_matters(run, planned):
    page = run("plan", planned, *EXTRAS).output
    for line in page.splitlines():
        assert len(line) <= 80, line
    for words in ("efficiency", "coupling loop", "V/100 W", "Cut list", "Joint assumed", "ICNIRP",
                  "Mast of 2.00 m", "Local codes"):  # fmt: skip
        assert words in page
    assert "rated" in page


def test_five_lines_of_description_are_enough(run, first):
    page = run("plan", str(first), "--band", "20m").output
    assert "20m" in page
    assert "capacitor.esr" in page


def test_a_loop_that_reaches_no_band_says_so(run, tmp_path):
    path = tmp_path / "none.toml"
    path.write_text(FULL.replace('"330 pF"', '"9 pF"'), encoding="utf-8")
    assert "No amateur band" in run("plan", str(path)).output


@pytest.mark.parametrize("ending", ["png", pytest.param("svg", marks=pytest.mark.slow)])
def test_a_plot_is_written(run, planned, tmp_path, ending):
    run("plan", planned, "--band", "40m", "--band", "20m", "--plot", f"plan.{ending}")
    assert (tmp_path / f"plan.{ending}").stat().st_size > 5000


def test_a_setting_is_planned_by_name(run, tmp_path):
    path = tmp_path / "switched.toml"
    path.write_text(f'{FULL}[[settings]]\nname = "one section"\nc_max = "100 pF"\n', "utf-8")
    both = json.loads(run("plan", str(path), "--json").output)["bands"]
    one = run("plan", str(path), "--setting", "one section", "--json").output
    assert {row["band"] for row in both} - {row["band"] for row in json.loads(one)["bands"]} >= {
        "40m"
    }


@pytest.mark.parametrize(
    ("option", "value", "expected"),
    [
        ("--band", "45m", "no band"),
        ("--stock", "3", "no unit"),
        ("--stock", "0 m", "not above zero"),
        ("--joint", "2 m", "resistance"),
        ("--allow", "20mm", "no name=length"),
        ("--circumference", "2m:5m", "A:B:STEP"),
        ("--circumference", "1m:5m:1mm", "at most"),
        ("--power", "0", "between"),
        ("--power", "1 MW", "between"),
        ("--power", "10 V", "power"),
        ("--plot", "plan.txt", "end the name"),
    ],
)
def test_wrong_usage_is_reported_with_status_two(run, planned, option, value, expected):
    result = run("plan", planned, option, value, status=2)
    assert expected in " ".join(result.output.replace("│", " ").split())


def test_a_build_outside_the_model_is_one_line_and_status_one(run, tmp_path):
    path = tmp_path / "turns.toml"
    text = FULL.replace("gap =", "turns = 2\ngap =")
    path.write_text(text, encoding="utf-8")
    result = run("plan", str(path), status=1)
    assert "turn_spacing" in result.output
    assert len(result.output.strip().splitlines()) == 1


def test_a_missing_file_is_one_line(run):
    assert "nowhere.toml" in run("plan", "nowhere.toml", status=1).output


def test_words_are_read_as_people_write_them():
    assert _band("40") == _band("40 M") == "40m"
    assert _sizes("2m:3m:0.5m") == pytest.approx([2.0, 2.5, 3.0])
    assert _sizes("3.2 m") == [3.2]
    allowance = _allowance("turn 2: box = 11cm")
    assert (allowance.piece, allowance.name, allowance.length_m) == ("turn 2", "box", 0.11)
