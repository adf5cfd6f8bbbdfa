"""What a cleaned run is: data, masks (True = bad), true sampling, and the account of every step."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from intake_report.channels import CHANNELS
from intake_report.messages import Message, Part, Value, message

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]
Samples = tuple[FloatArray, FloatArray]  # times [s] and values of the samples of one channel
Columns = Mapping[str, FloatArray]  # values (n,) of the rows of a log by channel, NaN without a sample
Reach = Mapping[str, tuple[float, float]]  # least and largest value of the channels that have a sample in every row
DEFAULT_MAX_GAP = 10.0  # s, for a column that the catalogue does not know


@dataclass(frozen=True)
class QualityEntry:
    """One line of a run's quality log."""

    step: str  # kebab-case; the code of its message
    channel: str  # "time" for the time base, "" for the whole run
    touched: int  # samples (or rows, for the time base) changed, masked or flagged
    share: float  # of the samples of the channel (or rows), 0 to 1
    reason: Message  # one sentence with the evidence


def entry(step: str, channel: str, touched: int, total: int, reason: str | Message, /, **values: Part) -> QualityEntry:
    """Build a quality entry of a message, or of a template and its values; the share cannot disagree with the count."""
    text = message(reason, step, **values) if isinstance(reason, str) else replace(reason, code=step)
    return QualityEntry(step, channel, int(touched), float(touched) / total if total else 0.0, text)


@dataclass(frozen=True)
class Sampling:
    """True sampling of one channel."""

    interval: float  # median time between true samples [s]; NaN with fewer than two
    samples: int
    rows: int  # of the log as it was read
    step: float | None  # quantisation step found in the data [internal unit]; None when none is evident


@dataclass(frozen=True)
class CrossCheck:
    """Result of one cross check; a check flags and never alters data."""

    name: str
    channels: tuple[str, ...]
    status: Literal["agrees", "flagged", "not-possible"]
    numbers: dict[str, float]  # by name with unit
    evidence: Message  # one sentence with the numbers, or why the check was not possible


@dataclass(frozen=True)
class CleanRun:
    """One cleaned run of n rows and c channels; a place without a sample is not bad."""

    run: str
    start: pd.Timestamp | None  # time of elapsed second 0
    frame: pd.DataFrame  # (n, c) true samples, the bad ones too, NaN between; by elapsed time [s], strictly increasing
    masks: pd.DataFrame  # (n, c) of bool, True = bad
    sampling: dict[str, Sampling]  # by channel
    quality: tuple[QualityEntry, ...]  # the account of every step
    sources: tuple[Path, ...]

    def has(self, channel: str) -> bool:
        """Whether the run has at least one valid sample of `channel`."""
        return not self.good(channel).empty

    def good(self, channel: str) -> pd.Series:
        """Return the valid true samples of `channel`, indexed by elapsed time [s]; empty when there is none."""
        if channel not in self.frame.columns:
            return pd.Series([], index=pd.Index([], dtype=np.float64, name="time"), dtype=np.float64, name=channel)
        values = self.frame[channel]
        return values[(values.notna() & ~self.masks[channel]).to_numpy()]

    def samples(self, channel: str) -> Samples:
        """Return times [s] and values of the valid true samples of `channel`."""
        good = self.good(channel)
        return np.asarray(good.index, dtype=np.float64), good.to_numpy(dtype=np.float64)

    def gap_limit(self, channel: str) -> float:
        """Return the longest pause over which `channel` may be interpolated in this run [s]."""
        known = self.sampling.get(channel)
        return gap_limit(channel, known.interval if known else float("nan"))

    def at(self, channel: str, times: ArrayLike) -> FloatArray:
        """Interpolate the valid samples of `channel` linearly at elapsed `times` (m,) [s], over pauses up to `gap_limit`."""
        return interpolate(*self.samples(channel), times, self.gap_limit(channel))


def gap_limit(channel: str, interval: float) -> float:
    """Return the longest pause over which a channel sampled at `interval` [s] may be interpolated [s].

    The catalogue's limit, but never less than twice the interval: between the samples of a slow log there is no gap.
    """
    limit = CHANNELS[channel].max_gap if channel in CHANNELS else DEFAULT_MAX_GAP
    return max(limit, 2.0 * interval) if np.isfinite(interval) else limit


def interpolate(time: FloatArray, values: FloatArray, at: ArrayLike, max_gap: float) -> FloatArray:
    """Interpolate samples (n,), `time` strictly increasing [s], linearly at the times `at` (m,) [s].

    NaN outside the samples and inside pauses longer than `max_gap` [s]; a sample's own time always gives its value.
    """
    wanted = np.asarray(at, dtype=np.float64)
    if time.size == 0:
        return np.full(wanted.shape, np.nan)
    result = np.interp(wanted, time, values, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time, wanted, side="left"), 0, time.size - 1)
    result[(time[after] - time[np.maximum(after - 1, 0)] > max_gap) & (wanted != time[after])] = np.nan
    return result


def reading(channel: str, number: float, *, difference: bool = False) -> Value:
    """Return a reading of a channel, or a difference of two, with the digits that tell it from its neighbours."""
    known, whole = CHANNELS.get(channel), float(number).is_integer()
    if known is None:
        return Value(number, "number")
    grain = abs(number) if difference else known.resolution or 0.1
    decimals = 0 if whole else max(0, min(6, math.ceil(-math.log10(grain) - 1e-9))) + difference
    if not difference:
        return Value(number, known.quantity, 0 if whole else max(1, decimals))
    if known.quantity == "temperature":
        return Value(number, "temperature_difference", max(1, decimals))
    return Value(number, known.quantity, decimals)
