"""Readers: one file per kind of source, all behind `flashpan.readers.base.Reader`."""
