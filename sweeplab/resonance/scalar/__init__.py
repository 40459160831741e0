"""Sweeps without signed phase: magnitudes alone, and unsigned reactance."""
