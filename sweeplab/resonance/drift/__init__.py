"""Drift during a sweep: steps and smooth changes of reflection, resonance and loss."""
