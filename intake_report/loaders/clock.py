"""Clock times: seconds since midnight of "07:16:30.444", of parts found by a pattern, and past midnight."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from intake_report.loaders.base import FloatArray
from intake_report.loaders.dates import floats

if TYPE_CHECKING:
    import pyarrow as pa

DAY = 86400.0
_BACK_OVER_MIDNIGHT = 23 * 3600.0  # a small step back from just after midnight shows as nearly a day ahead
_PLAIN_CLOCK = re.compile(r"\d\d:\d\d:\d\d(\.\d+)?$")


def to_float(values: pa.ChunkedArray) -> FloatArray:
    """Return a numeric column as float64 with NaN for null."""
    import pyarrow as pa

    if values.type != pa.float64():
        values = values.cast(pa.float64(), safe=False)
    array: FloatArray = values.to_numpy()
    return array


def quick_clock(text: pa.ChunkedArray) -> FloatArray | None:
    """Return seconds since midnight when every cell is "07:16:30.444", by pyarrow's parser of ISO 8601."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not _PLAIN_CLOCK.match(next((v.as_py() for v in text[:100] if v.is_valid), "")):
        return None
    try:
        stamps = pc.binary_join_element_wise("1970-01-01 ", text, "").cast(pa.timestamp("ns"))
    except pa.ArrowInvalid:
        return None
    return to_float(stamps.cast(pa.int64())) / 1e9


def clock_seconds(fields: dict[str, pa.Array], valid: np.ndarray) -> FloatArray:
    """Return seconds since midnight of extracted clock parts, NaN where they are no time; (n,) [s]."""
    import pyarrow.compute as pc

    hours, minutes = floats(fields["h"]), floats(fields["m"])
    text = pc.replace_substring_regex(fields["s"], "[,:]", ".")
    seconds = np.nan_to_num(floats(text), nan=0.0)
    if "p" in fields:
        mark = pc.utf8_lower(pc.fill_null(fields["p"], ""))
        late, early = (np.asarray(pc.starts_with(mark, letter)) for letter in ("p", "a"))
        hours = np.where(late & (hours < 12), hours + 12, np.where(early & (hours == 12), 0.0, hours))
    total = hours * 3600.0 + minutes * 60.0 + seconds
    bad = ~valid | (minutes > 59) | (seconds >= 61)
    result: FloatArray = np.where(bad, np.nan, total)
    return result


def offset_seconds(zone: str) -> float:
    """Return the offset from UTC [s] of "+02:00", "+0200", "+02" or "Z"."""
    if zone in ("", "Z", "UTC", "GMT"):
        return 0.0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    return (-1.0 if zone[0] == "-" else 1.0) * (int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0)


def unroll_midnight(seconds: FloatArray) -> tuple[FloatArray, int]:
    """Add a day after each step back of more than twelve hours.

    Parameters
    ----------
    seconds : numpy.ndarray
        (n,) [s] since midnight, NaN allowed.

    Returns
    -------
    seconds : numpy.ndarray
        (n,) [s] since the first midnight; smaller backward steps are left for the cleaning to find.
    count : int
        Midnights passed.
    """
    finite = np.flatnonzero(np.isfinite(seconds))
    steps = np.diff(seconds[finite])
    turns = np.zeros(len(finite))
    turns[1:] = np.cumsum((steps < -DAY / 2).astype(float) - (steps > _BACK_OVER_MIDNIGHT).astype(float))
    result = seconds.copy()
    result[finite] += turns * DAY
    return result, int(turns.max(initial=0.0))
