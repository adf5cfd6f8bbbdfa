"""The command: it runs in an interpreter that no variable, no folder and no site of the user steers."""

import os
import sys
from pathlib import Path
from typing import NoReturn

_START = """
import sys
sys.path.insert(0, {root!r})
import intake_report
del sys.path[0]
from intake_report.cli import main
sys.exit(main())
"""


def main() -> NoReturn:
    """Start the command line in an isolated interpreter (``python -I``) with the arguments of this one."""
    start = _START.format(root=str(Path(__file__).resolve().parents[1]))
    os.execv(sys.executable, [sys.executable, "-I", "-c", start, *sys.argv[1:]])


if __name__ == "__main__":
    main()
