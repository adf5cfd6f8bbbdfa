"""The same-day check of a log: what it is, how good it is, and whether the run has to be repeated.

Nothing is imported here, so that a log can be looked at without waiting for what only a campaign needs.
"""
