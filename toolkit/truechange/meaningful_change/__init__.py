"""The meaningful_change room."""
