"""The command: it runs in an interpreter that no variable, no folder and no site of the user steers."""

import os
import sys
from pathlib import Path
from typing import NoReturn


def isolated(code: str) -> list[str]:
    """Return the command that runs some lines in an isolated interpreter which knows this package, wherever it lies.

    The folder that holds the package does not stay on the import path.
    """
    root = str(Path(__file__).resolve().parents[1])
    start = f"import sys\nsys.path.insert(0, {root!r})\nimport intake_report\ndel sys.path[0]\n"
    return [sys.executable, "-I", "-c", start + code]


def main() -> NoReturn:
    """Start the command line in an isolated interpreter with the arguments of this one."""
    os.execv(sys.executable, [*isolated("from intake_report.cli import main\nsys.exit(main())"), *sys.argv[1:]])


if __name__ == "__main__":
    main()
