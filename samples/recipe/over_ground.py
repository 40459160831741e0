"""An antenna over ground: its site, where the engine is accurate, and its true figures."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from antenna import Antenna
from geometry import Array, placed
from nec import C0, Complex, Ground, Ports, solve
from twoport import Truth, TwoPort, truth


@dataclass(frozen=True)
class Standing:
    """An antenna with its centre at a height over ground.

    ``stand`` is 'gap top', 'gap bottom' or 'horizontal'; ``ground`` None takes the ground away.
    """

    antenna: Antenna
    stand: str
    centre_height_m: float
    ground: Ground

    def solve(self, f_hz: Array) -> Ports:
        """Ports over ``f_hz``: gap, coupling feed."""
        main = self.antenna.main_wire()
        wires = [
            replace(wire, nodes_m=placed(wire.nodes_m, self.stand, self.centre_height_m))
            for wire in (main, self.antenna.coupling_wire(main))
        ]
        return solve(wires, self.antenna.ports(main), f_hz, self.ground)

    def in_free_space(self) -> Standing:
        """The same without the ground."""
        return replace(self, ground=None)

    def lowest_m(self) -> float:
        """Height of the lowest point of the main loop's centre line [m]."""
        if self.stand == "horizontal":
            return self.centre_height_m
        return self.centre_height_m - self.antenna.half_height_m()

    def is_sound(self, f_low_hz: float, f_high_hz: float) -> bool:
        """Whether the engine's results are valid over these frequencies.

        Its interpolation tables jump where a segment's distance from an image passes 0.2 or 1
        wavelength, and it breaks down close to the ground: centre heights of 0.045 to 0.08 and of
        0.19 to 0.43 wavelengths keep clear of that, if no distance comes near 0.2 or 1.
        """
        reach = self.antenna.half_height_m()
        for f in (f_low_hz, f_high_hz):
            height, half = self.centre_height_m * f / C0, reach * f / C0
            across = 2 * half
            up = half if self.stand != "horizontal" else 0.0
            least, most = 2 * (height - up), float(np.hypot(2 * (height + up), across))
            low = 0.045 <= height <= 0.08 and height - up > 0.02 and most < 0.195
            high = 0.19 <= height <= 0.43 and least > 0.205 and most < 0.97
            if not (low or high):
                return False
        return True


@dataclass(frozen=True)
class GroundTruth:
    """The engine's results for an antenna over ground at its unloaded resonance.

    All resistances are referred to the gap. ``efficiency`` is that of free space,
    ``efficiency_over_ground`` power to the sky over power into the coupling loop; the ratios are
    power drawn without the ohms, and power to the sky, over power radiated in free space.
    """

    f0_hz: float
    capacitance_f: float
    r_total_ohm: float
    r_radiation_ohm: float
    r_ground_ohm: float
    r_loss_ohm: float
    x_eff_ohm: float
    q_unloaded: float
    coupling_factor: float
    efficiency: float
    efficiency_over_ground: float
    total_ratio: float
    sky_ratio: float
    half_power_bandwidth_hz: float


def ground_truth(
    over: TwoPort, free: TwoPort, f0_hz: float, esr_ohm: float
) -> tuple[GroundTruth, Truth]:
    """The figures over ground, and the plain ones of the two-port over ground.

    Where a wire has corners, the engine's port resistance and its radiated and ohmic powers differ
    by up to half a per cent of the ohms. What the ground draws is therefore the difference of two
    port resistances, with ground and without; power in is that, the ohms and the free far field.
    """
    here, alone = truth(over, f0_hz, esr_ohm), truth(free, f0_hz, esr_ohm)
    z = _symmetric(over, f0_hz)
    ohmic, ohmic_free = over.power(over.ohmic, f0_hz), free.power(free.ohmic, f0_hz)
    drawn = z.real - ohmic - (_symmetric(free, f0_hz).real - ohmic_free)
    current = np.array([-z[0, 1] / here.r_total_ohm, 1.0])

    def power(form: Complex) -> float:
        return float((current.conj() @ form @ current).real)

    p_in = power(ohmic + free.power(free.radiated, f0_hz) + drawn)
    p_in += esr_ohm * abs(current[0]) ** 2
    sky = power(over.power(over.radiated, f0_hz))
    r_ground = float(drawn[0, 0].real)
    return GroundTruth(
        f0_hz=f0_hz,
        capacitance_f=here.capacitance_f,
        r_total_ohm=here.r_total_ohm,
        r_radiation_ohm=alone.r_radiation_ohm,
        r_ground_ohm=r_ground,
        r_loss_ohm=here.r_loss_ohm,
        x_eff_ohm=here.x_eff_ohm,
        q_unloaded=here.q_unloaded,
        coupling_factor=here.coupling_factor,
        efficiency=alone.efficiency,
        efficiency_over_ground=sky / p_in,
        total_ratio=1 + r_ground / alone.r_radiation_ohm,
        sky_ratio=here.r_radiation_ohm / alone.r_radiation_ohm,
        half_power_bandwidth_hz=here.half_power_bandwidth_hz,
    ), here


def _symmetric(pair: TwoPort, f0_hz: float) -> Complex:
    """Port impedances with one transfer impedance, the mean of the two that the engine gives."""
    z = pair.impedances(np.array([f0_hz]))[0]
    return np.asarray((z + z.T) / 2)
