"""The command line: one small file per command, no logic of its own."""
