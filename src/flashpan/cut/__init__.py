"""Cutting trim ranges out of a take, and proving that the clip holds the take's frames."""
