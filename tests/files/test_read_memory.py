"""Small files are read some at a time: each gives what it gives alone, in the order given."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from sweeplab.errors import ReadError
from sweeplab.files import ReadResult, read_each, read_sweep, sweep_paths
from sweeplab.files.read import _BATCH_BYTES, _BATCH_FILES

CLEAN = "".join(f"{7_000_000 + 100 * i} 0.{i:03d} -0.{999 - i}\n" for i in range(200))
KINDS = {
    "clean.s1p": "# HZ S RI R 50\n" + CLEAN,
    "other-ends.s1p": "# HZ S RI R 50\r\n" + CLEAN.replace("\n", "\r\n"),
    "exponents.s1p": "# MHz S RI R 50\n7 5e-1 0.25\n7.1 0.5 0.25\n",
    "angles.s1p": "! 2026-05-03 10:12:00\n# MHz S MA R 75\n7 0.5 25\n7.1 0.5 -25\n",
    "cut-off.s1p": "# HZ S RI R 50\n" + CLEAN[:-3],
    "falling.s1p": "# MHz S RI R 50\n7.1 0.5 0.25\n7 0.5 0.25\n",
    "table.csv": "f_MHz,R_ohm,X_ohm\n7,50,1\n7.1,51,2\n",
    "two.csv": "f_MHz,R_ohm,X_ohm\n7,50,1\n7.1,51,2\n7,50,3\n7.1,51,4\n",
    "empty.s1p": "",
    "words.s1p": "no sweep at all\n",
}


def with_columns(answer: ReadResult) -> object:
    if answer.sweep is None:
        return answer.name, str(answer.error)
    sweep = answer.sweep
    return (answer.name, sweep.f_hz.tobytes(), sweep.gamma.tobytes(), sweep.origin, sweep.findings,
            answer.raw)  # fmt: skip


def test_any_mixture_in_any_order_equals_each_read_alone(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    names = []
    for number, kind in enumerate(rng.choice(list(KINDS), 150)):
        path = tmp_path / f"{number:03d}-{kind}"
        path.write_bytes(KINDS[str(kind)].encode())
        names.append(str(path))
    names.insert(40, str(tmp_path / "missing.s1p"))
    names.insert(80, f"{names[5]}#9")
    together = [with_columns(answer) for answer in read_each(sweep_paths(names))]
    alone = [with_columns(answer) for name in names for answer in read_each(sweep_paths([name]))]
    assert together == alone
    assert len(together) >= len(names)


def test_one_read_alone_is_the_same(tmp_path: Path) -> None:
    paths = []
    for number in range(2 * _BATCH_FILES):
        paths.append(tmp_path / f"{number:03d}.s1p")
        paths[-1].write_text(f"# HZ S RI R 50\n7000000 0.{number:03d} 0.5\n" + CLEAN[20:])
    for path, answer in zip(paths, read_each(sweep_paths(paths)), strict=True):
        assert answer.sweep is not None
        assert answer.sweep.gamma.tobytes() == read_sweep(path).gamma.tobytes()
        assert answer.sweep.origin == read_sweep(path).origin


def test_wrong_options_are_reported_for_every_file(tmp_path: Path) -> None:
    paths = [tmp_path / f"{number}.s1p" for number in range(3)]
    for path in paths:
        path.write_text(KINDS["clean.s1p"])
    answers = list(read_each(sweep_paths(paths), z0_ohm=-5.0))
    assert [answer.error.path for answer in answers if answer.error] == [str(p) for p in paths]
    with pytest.raises(ReadError):
        read_sweep(paths[0], z0_ohm=-5.0)


def test_no_more_is_held_than_a_few_small_files_or_one_large(tmp_path: Path) -> None:
    body = "".join(f"{7_000_000 + i} 0.123456789 -0.987654321\n" for i in range(20_000))
    for number in range(12):
        (tmp_path / f"{number:02d}.s1p").write_text(f"# HZ S RI R 50\n{body}")
    assert len(body) > _BATCH_BYTES
    tracemalloc.start()
    for _ in read_each(sweep_paths([tmp_path])):
        pass
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # One file costs at most twenty times itself; three together would be held by this.
    assert peak < 25 * len(body)
