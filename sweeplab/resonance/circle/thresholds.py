"""Thresholds that more than one step of the analysis applies.

Those that a single module applies are defined in that module.
"""

from __future__ import annotations

from sweeplab.finding import Threshold

MIN_POINTS: Threshold = 12
# Chi-square that a resonance must gain over a bare background, or over the resonances found before
# it. A bank of some thousand shapes on noise alone gains about 2 ln(1000) + 5, far below this.
MIN_CHI_SQUARE_GAIN: Threshold = 60.0
# A null model this much better than a resonance, or not this much worse, in chi-square.
NULL_MODEL_MARGIN: Threshold = 12.0
# Edge of the span, either side of its middle: a resonance further out was not swept over.
SPAN_EDGE: Threshold = 0.5
# Half-power bandwidths in the span; a wider resonance is part of the background.
MIN_SPAN_BANDWIDTHS: Threshold = 1.0
# Of a resonance's whole weight: with more, a spike would look the same.
MAX_POINT_SHARE: Threshold = 0.7
# Chi-square of one degree of freedom at a significance of 0.1 % (any table): what one parameter
# more must gain to be fitted.
EXTRA_PARAMETER_CHI2: Threshold = 10.83
