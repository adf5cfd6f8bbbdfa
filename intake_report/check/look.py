"""A look at one log, or at the parts of one run: what it is, its channels, its faults. Needs no campaign."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from intake_report.channels import CHANNELS
from intake_report.check.model import ChannelCheck, Column, CrossLine, QualityLine, Timeline, finite
from intake_report.clean import CleanRun, CleanSettings, CrossCheck, clean
from intake_report.loaders import Proposal, RawLog, format_mapping, map_run, propose_mapping
from intake_report.units import QUANTITIES, unit_label

if TYPE_CHECKING:
    from intake_report.clean.model import FloatArray

BINS = 240
_POINTS = 4  # places inside a bin at which a sample is looked for
# Entries that describe the log; all others touched or question data.
DESCRIBES = frozenset(
    {
        "true-samples", "resolution", "interpolated", "doubly-encoded", "date-elsewhere", "time-zone-assumed",
        "epoch-time", "encoding-found", "preamble", "date-order", "midnight", "track-joined", "unit-stated",
        "text-columns", "no-header", "parts-sorted", "parts-without-clock", "rate-not-applied", "engine-off-unknown",
    }
)  # fmt: skip
_VOLUME_AIRFLOW = {"l/s": 1.2}  # g/s per unit, at 1.2 kg/m³ as in the cross check of the airflow's unit
LEAST_CONFIDENCE = 0.3  # the words fit while most values do not, as with a sensor that is not connected
NEEDED = ("iat", "speed")


@dataclass(frozen=True)
class Look:
    """A log that was read, mapped and cleaned."""

    logs: tuple[RawLog, ...]
    run: CleanRun
    mapping: Mapping[str, str]
    airflow_label: str


def proposals(logs: Sequence[RawLog]) -> tuple[Proposal, ...]:
    """Return what the columns of the first part may be."""
    return propose_mapping(logs[0]) if logs[0].format != "gpx" else ()


def proposed(found: Sequence[Proposal]) -> dict[str, str]:
    """Return the proposals that this look uses: the certain ones, and doubtful ones for what a look cannot do without."""
    return {
        p.header: f"{p.channel} [{p.unit}]"
        for p in found
        if p.unit is not None and (p.certain or (p.channel in NEEDED and p.confidence >= LEAST_CONFIDENCE))
    }


def look(
    name: str,
    logs: Sequence[RawLog],
    mapping: Mapping[str, str],
    settings: CleanSettings | None = None,
    start: datetime | None = None,
) -> Look:
    """Map and clean logs that have been read.

    Parameters
    ----------
    name : str
        Identity of the run.
    logs : sequence of RawLog
        One log, or the parts of one run.
    mapping : mapping of str to str
        Header -> "channel [unit]".
    settings : CleanSettings, optional
        Limits of cleaning.
    start : datetime, optional
        Aware start of the run as the campaign states it.

    Raises
    ------
    DataError
        If a column is not found or does not fit its channel.
    """
    cleaned = clean(map_run(name, logs, mapping, start=start), settings)
    label = next((t.partition("[")[2].rstrip("] ") for t in mapping.values() if t.startswith("maf")), "g/s")
    return Look(tuple(logs), cleaned, mapping, label)


def suspect_airflow(logs: Sequence[RawLog], found: Sequence[Proposal]) -> CrossCheck | None:
    """Judge an airflow whose label is a volume, which no mapping takes; None where there is none.

    The column is read as its label says, at 1.2 kg/m³, together with the certain columns.
    """
    from intake_report.clean.crosschecks import airflow_unit

    doubtful = next((p for p in found if p.channel == "maf" and p.unit is None), None)
    if doubtful is None:
        return None
    column = logs[0].column(doubtful.header)
    factor = _VOLUME_AIRFLOW.get((column.unit or "").lower().replace(" ", ""))
    if factor is None:
        return None
    taken = replace(column, values=column.values * factor, unit="g/s")
    log = replace(logs[0], columns=tuple(taken if c is column else c for c in logs[0].columns))
    run = clean(map_run("airflow", [log], {**proposed(found), column.header: "maf [g/s]"}))
    return airflow_unit(run, label="l/s")


def describe_columns(found: Sequence[Proposal], mapping: Mapping[str, str] | None) -> tuple[Column, ...]:
    """Return the proposals with whether `mapping`, that of the campaign, has the column or the channel already."""
    headers = {header.lower() for header in mapping or {}}
    channels = {target.partition("[")[0].strip() for target in (mapping or {}).values()}
    return tuple(
        Column(
            p.header, p.channel, p.unit, p.confidence, p.certain,
            bool(mapping) and (p.header.lower() in headers or p.channel in channels), p.reason,
        )
        for p in found
    )  # fmt: skip


def mapping_text(found: Sequence[Proposal], columns: Sequence[Column], table: bool = True) -> str:
    """Return TOML for the columns that the campaign does not map; empty when none is left.

    With `table` the line [log.columns] comes first; a campaign that has this table already must not get it twice.
    """
    rest = [p for p, column in zip(found, columns, strict=True) if not column.mapped]
    text = format_mapping(rest) if rest else ""
    return text if table else text.partition("\n")[2]


def describe_channels(seen: Look) -> tuple[ChannelCheck, ...]:
    """Return one line per channel, those that the comparison rests on first."""
    run = seen.run
    headers = {target.partition("[")[0].strip(): header for header, target in seen.mapping.items()}
    order = [*NEEDED, "ambient", "gps_speed", "rpm", "coolant"]
    names = sorted((str(n) for n in run.frame.columns), key=lambda n: order.index(n) if n in order else len(order))
    return tuple(_channel(run, name, headers.get(name, "")) for name in names)


def _channel(run: CleanRun, name: str, header: str) -> ChannelCheck:
    entry = CHANNELS[name]
    good = run.good(name).to_numpy(dtype=np.float64)
    sampling = run.sampling[name]
    return ChannelCheck(
        channel=name,
        label=entry.label,
        quantity=entry.quantity,
        unit=unit_label(QUANTITIES[entry.quantity].internal),
        header=header,
        interval=finite(sampling.interval),
        samples=int(sampling.samples),
        low=float(good.min()) if good.size else None,
        high=float(good.max()) if good.size else None,
        step=finite(sampling.step),
        missing=missing_share(run, name),
        bad=int(run.masks[name].to_numpy().sum()),
    )


def duration_of(run: CleanRun) -> float:
    """Return the time from first to last row [s]."""
    index = run.frame.index
    return float(index[-1] - index[0]) if len(index) else 0.0


def missing_share(run: CleanRun, name: str) -> float:
    """Return the share of the run's duration that is farther than the channel's limit from being sampled (0 to 1)."""
    good = run.good(name)
    if good.empty:
        return 1.0
    whole = duration_of(run)
    if whole <= 0.0:
        return 0.0
    index = run.frame.index
    ends = np.concatenate(([float(index[0])], good.index.to_numpy(dtype=np.float64), [float(index[-1])]))
    pauses = np.diff(ends)
    return min(float(pauses[pauses > run.gap_limit(name)].sum()) / whole, 1.0)


def describe_quality(run: CleanRun) -> tuple[QualityLine, ...]:
    """Return the quality log, with what is a fault told from what only describes the log."""
    return tuple(
        QualityLine(q.step, q.channel, int(q.touched), float(q.share), q.reason, q.step not in DESCRIBES)
        for q in run.quality
    )


def describe_cross_checks(found: Sequence[CrossCheck]) -> tuple[CrossLine, ...]:
    """Return cross checks as plain values; numbers that are not finite are left out."""
    return tuple(
        CrossLine(
            c.name,
            c.channels,
            c.status,
            {k: n for k, v in c.numbers.items() if (n := finite(v)) is not None},
            c.evidence,
        )
        for c in found
    )


def timeline(run: CleanRun) -> Timeline | None:
    """Return speed, intake air temperature and what is missing in equal bins; None for a run without duration."""
    whole = duration_of(run)
    if whole <= 0.0:
        return None
    begin = float(run.frame.index[0])
    edges = begin + np.linspace(0.0, whole, BINS + 1)
    fine = begin + (np.arange(BINS * _POINTS) + 0.5) * whole / (BINS * _POINTS)
    absent = np.zeros(fine.size, dtype=np.bool_)
    for name in NEEDED:
        absent |= np.isnan(run.at(name, fine))
    rows = [_binned(run, name, edges) for name in NEEDED]
    iat, speed = (tuple(finite(v) for v in row) for row in rows)
    missing = tuple(float(v) for v in absent.reshape(BINS, _POINTS).mean(axis=1))
    return Timeline(whole / BINS, speed, iat, missing)


def _binned(run: CleanRun, name: str, edges: FloatArray) -> FloatArray:
    """Return the mean of the samples in each bin; between the samples of a slow channel, the line through them."""
    good = run.good(name)
    time, values = good.index.to_numpy(dtype=np.float64), good.to_numpy(dtype=np.float64)
    which = np.clip(np.searchsorted(edges, time, side="right") - 1, 0, BINS - 1)
    count = np.bincount(which, minlength=BINS)
    total = np.bincount(which, weights=values, minlength=BINS)
    between = run.at(name, (edges[:-1] + edges[1:]) / 2.0)
    return np.where(count > 0, total / np.maximum(count, 1), between)
