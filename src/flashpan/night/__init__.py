"""A night of takes: found, trimmed, verified, logged, and remembered."""
