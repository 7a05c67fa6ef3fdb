"""Sample size by formula and by simulating the planned analysis."""
