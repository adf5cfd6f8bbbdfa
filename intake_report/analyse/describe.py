"""What the report says about runs, sampling, data quality and weather: rows for its tables."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

import numpy as np

from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive, declared_resolution
from intake_report.campaign import Campaign
from intake_report.channels import CHANNELS
from intake_report.clean import CleanRun
from intake_report.results import Conditions, ConfigurationResult, PhaseResult, QualityRow, RunResult, SamplingRow
from intake_report.results.evidence import RunWeather


def describe_run(campaign: Campaign, drive: Drive, reasons: tuple[str, ...], excluded: bool) -> RunResult:
    """Return the run log's line of one run.

    Parameters
    ----------
    campaign : Campaign
        For the time zone.
    drive : Drive
        The run.
    reasons : tuple of str
        Why it is excluded, or accepted with limitation.
    excluded : bool
        Whether it leaves the comparison.
    """
    run, aligned = drive.entry, drive.aligned
    index = drive.clean.frame.index
    distance = aligned.distance.dropna()
    start = drive.clean.start
    local = None if start is None else start.tz_convert(campaign.about.timezone).isoformat(timespec="minutes")
    accepted = "accepted with limitation" if reasons else "accepted"
    return RunResult(
        id=run.id,
        configuration=run.configuration,
        block=run.block,
        start=local,
        duration=float(index[-1] - index[0]) if len(index) else 0.0,
        length=float(distance.iloc[-1] - distance.iloc[0]) if len(distance) else None,
        method=aligned.method,
        stops=len(aligned.stops),
        stopped_time=float(sum(stop.duration for stop in aligned.stops)),
        highway_entry=aligned.highway_entry,
        decision="excluded" if excluded else accepted,  # type: ignore[arg-type]
        reasons=reasons,
        files=run.files,
        start_condition=run.start_condition,
        road=run.road or "",
        sky=run.sky or "",
        notes=run.notes,
    )


def describe_phases(campaign: Campaign) -> tuple[PhaseResult, ...]:
    """Return the phases of the route."""
    return tuple(PhaseResult(p.id, p.name or p.id, p.kind, p.start, p.end) for p in campaign.route.phases)


def describe_configurations(campaign: Campaign, runs: tuple[RunResult, ...]) -> tuple[ConfigurationResult, ...]:
    """Return the configurations with the number of runs driven and used."""
    rows = []
    for c in campaign.configurations:
        mine = [run for run in runs if run.configuration == c.id]
        used = sum(run.decision != "excluded" for run in mine)
        rows.append(ConfigurationResult(c.id, c.name, c.role, len(mine), used))
    return tuple(rows)


def describe_quality(runs: Iterable[CleanRun]) -> tuple[QualityRow, ...]:
    """Return the quality logs of all runs, one row per step, channel and run."""
    return tuple(
        QualityRow(run.run, q.step, q.channel, q.touched, q.share, q.reason) for run in runs for q in run.quality
    )


def describe_sampling(campaign: Campaign, runs: Iterable[CleanRun]) -> tuple[SamplingRow, ...]:
    """Return the true sampling of each channel over the runs, in catalogue order."""
    found = defaultdict(list)
    for run in runs:
        for name, sampling in run.sampling.items():
            if sampling.samples >= 2 and np.isfinite(sampling.interval):
                found[name].append(sampling)
    declared = declared_resolution(campaign)
    rows = []
    for name, entry in CHANNELS.items():
        samplings = found.get(name)
        if not samplings:
            continue
        steps = [s.step for s in samplings if s.step is not None]
        rows.append(
            SamplingRow(
                channel=name,
                label=entry.label,
                interval_low=min(s.interval for s in samplings),
                interval_high=max(s.interval for s in samplings),
                rows_per_sample=sum(s.rows for s in samplings) / sum(s.samples for s in samplings),
                step=float(np.median(steps)) if steps else None,
                resolution=declared.get(name),
            )
        )
    return tuple(rows)


def describe_conditions(
    drives: tuple[Drive, ...], ambient: AmbientReference, weather: tuple[RunWeather, ...]
) -> tuple[Conditions, ...]:
    """Return the weather during each run: ambient from the reference, the rest as found by `run_weather`."""
    return tuple(_conditions(drive, ambient, found) for drive, found in zip(drives, weather, strict=True))


def _conditions(drive: Drive, ambient: AmbientReference, weather: RunWeather) -> Conditions:
    series = ambient.series.get(drive.entry.id)
    index = drive.clean.frame.index.to_numpy(dtype=np.float64)
    mean = low = high = None
    note = "no ambient temperature for this run"
    if series is not None and index.size:
        values = series.at(np.arange(0.0, index[-1] + 1.0, 10.0))
        mean, low, high, note = float(values.mean()), float(values.min()), float(values.max()), series.note
    return Conditions(
        run=drive.entry.id,
        source=ambient.choice.source or "none",
        ambient_mean=mean,
        ambient_low=low,
        ambient_high=high,
        pressure=weather.pressure,
        humidity=weather.humidity,
        wind_speed=weather.wind_speed,
        age=weather.age,
        reason=note,
    )
