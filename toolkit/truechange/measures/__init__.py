"""The catalogue of functional tests, what is published about them, and measures derived from others."""
