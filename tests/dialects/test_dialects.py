"""One sweep in many spellings: every file of ``spellings/`` stands for ``expected.csv``.

The spellings are made up (see ``dialect_recipe.py``) after what users of general-purpose readers
report as stumbling blocks: reordered option lines, decimal commas, byte-order marks, wrapped rows.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from dialect_recipe import expected, listing, spellings

from sweeplab.files import read_sweep

HERE = Path(__file__).parent
FILES = sorted(path.name for path in (HERE / "spellings").iterdir())
TABLE = np.loadtxt(HERE / "expected.csv", delimiter=",", skiprows=1)
CODES = {
    line.split(",")[0]: sorted(line.split(",")[1:])
    for line in (HERE / "findings.csv").read_text().splitlines()
}


@pytest.mark.parametrize("name", FILES)
def test_every_spelling_gives_the_one_sweep(name: str) -> None:
    sweep = read_sweep(HERE / "spellings" / name)
    at_50_ohm = (sweep.z_ohm - 50) / (sweep.z_ohm + 50)
    # Twelve digits in the files; an impedance near 3 kohm costs two of them.
    np.testing.assert_allclose(sweep.f_hz, TABLE[:, 0], rtol=1e-10)
    np.testing.assert_allclose(at_50_ohm, TABLE[:, 1] + 1j * TABLE[:, 2], atol=2e-9)


@pytest.mark.parametrize("name", FILES)
def test_every_dialect_reports_its_repairs(name: str) -> None:
    sweep = read_sweep(HERE / "spellings" / name)
    assert sorted(finding.code for finding in sweep.findings) == CODES[name]


def test_the_stored_files_are_those_of_the_recipe() -> None:
    stored = {name: (HERE / "spellings" / name).read_bytes() for name in FILES}
    assert stored == {name: data for name, (data, _) in spellings().items()}
    assert (HERE / "expected.csv").read_bytes() == expected()
    assert (HERE / "README.md").read_bytes() == listing()
    assert len(stored) >= 60
