"""One person asked about without code: what was typed, the question it makes, a printable sheet, a page on loopback."""
