"""Finds the few frames that matter in long high-speed-camera takes."""
