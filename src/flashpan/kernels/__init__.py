"""Loops over pixels and tiles, compiled: one module for each idea."""
