"""Runs for the cleaning tests: real drives read with pandas, and builders of small logs."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from intake_report.clean import CleanRun, CrossCheck, cross_checks
from intake_report.loaders.base import RunLog
from intake_report.messages import Part, said

COMMUTE = ("coolant", "map", "rpm", "speed", "iat", "maf", "throttle", "ambient", "pedal", "pedal_e")
LOOP = {
    "longitude": "longitude",
    "latitude": "latitude",
    "GPS Speed": "gps_speed",
    "Intake Temperature": "iat",
    "Rpm": "rpm",
    "Throttle Position": "throttle",
    "Engine Load": "load",
    "GPS HDOP": "hdop",
    "GPS Altitude": "altitude",
    "GPS Accuracy": "gps_accuracy",
    "Speed": "speed",
    "Intake Pressure": "map",
    "GPS Bearing": "bearing",
    "Calculated MAF": "maf",
    "Consumption": "fuel_rate",
}


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


def read_commute(path: Path) -> RunLog:
    """Read one commute drive; clock times, date in the file name only."""
    table = pd.read_csv(path)
    time = pd.to_timedelta(table.pop("Time")).dt.total_seconds().to_numpy()
    frame = table.astype(np.float64)
    frame.columns = pd.Index(COMMUTE)
    frame.index = pd.Index(time - time[0], name="time")
    return RunLog(path.name, frame, None, (path,))


def read_loop(path: Path) -> RunLog:
    """Read one loop drive."""
    table = pd.read_csv(path)
    time = (pd.to_datetime(table.pop("time")) - pd.Timestamp("2017-01-01", tz="UTC")).dt.total_seconds().to_numpy()
    names = {header: LOOP.get(header.split(" [")[0]) for header in table.columns}
    frame = table[[h for h, n in names.items() if n]].rename(columns=names).astype(np.float64)
    frame.index = pd.Index(time - time[0], name="time")
    return RunLog(path.name, frame, None, (path,))
