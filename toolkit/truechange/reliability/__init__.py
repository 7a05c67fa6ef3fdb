"""The reliability room."""
