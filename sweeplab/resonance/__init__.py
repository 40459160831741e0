"""From a sweep to its resonance and match."""

from sweeplab.resonance.api import fit_many, fit_resonance, iter_fit
from sweeplab.resonance.match import find_match, find_matches, reflection_at
from sweeplab.resonance.result import Circle, Match, Resonance

__all__ = [
    "Circle",
    "Match",
    "Resonance",
    "find_match",
    "find_matches",
    "fit_many",
    "fit_resonance",
    "iter_fit",
    "reflection_at",
]
