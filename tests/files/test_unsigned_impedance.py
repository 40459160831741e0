"""Size and unsigned angle of an impedance give the reflection's size exactly."""

from __future__ import annotations

import numpy as np
import pytest
from sweep_writing import codes, read_text, table_text

F_MHZ = np.linspace(7.0, 7.1, 21)
# From well below the reference to well above, from capacitive to inductive.
Z_OHM = np.geomspace(8, 400, 21) * np.exp(1j * np.linspace(-1.2, 1.2, 21))


@pytest.mark.parametrize(
    ("heading", "per_radian"),
    [("|phase Z| (deg)", 180 / np.pi), ("unsigned phase of Z (rad)", 1.0)],
)
@pytest.mark.parametrize("z0_ohm", [50.0, 75.0])
def test_reflection_from_z_and_unsigned_angle(
    heading: str, per_radian: float, z0_ohm: float
) -> None:
    angle = abs(np.angle(Z_OHM)) * per_radian
    text = table_text(f"MHz,|Z| (ohm),{heading}", [F_MHZ, abs(Z_OHM), angle])
    sweep = read_text(text, "a.csv", z0_ohm=z0_ohm)
    assert sweep.content == "unsigned"
    assert "content-unsigned" in codes(sweep)
    # The reflection of Z and of its conjugate have one size, in (Z - Z0)/(Z + Z0).
    expected = abs((Z_OHM - z0_ohm) / (Z_OHM + z0_ohm))
    np.testing.assert_allclose(abs(sweep.gamma), expected, rtol=1e-12)
    # And the angle's size is that of the reflection with a positive reactance.
    upper = Z_OHM.real + 1j * abs(Z_OHM.imag)
    np.testing.assert_allclose(sweep.gamma, (upper - z0_ohm) / (upper + z0_ohm), rtol=1e-12)
