"""The individual room."""
