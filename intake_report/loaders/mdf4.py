"""MDF 4 recordings (ASAM standard) through asammdf: channel groups with time bases of their own."""

from __future__ import annotations

import gc
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, RawColumn, RawLog, ReadOptions, plural
from intake_report.loaders.compression import expansion_limit
from intake_report.loaders.header import clean_header


class Mdf4Reader:
    """Reader of MDF 4; needs the extra "mdf"."""

    name = "mdf4"
    suffixes: Sequence[str] = (".mf4", ".mdf")

    def recognises(self, head: bytes) -> bool:
        """Tell whether the file begins with the MDF identification block."""
        return head[:8] in (b"MDF     ", b"UnFinMF ")

    def read(self, path: Path, options: ReadOptions) -> RawLog:
        """Read one recording; see `read_log`."""
        try:
            import asammdf
        except ImportError:
            raise DataError(
                "Reading MDF needs the package asammdf.",
                file=path,
                remedy='Install it: pip install "intake-report[mdf]".',
            ) from None
        if not path.exists():
            raise DataError("There is no such file.", file=path, remedy="Check the name and the folder.")
        try:
            with asammdf.MDF(path) as recording:
                return _read(recording, path, options)
        except DataError:
            raise
        except Exception as error:  # asammdf raises whatever a damaged block makes struct, numpy or zlib raise
            kind = type(error).__name__
        _forget_broken_recording()
        raise DataError(
            f"The MDF file is damaged or of another version ({kind}).",
            file=path,
            remedy="Export the recording again as MDF 4.",
        )


def _forget_broken_recording() -> None:
    """Collect a half-built recording now: its destructor fails, and Python would print a traceback about it later."""
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        gc.collect()
    finally:
        sys.unraisablehook = hook


def _read(recording: Any, path: Path, options: ReadOptions) -> RawLog:
    limit = expansion_limit(path.stat().st_size, options)
    cells = sum(group.channel_group.cycles_nr * len(group.channels) for group in recording.groups)
    if cells * 8 > limit:
        raise DataError(f"The recording expands to {cells:,} values, which no file of its size does.", file=path)
    found: list[tuple[str, str | None, FloatArray, FloatArray]] = []
    skipped: list[str] = []
    for number, group in enumerate(recording.groups):
        for index in range(len(group.channels)):
            if index == recording.masters_db.get(number):
                continue
            signal = recording.get(group=number, index=index, ignore_invalidation_bits=False)
            values = _numbers(signal)
            if values is None:
                skipped.append(signal.name)
            elif len(values):
                unit = clean_header(signal.unit or "") or None
                found.append((clean_header(signal.name), unit, np.asarray(signal.timestamps, float), values))
    if not found:
        raise DataError("The recording holds no channel with numbers.", file=path)
    time, columns = _together(found)
    notices: list[Notice] = []
    if skipped:
        notices.append(Notice("text-columns", f"{plural(len(skipped), 'channel')} without numbers left out."))
    start = recording.start_time
    origin = _aware(start)
    if origin is None:
        notices.append(Notice("no-start-time", "The recording does not tell when it began."))
    repeated = sorted({name for name, *_ in found if sum(name == other[0] for other in found) > 1})
    notices += [Notice("repeated-column", f"Several channels are called “{name}”.", name) for name in repeated]
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


def _together(
    found: Sequence[tuple[str, str | None, FloatArray, FloatArray]],
) -> tuple[FloatArray, tuple[RawColumn, ...]]:
    """Put groups with different time bases on the union of their times, NaN where a channel has no sample."""
    bases = [times for _, _, times, _ in found]
    same = all(len(times) == len(bases[0]) and np.array_equal(times, bases[0]) for times in bases[1:])
    time = bases[0] if same else np.unique(np.concatenate(bases))
    columns = []
    for name, unit, times, values in found:
        if same:
            placed = values
        else:
            placed = np.full(len(time), np.nan)
            placed[np.searchsorted(time, times)] = values
        columns.append(RawColumn(name, unit, placed, f"{name} [{unit}]" if unit else name))
    return time, tuple(columns)


def _aware(start: datetime | None) -> datetime | None:
    if start is None or start.year < 1990:
        return None
    return (start if start.tzinfo else start.replace(tzinfo=UTC)).astimezone(UTC)
