"""Circle fits of complex sweeps."""
