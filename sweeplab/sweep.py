"""The Sweep value: one recorded run of an analyzer over frequency."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from sweeplab.errors import SweepError
from sweeplab.finding import Finding

if TYPE_CHECKING:
    from skrf import Network

Content = Literal["complex", "unsigned", "magnitude"]
FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]


@dataclass(frozen=True)
class Origin:
    """Where a sweep came from.

    Parameters
    ----------
    file : str
        Path or name as given; empty for a sweep made in memory.
    sha256 : str
        SHA-256 of the file's bytes; empty for a sweep made in memory.
    taken : str or None
        When it was measured, ISO 8601 in UTC, where known.
    comments : tuple of str
        The file's comment lines, verbatim: they may contain a place or a call sign and are not
        shown by default.
    reader : str
        Which reader was used, such as 'touchstone' or 'table'.
    """

    file: str = ""
    sha256: str = ""
    taken: str | None = None
    comments: tuple[str, ...] = ()
    reader: str = ""


@dataclass(frozen=True, eq=False)
class Sweep:
    """One recorded run of an analyzer over frequency, at one reference plane.

    Parameters
    ----------
    f_hz : ndarray, shape (n,)
        Frequencies, rising strictly [Hz].
    gamma : ndarray of complex, shape (n,)
        Reflection coefficient against `z0_ohm`. NaN where a point was not measured. Which part of
        it is known depends on `content`.
    z0_ohm : float
        Real reference impedance [ohm].
    content : {'complex', 'unsigned', 'magnitude'}
        'unsigned': the sign of the phase (or of the reactance) is not known;
        'magnitude': only ``abs(gamma)`` is.
    origin : Origin
        File, hash, time.
    findings : tuple of Finding
        What the reader noticed or repaired.

    Raises
    ------
    SweepError
        The arrays differ in length, are empty, or frequencies are not finite, positive and rising.
    """

    f_hz: FloatArray
    gamma: ComplexArray
    z0_ohm: float = 50.0
    content: Content = "complex"
    origin: Origin = field(default_factory=Origin)
    findings: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        f_hz = np.array(self.f_hz, dtype=np.float64)
        gamma = np.array(self.gamma, dtype=np.complex128)
        if f_hz.ndim != 1 or f_hz.shape != gamma.shape or f_hz.size == 0:
            raise SweepError(
                f"a sweep needs as many reflections as frequencies, at least one, in one row: "
                f"got shapes {f_hz.shape} and {gamma.shape}"
            )
        # NaN frequencies and steps fail these comparisons too.
        if not (f_hz[0] > 0 and f_hz[-1] < math.inf and bool((f_hz[1:] > f_hz[:-1]).all())):
            raise SweepError("a sweep's frequencies must be finite, positive and strictly rising")
        if not 0 < self.z0_ohm < math.inf:
            raise SweepError(f"the reference impedance must be positive, not {self.z0_ohm} ohm")
        f_hz.flags.writeable = gamma.flags.writeable = False
        object.__setattr__(self, "f_hz", f_hz)
        object.__setattr__(self, "gamma", gamma)
        object.__setattr__(self, "z0_ohm", float(self.z0_ohm))

    def __len__(self) -> int:
        return int(self.f_hz.size)

    @property
    def z_ohm(self) -> ComplexArray:
        """Impedance at the reference plane, shape (n,) [ohm]."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(self.z0_ohm * (1 + self.gamma) / (1 - self.gamma))

    @property
    def swr(self) -> FloatArray:
        """Standing-wave ratio, shape (n,); infinite where all the power is reflected, or more."""
        magnitude = np.abs(self.gamma)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(magnitude < 1, (1 + magnitude) / (1 - magnitude), np.inf)

    def with_gamma(self, gamma: ComplexArray) -> Sweep:
        """Return the same sweep with other reflections (de-embedded, calibrated)."""
        return replace(self, gamma=gamma)

    def to_network(self) -> Network:
        """Return the sweep as a one-port scikit-rf Network."""
        from skrf import Frequency, Network

        return Network(
            frequency=Frequency.from_f(self.f_hz, unit="hz"),
            s=self.gamma.reshape(-1, 1, 1),
            z0=self.z0_ohm,
            name=self.origin.file or None,
        )

    @classmethod
    def from_network(cls, network: Network, port: int = 1) -> Sweep:
        """Return one port's reflection of a scikit-rf Network as a sweep.

        Parameters
        ----------
        network : skrf.Network
            Any number of ports; the other ports stay terminated in their reference impedances.
        port : int
            Which port, counted from one.

        Raises
        ------
        SweepError
            The reference impedance is complex or changes over frequency, or that port does not
            exist.
        """
        if not 1 <= port <= network.nports:
            raise SweepError(f"the network has {network.nports} ports, no port {port}")
        z0 = np.asarray(network.z0)[:, port - 1]
        if np.any(z0 != z0[0]) or z0[0].imag != 0:
            raise SweepError("a sweep needs one real reference impedance: renormalise the network")
        return cls(
            f_hz=np.asarray(network.f, dtype=float),
            gamma=network.s[:, port - 1, port - 1],
            z0_ohm=float(z0[0].real),
            origin=Origin(file=network.name or "", reader="network"),
        )

    def describe(self) -> Mapping[str, Any]:
        """Return the sweep's own properties under the keys of the JSON output."""
        return {
            "file": self.origin.file,
            "sha256": self.origin.sha256,
            "points": len(self),
            "f_start_hz": float(self.f_hz[0]),
            "f_stop_hz": float(self.f_hz[-1]),
            "z0_ohm": self.z0_ohm,
            "content": self.content,
        }
