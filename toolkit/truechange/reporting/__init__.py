"""The reporting room."""
