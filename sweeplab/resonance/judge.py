"""What ails a sweep or its fit, and whether its figures may stand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Finding
from sweeplab.resonance.figures import Figures
from sweeplab.resonance.fit import MIN_POINTS, Fitted
from sweeplab.resonance.kernel import lorentz
from sweeplab.resonance.result import Circle, Status
from sweeplab.sweep import Sweep

# Chi-square that a resonance must gain over a bare background. A bank of some thousand shapes on
# noise alone gains about 2 ln(1000) + 5; this is out of its reach.
_LEAST_GAIN = 60.0
_LEAST_SPAN = 0.8  # half-power bandwidths
_GOOD_SPAN = 1.5
_ONE_POINT = 0.7  # of the resonance's whole weight
_LEAST_DIAMETER = 0.03
_WORST_U = 0.5
_POOR_U = 0.10
# Residual that hangs together, against the circle's diameter.
_WORST_MISFIT = 0.12
_POOR_MISFIT = 0.03
# Below this the picture of one isolated resonance is no longer the antenna's.
_LEAST_Q = 5.0
_POOR_Q = 12.0
_GAIN_LIMIT = 1.02
_NEXT_SPAN = 6.0  # half-power bandwidths: near the best for QL, wide enough for a line's phase
_NEXT_POINTS = 201


@dataclass(frozen=True)
class Verdict:
    """A status and the findings that led to it."""

    status: Status
    findings: tuple[Finding, ...]


def screen(sweep: Sweep) -> Finding | None:
    """Return why a sweep cannot be fitted at all, or None."""
    if sweep.content != "complex":
        return Finding(
            "phase-unknown", "problem",
            "The file holds no signed phase, so a circle cannot be fitted.",
            {"content": sweep.content},
            "Save the sweep as Touchstone, or with real and imaginary part.",
        )  # fmt: skip
    good = np.isfinite(sweep.gamma)
    if int(good.sum()) < MIN_POINTS:
        return Finding(
            "too-few-points", "problem",
            f"Only {int(good.sum())} usable points: a resonance needs at least {MIN_POINTS}.",
            {"points": float(good.sum())},
            f"Sweep again with {_NEXT_POINTS} points.",
        )  # fmt: skip
    gamma = sweep.gamma[good]
    if float(np.abs(gamma - gamma.mean()).max()) < 1e-9:
        return Finding(
            "flat", "problem", "Every point shows the same reflection: nothing was measured.",
            {"reflection": abs(complex(gamma[0]))},
            "Check the lead, the analyzer's calibration and that the antenna is connected.",
        )  # fmt: skip
    return None


def judge(fitted: Fitted, row: int, figures: Figures | None, sweep: Sweep) -> Verdict:
    """Weigh one fit.

    Parameters
    ----------
    fitted : Fitted
    row : int
    figures : Figures or None
        None where the covariance does not exist.
    sweep : Sweep
        The sweep fitted, at the plane of the fit.
    """
    refusal = _no_resonance(fitted, row, figures)
    if refusal is not None or figures is None:
        return Verdict("refused", (refusal,) if refusal else ())
    refusal = _unusable(fitted, row, figures)
    if refusal is not None:
        return Verdict("refused", (refusal,))
    doubts = [
        *_sampling_doubts(fitted, row, figures),
        *_shape_doubts(fitted, row, figures, sweep),
    ]
    status: Status = "doubtful" if any(f.level != "note" for f in doubts) else "ok"
    aside = _set_aside(fitted, row, sweep)
    return Verdict(status, (*doubts, aside) if aside else tuple(doubts))


def points_in_bandwidth(fitted: Fitted, row: int, circle: Circle) -> int:
    """Count the points kept within half a half-power bandwidth of the resonance."""
    half = circle.f_loaded_hz / circle.q_loaded / 2
    near = np.abs(fitted.rows.f_hz[row] - circle.f_loaded_hz) <= half
    return int((near & (fitted.rows.weight[row] > 0)).sum())


def _share_of_one_point(fitted: Fitted, row: int) -> float:
    """Return the largest share that one point has in what tells the resonance from a constant."""
    one = np.array([row])
    rows = fitted.rows.take(one)
    x, _ = lorentz(rows, fitted.solution.p[one])
    weight = rows.weight[0]
    shape = 1 / (1 + 1j * x[0])
    size = weight * np.abs(shape - np.average(shape, weights=weight)) ** 2
    return float(size.max() / max(size.sum(), 1e-300))


def misfit(fitted: Fitted, row: int) -> float:
    """Return the residual that neighbouring points share, against the circle's diameter."""
    rho = max(float(fitted.correlation[row]), 0.0)
    points = float(fitted.rows.weight[row].sum())
    if rho * math.sqrt(2 * points) < 3:
        return 0.0
    shared = math.sqrt(2 * rho) * float(fitted.sigma[row])
    return shared / max(abs(complex(fitted.solution.linear[row, 1])), 1e-300)


def next_sweep(f_hz: float, bandwidth_hz: float) -> str:
    """Return the sweep to take next, in words."""
    half = _NEXT_SPAN / 2 * bandwidth_hz
    digits = max(0, math.ceil(-math.log10(max(half / 1e6, 1e-9) / 50)))
    start, stop = (f_hz - half) / 1e6, (f_hz + half) / 1e6
    return f"Sweep {start:.{digits}f} to {stop:.{digits}f} MHz with {_NEXT_POINTS} points."


def _no_resonance(fitted: Fitted, row: int, figures: Figures | None) -> Finding | None:
    sigma2 = max(float(fitted.sigma[row]) ** 2, 1e-300)
    gain = (float(fitted.background_rss[row]) - float(fitted.solution.rss[row])) / sigma2
    if gain < _LEAST_GAIN:
        return Finding(
            "no-resonance", "problem", "No resonance stands out of the noise in this sweep.",
            {"chi_square_gain": gain, "needed": _LEAST_GAIN},
            "Sweep wider to find the dip, or tune the capacitor into the span.",
        )  # fmt: skip
    if figures is None:
        return Finding(
            "not-determined", "problem", "The data do not determine a resonance: many fit alike.",
            {}, "Sweep over several half-power bandwidths about the dip.",
        )  # fmt: skip
    return None


def _unusable(fitted: Fitted, row: int, figures: Figures) -> Finding | None:
    circle = figures.circle
    x0 = float(fitted.solution.p[row, 0])
    kappa = math.exp(float(fitted.solution.p[row, 1]))
    u_q = figures.q_loaded.u / circle.q_loaded
    inside = points_in_bandwidth(fitted, row, circle)
    bandwidth = circle.f_loaded_hz / circle.q_loaded
    again = next_sweep(circle.f_loaded_hz, bandwidth)
    evidence: dict[str, float | str] = {"half_power_bandwidths_in_span": kappa}
    if circle.q_loaded < _LEAST_Q:
        return Finding(
            "not-isolated", "problem",
            "A loaded Q this low is no isolated resonance: Q would mean little here.",
            {"q_loaded": circle.q_loaded}, "Read the match alone.",
        )  # fmt: skip
    if kappa < _LEAST_SPAN:
        return Finding(
            "span-too-narrow", "problem",
            f"The span covers only {kappa:.2g} half-power bandwidths: Q cannot be told.",
            evidence, again,
        )  # fmt: skip
    if abs(x0) > 0.5:
        where = "below" if x0 < 0 else "above"
        return Finding(
            "outside-span", "problem", f"The resonance lies {where} the swept span, if anywhere.",
            {"place_in_span": x0},
            f"Move the span {'down' if x0 < 0 else 'up'}, or tune the capacitor.",
        )  # fmt: skip
    if _share_of_one_point(fitted, row) > _ONE_POINT:
        return Finding(
            "too-few-in-bandwidth", "problem",
            f"{inside} points lie in the half-power bandwidth, and one alone carries the "
            "resonance: a spike would look alike.",
            {"points_in_bandwidth": float(inside), **evidence}, again,
        )  # fmt: skip
    if figures.diameter.value < _LEAST_DIAMETER:
        return Finding(
            "hardly-a-dip", "problem",
            f"The deepest dip takes {100 * figures.diameter.value:.1f} % off the reflection: "
            "a wobble, or a loop that is hardly coupled.",
            {"diameter": figures.diameter.value},
            "Look for the real dip over a wider span, or bring the coupling loop closer.",
        )  # fmt: skip
    if not u_q < _WORST_U:
        return Finding(
            "too-noisy", "problem", "The noise leaves the loaded Q uncertain by half or more.",
            {"u_q_loaded_relative": u_q, **evidence}, again,
        )  # fmt: skip
    if misfit(fitted, row) > _WORST_MISFIT:
        return Finding(
            "not-one-resonance", "problem",
            "The sweep does not follow one resonance: the misfit is "
            f"{100 * misfit(fitted, row):.0f} % of the circle.",
            {"misfit_relative": misfit(fitted, row)},
            "Look for a second resonance, a moving hand, or an analyzer that needs calibration; "
            "sweep closer about the dip.",
        )  # fmt: skip
    return None


def _sampling_doubts(fitted: Fitted, row: int, figures: Figures) -> list[Finding]:
    circle = figures.circle
    kappa = math.exp(float(fitted.solution.p[row, 1]))
    again = next_sweep(circle.f_loaded_hz, circle.f_loaded_hz / circle.q_loaded)
    doubts = []
    if kappa < _GOOD_SPAN:
        doubts.append(Finding(
            "span-narrow", "warning",
            f"The span covers only {kappa:.2g} half-power bandwidths: a line's phase and the "
            "background pass for Q.",
            {"half_power_bandwidths_in_span": kappa}, again,
        ))  # fmt: skip
    best = figures.q_unloaded or figures.q_loaded
    relative = best.u / best.value
    if relative > _POOR_U:
        inside = points_in_bandwidth(fitted, row, circle)
        doubts.append(Finding(
            "uncertain", "warning",
            f"Unloaded Q is known to {100 * relative:.0f} % only, with {inside} points in the "
            "half-power bandwidth.",
            {"u_q_unloaded_relative": relative, "points_in_bandwidth": float(inside)}, again,
        ))  # fmt: skip
    if circle.q_loaded < _POOR_Q:
        doubts.append(Finding(
            "low-q", "warning",
            "At a loaded Q this low the antenna is hardly one isolated resonance.",
            {"q_loaded": circle.q_loaded}, "Take Q and coupling as rough.",
        ))  # fmt: skip
    if figures.q_unloaded is None:
        doubts.append(Finding(
            "overcoupled-beyond-model", "warning",
            "The circle is wider than any lossless coupling gives: no unloaded Q.",
            {"diameter": figures.diameter.value, "u": figures.diameter.u},
            "Calibrate the analyzer at the coupling loop's terminals, or loosen the coupling.",
        ))  # fmt: skip
    return doubts


def _shape_doubts(fitted: Fitted, row: int, figures: Figures, sweep: Sweep) -> list[Finding]:
    doubts = []
    bad = misfit(fitted, row)
    if bad > 0:
        doubts.append(Finding(
            "misfit", "warning" if bad > _POOR_MISFIT else "note",
            f"Neighbouring points miss the circle together, by {100 * bad:.1f} % of its diameter; "
            "intervals are widened for it.",
            {"misfit_relative": bad, "widened_by": figures.inflation},
            "Keep hands and people still during the sweep; describe the feed line in the build.",
        ))  # fmt: skip
    largest = float(np.nanmax(np.abs(sweep.gamma)))
    noise = float(fitted.sigma[row])
    size = figures.detuned_size
    if largest > _GAIN_LIMIT + 5 * noise and size.value > _GAIN_LIMIT:
        doubts.append(Finding(
            "more-than-all", "warning",
            f"More power seems to come back than goes out (|reflection| up to {largest:.3f}).",
            {"largest_reflection": largest, "detuned_reflection": size.value},
            "Calibrate the analyzer (open, short, load) and sweep again.",
        ))  # fmt: skip
    return doubts


def _set_aside(fitted: Fitted, row: int, sweep: Sweep) -> Finding | None:
    measured = np.isfinite(sweep.gamma)
    count = int(measured.sum() - fitted.rows.weight[row].sum())
    if count == 0:
        return None
    return Finding(
        "set-aside", "note",
        f"{count} of {int(measured.sum())} points stand far off the circle and were set aside "
        "(broadcasters, switching noise).",
        {"points_set_aside": float(count)},
        "Nothing to do; fewer of them after a repeat at a quieter hour.",
    )  # fmt: skip
