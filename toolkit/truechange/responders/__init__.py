"""The responders room."""
