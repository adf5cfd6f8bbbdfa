"""`intake-report check`: what a log is, how good it is, and whether the run has to be repeated, on the same day."""
