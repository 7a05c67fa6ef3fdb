"""The planning room."""
