"""What ails a sweep or its fit, and whether its figures may stand."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from sweeplab.finding import Finding, Status, Threshold
from sweeplab.resonance.circle.batch import SPAN_END
from sweeplab.resonance.circle.fit import LEAST_GAIN, MIN_POINTS, RIVAL
from sweeplab.resonance.diagnostics import FitDiagnostics
from sweeplab.resonance.drift.correct import drift_finding
from sweeplab.sweep import ComplexArray, Sweep

# One step at the best of a thousand places on noise alone gains 25 in one sweep of some thousands.
_STEP: Threshold = 25.0
_LEAST_SPAN: Threshold = 0.8  # half-power bandwidths
_GOOD_SPAN: Threshold = 1.5
_ONE_POINT: Threshold = 0.7  # of the resonance's whole weight
_LEAST_DIAMETER: Threshold = 0.03
_WORST_U: Threshold = 0.5
_POOR_U: Threshold = 0.10
# Residual that hangs together, against the circle's diameter.
_WORST_MISFIT: Threshold = 0.12
_POOR_MISFIT: Threshold = 0.03
# Copper grows, and the resonance falls, by so much a kelvin (CRC Handbook of Chemistry and Physics,
# memory).
_EXPANSION_PER_KELVIN = 17e-6
# A share of QL that is worth a word: this much, and so many standard uncertainties.
_NOTABLE_DRIFT: Threshold = 0.003
_DRIFT_DEVIATIONS: Threshold = 2.0
# Below this the picture of one isolated resonance is no longer the antenna's.
_LEAST_Q: Threshold = 5.0
_POOR_Q: Threshold = 12.0
# More than this cannot come back; the noise is allowed so many standard deviations on top.
_GAIN_LIMIT: Threshold = 1.02
_GAIN_DEVIATIONS: Threshold = 5.0
# A detuned loop sends everything back; 5 dB of line, one way, leave 0.316 of it, 10 dB leave 0.1.
# Neither line nor lossless coupling lets it grow at the resonance, as a transmission does.
_LITTLE_LEFT: Threshold = 0.316
_NOTHING_LEFT: Threshold = 0.1
_GROWN: Threshold = 3.0
_DETUNED_DEVIATIONS: Threshold = 4.0
_NEXT_POINTS = 201
_ALIKE: Threshold = 1e-9
# What no instrument measures. Past the radio spectrum, or over steps finer than any synthesizer's,
# the places in the span cannot be told apart in double precision; squares of larger reflections
# drown what belongs to the antenna.
_LOWEST_HZ: Threshold = 1.0
_HIGHEST_HZ: Threshold = 1e12
_LEAST_RELATIVE_SPAN: Threshold = 1e-9
_LARGEST_REFLECTION: Threshold = 1e6


def screen(sweep: Sweep) -> Finding | None:
    """Return why a sweep cannot be fitted at all, or None."""
    finite = np.isfinite(sweep.gamma)
    gamma = sweep.gamma if finite.all() else sweep.gamma[finite]
    if gamma.size < MIN_POINTS:
        return Finding(
            "too-few-points", "problem",
            f"Only {gamma.size} usable points: a resonance needs at least {MIN_POINTS}.",
            {"points": float(gamma.size)},
            f"Sweep again with {_NEXT_POINTS} points.",
        )  # fmt: skip
    beyond = _beyond_instruments(sweep, gamma)
    if beyond is not None:
        return beyond
    ends_alike = abs(gamma.item(gamma.size // 2) - gamma.item(0)) < _ALIKE  # spares most the rest
    if ends_alike and float(np.abs(gamma - gamma[0]).max()) < _ALIKE:
        return Finding(
            "flat", "problem", "Every point shows the same reflection: nothing was measured.",
            {"reflection": abs(complex(gamma[0]))},
            "Check the lead, the analyzer's calibration and that the antenna is connected.",
        )  # fmt: skip
    return None


def _beyond_instruments(sweep: Sweep, gamma: ComplexArray) -> Finding | None:
    low, high = sweep.f_hz.item(0), sweep.f_hz.item(-1)
    if low < _LOWEST_HZ or high > _HIGHEST_HZ or high - low < _LEAST_RELATIVE_SPAN * high:
        return Finding(
            "frequencies-implausible", "problem",
            f"The sweep runs from {low:.12g} to {high:.12g} Hz, which no analyzer does.",
            {"f_start_hz": low, "f_stop_hz": high},
            "Check the frequencies' unit, and delete rows that do not belong to the sweep.",
        )  # fmt: skip
    # The sum of squares costs next to nothing, and clears all but a few.
    if np.vdot(gamma, gamma).real <= _LARGEST_REFLECTION**2:
        return None
    largest = float(np.maximum(np.abs(gamma.real), np.abs(gamma.imag)).max())
    if largest <= _LARGEST_REFLECTION:
        return None
    return Finding(
        "reflections-implausible", "problem",
        f"A reflection of magnitude {largest:.2g} stands in the sweep: an antenna sends back 1 "
        "at most.",
        {"largest_reflection": largest},
        "Check the file's numbers and, where a line is described, its length and loss.",
    )  # fmt: skip


def judge(evidence: FitDiagnostics, determined: bool) -> tuple[Status, list[Finding]]:
    """Weigh one fit.

    Parameters
    ----------
    evidence : Evidence
    determined : bool
        Whether the fit's covariance exists.

    Returns
    -------
    status : str
    findings : list of Finding
        Why, and what to do.
    """
    refusal = _refusal(evidence, determined)
    if refusal is not None:
        return "refused", [refusal]
    doubts = list(_doubts(evidence))
    status: Status = "doubtful" if any(f.level != "note" for f in doubts) else "ok"
    if evidence.set_aside:
        doubts.append(Finding(
            "set-aside", "note",
            f"{evidence.set_aside} of {evidence.measured} points stand far off the circle and "
            "were set aside (broadcasters, switching noise).",
            {"points_set_aside": float(evidence.set_aside)},
            "Nothing to do; fewer of them after a repeat at a quieter hour.",
        ))  # fmt: skip
    return status, [*doubts, *_unseen_drift(evidence)]


def _unseen_drift(e: FitDiagnostics) -> Iterator[Finding]:
    """Say where a little warmth during the sweep would pass for another Q.

    A resonance that drifts by d over the span makes ``QL (1 - d QL/widths)`` of a loaded Q of QL.
    """
    share = _EXPANSION_PER_KELVIN * e.q_loaded / e.widths
    if share > max(_DRIFT_DEVIATIONS * e.u_q_loaded, _NOTABLE_DRIFT):
        yield Finding(
            "drift-unseen", "note",
            "A resonance that drifts steadily during the sweep passes for another Q: warming by "
            f"one degree (copper, {1e6 * _EXPANSION_PER_KELVIN:.0f} millionths) would make "
            f"{100 * share:.1f} % of it.",
            {"q_loaded_relative": share, "u_q_loaded_relative": e.u_q_loaded},
            "Sweep up and down in turn, or twice in succession, and compare the resonances.",
        )  # fmt: skip


def _refusal(e: FitDiagnostics, determined: bool) -> Finding | None:
    if e.gain < LEAST_GAIN:
        return Finding(
            "no-resonance", "problem", "No resonance stands out of the noise in this sweep.",
            {"chi_square_gain": e.gain, "needed": LEAST_GAIN},
            "Sweep wider to find the dip, or tune the capacitor into the span.",
        )  # fmt: skip
    if not determined:
        return Finding(
            "not-determined", "problem", "The data do not determine a resonance: many fit alike.",
            {}, "Sweep over several half-power bandwidths about the dip.",
        )  # fmt: skip
    if e.q_loaded < _LEAST_Q:
        return Finding(
            "not-isolated", "problem",
            "A loaded Q this low is no isolated resonance: Q would mean little here.",
            {"q_loaded": e.q_loaded}, "Read the match alone.",
        )  # fmt: skip
    if e.widths < _LEAST_SPAN:
        return Finding(
            "span-too-narrow", "problem",
            f"The span covers only {e.widths:.2g} half-power bandwidths: Q cannot be told.",
            {"half_power_bandwidths_in_span": e.widths}, e.next_sweep,
        )  # fmt: skip
    if abs(e.place) > SPAN_END:
        return Finding(
            "outside-span", "problem",
            f"The resonance, if any, lies {'below' if e.place < 0 else 'above'} the swept span.",
            {"place_in_span": e.place},
            f"Move the span {'down' if e.place < 0 else 'up'}, or tune the capacitor.",
        )  # fmt: skip
    return _no_use(e) or _no_reflection(e)


def _no_reflection(e: FitDiagnostics) -> Finding | None:
    """Return why this is a transmission, such as S21, and no reflection of a loop's."""
    most = e.detuned_size + _DETUNED_DEVIATIONS * e.u_detuned_size
    circle = e.diameter * e.detuned_size
    if most > (_LITTLE_LEFT if circle > _GROWN * most else _NOTHING_LEFT):
        return None
    return Finding(
        "not-a-reflection", "problem",
        f"Off resonance {100 * e.detuned_size:.2g} % come back, and the circle's diameter is "
        f"{100 * circle:.2g} %: a transmission (S21) looks so, or a load; a loop sends back nearly "
        "all off resonance.",
        {"detuned_reflection": e.detuned_size, "circle_diameter": circle},
        "Export the reflection (S11) of the port the coupling loop is on; if it is that, shorten "
        "the line or take the attenuator out.",
    )  # fmt: skip


def _no_use(e: FitDiagnostics) -> Finding | None:
    if e.rival > RIVAL:
        return Finding(
            "ripple-or-step", "problem",
            "The ripple of a mismatched line, or a step while sweeping, fits better than a "
            "resonance.",
            {"chi_square_better": e.rival},
            "Shorten or describe the feed line, keep everything still, and sweep again.",
        )  # fmt: skip
    if e.one_point > _ONE_POINT:
        return Finding(
            "too-few-in-bandwidth", "problem",
            f"{e.points} points lie in the half-power bandwidth, and one alone carries the "
            "resonance: a spike would look alike.",
            {"points_in_bandwidth": float(e.points)}, e.next_sweep,
        )  # fmt: skip
    if e.diameter < _LEAST_DIAMETER:
        return Finding(
            "hardly-a-dip", "problem",
            f"The deepest dip takes {100 * e.diameter:.1f} % off the reflection: a wobble, or a "
            "loop that is hardly coupled.",
            {"diameter": e.diameter},
            "Look for the real dip over a wider span, or bring the coupling loop closer.",
        )  # fmt: skip
    if not e.u_q_loaded < _WORST_U:
        return Finding(
            "too-noisy", "problem", "The noise leaves the loaded Q uncertain by half or more.",
            {"u_q_loaded_relative": e.u_q_loaded}, e.next_sweep,
        )  # fmt: skip
    if e.misfit > _WORST_MISFIT:
        return Finding(
            "not-one-resonance", "problem",
            f"The sweep does not follow one resonance: the misfit is {100 * e.misfit:.0f} % of "
            "the circle.",
            {"misfit_relative": e.misfit},
            "Look for a second resonance, a moving hand, or an analyzer that needs calibration; "
            "sweep closer about the dip.",
        )  # fmt: skip
    return None


def _doubts(e: FitDiagnostics) -> Iterator[Finding]:
    if e.widths < _GOOD_SPAN:
        yield Finding(
            "span-narrow", "warning",
            f"The span covers only {e.widths:.2g} half-power bandwidths: a line's phase and the "
            "background pass for Q.",
            {"half_power_bandwidths_in_span": e.widths}, e.next_sweep,
        )  # fmt: skip
    if math.isnan(e.u_q_unloaded):
        yield Finding(
            "overcoupled-beyond-model", "warning",
            "The circle is wider than any lossless coupling gives: no unloaded Q.",
            {"diameter": e.diameter, "u": e.u_diameter},
            "Calibrate the analyzer at the coupling loop's terminals, or loosen the coupling.",
        )  # fmt: skip
    elif e.u_q_unloaded > _POOR_U:
        yield Finding(
            "uncertain", "warning",
            f"Unloaded Q is known to {100 * e.u_q_unloaded:.0f} % only, with {e.points} points in "
            "the half-power bandwidth.",
            {"u_q_unloaded_relative": e.u_q_unloaded, "points_in_bandwidth": float(e.points)},
            e.next_sweep,
        )  # fmt: skip
    if e.q_loaded < _POOR_Q:
        yield Finding(
            "low-q", "warning",
            "At a loaded Q this low the antenna is hardly one isolated resonance.",
            {"q_loaded": e.q_loaded}, "Take Q and coupling as rough.",
        )  # fmt: skip
    if e.rival > -RIVAL:
        yield Finding(
            "ripple-or-resonance", "warning",
            "The ripple of a mismatched line would fit about as well as this resonance.",
            {"chi_square_better": e.rival},
            "Tune the capacitor and sweep again: a resonance moves, a line's ripple stays.",
        )  # fmt: skip
    yield from _shape_doubts(e)


def _shape_doubts(e: FitDiagnostics) -> Iterator[Finding]:
    if e.step > _STEP * e.inflation**2:
        # A step of height h halfway gains n h^2/(4 sigma^2).
        kept = max(e.measured - e.set_aside, 1)
        height = 2 * e.noise * math.sqrt(e.step / kept) / max(e.diameter * e.detuned_size, 1e-12)
        yield Finding(
            "step-in-sweep", "warning" if height > _POOR_MISFIT else "note",
            f"The reflection jumps or drifts during the sweep, by about {100 * height:.1f} % of "
            "the circle.",
            {"chi_square_gain": e.step, "height_relative": height},
            "Keep hands, people and the lead still; let the loop cool; sweep again.",
        )  # fmt: skip
    if e.drift is not None:
        yield drift_finding(e.drift, e.diameter * e.detuned_size)
    if e.misfit > 0:
        yield Finding(
            "misfit", "warning" if e.misfit > _POOR_MISFIT else "note",
            f"Neighbouring points miss the circle together, by {100 * e.misfit:.1f} % of its "
            "diameter; intervals are widened for it.",
            {"misfit_relative": e.misfit, "widened_by": e.inflation},
            "Keep hands and people still during the sweep; describe the feed line in the build.",
        )  # fmt: skip
    if e.largest > _GAIN_LIMIT + _GAIN_DEVIATIONS * e.noise and e.detuned_size > _GAIN_LIMIT:
        yield Finding(
            "more-than-all", "warning",
            f"More power seems to come back than goes out (|reflection| up to {e.largest:.3f}).",
            {"largest_reflection": e.largest, "detuned_reflection": e.detuned_size},
            "Calibrate the analyzer (open, short, load) and sweep again.",
        )  # fmt: skip
