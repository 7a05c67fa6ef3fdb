"""Long simulations with known truth: the scripts that make the stored tables, run by hand; quick ones run as tests."""
