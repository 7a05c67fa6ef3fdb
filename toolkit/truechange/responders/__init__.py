"""Shares of people who changed enough: counted, compared, and with measurement error taken into account."""
