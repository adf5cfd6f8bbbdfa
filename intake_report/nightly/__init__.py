"""`intake-report nightly`, `archive`, `reproduce`: many campaigns unattended, and one to keep."""
