"""Limitations of ambient, sensors, sampling and route."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from intake_report import formatting
from intake_report.analyse.limitations.findings import Findings
from intake_report.formatting import count, listing
from intake_report.messages import said
from intake_report.report_table import rows_of
from intake_report.results import Limitation
from intake_report.weather import SPREAD_LIMIT, ambient_spread

SLOW_SAMPLING = 2.5  # s; recovery times of half a minute are then timed to a tenth at best


def no_ambient(f: Findings) -> Iterator[Limitation]:
    """No over-ambient metric without ambient."""
    without = [run.id for run in f.used if run.id not in f.ambient.series]
    if not f.ambient.series:
        yield Limitation(
            "no-ambient",
            "No ambient temperature was recorded: over-ambient temperatures and recovery times cannot be computed, and "
            "absolute intake air temperatures of different days are not comparable.",
            "Log the vehicle's ambient sensor, or add a weather source with its times.",
        )
    elif without:
        yield Limitation(
            "ambient-missing",
            f"{listing(without)} {'has' if len(without) == 1 else 'have'} no ambient temperature and no over-ambient metrics.",
            "A weather source that covers every run.",
        )


def ambient_uncertain(f: Findings) -> Iterator[Limitation]:
    """How well the ambient reference is known."""
    choice = f.ambient.choice
    if choice.uncertainty is None or not f.ambient.series:
        return
    notes = [
        f"{run}: {said(series.note, f.campaign.about.units)}" for run, series in f.ambient.series.items() if series.note
    ]
    yield Limitation(
        "ambient-reference",
        f"Ambient ({choice.source}) has a standard uncertainty of {f.temperature_difference(choice.uncertainty)}. What all "
        "runs share of it cancels in differences of temperatures between configurations; it does not cancel in absolute "
        "over-ambient temperatures, nor wholly in recovery times and their differences."
        + (f" {'; '.join(notes)}." if notes else ""),
        "A calibrated thermometer in the airstream, read before and after each run.",
    )


def ambient_differs(f: Findings) -> Iterator[Limitation]:
    """Days that differ by more than the accepted limit."""
    used = {run.id for run in f.used}
    means = {c.run: c.ambient_mean for c in rows_of(f.conditions) if c.ambient_mean is not None and c.run in used}
    spread = ambient_spread(means, SPREAD_LIMIT)
    if spread.spread is not None and spread.within is False:
        yield Limitation(
            "ambient-spread",
            f"Mean ambient differs by {f.temperature_difference(spread.spread)} between {spread.lowest} and "
            f"{spread.highest}; {formatting.margin(spread.limit, f.campaign.about.units)} between days is commonly accepted (common practice).",
            "Repeat the runs on days of like temperature.",
        )


def margin_below_resolution(f: Findings) -> Iterator[Limitation]:
    """Margins smaller than what the readings resolve."""
    step = next((row.step or row.resolution for row in rows_of(f.sampling) if row.channel == "iat"), None)
    reference = f.ambient.choice.uncertainty
    if step is None or not f.ambient.series:
        return
    units = f.campaign.about.units
    for margin in f.campaign.metrics.recovery_margins:
        total = float(np.hypot(step / np.sqrt(12.0), reference or 0.0))
        if margin >= max(2.0 * total, step):
            continue
        why = "smaller than one step of the reading" if margin < step else "not larger than twice that"
        yield Limitation(
            "margin-resolution",
            f"An over-ambient reading has a standard uncertainty of {f.temperature_difference(total)} (steps of "
            f"{f.temperature_difference(step)} and the ambient reference), and the margin of "
            f"{formatting.margin(margin, units)} is {why}: {_cost(f, margin)}.",
            f"A sensor of finer resolution, or a margin of at least {formatting.margin(max(2.0 * total, step), units)}.",
        )


def _cost(f: Findings, margin: float) -> str:
    """Say what the narrow margin costs: from the uncertainties of the recovery times themselves, where assessed."""
    mine = {key.key for key in f.metrics if key.parameter.kind == "margin" and key.parameter.number == margin}
    times = [v for v in f.values if v.key in mine and v.key.startswith("recovery_time:")]
    known = [v.u for v in times if v.u is not None]
    if not known:
        return "a single recovery time to it may be off by much more than its scatter shows"
    typical = formatting.with_unit(float(np.median(known)), "time", f.campaign.about.units, 0)
    return (
        f"a single recovery time to it has a standard uncertainty of {typical} (median of {count(len(known), 'run')})"
    )


def slow_sampling(f: Findings) -> Iterator[Limitation]:
    """Intake air temperature sampled slowly."""
    row = next((row for row in rows_of(f.sampling) if row.channel == "iat"), None)
    if row is not None and row.interval_high > SLOW_SAMPLING:
        yield Limitation(
            "slow-sampling",
            f"Intake air temperature has a true sample every {row.interval_high:.1f} s at the slowest; peaks may fall between "
            "samples and times of crossing are known to about that.",
            "Log fewer channels, so that each is polled more often.",
        )


def position_absent(f: Findings) -> Iterator[Limitation]:
    """Route distance from speed alone."""
    without = [drive.entry.id for drive in f.drives if drive.aligned.method == "speed"]
    if without:
        who = "all runs" if len(without) == len(f.drives) else listing(without)
        yield Limitation(
            "no-position",
            f"Route distance of {who} comes from integrated speed, without a position: the same place may differ between runs "
            "by the error of the speed channel.",
            "Log position.",
        )


def no_highway_entry(f: Findings) -> Iterator[Limitation]:
    """Runs without the event that recovery is timed from."""
    without = [run.id for run in f.used if run.highway_entry is None]
    if without:
        who = f"{count(len(without), 'run')} ({listing(without)})" if len(without) <= 6 else f"{len(without)} runs"
        entry = f.campaign.route.highway_entry
        speed = formatting.with_unit(entry.speed, "speed", f.campaign.about.units, 0)
        yield Limitation(
            "no-entry",
            f"{who} had no highway entry (speed through {speed} and held for {entry.hold:.0f} s): no recovery time.",
            "A route with a highway stretch, or another entry speed.",
        )


def accuracy_unknown(f: Findings) -> Iterator[Limitation]:
    """Sensor accuracy not declared."""
    declared = f.campaign.instrument.channels.get("iat")
    if declared is None or declared.accuracy is None:
        yield Limitation(
            "accuracy-unknown",
            "The accuracy of the intake air temperature sensor is not declared: absolute temperatures have an unknown bias; "
            "it is the same in all runs and cancels in differences.",
            "Declare it in [instrument.channels.iat], from a calibration or the sensor's tolerance class.",
        )


def alignment_findings(f: Findings) -> Iterator[Limitation]:
    """What the alignment found about runs that stay in the comparison."""
    used = {run.id for run in f.used}
    for drive in f.drives:
        for finding in drive.aligned.findings:
            if drive.entry.id in used and not finding.hard:
                yield Limitation(finding.code, f"Run {drive.entry.id}: {finding.text}", "")


PREDICATES = (
    no_ambient,
    ambient_uncertain,
    ambient_differs,
    margin_below_resolution,
    slow_sampling,
    position_absent,
    no_highway_entry,
    accuracy_unknown,
    alignment_findings,
)
