"""What a cleaned run is: data, masks (True = bad), true sampling, and the account of every step."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from intake_report.channels import CHANNELS

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

DEFAULT_MAX_GAP = 10.0  # s, for a column that the catalogue does not know


@dataclass(frozen=True)
class CleanSettings:
    """Limits of the cleaning steps; the defaults are common practice unless said otherwise.

    Parameters
    ----------
    gap : float
        A pause between rows longer than this, and than five usual row intervals, is reported as a gap [s].
    running : float
        The engine counts as running from this speed [rpm]; between cranking (below about 300) and idle.
    settle : float
        Air temperatures are kept out for this long after the engine (re)starts [s].
    settle_longest : float
        ... and longer, while the intake reads below ambient by more than `settle_margin`, up to this [s].
    settle_margin : float
        An intake cannot be colder than the air it draws; so far below ambient it has not settled [K].
    hampel_half : int
        Half width of the spike window [true samples].
    hampel_factor : float
        Spike limit in robust standard deviations (1.4826 x median absolute deviation); 3 is the usual choice for
        clean laboratory data, road data has heavier tails.
    stuck : float
        A fast channel that repeats one value for this long while the vehicle's speed changes is stuck [s].
    resolution : mapping of str to float
        Declared resolution of the instrument, by channel [internal unit]; else the catalogue's.
    """

    gap: float = 2.0
    running: float = 400.0
    settle: float = 30.0
    settle_longest: float = 90.0
    settle_margin: float = 2.0
    hampel_half: int = 3
    hampel_factor: float = 5.0
    stuck: float = 60.0
    resolution: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class QualityEntry:
    """One line of a run's quality log.

    Parameters
    ----------
    step : str
        Name of the cleaning step, kebab-case.
    channel : str
        Channel it concerns; "time" for the time base, "" for the whole run.
    touched : int
        Samples (or rows, for the time base) changed, masked or flagged.
    share : float
        `touched` over the samples of the channel (or rows), 0 to 1.
    reason : str
        One sentence with the evidence.
    """

    step: str
    channel: str
    touched: int
    share: float
    reason: str


@dataclass(frozen=True)
class Sampling:
    """True sampling of one channel.

    Parameters
    ----------
    interval : float
        Median time between true samples [s]; NaN with fewer than two.
    samples : int
        True samples.
    rows : int
        Rows of the log as it was read.
    step : float or None
        Quantisation step found in the data [internal unit]; None when no step is evident.
    """

    interval: float
    samples: int
    rows: int
    step: float | None


@dataclass(frozen=True)
class CrossCheck:
    """Result of one cross check; a check flags and never alters data.

    Parameters
    ----------
    name : str
        Kebab-case.
    channels : tuple of str
        Channels it concerns.
    status : {"agrees", "flagged", "not-possible"}
        Verdict.
    numbers : dict of str to float
        Numbers found; the key names the unit.
    evidence : str
        One sentence with the numbers, or why the check was not possible.
    """

    name: str
    channels: tuple[str, ...]
    status: Literal["agrees", "flagged", "not-possible"]
    numbers: dict[str, float]
    evidence: str


def not_possible(name: str, channels: tuple[str, ...], why: str) -> CrossCheck:
    """Build the result of a check that the run does not allow."""
    return CrossCheck(name, channels, "not-possible", {}, why)


@dataclass(frozen=True)
class CleanRun:
    """One cleaned run.

    Parameters
    ----------
    run : str
        Run id.
    start : Timestamp or None
        Time of elapsed second 0.
    frame : DataFrame, (n rows, c channels)
        Index: elapsed time [s], strictly increasing. True samples only, NaN between. Bad samples keep their raw value.
    masks : DataFrame of bool, (n, c)
        True = bad. A place without a sample is not bad.
    sampling : dict
        True sampling by channel.
    quality : tuple of QualityEntry
        The account of every step.
    sources : tuple of Path
        Files that the run was read from.
    """

    run: str
    start: pd.Timestamp | None
    frame: pd.DataFrame
    masks: pd.DataFrame
    sampling: dict[str, Sampling]
    quality: tuple[QualityEntry, ...]
    sources: tuple[Path, ...]

    def has(self, channel: str) -> bool:
        """Whether the run has at least one valid sample of `channel`."""
        if channel not in self.frame.columns:
            return False
        return bool((self.frame[channel].notna() & ~self.masks[channel]).any())

    def good(self, channel: str) -> pd.Series:
        """Return the valid true samples of `channel`, indexed by elapsed time [s]; empty when there is none."""
        if channel not in self.frame.columns:
            return pd.Series([], index=pd.Index([], dtype=np.float64, name="time"), dtype=np.float64, name=channel)
        values = self.frame[channel]
        return values[(values.notna() & ~self.masks[channel]).to_numpy()]

    def gap_limit(self, channel: str) -> float:
        """Return the longest pause over which `channel` may be interpolated in this run [s]."""
        known = self.sampling.get(channel)
        return gap_limit(channel, known.interval if known else float("nan"))

    def at(self, channel: str, times: ArrayLike, max_gap: float | None = None) -> FloatArray:
        """Interpolate the valid samples of `channel` linearly at `times`.

        Parameters
        ----------
        channel : str
            Channel name.
        times : array_like, (m,)
            Elapsed times [s].
        max_gap : float, optional
            Longest bridged pause between two valid samples [s]; default: `gap_limit`.

        Returns
        -------
        ndarray, (m,)
            NaN outside the samples and inside longer pauses.
        """
        limit = max_gap if max_gap is not None else self.gap_limit(channel)
        samples = self.good(channel)
        return interpolate(samples.index.to_numpy(dtype=np.float64), samples.to_numpy(), times, limit)


def gap_limit(channel: str, interval: float) -> float:
    """Return the longest pause over which a channel may be interpolated [s].

    The catalogue's limit, but never less than twice the channel's own sampling interval [s]: between the samples of a
    slow log there is no gap.
    """
    known = CHANNELS.get(channel)
    limit = known.max_gap if known else DEFAULT_MAX_GAP
    return max(limit, 2.0 * interval) if np.isfinite(interval) else limit


def interpolate(time: FloatArray, values: FloatArray, at: ArrayLike, max_gap: float) -> FloatArray:
    """Interpolate linearly, never across a pause longer than `max_gap`.

    Parameters
    ----------
    time, values : ndarray, (n,)
        Samples; `time` strictly increasing [s].
    at : array_like, (m,)
        Wanted times [s].
    max_gap : float
        Longest bridged pause [s].

    Returns
    -------
    ndarray, (m,)
        NaN outside the samples and inside longer pauses; a sample's own time always gives its value.
    """
    wanted = np.asarray(at, dtype=np.float64)
    if time.size == 0:
        return np.full(wanted.shape, np.nan)
    result = np.interp(wanted, time, values, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time, wanted, side="left"), 0, time.size - 1)
    before = np.maximum(after - 1, 0)
    bridged = (time[after] - time[before] > max_gap) & (wanted != time[after])
    result[bridged] = np.nan
    return result


def entry(step: str, channel: str, touched: int, total: int, reason: str) -> QualityEntry:
    """Build a quality entry; the share is computed here so that it cannot disagree with the count."""
    return QualityEntry(step, channel, int(touched), float(touched) / total if total else 0.0, reason)
