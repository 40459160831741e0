"""`analyze`: one row a sweep in order, the same over any executor, failures next to the rest."""

from __future__ import annotations

import gc
import zipfile
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest

from sweeplab import analyze

DEMO = Path(__file__).parents[1] / "samples" / "demo"
NAMES = ["quay-2_20m_a.s1p", "quay-1_20m_a.s1p", "quay-1_20m_b.s1p"]


@pytest.fixture
def paths(tmp_path: Path) -> list[Path]:
    bad = tmp_path / "bad.s1p"
    bad.write_text("# MHz S RI R 50\n7 half 0\n8 0 0\n")
    return [DEMO / NAMES[0], bad, DEMO / NAMES[1], tmp_path / "none.s1p", DEMO / NAMES[2]]


def test_rows_are_in_the_order_given_with_failures_among_them(paths: list[Path]) -> None:
    frame = analyze(paths)
    assert frame["file"].tolist() == [str(path) for path in paths]
    assert (frame["status"] == "failed").tolist() == [False, True, False, True, False]
    assert frame["findings"][1] == (
        f"{paths[1]}:2: 'half' where a number should stand; correct or delete the line"
    )
    assert frame["q_loaded"].notna().tolist() == [True, False, True, False, True]


@pytest.mark.parametrize("pool", [ThreadPoolExecutor, ProcessPoolExecutor])
def test_another_executor_gives_the_same(paths: list[Path], pool: type) -> None:
    with pool(2) as executor:
        over = analyze(paths * 20, executor=executor)
    pd.testing.assert_frame_equal(over, analyze(paths * 20))


def test_folders_and_archives_stand_for_their_sweeps(tmp_path: Path) -> None:
    path = tmp_path / "day.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for name in NAMES:
            archive.write(DEMO / name, name)
    frame = analyze([tmp_path, DEMO / NAMES[0]])
    expected = [f"{path}/{name}" for name in sorted(NAMES)]
    assert frame["file"].tolist() == [*expected, str(DEMO / NAMES[0])]
    assert frame["f_loaded_hz"].notna().all()


def test_leaves_the_collector_of_garbage_as_it_was(tmp_path) -> None:
    path = tmp_path / "none.s1p"
    for before in (True, False):
        (gc.enable if before else gc.disable)()
        try:
            analyze([path])
            assert gc.isenabled() is before
        finally:
            gc.enable()
