"""The programme room."""
