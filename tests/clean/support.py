"""Builders of small logs for the cleaning tests."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from intake_report.clean import CleanRun, CrossCheck, cross_checks
from intake_report.loaders.base import RunLog
from intake_report.messages import Part, said


def log_of(columns: Mapping[str, object], time: object) -> RunLog:
    """Build a run from arrays."""
    frame = pd.DataFrame(
        {name: np.asarray(values, dtype=np.float64) for name, values in columns.items()},
        index=pd.Index(np.asarray(time, dtype=np.float64), name="time"),
    )
    return RunLog("test", frame, None, (Path("test.csv"),))


def check(run: CleanRun, name: str, **known: object) -> CrossCheck:
    """Return one cross check of a run."""
    return next(c for c in cross_checks(run, **known) if c.name == name)


def text(part: Part) -> str:
    """Return a message as a reader of SI units sees it, with plain blanks."""
    return said(part, "si").replace("\N{NO-BREAK SPACE}", " ")
