"""Makes samples/demo: the quay-loop's sweeps, build files, scenario and truth.

Run it from anywhere: ``python samples/recipe/make_demo.py``. Seeded: the same engine gives the
same files. The forward model is the NEC-2 engine, not the code that reads the sweeps.
"""

from __future__ import annotations

import csv
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from antenna import Antenna
from geometry import Array
from nec import COPPER_S_PER_M, Complex, Ports
from scenario import BANDS_HZ, BUILDS, ESR_OHM, LINE, MARK, Session, build_toml, scenario_toml
from twoport import (
    Truth,
    capacitance_at,
    loaded_frequency,
    reflection,
    skin_law,
    truth,
    two_port,
)
from writers import impedance_table, reflection_table, touchstone, touchstone_polar

DEMO = Path(__file__).parents[1] / "demo"
SEED = 20260503
POINTS = 201
TABLES = {"quay-2_30m_b": reflection_table, "quay-3_40m_b": impedance_table}
POLAR = "quay-1_30m_c"


@dataclass(frozen=True)
class Shot:
    """One sweep and what went into it."""

    stem: str
    band: str
    taken: str
    f_hz: Array
    gamma: Complex
    figures: Truth
    f_loaded_hz: float
    joint_each_ohm: float
    esr_ohm: float
    noise: float
    spikes: int


def solve_band(coupling_m: float, f_hz: float) -> Ports:
    """The quay-loop's ports around one band: gap, coupling loop's feed, the foot's splice."""
    antenna = Antenna(
        shape="circle",
        perimeter_m=3.20,
        gap_m=0.030,
        radius_m=0.006,
        conductivity_s_per_m=COPPER_S_PER_M,
        coupling_circumference_m=coupling_m,
        coupling_radius_m=0.003,
        coupling_offset_m=0.025,
        joint_positions=(0.5,),
    )
    return antenna.solve(f_hz * np.linspace(0.94, 1.06, 9))


def disturb(
    gamma: Complex, noise: float, spiky: bool, rng: np.random.Generator
) -> tuple[Complex, int]:
    """Receiver noise, and if requested an interfering station or two."""
    size = len(gamma)
    gamma = gamma + noise * (rng.standard_normal(size) + 1j * rng.standard_normal(size))
    if not spiky:
        return gamma, 0
    count = round(size * rng.uniform(0.01, 0.04))
    where = rng.choice(size, count, replace=False)
    height = np.exp(rng.uniform(np.log(0.02), np.log(0.2), count))
    gamma[where] += height * np.exp(2j * np.pi * rng.random(count))
    return gamma, count


def shoot(
    ports: Ports, stem: str, band: str, taken: str, session: Session, rng: np.random.Generator
) -> Shot:
    """One sweep after everything was unplugged, plugged in again and retuned."""
    joint_each = session.joint_ohm * (1 + 0.03 * rng.standard_normal())
    esr = ESR_OHM * (1 + 0.03 * rng.standard_normal())
    f0 = BANDS_HZ[band] + 2500 * rng.standard_normal()
    # Both joints of the splice are at one position: one port with twice the resistance.
    pair = two_port(ports, skin_law(2 * joint_each, ports.f_hz)[None])
    esr_at_f0 = float(skin_law(esr, np.array(f0)))
    figures = truth(pair, f0, esr_at_f0)
    f_loaded = loaded_frequency(pair, figures)
    f_hz = _grid(f_loaded, figures.half_power_bandwidth_hz * rng.uniform(8, 10), rng)
    clean = reflection(pair, f_hz, capacitance_at(pair, f0), skin_law(esr, f_hz), LINE)
    noise = float(np.exp(rng.uniform(np.log(0.0005), np.log(0.002))))
    spiky = band == "40m" and rng.random() < 0.3
    gamma, spikes = disturb(clean, noise, spiky, rng)
    return Shot(
        stem, band, taken, f_hz, gamma, figures, f_loaded, joint_each, esr_at_f0, noise, spikes
    )


def shots(build: int, ports: dict[tuple[float, str], Ports]) -> list[Shot]:
    """All sweeps of one build in the order they were taken."""
    out = []
    for day, session in enumerate(BUILDS[build].sessions):
        taken = datetime.fromisoformat(f"{session.date}T10:12:00+00:00")
        for band, repeats in session.repeats.items():
            for n in range(repeats):
                rng = np.random.default_rng([SEED, build, day, int(band[:-1]), n])
                date = f"_{session.date}" if session.dated_names else ""
                stem = f"{BUILDS[build].name}_{band}{date}_{'abc'[n]}"
                stamp = f"{taken:%Y-%m-%dT%H:%M:%SZ}"
                key = (BUILDS[build].coupling_m, band)
                out.append(shoot(ports[key], stem, band, stamp, session, rng))
                taken += timedelta(minutes=int(rng.integers(4, 9)))
    return out


def write_sweep(shot: Shot) -> str:
    """Write the sweep in its dialect and return the file's name."""
    comments = [MARK, shot.taken]
    if shot.stem in TABLES:
        name, text = f"{shot.stem}.csv", TABLES[shot.stem](shot.f_hz, shot.gamma, comments)
    elif shot.stem == POLAR:
        name, text = f"{shot.stem}.s1p", touchstone_polar(shot.f_hz, shot.gamma, comments)
    else:
        name, text = f"{shot.stem}.s1p", touchstone(shot.f_hz, shot.gamma, comments)
    (DEMO / name).write_text(text, encoding="utf-8")
    return name


def truth_row(name: str, build: str, shot: Shot) -> dict[str, str]:
    """One row of truth.csv."""
    row = {"file": name, "build": build, "band": shot.band, "taken": shot.taken}
    figures = {
        **asdict(shot.figures),
        "f_loaded_hz": shot.f_loaded_hz,
        "joint_each_ohm_at_10mhz": shot.joint_each_ohm,
        "esr_ohm": shot.esr_ohm,
        "noise": shot.noise,
    }
    row |= {key: f"{value:.8g}" for key, value in figures.items()}
    return row | {"spikes": str(shot.spikes)}


def main() -> None:
    """Solve, sweep, write."""
    DEMO.mkdir(exist_ok=True)
    sizes = sorted({build.coupling_m for build in BUILDS})
    ports = {(c, band): solve_band(c, f) for c in sizes for band, f in BANDS_HZ.items()}
    names: dict[str, list[str]] = {}
    rows = []
    for index, build in enumerate(BUILDS):
        taken = shots(index, ports)
        names[build.name] = [write_sweep(shot) for shot in taken]
        rows += [
            truth_row(name, build.name, shot)
            for name, shot in zip(names[build.name], taken, strict=True)
        ]
        (DEMO / f"{build.name}.toml").write_text(build_toml(build), encoding="utf-8")
    (DEMO / "scenario.toml").write_text(scenario_toml(names), encoding="utf-8")
    with (DEMO / "truth.csv").open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {MARK}\n")
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _grid(centre_hz: float, span_hz: float, rng: np.random.Generator) -> Array:
    """Start and stop rounded to 100 Hz a step, as one sets an analyzer, never quite centred."""
    step = max(100.0, round(span_hz / (POINTS - 1) / 100) * 100.0)
    middle = round((centre_hz + 0.05 * span_hz * rng.uniform(-1, 1)) / 1000) * 1000.0
    return np.asarray(middle + step * (np.arange(POINTS) - POINTS // 2))


if __name__ == "__main__":
    main()
