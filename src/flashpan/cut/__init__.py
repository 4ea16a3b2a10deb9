"""Cutting trim ranges out of takes."""
