"""The page room."""
