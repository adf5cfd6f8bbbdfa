"""Limitations: predicates on what was found; each has a code, a sentence with its numbers, and what would remove it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.results import (
    Comparison,
    Conditions,
    Limitation,
    MetricKey,
    MetricResult,
    RunResult,
    SamplingRow,
    formatting,
)
from intake_report.results.formatting import count, listing
from intake_report.results.text import metric_title
from intake_report.weather import SPREAD_LIMIT, ambient_spread

SLOW_SAMPLING = 2.5  # s; recovery times of half a minute are then timed to a tenth at best


@dataclass(frozen=True)
class Findings:
    """Everything that a limitation may be derived from."""

    campaign: Campaign
    drives: tuple[Drive, ...]
    runs: tuple[RunResult, ...]
    ambient: AmbientReference
    conditions: tuple[Conditions, ...]
    sampling: tuple[SamplingRow, ...]
    metrics: tuple[MetricKey, ...]
    values: tuple[MetricResult, ...]
    comparisons: tuple[Comparison, ...]

    @property
    def used(self) -> tuple[RunResult, ...]:
        """Runs that take part in the comparison."""
        return tuple(run for run in self.runs if run.decision != "excluded")

    def temperature_difference(self, value: float) -> str:
        """Format a temperature difference [K] for the reader."""
        return formatting.with_unit(value, "temperature_difference", self.campaign.about.units, 1)


Predicate = Callable[[Findings], Iterator[Limitation]]
PREDICATES: list[Predicate] = []


def limitation(predicate: Predicate) -> Predicate:
    """Register a predicate; the report lists limitations in this order."""
    PREDICATES.append(predicate)
    return predicate


def derive_limitations(findings: Findings) -> tuple[Limitation, ...]:
    """Return every limitation that holds."""
    return tuple(found for predicate in PREDICATES for found in predicate(findings))


@limitation
def no_replication(f: Findings) -> Iterator[Limitation]:
    """One run per configuration can at most be an indication."""
    single = [c.name for c in f.campaign.configurations if sum(r.configuration == c.id for r in f.used) == 1]
    if single:
        yield Limitation(
            "one-run",
            f"{listing(single)} {'was' if len(single) == 1 else 'were'} driven once each in the comparison: day, traffic "
            "and configuration cannot be told apart, so differences are indications only.",
            "At least two, better three, runs of each configuration.",
        )


@limitation
def configuration_absent(f: Findings) -> Iterator[Limitation]:
    """A configuration without any run left."""
    for c in f.campaign.configurations:
        if not any(r.configuration == c.id for r in f.used):
            yield Limitation("no-run", f"No run of {c.name} is left in the comparison.", f"Runs of {c.name}.")


@limitation
def confounded(f: Findings) -> Iterator[Limitation]:
    """Configuration and day change together."""
    days: dict[str, set[str]] = {}
    for run in f.used:
        block = run.block or (run.start[:10] if run.start else None)
        if block:
            days.setdefault(block, set()).add(run.configuration)
    if len(days) > 1 and all(len(configurations) == 1 for configurations in days.values()):
        yield Limitation(
            "confounded",
            f"Each of the {len(days)} blocks holds runs of one configuration only: whatever differed between the blocks "
            "(weather, traffic, time of day) is mixed with the effect of the configuration.",
            "Run every configuration in every block, in changing order.",
        )


@limitation
def halves_of_day(f: Findings) -> Iterator[Limitation]:
    """Configurations driven at different times of day."""
    hours: dict[str, list[float]] = {}
    for run in f.used:
        if run.start:
            hours.setdefault(run.configuration, []).append(int(run.start[11:13]) + int(run.start[14:16]) / 60.0)
    groups = [(id, np.array(values)) for id, values in hours.items()]
    apart = [
        (a, b)
        for i, (a, x) in enumerate(groups)
        for b, y in groups[i + 1 :]
        if min(x.size, y.size) > 1 and (x.max() + 1.0 < y.min() or y.max() + 1.0 < x.min())
    ]
    for a, b in apart:
        first, second = f.campaign.configuration(a).name, f.campaign.configuration(b).name
        yield Limitation(
            "time-of-day",
            f"All runs of {first} started at another time of day than all runs of {second}, more than an hour apart: "
            "traffic and sun are mixed with the effect of the configuration.",
            "Change the order of configurations between blocks.",
        )


@limitation
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


@limitation
def ambient_uncertain(f: Findings) -> Iterator[Limitation]:
    """How well the ambient reference is known."""
    choice = f.ambient.choice
    if choice.uncertainty is None or not f.ambient.series:
        return
    notes = [f"{run}: {series.note}" for run, series in f.ambient.series.items() if series.note]
    yield Limitation(
        "ambient-reference",
        f"Ambient ({choice.source}) has a standard uncertainty of {f.temperature_difference(choice.uncertainty)}. What all "
        "runs share of it cancels in differences between configurations and does not cancel in absolute over-ambient "
        "temperatures and recovery times." + (f" {'; '.join(notes)}." if notes else ""),
        "A calibrated thermometer in the airstream, read before and after each run.",
    )


@limitation
def ambient_differs(f: Findings) -> Iterator[Limitation]:
    """Days that differ by more than the accepted limit."""
    used = {run.id for run in f.used}
    means = {c.run: c.ambient_mean for c in f.conditions if c.ambient_mean is not None and c.run in used}
    spread = ambient_spread(means, SPREAD_LIMIT)
    if spread.spread is not None and spread.within is False:
        yield Limitation(
            "ambient-spread",
            f"Mean ambient differs by {f.temperature_difference(spread.spread)} between {spread.lowest} and "
            f"{spread.highest}; {formatting.margin(spread.limit, f.campaign.about.units)} between days is commonly accepted (common practice).",
            "Repeat the runs on days of like temperature.",
        )


@limitation
def excluded_runs(f: Findings) -> Iterator[Limitation]:
    """Runs that were left out."""
    for run in f.runs:
        if run.decision == "excluded":
            yield Limitation("excluded", f"Run {run.id} is left out: {'; '.join(run.reasons)}.", "Repeat the run.")


@limitation
def not_reached(f: Findings) -> Iterator[Limitation]:
    """Censored recovery times."""
    for key in f.metrics:
        runs = [v.run for v in f.values if v.key == key.key and v.status == "not reached"]
        if runs:
            title = metric_title(key, f.campaign.about.units)
            yield Limitation(
                "not-reached",
                f"{title}: not reached before the highway ended in {listing(runs)}; these are results, not missing values, "
                "but no mean and no difference of means can be given.",
                "A longer highway phase.",
            )


@limitation
def margin_below_resolution(f: Findings) -> Iterator[Limitation]:
    """Margins smaller than what the readings resolve."""
    step = next((row.step or row.resolution for row in f.sampling if row.channel == "iat"), None)
    reference = f.ambient.choice.uncertainty
    if step is None or not f.ambient.series:
        return
    for margin in f.campaign.metrics.recovery_margins:
        total = float(np.hypot(step / np.sqrt(12.0), reference or 0.0))
        if margin < 2.0 * total:
            units = f.campaign.about.units
            yield Limitation(
                "margin-resolution",
                f"The margin of {formatting.margin(margin, units)} is not larger than twice the standard uncertainty of an "
                f"over-ambient reading ({f.temperature_difference(total)}, from steps of {f.temperature_difference(step)} and "
                "the ambient reference): a single recovery time to this margin may be off by much more than its scatter shows.",
                "A sensor of finer resolution, or a wider margin.",
            )


@limitation
def slow_sampling(f: Findings) -> Iterator[Limitation]:
    """Intake air temperature sampled slowly."""
    row = next((row for row in f.sampling if row.channel == "iat"), None)
    if row is not None and row.interval_high > SLOW_SAMPLING:
        yield Limitation(
            "slow-sampling",
            f"Intake air temperature has a true sample every {row.interval_high:.1f} s at the slowest; peaks may fall between "
            "samples and times of crossing are known to about that.",
            "Log fewer channels, so that each is polled more often.",
        )


@limitation
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


@limitation
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


@limitation
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


@limitation
def alignment_findings(f: Findings) -> Iterator[Limitation]:
    """What the alignment found about runs that stay in the comparison."""
    used = {run.id for run in f.used}
    for drive in f.drives:
        for finding in drive.aligned.findings:
            if drive.entry.id in used and not finding.hard:
                yield Limitation(finding.code, f"Run {drive.entry.id}: {finding.text}", "")
