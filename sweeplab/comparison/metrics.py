"""The figures by which builds are compared: their scatter, and the margins of 'same'."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from sweeplab.comparison.repeatability import Repeats
from sweeplab.finding import Threshold
from sweeplab.record import FIT, Record

# Figures in one tuple are, for one build at one frequency, functions of one quantity, fully
# correlated: they count as one comparison.
FAMILIES: tuple[tuple[str, ...], ...] = (
    ("f_loaded_hz",),
    ("q_loaded", "half_power_bandwidth_hz"),
    ("coupling_factor",),
    ("swr_min",),
    ("q_unloaded", "r_total_ohm", "r_loss_ohm", "r_remainder_ohm", "efficiency", "efficiency_db"),
)

NAMES = (
    "f_loaded_hz",
    "q_loaded",
    "q_unloaded",
    "coupling_factor",
    "half_power_bandwidth_hz",
    "swr_min",
    "r_total_ohm",
    "r_loss_ohm",
    "r_remainder_ohm",
    "efficiency",
    "efficiency_db",
)

# Physical bounds, for figures that have them.
BOUNDS: Mapping[str, tuple[float, float]] = {
    "efficiency": (0.0, 1.0),
    "efficiency_db": (-math.inf, 0.0),
    "swr_min": (1.0, math.inf),
}

# A loss resistance is a difference, total less radiation: it scatters with the total.
_SCATTERS_WITH_TOTAL = ("r_loss_ohm", "r_remainder_ohm")

# Margins within which a figure counts as the same, own choices (no source): a twentieth of Q or of
# the resistance is 0.21 dB of signal, which is inaudible; a tenth of SWR or coupling makes no
# difference to a transmitter; a resonance that moved by less than half its half-power bandwidth
# still covers the old one, and is retuned at each repeat in any case.
_MARGIN_OF_RESISTANCE: Threshold = 0.05
_MARGIN_OF_COUPLING: Threshold = 0.10
_MARGIN_OF_SWR: Threshold = 0.10
_MARGIN_BANDWIDTHS: Threshold = 0.5
_RELATIVE_MARGIN = {
    "q_loaded": _MARGIN_OF_RESISTANCE,
    "q_unloaded": _MARGIN_OF_RESISTANCE,
    "half_power_bandwidth_hz": _MARGIN_OF_RESISTANCE,
    "r_total_ohm": _MARGIN_OF_RESISTANCE,
    "efficiency": _MARGIN_OF_RESISTANCE,
    "coupling_factor": _MARGIN_OF_COUPLING,
}
_ABSOLUTE_MARGIN = {
    "swr_min": _MARGIN_OF_SWR,
    "efficiency_db": 10 * math.log10(1 + _MARGIN_OF_RESISTANCE),
}


def margin(name: str, before: Mapping[str, float]) -> float | None:
    """Return the largest change within which a figure counts as the same, in its unit.

    Parameters
    ----------
    name : str
    before : mapping of str to float
        Means of all figures before the change.

    Returns
    -------
    float or None
        None where the margin's reference is not known.
    """
    if name in _ABSOLUTE_MARGIN:
        return _ABSOLUTE_MARGIN[name]
    if name == "f_loaded_hz":
        bandwidth_hz = before.get("half_power_bandwidth_hz")
        return None if bandwidth_hz is None else _MARGIN_BANDWIDTHS * bandwidth_hz
    base = "r_total_ohm" if name in _SCATTERS_WITH_TOTAL else name
    reference = before.get(base)
    return None if reference is None else _RELATIVE_MARGIN[base] * abs(reference)


def repeats(name: str, records: Sequence[Record]) -> Repeats | None:
    """Return a figure over the records that have it; None where none has.

    Scatter is relative to the figure's magnitude, since its causes (a connector, a joint, nearby
    objects) change Q, resistance and coupling in proportion; that of a loss is relative to the
    total resistance; that of decibels is absolute.
    """
    known = [record for record in records if name in record.figures]
    if not known:
        return None
    values = np.array([record.figures[name].value for record in known])
    return Repeats(
        values=values,
        noise=np.array([record.noise(name) for record in known]),
        scale=_scale(name, values, known),
        shares=tuple(_common(record.shares.get(name, {})) for record in known),
    )


def _scale(name: str, values: np.ndarray, known: Sequence[Record]) -> float:
    if name == "efficiency_db":
        return 1.0
    if name in _SCATTERS_WITH_TOTAL:
        totals = [record.figures.get("r_total_ohm") for record in known]
        values = np.array([total.value for total in totals if total is not None])
    magnitude = abs(float(np.mean(values))) if values.size else 0.0
    return magnitude if magnitude > 0 else 1.0


def _common(shares: Mapping[str, float]) -> dict[str, float]:
    return {source: share for source, share in shares.items() if source != FIT}
