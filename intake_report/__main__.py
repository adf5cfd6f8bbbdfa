"""Run the command line as `python -m intake_report`."""

import sys

from intake_report.cli import main

sys.exit(main())
