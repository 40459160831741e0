"""What conductors are made of: conductivity at 20 °C, how far it spreads, sources; wire gauge."""

from __future__ import annotations

from dataclasses import dataclass

# Annealed copper, 100 % IACS (International Electrotechnical Commission, Publication 28, 1925).
COPPER_S_PER_M = 5.8e7


@dataclass(frozen=True)
class Material:
    """A metal.

    Parameters
    ----------
    name : str
    conductivity_s_per_m : float
    u_s_per_m : float
        Standard uncertainty: how far what is sold under that name spreads.
    source : str
        Where the figure is from; 'memory' where the source was recalled and not reread.
    """

    name: str
    conductivity_s_per_m: float
    u_s_per_m: float
    source: str


def _iacs(name: str, percent: float, u_percent: float, source: str) -> Material:
    value, u = (COPPER_S_PER_M * part / 100 for part in (percent, u_percent))
    return Material(name, value, u, f"{percent:g} % IACS, {source}")


_HANDBOOK = "typical handbook value, memory"
MATERIALS: dict[str, Material] = {
    material.name: material
    for material in (
        # Electrolytic copper has 100 to 101 % IACS, phosphorus-deoxidised pipe 80 to 90 (typical
        # handbook values, memory).
        _iacs("copper", 100.0, 5.0, "IEC Publication 28 (1925)"),
        _iacs("silver", 105.0, 2.0, _HANDBOOK),
        _iacs("aluminium-1350", 61.8, 0.6, "temper O, published alloy table"),
        _iacs("aluminium-1100", 59.0, 1.0, "temper O, published alloy table"),
        # Tempers of one alloy differ by some per cent (common practice, no source).
        _iacs("aluminium-6063", 55.0, 2.0, f"temper T5, {_HANDBOOK}"),
        _iacs("aluminium-6061", 43.0, 2.0, f"temper T6, {_HANDBOOK}"),
        _iacs("brass", 28.0, 1.0, f"C26000, {_HANDBOOK}"),
        _iacs("brass-c36000", 26.0, 1.0, f"free-cutting, {_HANDBOOK}"),
        _iacs("tin", 15.0, 0.5, _HANDBOOK),
        _iacs("solder", 11.5, 1.0, f"tin-lead, {_HANDBOOK}"),
    )
}
_ALIASES = {
    "aluminium": "aluminium-6063",
    "aluminum": "aluminium-6063",
    "aluminum-1350": "aluminium-1350",
    "aluminum-1100": "aluminium-1100",
    "aluminum-6063": "aluminium-6063",
    "aluminum-6061": "aluminium-6061",
    "brass-c26000": "brass",
}
MATERIAL_NAMES: tuple[str, ...] = (*MATERIALS, *_ALIASES)
# Words that leave the alloy open, and the alloys they may mean.
OPEN_NAMES: dict[str, tuple[str, ...]] = {
    "aluminium": ("aluminium-6061", "aluminium-6063", "aluminium-1350"),
    "aluminum": ("aluminium-6061", "aluminium-6063", "aluminium-1350"),
}


def material(name: str) -> Material | None:
    """Return the material of that name, None where there is none."""
    return MATERIALS.get(_ALIASES.get(name, name))


def awg_diameter_m(gauge: int) -> float:
    """Return the diameter [m] of round wire of an American wire gauge.

    ``d = 0.127 mm * 92^((36 - n)/39)`` (ASTM B258); 2/0, 3/0 and 4/0 are -1, -2 and -3.
    """
    return float(0.127e-3 * 92 ** ((36 - gauge) / 39))
