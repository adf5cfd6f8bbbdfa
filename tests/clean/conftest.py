"""Real drives, read once per session."""

from __future__ import annotations

import pytest

from intake_report.loaders.base import RunLog

from .support import drives_folder, read_commute, read_loop


@pytest.fixture(scope="session")
def commute() -> dict[str, RunLog]:
    """Return all commute drives by file name."""
    paths = sorted((drives_folder() / "commute").glob("*.csv.gz"))
    if not paths:
        pytest.skip(f"no real drives at {drives_folder()}: set INTAKE_REPORT_DRIVES")
    return {path.name: read_commute(path) for path in paths}


@pytest.fixture(scope="session")
def loop() -> dict[str, RunLog]:
    """Return all loop drives by file name."""
    paths = sorted((drives_folder() / "loop").glob("*.csv"))
    if not paths:
        pytest.skip(f"no real drives at {drives_folder()}: set INTAKE_REPORT_DRIVES")
    return {path.name: read_loop(path) for path in paths}
