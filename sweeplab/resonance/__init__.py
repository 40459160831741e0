"""From a sweep to its resonance and match."""

from sweeplab.resonance.result import Circle, Match, Resonance

__all__ = ["Circle", "Match", "Resonance"]
