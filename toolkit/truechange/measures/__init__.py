"""The measures room."""
