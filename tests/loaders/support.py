"""Where the real drives are, and small logs made by code."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DRIVES = (ROOT / os.environ.get("INTAKE_REPORT_DRIVES", "../shared/drives")).resolve()

needs_drives = pytest.mark.skipif(not DRIVES.is_dir(), reason=f"the real drives are not at {DRIVES}")


def real_logs() -> list[Path]:
    """Return the drives, without the speed cycles."""
    return sorted([*DRIVES.glob("loop/*.csv"), *DRIVES.glob("commute/*.csv.gz")])


def write(path: Path, text: str | bytes) -> Path:
    """Write a file and return its path."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path
