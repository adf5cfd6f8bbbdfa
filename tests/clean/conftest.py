"""Real drives, read once per session."""

from pathlib import Path

import pytest

from intake_report.loaders.base import RunLog

from .support import read_commute, read_loop


@pytest.fixture(scope="session")
def commute(drives: Path) -> dict[str, RunLog]:
    """Return all commute drives by file name."""
    return {path.name: read_commute(path) for path in sorted(drives.glob("commute/*.csv.gz"))}


@pytest.fixture(scope="session")
def loop(drives: Path) -> dict[str, RunLog]:
    """Return all loop drives by file name."""
    return {path.name: read_loop(path) for path in sorted(drives.glob("loop/*.csv"))}
