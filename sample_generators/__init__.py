"""Invented takes with known truth, rendered from physics; see README.md of the project."""
