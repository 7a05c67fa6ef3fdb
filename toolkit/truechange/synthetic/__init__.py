"""The synthetic room."""
