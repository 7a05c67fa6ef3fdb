"""The currency between rooms: errors, estimates with their origin, number formatting, drawing and HTML primitives."""
