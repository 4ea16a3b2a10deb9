"""Its place here lets tests in every folder import ``array_takes``."""
