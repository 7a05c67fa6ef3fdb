"""Reading what a clinic brings, checking it cell by cell, and pairing before with after."""
