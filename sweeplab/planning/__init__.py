"""A build not yet built: expected figures, tuning range, coupling loop, stock, cautions."""
