"""How the cases about individual are recomputed through the public functions."""
