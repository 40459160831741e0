"""What the conductor costs: internal impedance per length, and the round wire it acts like."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sweeplab.errors import ModelError
from sweeplab.loop.thinwire import MU0

if TYPE_CHECKING:
    from sweeplab.builds import Conductor

# Rise of resistivity with temperature at 20 degrees: copper after IEC Publication 28 (1925),
# the others typical handbook values (memory).
_PER_KELVIN = {"copper": 0.00393, "aluminium": 0.00403, "silver": 0.0038, "brass": 0.0016}
_PURE_METAL_PER_KELVIN = 0.0039


def surface_resistance(f_hz: float, conductivity: float) -> float:
    """Return ``sqrt(pi f mu0/sigma)`` [ohm per square]."""
    return math.sqrt(math.pi * f_hz * MU0 / conductivity)


def skin_depth(f_hz: float, conductivity: float) -> float:
    """Return ``1/sqrt(pi f mu0 sigma)`` [m]."""
    return 1 / math.sqrt(math.pi * f_hz * MU0 * conductivity)


def round_wire_impedance(f_hz: float, radius_m: float, conductivity: float) -> complex:
    """Return the internal impedance per length of a solid round wire [ohm/m].

    ``Z = k J0(ka)/(2 pi a sigma J1(ka))``, ``k = (1 - j)/delta`` (exact; e.g. S. Ramo, J. R.
    Whinnery and T. Van Duzer, Fields and Waves, sec. 3.17, memory).
    """
    from scipy.special import jve

    k = (1 - 1j) / skin_depth(f_hz, conductivity)
    ratio = complex(jve(0, k * radius_m) / jve(1, k * radius_m))
    return k * ratio / (2 * math.pi * radius_m * conductivity)


def tube_impedance(f_hz: float, radius_m: float, wall_m: float, conductivity: float) -> complex:
    """Return the internal impedance per length of a tube whose current runs outside [ohm/m].

    ``(1 + j) Rs/(2 pi a) coth((1 + j) w/delta)``: a flat sheet of the wall's thickness, good
    where the wall is thin against the radius (S. A. Schelkunoff, Bell Syst. Tech. J. 13, 532,
    1934, memory).
    """
    depth = (1 + 1j) * wall_m / skin_depth(f_hz, conductivity)
    sheet = (1 + 1j) * surface_resistance(f_hz, conductivity) / complex(np.tanh(depth))
    return sheet / (2 * math.pi * radius_m)


def strip_impedance(
    f_hz: float, width_m: float, thickness_m: float, conductivity: float
) -> complex:
    """Return the internal impedance per length of a flat strip, crowding included [ohm/m].

    ``Rs/w (1/pi + ln(4 pi w/t)/pi^2)``, the isolated thin strip by the rule of incremental
    inductance (H. A. Wheeler, Proc. IRE 30, 412, 1942, memory). Never below uniform current on
    the whole perimeter.
    """
    rs = surface_resistance(f_hz, conductivity)
    crowded = (
        rs / width_m * (1 / math.pi + math.log(4 * math.pi * width_m / thickness_m) / math.pi**2)
    )
    return (1 + 1j) * max(crowded, rs / (2 * (width_m + thickness_m)))


def equivalent_radius(conductor: Conductor) -> float:
    """Return the radius of the round wire with the same inductance [m].

    Strip: ``(w + t)/4`` (R. W. P. King, The Theory of Linear Antennas, 1956, memory).

    Raises
    ------
    ModelError
        The description gives no cross-section.
    """
    if conductor.form == "strip":
        if conductor.width is None:
            raise ModelError("a strip needs its width")
        thickness = 0.0 if conductor.thickness is None else conductor.thickness.value
        return (conductor.width.value + thickness) / 4
    if conductor.diameter is None:
        raise ModelError("the conductor needs its diameter")
    return conductor.diameter.value / 2


def conductor_impedance(conductor: Conductor, f_hz: float) -> complex:
    """Return the conductor's internal impedance per length, surface factor included [ohm/m].

    Braid and coax count as a round conductor of the shield's diameter; tubes without a stated
    wall as thick against the skin depth.
    """
    sigma = conductor.conductivity.value / (
        1
        + _PER_KELVIN.get(conductor.material.partition("-")[0], _PURE_METAL_PER_KELVIN)
        * (conductor.temperature_c - 20)
    )
    radius = equivalent_radius(conductor)
    if conductor.form == "strip" and conductor.width is not None:
        thickness = conductor.thickness
        # Foil of unknown thickness is taken as a hundredth of its width: it enters by a logarithm.
        t = thickness.value if thickness is not None else conductor.width.value / 100
        z = strip_impedance(f_hz, conductor.width.value, t, sigma)
    elif conductor.wall is not None:
        z = tube_impedance(f_hz, radius, conductor.wall.value, sigma)
    else:
        z = round_wire_impedance(f_hz, radius, sigma)
    # A rough surface costs resistance; what it does to the inductance is far below notice.
    return complex(z.real * conductor.surface_factor.value, z.imag)
