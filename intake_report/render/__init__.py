"""From results to the report: neutral blocks shown by the notebook, and the HTML and PDF exporters that read them.

Nothing is imported here, so that a notebook which only shows blocks does not pay for the exporters.
"""
