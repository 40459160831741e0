"""Quality of a fit: why it is refused or doubtful, and what to do about it."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sweeplab.finding import Finding, Status, Threshold
from sweeplab.resonance.circle.thresholds import (
    MAX_POINT_SHARE,
    MIN_CHI_SQUARE_GAIN,
    NULL_MODEL_MARGIN,
    SPAN_EDGE,
)
from sweeplab.resonance.diagnostics import FitDiagnostics
from sweeplab.resonance.drift.correct import drift_finding

# Chi-square: on noise alone the best of a thousand step positions gains 25 in one sweep of some
# thousands.
_STEP: Threshold = 25.0
_LEAST_SPAN: Threshold = 0.8  # half-power bandwidths
_GOOD_SPAN: Threshold = 1.5
_LEAST_DIAMETER: Threshold = 0.03
_WORST_U: Threshold = 0.5
_POOR_U: Threshold = 0.10
# Correlated residual, relative to the circle's diameter.
_WORST_MISFIT: Threshold = 0.12
_POOR_MISFIT: Threshold = 0.03
# Copper expands, and the resonance falls, by this share per kelvin (CRC Handbook of Chemistry and
# Physics, memory).
_EXPANSION_PER_KELVIN = 17e-6
# A share of QL worth a finding: at least this much, and this many standard uncertainties.
_NOTABLE_DRIFT: Threshold = 0.003
_DRIFT_DEVIATIONS: Threshold = 2.0
# Below this the model of one isolated resonance no longer describes the antenna.
_LEAST_Q: Threshold = 5.0
_POOR_Q: Threshold = 12.0
# No passive antenna reflects more than this; the noise may add this many standard deviations.
_GAIN_LIMIT: Threshold = 1.02
_GAIN_DEVIATIONS: Threshold = 5.0
# A detuned loop reflects everything; 5 dB of line, one way, leave 0.316 of it, 10 dB leave 0.1.
# Neither line nor lossless coupling makes it grow at the resonance, as a transmission does.
_LITTLE_LEFT: Threshold = 0.316
_NOTHING_LEFT: Threshold = 0.1
_GROWN: Threshold = 3.0
_DETUNED_DEVIATIONS: Threshold = 4.0


def judge(diagnostics: FitDiagnostics, determined: bool) -> tuple[Status, list[Finding]]:
    """Return the status of one fit, with the findings that give the reasons.

    Parameters
    ----------
    diagnostics : FitDiagnostics
    determined : bool
        Whether the fit's covariance exists.

    Returns
    -------
    status : {'ok', 'doubtful', 'refused'}
    findings : list of Finding
        Why, and what to do.
    """
    refusal = _refusal(diagnostics, determined)
    if refusal is not None:
        return "refused", [refusal]
    doubts = list(_doubts(diagnostics))
    status: Status = "doubtful" if any(f.level != "note" for f in doubts) else "ok"
    if diagnostics.points_set_aside:
        doubts.append(
            Finding(
                code="set-aside",
                level="note",
                text=(
                    f"{diagnostics.points_set_aside} of {diagnostics.points_measured} points stand "
                    "far off the circle and were set aside (broadcasters, switching noise)."
                ),
                evidence={"points_set_aside": float(diagnostics.points_set_aside)},
                action="Nothing to do; fewer of them after a repeat at a quieter hour.",
            )
        )
    return status, [*doubts, *_undetectable_drift(diagnostics)]


def _undetectable_drift(e: FitDiagnostics) -> Iterator[Finding]:
    """Yield a finding where a little warming during the sweep would look like another Q.

    A drift of the resonance by d over the span turns a loaded Q of QL into
    ``QL (1 - d QL/span_bandwidths)``.
    """
    share = _EXPANSION_PER_KELVIN * e.q_loaded / e.span_bandwidths
    if share > max(_DRIFT_DEVIATIONS * e.u_q_loaded, _NOTABLE_DRIFT):
        yield Finding(
            code="drift-unseen",
            level="note",
            text=(
                "A resonance that drifts steadily during the sweep passes for another Q: warming "
                f"by one degree (copper, {1e6 * _EXPANSION_PER_KELVIN:.0f} millionths) would make "
                f"{100 * share:.1f} % of it."
            ),
            evidence={"q_loaded_relative": share, "u_q_loaded_relative": e.u_q_loaded},
            action="Sweep up and down in turn, or twice in succession, and compare the resonances.",
        )


def _refusal(e: FitDiagnostics, determined: bool) -> Finding | None:
    return (
        _no_resonance(e, determined)
        or _outside_span(e)
        or _not_distinct(e)
        or _poor_fit(e)
        or _not_a_reflection(e)
    )


def _no_resonance(e: FitDiagnostics, determined: bool) -> Finding | None:
    if e.chi_square_gain < MIN_CHI_SQUARE_GAIN:
        return Finding(
            code="no-resonance",
            level="problem",
            text="No resonance stands out of the noise in this sweep.",
            evidence={"chi_square_gain": e.chi_square_gain, "needed": MIN_CHI_SQUARE_GAIN},
            action="Sweep wider to find the dip, or tune the capacitor into the span.",
        )
    if not determined:
        return Finding(
            code="not-determined",
            level="problem",
            text="The data do not determine a resonance: many fit alike.",
            evidence={},
            action="Sweep over several half-power bandwidths about the dip.",
        )
    if e.q_loaded < _LEAST_Q:
        return Finding(
            code="not-isolated",
            level="problem",
            text="A loaded Q this low is no isolated resonance: Q would mean little here.",
            evidence={"q_loaded": e.q_loaded},
            action="Read the match alone.",
        )
    return None


def _outside_span(e: FitDiagnostics) -> Finding | None:
    if e.span_bandwidths < _LEAST_SPAN:
        return Finding(
            code="span-too-narrow",
            level="problem",
            text=(
                f"The span covers only {e.span_bandwidths:.2g} half-power bandwidths: Q cannot be "
                "told."
            ),
            evidence={"half_power_bandwidths_in_span": e.span_bandwidths},
            action=e.next_sweep,
        )
    if abs(e.position) > SPAN_EDGE:
        return Finding(
            code="outside-span",
            level="problem",
            text=(
                f"The resonance, if any, lies {'below' if e.position < 0 else 'above'} the swept "
                "span."
            ),
            evidence={"place_in_span": e.position},
            action=f"Move the span {'down' if e.position < 0 else 'up'}, or tune the capacitor.",
        )
    return None


def _not_a_reflection(e: FitDiagnostics) -> Finding | None:
    """Return why this is a transmission, such as S21, and not the reflection of a loop."""
    upper = e.detuned_magnitude + _DETUNED_DEVIATIONS * e.u_detuned_magnitude
    circle = e.diameter * e.detuned_magnitude
    if upper > (_LITTLE_LEFT if circle > _GROWN * upper else _NOTHING_LEFT):
        return None
    return Finding(
        code="not-a-reflection",
        level="problem",
        text=(
            f"Off resonance {100 * e.detuned_magnitude:.2g} % come back, and the circle's diameter "
            f"is {100 * circle:.2g} %: a transmission (S21) looks so, or a load; a loop sends back "
            "nearly all off resonance."
        ),
        evidence={"detuned_reflection": e.detuned_magnitude, "circle_diameter": circle},
        action=(
            "Export the reflection (S11) of the port the coupling loop is on; if it is that, "
            "shorten the line or take the attenuator out."
        ),
    )


def _not_distinct(e: FitDiagnostics) -> Finding | None:
    """Return what else the dip may be: a null model, or a single point."""
    if e.null_advantage > NULL_MODEL_MARGIN:
        return Finding(
            code="ripple-or-step",
            level="problem",
            text="The ripple of a mismatched line, or a step while sweeping, fits better than a "
            "resonance.",
            evidence={"chi_square_better": e.null_advantage},
            action="Shorten or describe the feed line, keep everything still, and sweep again.",
        )
    if e.max_point_share > MAX_POINT_SHARE:
        return Finding(
            code="too-few-in-bandwidth",
            level="problem",
            text=(
                f"{e.points_in_bandwidth} points lie in the half-power bandwidth, and one alone "
                "carries the resonance: a spike would look alike."
            ),
            evidence={"points_in_bandwidth": float(e.points_in_bandwidth)},
            action=e.next_sweep,
        )
    return None


def _poor_fit(e: FitDiagnostics) -> Finding | None:
    if e.diameter < _LEAST_DIAMETER:
        return Finding(
            code="hardly-a-dip",
            level="problem",
            text=(
                f"The deepest dip takes {100 * e.diameter:.1f} % off the reflection: a wobble, or "
                "a loop that is hardly coupled."
            ),
            evidence={"diameter": e.diameter},
            action="Look for the real dip over a wider span, or bring the coupling loop closer.",
        )
    if not e.u_q_loaded < _WORST_U:
        return Finding(
            code="too-noisy",
            level="problem",
            text="The noise leaves the loaded Q uncertain by half or more.",
            evidence={"u_q_loaded_relative": e.u_q_loaded},
            action=e.next_sweep,
        )
    if e.misfit > _WORST_MISFIT:
        return Finding(
            code="not-one-resonance",
            level="problem",
            text=(
                f"The sweep does not follow one resonance: the misfit is {100 * e.misfit:.0f} % of "
                "the circle."
            ),
            evidence={"misfit_relative": e.misfit},
            action=(
                "Look for a second resonance, a moving hand, or an analyzer that needs "
                "calibration; sweep closer about the dip."
            ),
        )
    return None


def _doubts(e: FitDiagnostics) -> Iterator[Finding]:
    yield from _precision(e)
    yield from _validity(e)
    yield from _movement(e)
    yield from _misfit(e)


def _precision(e: FitDiagnostics) -> Iterator[Finding]:
    """Yield doubts about how well the sweep determines Q."""
    if e.span_bandwidths < _GOOD_SPAN:
        yield Finding(
            code="span-narrow",
            level="warning",
            text=(
                f"The span covers only {e.span_bandwidths:.2g} half-power bandwidths: a line's "
                "phase and the background pass for Q."
            ),
            evidence={"half_power_bandwidths_in_span": e.span_bandwidths},
            action=e.next_sweep,
        )
    if math.isnan(e.u_q_unloaded):
        yield Finding(
            code="overcoupled-beyond-model",
            level="warning",
            text="The circle is wider than any lossless coupling gives: no unloaded Q.",
            evidence={"diameter": e.diameter, "u": e.u_diameter},
            action=(
                "Calibrate the analyzer at the coupling loop's terminals, or loosen the coupling."
            ),
        )
    elif e.u_q_unloaded > _POOR_U:
        yield Finding(
            code="uncertain",
            level="warning",
            text=(
                f"Unloaded Q is known to {100 * e.u_q_unloaded:.0f} % only, with "
                f"{e.points_in_bandwidth} points in the half-power bandwidth."
            ),
            evidence={
                "u_q_unloaded_relative": e.u_q_unloaded,
                "points_in_bandwidth": float(e.points_in_bandwidth),
            },
            action=e.next_sweep,
        )


def _validity(e: FitDiagnostics) -> Iterator[Finding]:
    """Yield doubts about the model of one isolated resonance."""
    if e.q_loaded < _POOR_Q:
        yield Finding(
            code="low-q",
            level="warning",
            text="At a loaded Q this low the antenna is hardly one isolated resonance.",
            evidence={"q_loaded": e.q_loaded},
            action="Take Q and coupling as rough.",
        )
    if e.null_advantage > -NULL_MODEL_MARGIN:
        yield Finding(
            code="ripple-or-resonance",
            level="warning",
            text="The ripple of a mismatched line would fit about as well as this resonance.",
            evidence={"chi_square_better": e.null_advantage},
            action="Tune the capacitor and sweep again: a resonance moves, a line's ripple stays.",
        )


def _movement(e: FitDiagnostics) -> Iterator[Finding]:
    """Yield what moved during the sweep."""
    if e.step_gain > _STEP * e.inflation**2:
        # A step of height h halfway gains n h^2/(4 sigma^2).
        used = max(e.points_measured - e.points_set_aside, 1)
        height = (
            2
            * e.noise
            * math.sqrt(e.step_gain / used)
            / max(e.diameter * e.detuned_magnitude, 1e-12)
        )
        yield Finding(
            code="step-in-sweep",
            level="warning" if height > _POOR_MISFIT else "note",
            text=(
                f"The reflection jumps or drifts during the sweep, by about {100 * height:.1f} % "
                "of the circle."
            ),
            evidence={"chi_square_gain": e.step_gain, "height_relative": height},
            action="Keep hands, people and the lead still; let the loop cool; sweep again.",
        )
    if e.drift is not None:
        yield drift_finding(e.drift, e.diameter * e.detuned_magnitude)


def _misfit(e: FitDiagnostics) -> Iterator[Finding]:
    """Yield doubts about the data: a correlated residual, more reflected than sent."""
    if e.misfit > 0:
        yield Finding(
            code="misfit",
            level="warning" if e.misfit > _POOR_MISFIT else "note",
            text=f"Neighbouring points miss the circle together, by {100 * e.misfit:.1f} % of its "
            "diameter; intervals are widened for it.",
            evidence={"misfit_relative": e.misfit, "widened_by": e.inflation},
            action=(
                "Keep hands and people still during the sweep; describe the feed line in the build."
            ),
        )
    if (
        e.largest_reflection > _GAIN_LIMIT + _GAIN_DEVIATIONS * e.noise
        and e.detuned_magnitude > _GAIN_LIMIT
    ):
        yield Finding(
            code="more-than-all",
            level="warning",
            text=(
                "More power seems to come back than goes out (|reflection| up to "
                f"{e.largest_reflection:.3f})."
            ),
            evidence={
                "largest_reflection": e.largest_reflection,
                "detuned_reflection": e.detuned_magnitude,
            },
            action="Calibrate the analyzer (open, short, load) and sweep again.",
        )
