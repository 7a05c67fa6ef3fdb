"""How the cases about planning are recomputed through the public functions."""
