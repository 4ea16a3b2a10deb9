"""Detectors: one file per way of seeing a change, all behind one protocol."""
