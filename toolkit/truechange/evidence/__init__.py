"""The evidence room."""
