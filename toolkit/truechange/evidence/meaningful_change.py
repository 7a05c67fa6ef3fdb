"""How the cases about meaningful change are recomputed through the public functions."""
