"""What the check of one log says, as plain frozen values that become JSON, in internal units; the course of the run in equal bins."""

import dataclasses
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from intake_report import formatting
from intake_report.clean import CleanRun
from intake_report.clean.model import FloatArray
from intake_report.formatting import usual
from intake_report.units import UnitSystem

SCHEMA = 1
NEEDED = ("iat", "speed")

Verdict = Literal["accept", "accept with limitation", "repeat the run", "unreadable"]
Outcome = Literal["pass", "fail", "unknown"]


@dataclass(frozen=True)
class ChannelCheck:
    """One channel of the log."""

    channel: str
    label: str
    quantity: str  # key of `units.QUANTITIES`
    unit: str  # internal unit as printed
    log_unit: str  # unit of the log, in which the page shows the channel
    header: str  # column that it was read from; empty where several parts name it differently
    interval: float | None  # median time between true samples [s]
    samples: int  # true samples
    low: float | None  # of the valid samples
    high: float | None
    step: float | None  # of quantisation
    missing: float  # share of the duration without a valid sample, pauses within the channel's limit not counted
    bad: int  # samples masked as faulty


@dataclass(frozen=True)
class CriterionCheck:
    """One acceptance criterion."""

    code: str
    title: str
    group: Literal["log", "route", "alike"]  # of the log itself, its pass of the route, its difference from the others
    quantity: str  # key of `units.QUANTITIES`, or "share", "count", "acceleration", "hours"
    sense: Literal["at least", "at most"]
    limit: float
    value: float | None  # what is judged; None where it cannot be known
    own: float | None  # the run's own value where `value` is a difference
    own_quantity: str
    hard: bool  # failing means to repeat the run
    outcome: Outcome
    reason: str  # why it fails or is not known
    complete: bool = False  # the reason is the whole sentence


@dataclass(frozen=True)
class Timeline:
    """The run in equal bins from its first to its last row."""

    width: float  # of a bin [s]
    speed: tuple[float | None, ...]  # mean of the valid samples in the bin [km/h]
    iat: tuple[float | None, ...]  # [°C]
    missing: tuple[float, ...]  # share of the bin without a valid speed or intake air temperature, 0 to 1


@dataclass(frozen=True)
class LogCheck:
    """Everything that the check of one log, or of the parts of one run, says."""

    files: tuple[str, ...]  # the log, or the parts of the run, as given
    verdict: Verdict  # "unreadable" also where no intake air temperature and speed were found in it
    reasons: tuple[str, ...] = ()  # why the verdict is what it is
    limitations: tuple[str, ...] = ()  # what a comparison with this run cannot show
    notes: tuple[str, ...] = ()
    compared: tuple[str, ...] = ()  # runs of the campaign that it was compared with
    format: str = ""  # name of the reader; empty when unreadable
    rows: int = 0  # of all parts
    start: str | None = None  # ISO 8601 with offset
    duration: float | None = None  # from first to last row [s]
    units: UnitSystem = "si"  # in which the texts are written
    campaign: str | None = None  # what it was judged as; `run` is None for a candidate
    run: str | None = None
    configuration: str | None = None
    block: str | None = None
    found_by: str = ""  # how the run was told: "file", "name", "option", "candidate", or "" without a campaign
    mapping_from: str = ""  # "campaign", "proposal" (for this look only) or ""
    mapping_text: str = ""  # TOML to paste; empty where the campaign's mapping is complete
    soak_text: str = ""  # a soak check that the first readings give, as TOML to paste
    phases_text: str = ""  # phases proposed where the campaign states none, as TOML to paste
    columns: tuple[dict[str, Any], ...] = ()  # proposed; never applied to a campaign
    channels: tuple[ChannelCheck, ...] = ()
    quality: tuple[dict[str, Any], ...] = ()  # with what is a `fault` told from what only describes the log
    cross_checks: tuple[dict[str, Any], ...] = ()
    criteria: tuple[CriterionCheck, ...] = ()
    pairs: tuple[dict[str, Any], ...] = ()  # criteria between this run and an `other` one
    # Its pass of the route: distance from its first to its last place there [m], coverage (0 to 1), number of stops, time stopped
    # [s], highway entry and phases with start and end [elapsed s]; None without a campaign, or where it could not be put there
    drive: dict[str, Any] | None = None
    timeline: Timeline | None = None
    schema: int = SCHEMA

    @property
    def accepted(self) -> bool:
        """Whether the run need not be repeated."""
        return self.verdict in ("accept", "accept with limitation")


def to_json(check: LogCheck) -> str:
    """Return one line of JSON; keys are the fields of `LogCheck`. ValueError if a number is not finite."""
    return json.dumps(dataclasses.asdict(check), ensure_ascii=False, allow_nan=False)


def finite(value: float | None) -> float | None:
    """Return a number as a float, None where there is none or it is not finite."""
    return float(value) if value is not None and math.isfinite(value) else None


_BINS = 240  # a terminal has fewer columns
_POINTS = 4  # places inside a bin at which a sample is looked for
BLOCKS = "▁▂▃▄▅▆▇█"
_ROWS, _LABEL, _LEGEND = 2, 7, 9  # lines per bar, columns for what stands left and right of it
_TICKS = (5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)  # s between marks of the axis


def duration_of(run: CleanRun) -> float:
    """Return the time from first to last row [s]."""
    index = run.frame.index
    return float(index[-1] - index[0]) if len(index) else 0.0


def timeline(run: CleanRun) -> Timeline | None:
    """Return speed, intake air temperature and what is missing in equal bins; None for a run without duration."""
    whole = duration_of(run)
    if whole <= 0.0:
        return None
    edges = float(run.frame.index[0]) + np.linspace(0.0, whole, _BINS + 1)
    fine = edges[0] + (np.arange(_BINS * _POINTS) + 0.5) * whole / (_BINS * _POINTS)
    absent = np.logical_or.reduce([np.isnan(run.at(name, fine)) for name in NEEDED])
    iat, speed = (tuple(map(finite, _binned(run, name, edges))) for name in NEEDED)
    return Timeline(whole / _BINS, speed, iat, tuple(absent.reshape(_BINS, _POINTS).mean(axis=1).tolist()))


def _binned(run: CleanRun, name: str, edges: FloatArray) -> FloatArray:
    """Return the mean of the samples in each bin; between the samples of a slow channel, the line through them."""
    time, values = run.samples(name)
    which = np.clip(np.searchsorted(edges, time, side="right") - 1, 0, _BINS - 1)
    count = np.bincount(which, minlength=_BINS)
    total = np.bincount(which, weights=values, minlength=_BINS)
    between = run.at(name, (edges[:-1] + edges[1:]) / 2.0)
    return np.where(count > 0, total / np.maximum(count, 1), between)


def condense(values: Sequence[float | None], columns: int) -> list[float | None]:
    """Return the mean of the known values that fall into each of `columns` equal parts, None where there is none."""
    series = np.array(values, dtype=np.float64)  # None becomes NaN
    parts = (series[a : max(b, a + 1)] for a, b in pairwise(np.arange(columns + 1) * len(series) // columns))
    return [float(np.nanmean(part)) if np.isfinite(part).any() else None for part in parts]


def bars(values: Sequence[float | None], low: float, high: float, rows: int = _ROWS) -> list[str]:
    """Return `rows` lines, the topmost first, of one bar per value; a blank column where there is none."""
    full, span = len(BLOCKS), high - low
    shares = [None if v is None else np.clip((v - low) / span, 0.0, 1.0) if span > 0.0 else 0.0 for v in values]
    levels = [0 if s is None else 1 + round(float(s) * (rows * full - 1)) for s in shares]
    return [
        "".join(" " if n <= base else BLOCKS[min(n - base, full) - 1] for n in levels)
        for base in range((rows - 1) * full, -1, -full)
    ]


def draw(check: LogCheck, width: int) -> list[str]:
    """Return the timeline, `width` columns wide; empty where there is none."""
    line = check.timeline
    columns = width - _LABEL - _LEGEND
    if line is None or columns < 10:
        return []
    drawn = _bar_rows("speed", line.speed, columns, check.units) + _bar_rows("IAT", line.iat, columns, check.units)
    marks = "".join("·" if not v else ("▒" if v < 0.75 else "█") for v in condense(line.missing, columns))
    share = sum(line.missing) / len(line.missing)
    drawn.append(f"{'gaps':<{_LABEL}}{marks} {usual(share, 'share', 'si') if share else 'none'}")
    drawn.append(" " * _LABEL + _axis(line.width * len(line.speed), columns))
    return [text.rstrip() for text in drawn]


def _bar_rows(label: str, values: Sequence[float | None], columns: int, units: UnitSystem) -> list[str]:
    shown = condense(values, columns)
    known = [v for v in shown if v is not None]
    if not known:
        return [f"{label:<{_LABEL}}no valid sample"]
    quantity = "speed" if label == "speed" else "temperature"
    low, high = (0.0 if quantity == "speed" else min(known)), max(known)
    if quantity == "temperature" and high - low < 2.0:
        low, high = low - 1.0, high + 1.0
    top, bottom = bars(shown, low, high)
    ends = [formatting.with_unit(v, quantity, units, 0) for v in (high, low)]
    return [f"{label:<{_LABEL}}{top} {ends[0]}", f"{'':<{_LABEL}}{bottom} {ends[1]}"]


def _axis(seconds: float, columns: int) -> str:
    step = next((t for t in _TICKS if seconds / t <= max(columns // 9, 2)), _TICKS[-1])
    unit, per = ("s", 1) if step < 60 else ("min", 60) if step < 3600 else ("h", 3600)
    cells = [" "] * (columns + _LEGEND)
    for at in np.arange(0.0, seconds + 1e-9, step):
        text = f"{at / per:g}" + (f" {unit}" if at + step > seconds else "")
        first = min(round(at / seconds * (columns - 1)), columns + _LEGEND - len(text))
        cells[first : first + len(text)] = text
    return "".join(cells)
