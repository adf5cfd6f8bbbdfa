"""MDF 4 recordings (ASAM standard) through asammdf: channel groups with time bases of their own."""

from __future__ import annotations

import gc
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, RawColumn, RawLog, ReadOptions, notice
from intake_report.loaders.columnar import repeated_names
from intake_report.loaders.content import expansion_limit
from intake_report.loaders.dialect import clean_header
from intake_report.loaders.times import rows_of_log
from intake_report.messages import Count

_FIRST_YEAR = 1990  # an earlier start is a clock that was never set


def read(path: Path, options: ReadOptions) -> RawLog:  # noqa: ARG001 - a recording tells all by itself
    """Read one recording; needs the extra "mdf"."""
    try:
        import asammdf
    except ImportError:
        raise DataError(
            "Reading MDF needs the package asammdf.", remedy="Install it: pip install intake-report[mdf]"
        ) from None
    try:
        with asammdf.MDF(path) as recording:
            return _read(recording, path)
    except DataError:
        raise
    except Exception as error:  # asammdf raises whatever a damaged block makes struct, numpy or zlib raise
        kind = type(error).__name__
    _forget_broken_recording()
    raise DataError(
        f"The MDF file is damaged or of another version ({kind}).", remedy="Export the recording again as MDF 4."
    )


def _forget_broken_recording() -> None:
    """Collect a half-built recording now: its destructor fails, and Python would print a traceback about it later."""
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        gc.collect()
    finally:
        sys.unraisablehook = hook


def _read(recording: Any, path: Path) -> RawLog:
    cells = sum(group.channel_group.cycles_nr * len(group.channels) for group in recording.groups)
    if cells * 8 > expansion_limit(path.stat().st_size):
        raise DataError(f"The recording expands to {cells:,} values, which no file of its size does.")
    samples: list[tuple[RawColumn, FloatArray]] = []  # columns with times of their own
    skipped = 0
    for number, group in enumerate(recording.groups):
        for index in range(len(group.channels)):
            if index == recording.masters_db.get(number):
                continue
            signal = recording.get(group=number, index=index, ignore_invalidation_bits=False)
            values = _numbers(signal)
            if values is None:
                skipped += 1
            elif len(values):
                column = RawColumn(clean_header(signal.name), clean_header(signal.unit or "") or None, values)
                samples.append((column, np.asarray(signal.timestamps, float)))
    if not samples:
        raise DataError("The recording holds no channel with numbers.")
    notices: list[Notice] = []
    if skipped:
        notices.append(notice("text-columns", "{count} without numbers left out.", count=Count(skipped, "channel")))
    origin = _aware(recording.start_time)
    if origin is None:
        notices.append(notice("no-start-time", "The recording does not tell when it began."))
    time, columns, dropped = rows_of_log(*_together(samples))
    notices += [*dropped, *repeated_names([column.name for column in columns])]
    return RawLog(path, "mdf4", time, origin, columns, tuple(notices), "elapsed" if origin is None else "absolute")


def _numbers(signal: Any) -> FloatArray | None:
    samples = np.asarray(signal.samples)
    if samples.dtype.kind not in "iufb" or samples.ndim != 1:
        return None
    values = samples.astype(np.float64)
    invalid = getattr(signal, "invalidation_bits", None)
    if invalid is not None:
        values[np.asarray(invalid, dtype=bool)] = np.nan
    values[~np.isfinite(values)] = np.nan
    return values


def _together(samples: list[tuple[RawColumn, FloatArray]]) -> tuple[FloatArray, tuple[RawColumn, ...]]:
    """Put groups with different time bases on the union of their times, NaN where a channel has no sample."""
    bases = [times for _, times in samples]
    if all(np.array_equal(times, bases[0]) for times in bases[1:]):
        return bases[0], tuple(column for column, _ in samples)
    time = np.unique(np.concatenate(bases))
    columns = []
    for column, times in samples:
        placed = np.full(len(time), np.nan)
        placed[np.searchsorted(time, times)] = column.values
        columns.append(RawColumn(column.name, column.unit, placed))
    return time, tuple(columns)


def _aware(start: datetime | None) -> datetime | None:
    if start is None or start.year < _FIRST_YEAR:
        return None
    return (start if start.tzinfo else start.replace(tzinfo=UTC)).astimezone(UTC)
