"""Limitations of ambient, sensors, sampling, route, and of how the logs were read and accepted."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from intake_report.align import CRITERIA
from intake_report.analyse.limitations.findings import Findings, all_of, kind
from intake_report.loaders import UNIT_OVERRIDDEN
from intake_report.messages import Count, Listing, Message, Part, Value, message
from intake_report.report_table import rows_of
from intake_report.results import Limitation, MetricResult
from intake_report.weather import SPREAD_LIMIT, ambient_spread

SLOW_SAMPLING = 2.5  # s; recovery times of half a minute are then timed to a tenth at best
MOST_NAMED = 6  # runs; beyond it they are counted, not named
DELTA = "temperature_difference"

NO_AMBIENT = kind("no-ambient", 10, "values", "no ambient temperature was recorded",
    "No ambient temperature was recorded: over-ambient temperatures and recovery times cannot be computed, and "
    "absolute intake air temperatures of different days are not comparable.",
    "Log the vehicle's ambient sensor, or add a weather source with its times.",
)  # fmt: skip
AMBIENT_MISSING = kind("ambient-missing", 220, "values", "some runs have no ambient temperature",
    "{runs} {have} no ambient temperature and no over-ambient metrics.",
    "A weather source that covers every run.",
)  # fmt: skip


def no_ambient(f: Findings) -> Iterator[Limitation]:
    """No over-ambient metric without ambient."""
    without = [run.id for run in f.used if run.id not in f.ambient.series]
    if not f.ambient.series:
        yield NO_AMBIENT()
    elif without:
        yield AMBIENT_MISSING(runs=all_of(without), have="has" if len(without) == 1 else "have")


AMBIENT_REFERENCE = kind("ambient-reference", 410, "values",
    "absolute over-ambient temperatures are as uncertain as the ambient reference",
    "Ambient ({source}) has a standard uncertainty of {u}. What all runs share of it cancels in differences of "
    "temperatures between configurations; it does not cancel in absolute over-ambient temperatures, nor wholly in "
    "recovery times and their differences.{notes}",
    "A calibrated thermometer in the airstream, read before and after each run.",
)  # fmt: skip


def ambient_uncertain(f: Findings) -> Iterator[Limitation]:
    """How well the ambient reference is known."""
    choice = f.ambient.choice
    if choice.uncertainty is None or not f.ambient.series:
        return
    notes = [message("{run}: {note}", run=run, note=s.note) for run, s in f.ambient.series.items() if s.note]
    yield AMBIENT_REFERENCE(
        source=choice.source or "",
        u=Value(choice.uncertainty, DELTA, 1),
        notes=message(" {notes}.", notes=Listing(tuple(notes), ";")) if notes else "",
    )


APART = "Mean ambient differs by {spread} between {lowest} and {highest}; {limit} between days is commonly accepted (common practice)."
DAYS_SPREAD = kind("ambient-days", 410, "values", "ambient differed between days, not within them",
    APART + " Differences are taken within blocks, in which it differs by less than that.",
    "Repeat the runs on days of like temperature.",
    alike="ambient",
)  # fmt: skip
AMBIENT_SPREAD = kind("ambient-spread", 300, "values", "ambient differed between the runs",
    APART,
    "Repeat the runs on days of like temperature.",
    alike="ambient",
)  # fmt: skip


def ambient_differs(f: Findings) -> Iterator[Limitation]:
    """Runs that differ by more than the accepted limit: of one block where all differences are taken within blocks."""
    used = {run.id for run in f.used}
    means = {c.run: c.ambient_mean for c in rows_of(f.conditions) if c.ambient_mean is not None and c.run in used}
    found = ambient_spread(means, SPREAD_LIMIT)
    blocks: dict[str, dict[str, float]] = {}
    for run in f.used:
        if run.id in means:
            blocks.setdefault(run.block or "", {})[run.id] = means[run.id]
    apart = [block for block in blocks.values() if ambient_spread(block, SPREAD_LIMIT).within is False]
    fitted: dict[str, set[str]] = {}
    for run in f.used:
        fitted.setdefault(run.block or "", set()).add(run.configuration)
    mixed = all(len(configurations) > 1 for configurations in fitted.values())
    within_blocks = len(blocks) > 1 and "" not in blocks and mixed
    if found.spread is not None and found.within is False:
        yield (DAYS_SPREAD if within_blocks and not apart else AMBIENT_SPREAD)(
            spread=Value(found.spread, DELTA, 1),
            lowest=found.lowest or "",
            highest=found.highest or "",
            limit=Value(found.limit, "margin"),
        )


BELOW_AMBIENT = kind("below-ambient", 45, "values", "intake air reads colder than the air outside",
    "In {runs} even the warmest reading of intake air lies below ambient, by up to {size}. An intake does not cool its air: a unit or "
    "a sensor is wrong, and “closer to ambient” then means nothing.",
    "Look at the units of intake air and ambient under [log.columns], and at both sensors after a night's stand.",
)  # fmt: skip
COLDER = 2.0  # K; two steps of a usual reading


def below_ambient(f: Findings) -> Iterator[Limitation]:
    """Runs whose peak lies below ambient by more than two steps of a usual reading."""
    used = {run.id for run in f.used}
    peaks = [v.value for v in f.values if v.key == "peak_over_ambient" and v.value is not None and v.run in used]  # noqa: PD011
    low = [peak for peak in peaks if peak < -COLDER]
    if low:
        yield BELOW_AMBIENT(runs=Count(len(low), "run"), size=Value(-min(low), DELTA, 1))


MARGIN_RESOLUTION = kind("margin-resolution", 330, "values", "the readings are coarse against the recovery margins",
    "An over-ambient reading has a standard uncertainty of {u} (steps of {step} and the ambient reference), and the "
    "margin of {margin} is {why}: {cost}.",
    "A sensor of finer resolution, or a margin of at least {least}.",
)  # fmt: skip


def margin_below_resolution(f: Findings) -> Iterator[Limitation]:
    """Margins smaller than what the readings resolve."""
    step = next((row.step or row.resolution for row in rows_of(f.sampling) if row.channel == "iat"), None)
    if step is None or not f.ambient.series:
        return
    total = float(np.hypot(step / np.sqrt(12.0), f.ambient.choice.uncertainty or 0.0))
    least = max(2.0 * total, step)
    for margin in f.campaign.metrics.recovery_margins:
        if margin < least:
            yield MARGIN_RESOLUTION(
                u=Value(total, DELTA, 1), step=Value(step, DELTA, 1), margin=Value(margin, "margin"),
                why="smaller than one step of the reading" if margin < step else "not larger than twice that",
                cost=_cost(f, margin), least=Value(least, "margin"),
            )  # fmt: skip


def _cost(f: Findings, margin: float) -> Message:
    """Say what the narrow margin costs: from the uncertainties of the recovery times themselves, where assessed."""
    values: tuple[MetricResult, ...] = f.values  # noqa: PD011 - no frame
    keys = {k.key for k in f.metrics if k.spec.id == "recovery_time" and k.parameter.number == margin}
    known = [v.u for v in values if v.key in keys and v.u is not None]
    if not known:
        return message("a single recovery time to it may be off by much more than its scatter shows")
    return message(
        "a single recovery time to it has a standard uncertainty of {typical} (median of {runs})",
        typical=Value(float(np.median(known)), "time", 0),
        runs=Count(len(known), "run"),
    )


SLOW = kind("slow-sampling", 340, "values", "intake air temperature was sampled slowly",
    "Intake air temperature has a true sample every {interval} at the slowest; peaks may fall between samples and "
    "times of crossing are known to about that.",
    "Log fewer channels, so that each is polled more often.",
)  # fmt: skip


def slow_sampling(f: Findings) -> Iterator[Limitation]:
    """Intake air temperature sampled slowly."""
    row = next((row for row in rows_of(f.sampling) if row.channel == "iat"), None)
    if row is not None and row.interval_high > SLOW_SAMPLING:
        yield SLOW(interval=Value(row.interval_high, "time", 1))


NO_POSITION = kind("no-position", 350, "values", "the logs hold no position",
    "Route distance of {who} comes from integrated speed, without a position: the same place may differ between runs "
    "by the error of the speed channel.",
    "Log position.",
)  # fmt: skip


def position_absent(f: Findings) -> Iterator[Limitation]:
    """Route distance from speed alone."""
    without = [drive.entry.id for drive in f.drives if drive.aligned.method == "speed"]
    if without:
        yield NO_POSITION(who="all runs" if len(without) == len(f.drives) else all_of(without))


NO_ENTRY = kind("no-entry", 230, "values", "some runs have no highway entry",
    "{who} had no highway entry (speed through {speed} and held for {hold}): no recovery time.",
    "A route with a highway stretch, or another entry speed.",
)  # fmt: skip


def no_highway_entry(f: Findings) -> Iterator[Limitation]:
    """Runs without the event that recovery is timed from."""
    without = [run.id for run in f.used if run.highway_entry is None]
    if without:
        who: Part = Count(len(without), "run")
        if len(without) <= MOST_NAMED:
            who = message("{who} ({runs})", who=who, runs=all_of(without))
        entry = f.campaign.route.highway_entry
        yield NO_ENTRY(who=who, speed=Value(entry.speed, "speed", 0), hold=Value(entry.hold, "time", 0))


ACCURACY_UNKNOWN = kind("accuracy-unknown", 360, "values", "the accuracy of the sensor is not declared",
    "The accuracy of the intake air temperature sensor is not declared: absolute temperatures have an unknown bias; "
    "it is the same in all runs and cancels in differences.",
    "Declare it in [instrument.channels.iat], from a calibration or the sensor's tolerance class.",
)  # fmt: skip


def accuracy_unknown(f: Findings) -> Iterator[Limitation]:
    """Sensor accuracy not declared."""
    declared = f.campaign.instrument.channels.get("iat")
    if (declared is None or declared.accuracy is None) and "iat" not in f.zeroing.rows:
        yield ACCURACY_UNKNOWN()


SOAK_DISAGREES = kind("soak-check-disagrees", 255, "values", "sensors disagree after a night's stand",
    "{finding}",
    "Stand a whole night, engine cold and out of the sun, with a thermometer beside the sensors; replace a sensor "
    "that is off.",
)  # fmt: skip
SOAK_ELSEWHERE = kind("soak-check-elsewhere", 365, "values",
    "offsets were found at other temperatures than were driven",
    "The offsets come from soak checks at {checks}, and the intake air was up to {apart} from that in the runs: an "
    "offset that changes with temperature is not seen. What is the same in all runs cancels in differences of "
    "temperatures.",
    "Soak checks on a warmer morning, or a check of the sensor in warm water against a thermometer.",
)  # fmt: skip
FAR = 15.0  # K; common practice: sensors of this kind keep their offset to a few tenths within it


def soak_checks(f: Findings) -> Iterator[Limitation]:
    """What soak checks cannot show, or contradict."""
    for notice in f.zeroing.notices:
        if notice.code in ("soak-check-disagrees", "soak-check-contradicts"):
            yield SOAK_DISAGREES(finding=notice.text)
    peaks: list[float] = [v.value for v in f.values if v.key == "peak_iat" and v.value is not None]  # noqa: PD011
    if f.zeroing.air is None or not peaks:
        return
    low, high = f.zeroing.air
    if max(peaks) - high > FAR:
        checks: Part = Value(high, "temperature", 0)
        if high - low >= 1.0:
            checks = message("{low} to {high}", low=Value(low, "temperature", 0), high=Value(high, "temperature", 0))
        yield SOAK_ELSEWHERE(checks=checks, apart=Value(max(peaks) - high, DELTA, 0))


ALIGNMENT = {
    code: kind(
        code,
        rank,
        "values",
        cover,
        "Run {run}: {finding}",
        "A run of the whole route, or the stretch left out by its phases.",
    )
    for code, rank, cover in (
        ("part-of-route", 240, "some runs cover a part of the route only"),
        ("detour", 241, "some runs left the route"),
        ("turned-back", 242, "some runs drove a part of the route twice"),
        ("beside-path", 420, "some runs were driven beside the reference path"),
    )
}
PLACED = kind("placed", 430, "values", "some runs are not placed on the route as the others are",
    "Run {run}: {finding}",
)  # fmt: skip


def alignment_findings(f: Findings) -> Iterator[Limitation]:
    """What the alignment says about runs that stay in the comparison."""
    used = {run.id for run in f.used}
    for drive in f.drives:
        for finding in drive.aligned.findings:
            if drive.entry.id in used and not finding.hard:
                yield ALIGNMENT.get(finding.code, PLACED)(run=drive.entry.id, finding=finding.text)


UNIT = kind("unit-overridden", 40, "values", "a unit that a log names was overruled",
    "{reason} This concerns {who}; if the header is right, every value of {channel} there is wrong, and all that is "
    "computed from it.",
    "Look at the values of {channel}: correct the unit under [log.columns] if the header is right, else correct the "
    "label in the logger.",
)  # fmt: skip


def unit_overridden(f: Findings) -> Iterator[Limitation]:
    """A column whose header names another unit than the campaign file; labels can be wrong, so the file is obeyed."""
    used = {run.id for run in f.used}
    concerned: dict[tuple[Part, str], list[str]] = {}
    for drive in f.drives:
        for entry in drive.clean.quality:
            if entry.step == UNIT_OVERRIDDEN and drive.entry.id in used:
                concerned.setdefault((entry.reason, entry.channel), []).append(drive.entry.id)
    for (reason, channel), runs in concerned.items():
        who: Part = message("{n} ({runs})", n=Count(len(runs), "run"), runs=all_of(runs))
        if len(runs) == 1:
            who = message("run {run}", run=runs[0])
        elif len(runs) == len(used):
            who = "all runs"
        yield UNIT(reason=reason, who=who, channel=channel)


START_STOP = kind("start-stop", 295, "values", "the engine stopped in between, and intake air was not known meanwhile",
    "Intake air is not known throughout in {runs}. In run {run}, where least is known, {reason}.",
    "Switch start-stop off for the trial, or drive every configuration with it.",
)  # fmt: skip


def start_stop(f: Findings) -> Iterator[Limitation]:
    """Runs in which the engine stopped and started again, once for all: the one with the largest share is told."""
    used = {run.id for run in f.used}
    entries = [
        (entry.share, drive.entry.id, entry.reason)
        for drive in f.drives
        for entry in drive.clean.quality
        if entry.step == "start-stop" and drive.entry.id in used
    ]
    if entries:
        _, run, reason = max(entries, key=lambda item: item[0])
        yield START_STOP(runs=Count(len(entries), "run"), run=run, reason=reason)


_SOFT = {
    "stop-time": (280, "some runs stood longer or shorter than the limit allows", "traffic"),
    "stops": (281, "some runs stopped more or less often than the limit allows", "traffic"),
    "ramp-acceleration": (282, "some runs accelerated differently on the ramp", ""),
    "phase-duration": (283, "some runs took longer or shorter than the limit allows", "traffic"),
    "start-over-ambient": (284, "some runs started with more or less heat soak than others", ""),
    "start-coolant": (285, "some runs started with a colder or warmer engine", ""),
    "block-hours": (270, "runs of one block lie far apart in time", ""),
    "ambient": (286, "some runs were driven in colder or warmer air", "ambient"),
    "placement": (243, "the place of some runs on the route is not verified", ""),
}
OTHER = (290, "some runs are beyond a limit of the acceptance", "acceptance")
_MORE = {
    "block-hours": (
        " What changed between those times, weather and traffic above all, is not taken away by the block: it is worth no "
        "more there than runs of different days.",
        "Blocks of runs within hours of each other, or the true block of these runs.",
    ),
    "placement": (
        " Their place is not verified: what their speeds have in common with those of the other runs leaves it open by more.",
        "Log position.",
    ),
}
_REPEAT = ("", "Repeat these runs, or state another limit with its reason.")
ACCEPTANCE = {
    code: kind(
        f"acceptance-{code}",
        _SOFT.get(code, OTHER)[0],
        "values",
        _SOFT.get(code, OTHER)[1],
        "{title}: {runs} beyond the limit ({limit}): {values}." + _MORE.get(code, _REPEAT)[0],
        _MORE.get(code, _REPEAT)[1],
        alike=_SOFT.get(code, OTHER)[2],
    )
    for code in CRITERIA
}


def acceptance_limitations(criteria: pd.DataFrame, used: set[str]) -> tuple[Limitation, ...]:
    """Return one limitation per soft criterion that runs of the comparison do not meet."""
    failed = criteria[criteria["passed"].eq(False) & criteria["hard"].eq(False) & criteria["run"].isin(used)]
    return tuple(
        ACCEPTANCE[str(code)](
            title=rows["title"].iloc[0],
            runs=Count(len(rows), "run"),
            limit=rows["limit"].iloc[0],
            values=Listing(tuple(message("{run} {value}", run=row.run, value=row.value) for row in rows_of(rows))),
        )
        for code, rows in failed.groupby("code", sort=False)
    )


PREDICATES = (
    start_stop, no_ambient, below_ambient, ambient_uncertain, ambient_differs, margin_below_resolution, slow_sampling,
    position_absent, no_highway_entry, accuracy_unknown, soak_checks, alignment_findings,
)  # fmt: skip
