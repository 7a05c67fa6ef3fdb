"""How the cases about programme are recomputed through the public functions."""
