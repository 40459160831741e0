"""Makes tests/data/nec/truth_ground: simulated sweeps of 24 loops over ground, with their truth.

Run it from anywhere: ``python samples/recipe/make_truth_ground.py`` (some minutes). Seeded. The
README in tests/data/nec says what each figure means and where the engine's ground is sound.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from antenna import Antenna
from cases import Case, build_toml, first_figures, log_uniform, sized, swept
from nec import C0, Ground
from over_ground import GroundTruth, Standing, ground_truth
from study import entry, esr_ohm, grid, noisy_sweep, spread, write
from twoport import Truth, TwoPort, loaded_frequency, two_port

FOLDER = Path(__file__).parents[2] / "tests" / "data" / "nec" / "truth_ground"
SEED = 20260812
COUNT = 24
MARK = "simulated, made by samples/recipe/make_truth_ground.py"
GROUNDS: dict[str, Ground] = {"poor": (5.0, 0.001), "average": (13.0, 0.005), "good": (20.0, 0.03)}
STANDS = ("gap top", "gap bottom", "gap top", "gap bottom", "horizontal")


@dataclass(frozen=True)
class Placed:
    """A case and its site. ``word`` names the ground; the build file uses it if ``by_word``."""

    case: Case
    standing: Standing
    word: str
    by_word: bool

    def toml(self, capacitance_f: float) -> str:
        """The build file, the ground by its word or by the same constants."""
        eps_r, sigma = self.standing.ground or (1.0, 0.0)
        lying = self.standing.stand == "horizontal"
        way = "" if lying else f'gap_at = "{self.standing.stand.removeprefix("gap ")}"\n'
        return f"""{build_toml(self.case, capacitance_f)}
[site]
ground = {f'"{self.word}"' if self.by_word else f"[{eps_r}, {sigma}]"}
height = "{self.standing.lowest_m() * 1000:.1f} mm"
orientation = "{"horizontal" if lying else "vertical"}"
{way}"""


def draw(index: int, rng: np.random.Generator) -> Placed:
    """A random antenna where the engine is accurate; draws again until one is found."""
    shape = "circle" if index % 4 else ("square", "octagon")[index // 4 % 2]
    word = tuple(GROUNDS)[index % 3]
    stand = STANDS[index % 5]
    for _ in range(2000):
        f0 = log_uniform(rng, *((3.5e6, 5.4e6) if index % 8 == 5 else (7e6, 29e6)))
        perimeter = round(log_uniform(rng, 0.04, 0.2) * C0 / f0 / 0.024) * 0.024
        radius = round(log_uniform(rng, 6, 28) / 2, 1) / 1000
        low, high = ((0.047, 0.075), (0.2, 0.42))[int(rng.integers(2))]
        height = round(log_uniform(rng, low, high) * C0 / f0, 2)
        # At least four segments in the gap, none shorter than the wire is thick.
        if not 1.5 <= perimeter <= 6 or radius > perimeter / 36 / 4 / 2.15 or height > 10:
            continue
        esr = round(log_uniform(rng, 5, 80), 1) / 1000

        def stood(antenna: Antenna, height: float = height) -> Standing:
            return Standing(antenna, stand, height, GROUNDS[word])

        # The sweep is never narrower than this; quick to check before a coupling loop is sized.
        unfed = Antenna(shape, perimeter, perimeter / 36, radius, 0.0, 0.0, 0.0, 0.0)
        if not stood(unfed).is_sound(0.95 * f0, 1.05 * f0):
            continue
        antenna = sized(shape, perimeter, radius, f0, esr, rng, stood)
        if antenna is None:
            continue
        case = swept(f"ground-{index:02d}", antenna, f0, esr, index // 2 % 2 == 0, rng)
        standing = stood(antenna)
        _, bandwidth = first_figures(standing, f0, esr)
        width = spread(case, bandwidth)
        if standing.is_sound(f0 * (1 - width), f0 * (1 + width)):
            return Placed(case, standing, word, index // 3 % 2 == 0)
    raise RuntimeError(f"case {index}: no antenna found")


def solve_case(placed: Placed) -> tuple[TwoPort, GroundTruth, Truth]:
    """The two-port over ground, smooth over at least the sweep, and the true figures."""
    case = placed.case
    _, bandwidth = first_figures(placed.standing, case.f0_hz, case.esr_ohm)
    f_hz = grid(case, bandwidth)
    over, free = (
        two_port(standing.solve(f_hz), np.zeros((0, 9)), degree=5)
        for standing in (placed.standing, placed.standing.in_free_space())
    )
    return over, *ground_truth(over, free, case.f0_hz, esr_ohm(case))


def solved() -> Iterator[tuple[dict[str, Any], str]]:
    """Every case's element of cases.json, and its sweep."""
    for index in range(COUNT):
        rng = np.random.default_rng([SEED, index])
        placed = draw(index, rng)
        over, figures, plain = solve_case(placed)
        truth = {
            **asdict(figures),
            "f_loaded_hz": loaded_frequency(over, plain),
            "esr_ohm": esr_ohm(placed.case),
        }
        sweep = noisy_sweep(placed.case, over, plain, MARK, rng)
        yield entry(placed.case, placed.toml(figures.capacitance_f), truth), sweep


if __name__ == "__main__":
    write(FOLDER, solved())
