"""Amateur bands by name.

Edges are the widest of the three IARU regions' plans (IARU Region 1 HF band plan; Region 2 and 3
plans from memory). They only label a sweep: what may be transmitted where is up to national rules.
"""

from __future__ import annotations

from collections.abc import Iterable

from sweeplab.finding import Threshold

BANDS_HZ: dict[str, tuple[float, float]] = {
    "160m": (1.800e6, 2.000e6),
    "80m": (3.500e6, 4.000e6),
    "60m": (5.250e6, 5.450e6),
    "40m": (7.000e6, 7.300e6),
    "30m": (10.100e6, 10.150e6),
    "20m": (14.000e6, 14.350e6),
    "17m": (18.068e6, 18.168e6),
    "15m": (21.000e6, 21.450e6),
    "12m": (24.890e6, 24.990e6),
    "10m": (28.000e6, 29.700e6),
    "6m": (50.000e6, 54.000e6),
}

# A loop on the bench is often tuned slightly outside the band it is meant for.
_MARGIN: Threshold = 0.005


def band_of(f_hz: float) -> str:
    """Return the name of the band that contains `f_hz`, else the frequency such as '6.2MHz'."""
    for name, (low, high) in BANDS_HZ.items():
        if low * (1 - _MARGIN) <= f_hz <= high * (1 + _MARGIN):
            return name
    f_mhz = f_hz / 1e6
    return f"{f_mhz:.3g}MHz" if f_mhz < 1000 else f"{f_mhz:.0f}MHz"


def band_order(name: str) -> float:
    """Return a sort key that puts bands in order of frequency."""
    if name in BANDS_HZ:
        return BANDS_HZ[name][0]
    return float(name.removesuffix("MHz")) * 1e6


def select_resonance(f_hz: Iterable[float], depth: Iterable[float], near_hz: float | None) -> int:
    """Return the index of the resonance that a sweep was taken for.

    Parameters
    ----------
    f_hz, depth : iterable of float, shape (k,)
        Frequency of each resonance [Hz], and how much of the reflection it takes.
    near_hz : float or None
        Where the user expects it. Without it: the only one in an amateur band, else the deepest.
    """
    frequencies, depths = list(f_hz), list(depth)
    if near_hz is not None:
        return min(range(len(frequencies)), key=lambda k: abs(frequencies[k] - near_hz))
    in_band = [k for k, f in enumerate(frequencies) if _in_amateur_band(f)]
    if len(in_band) == 1:
        return in_band[0]
    return max(range(len(depths)), key=depths.__getitem__)


def _in_amateur_band(f_hz: float) -> bool:
    return any(low <= f_hz <= high for low, high in BANDS_HZ.values())
