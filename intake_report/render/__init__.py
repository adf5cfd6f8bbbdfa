"""From results to the report: blocks, which the notebook shows and the exporters read; nothing is imported here."""
