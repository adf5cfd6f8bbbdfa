"""Limitations of ambient, sensors, sampling, route and acceptance, and of the models on a common drive."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from intake_report.align import CRITERIA
from intake_report.analyse.limitations.findings import Findings, Values, all_of, kind, limitation, predicate
from intake_report.messages import Count, Message, Part, Value, message
from intake_report.report_table import rows_of
from intake_report.results import Limitation, RunResult
from intake_report.weather import SPREAD_LIMIT, ambient_apart

SLOW_SAMPLING = 2.5  # s; recovery times of half a minute are then timed to a tenth at best
COLDER = 2.0  # K; two steps of a usual reading
FAR = 15.0  # K; common practice: sensors of this kind keep their offset to a few tenths within it
MOST_NAMED = 6  # runs; beyond it they are counted, not named
DELTA = "temperature_difference"


@limitation("start-stop", 295, "values", "the engine stopped in between, and intake air was not known meanwhile",
    "Intake air is not known throughout in {runs}. In run {run}, where least is known, {reason}.",
    "Switch start-stop off for the trial, or drive every configuration with it.",
)  # fmt: skip
def _start_stop(f: Findings) -> Values:
    entries = [
        (entry.share, drive.entry.id, entry.reason)
        for drive in f.drives
        for entry in drive.clean.quality
        if entry.step == "start-stop" and drive.entry.id in f.used
    ]
    if entries:
        _, run, reason = max(entries, key=lambda item: item[0])
        yield {"runs": Count(len(entries), "run"), "run": run, "reason": reason}


NO_AMBIENT = kind("no-ambient", 10, "values", "no ambient temperature was recorded",
    "No ambient temperature was recorded: over-ambient temperatures and recovery times cannot be computed, and "
    "absolute intake air temperatures of different days are not comparable.",
    "Log the vehicle's ambient sensor, or add a weather source with its times.",
)  # fmt: skip
AMBIENT_MISSING = kind("ambient-missing", 220, "values", "some runs have no ambient temperature",
    "{runs} {have} no ambient temperature and no over-ambient metrics.",
    "A weather source that covers every run.",
)  # fmt: skip


@predicate
def _no_ambient(f: Findings) -> Iterator[Limitation]:
    without = [run for run in f.used if run not in f.ambient.series]
    if not f.ambient.series:
        yield NO_AMBIENT()
    elif without:
        yield AMBIENT_MISSING(runs=all_of(without), have="has" if len(without) == 1 else "have")


@limitation("engine-unknown", 110, "values", "readings of a standing engine cannot be told from those of the drive",
    "{runs} without engine speed: readings taken while the engine stood, or just after it started, are not told apart there. A "
    "sensor in still air reads tens of kelvins high then, and the highest values and their differences may be no more than that.",
    "Map engine speed under [log.columns] where the log has it, or log it.",
)  # fmt: skip
def _engine_unknown(f: Findings) -> Values:
    quality = [drive.clean.quality for drive in f.drives if drive.entry.id in f.used]
    if without := sum(any(entry.step == "engine-off-unknown" for entry in entries) for entries in quality):
        yield {"runs": Count(without, "run")}


@limitation("below-ambient", 45, "values", "intake air reads colder than the air outside",
    "In {runs} even the warmest reading of intake air lies below ambient, by up to {size}. An intake does not cool its air: a unit or "
    "a sensor is wrong, and “closer to ambient” then means nothing.",
    "Look at the units of intake air and ambient under [log.columns], and at both sensors after a night's stand.",
)  # fmt: skip
def _below_ambient(f: Findings) -> Values:
    peaks = [v.value for v in f.values if v.key == "peak_over_ambient" and v.value is not None and v.run in f.used]  # noqa: PD011
    if low := [peak for peak in peaks if peak < -COLDER]:
        yield {"runs": Count(len(low), "run"), "size": Value(-min(low), DELTA, 1)}


@limitation("ambient-reference", 410, "values",
    "absolute over-ambient temperatures are as uncertain as the ambient reference",
    "Ambient ({source}) has a standard uncertainty of {u}. What all runs share of it cancels in differences of "
    "temperatures between configurations; it does not cancel in absolute over-ambient temperatures, nor wholly in "
    "recovery times and their differences.{notes}",
    "A calibrated thermometer in the airstream, read before and after each run.",
)  # fmt: skip
def _ambient_uncertain(f: Findings) -> Values:
    choice = f.ambient.choice
    if choice.uncertainty is not None and f.ambient.series:
        notes = [message("{run}: {note}", run=run, note=s.note) for run, s in f.ambient.series.items() if s.note]
        also = message(" {notes}.", notes=all_of(notes, ";")) if notes else ""
        yield {"source": choice.source or "", "u": Value(choice.uncertainty, DELTA, 1), "notes": also}


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


@predicate
def _ambient_differs(f: Findings) -> Iterator[Limitation]:
    """Yield that runs differ by more than the accepted limit: a remark where all differences are taken within blocks."""
    means = {c.run: c.ambient_mean for c in rows_of(f.conditions) if c.ambient_mean is not None and c.run in f.used}
    if (found := ambient_apart(means)) is None:
        return
    lowest, highest, spread = found
    blocks: dict[str, list[RunResult]] = {}
    for run in f.used.values():
        blocks.setdefault(run.block or "", []).append(run)
    apart = any(ambient_apart({r.id: means[r.id] for r in runs if r.id in means}) for runs in blocks.values())
    mixed = all(len({run.configuration for run in runs}) > 1 for runs in blocks.values())
    within_blocks = len({f.used[run].block for run in means}) > 1 and "" not in blocks and mixed
    yield (DAYS_SPREAD if within_blocks and not apart else AMBIENT_SPREAD)(
        spread=Value(spread, DELTA, 1), lowest=lowest, highest=highest, limit=Value(SPREAD_LIMIT, "margin")
    )


@limitation("margin-resolution", 330, "values", "the readings are coarse against the recovery margins",
    "An over-ambient reading has a standard uncertainty of {u} (steps of {step} and the ambient reference), and the "
    "margin of {margin} is {why}: {cost}.",
    "A sensor of finer resolution, or a margin of at least {least}.",
)  # fmt: skip
def _margin_below_resolution(f: Findings) -> Values:
    step = next((row.step or row.resolution for row in rows_of(f.sampling) if row.channel == "iat"), None)
    if step is None or not f.ambient.series:
        return
    total = float(np.hypot(step / np.sqrt(12.0), f.ambient.choice.uncertainty or 0.0))
    least = max(2.0 * total, step)
    for margin in (margin for margin in f.campaign.metrics.recovery_margins if margin < least):
        why = "smaller than one step of the reading" if margin < step else "not larger than twice that"
        known = {"u": Value(total, DELTA, 1), "step": Value(step, DELTA, 1), "margin": Value(margin, "margin")}
        yield known | {"why": why, "cost": _cost(f, margin), "least": Value(least, "margin")}


def _cost(f: Findings, margin: float) -> Message:
    """Say what the narrow margin costs: from the uncertainties of the recovery times themselves, where assessed."""
    keys = {k.key for k in f.metrics if k.spec.id == "recovery_time" and k.parameter.number == margin}
    known = [v.u for v in f.values if v.key in keys and v.u is not None]  # noqa: PD011 - no frame
    if not known:
        return message("a single recovery time to it may be off by much more than its scatter shows")
    template = "a single recovery time to it has a standard uncertainty of {typical} (median of {runs})"
    return message(template, typical=Value(float(np.median(known)), "time", 0), runs=Count(len(known), "run"))


@limitation("slow-sampling", 340, "values", "intake air temperature was sampled slowly",
    "Intake air temperature has a true sample every {interval} at the slowest; peaks may fall between samples and "
    "times of crossing are known to about that.",
    "Log fewer channels, so that each is polled more often.",
)  # fmt: skip
def _slow_sampling(f: Findings) -> Values:
    slowest = next((row.interval_high for row in rows_of(f.sampling) if row.channel == "iat"), 0.0)
    if slowest > SLOW_SAMPLING:
        yield {"interval": Value(slowest, "time", 1)}


@limitation("no-position", 350, "values", "the logs hold no position",
    "Route distance of {who} comes from integrated speed, without a position: the same place may differ between runs "
    "by the error of the speed channel.",
    "Log position.",
)  # fmt: skip
def _position_absent(f: Findings) -> Values:
    if without := [drive.entry.id for drive in f.drives if drive.aligned.method == "speed"]:
        yield {"who": "all runs" if len(without) == len(f.drives) else all_of(without)}


@limitation("no-entry", 230, "values", "some runs have no highway entry",
    "{who} had no highway entry (speed through {speed} and held for {hold}): no recovery time.",
    "A route with a highway stretch, or another entry speed.",
)  # fmt: skip
def _no_highway_entry(f: Findings) -> Values:
    if without := [run.id for run in f.used.values() if run.highway_entry is None]:
        who: Part = Count(len(without), "run")
        if len(without) <= MOST_NAMED:
            who = message("{who} ({runs})", who=who, runs=all_of(without))
        entry = f.campaign.route.highway_entry
        said: dict[str, Part] = {
            "who": who,
            "speed": Value(entry.speed, "speed", 0),
            "hold": Value(entry.hold, "time", 0),
        }
        if not f.campaign.route.phases:
            said["remedy"] = message("Phases stated under [[route.phase]], if the route has a highway stretch.")
        yield said


@limitation("accuracy-unknown", 360, "values", "the accuracy of the sensor is not declared",
    "The accuracy of the intake air temperature sensor is not declared: absolute temperatures have an unknown bias; "
    "it is the same in all runs and cancels in differences.",
    "Declare it in [instrument.channels.iat], from a calibration or the sensor's tolerance class.",
)  # fmt: skip
def _accuracy_unknown(f: Findings) -> Values:
    declared = f.campaign.instrument.channels.get("iat")
    if (declared is None or declared.accuracy is None) and "iat" not in f.zeroing.rows:
        yield {}


@limitation("soak-check-disagrees", 255, "values", "sensors disagree after a night's stand",
    "{finding}",
    "Stand a whole night, engine cold and out of the sun, with a thermometer beside the sensors; replace a sensor "
    "that is off.",
)  # fmt: skip
def _soak_disagrees(f: Findings) -> Values:
    codes = ("soak-check-disagrees", "soak-check-contradicts")
    yield from ({"finding": notice.text} for notice in f.zeroing.notices if notice.code in codes)


@limitation("soak-check-elsewhere", 365, "values",
    "offsets were found at other temperatures than were driven",
    "The offsets come from soak checks at {checks}, and the intake air was up to {apart} from that in the runs: an "
    "offset that changes with temperature is not seen. What is the same in all runs cancels in differences of "
    "temperatures.",
    "Soak checks on a warmer morning, or a check of the sensor in warm water against a thermometer.",
)  # fmt: skip
def _soak_elsewhere(f: Findings) -> Values:
    peaks = [v.value for v in f.values if v.key == "peak_iat" and v.value is not None]  # noqa: PD011 - no frame
    if f.zeroing.air is None or not peaks:
        return
    low, high = f.zeroing.air
    if max(peaks) - high > FAR:
        checks: Part = Value(high, "temperature", 0)
        if high - low >= 1.0:
            checks = message("{low} to {high}", low=Value(low, "temperature", 0), high=checks)
        yield {"checks": checks, "apart": Value(max(peaks) - high, DELTA, 0)}


SAID = "Run {run}: {finding}"
PLACED = kind("placed", 430, "values", "some runs are not placed on the route as the others are", SAID)
WHOLE = "A run of the whole route, or the stretch left out by its phases."
ALIGNMENT = {
    code: kind(code, rank, "values", cover, SAID, WHOLE)
    for code, rank, cover in (
        ("part-of-route", 240, "some runs cover a part of the route only"),
        ("detour", 241, "some runs left the route"),
        ("turned-back", 242, "some runs drove a part of the route twice"),
        ("beside-path", 420, "some runs were driven beside the reference path"),
    )
}


@predicate
def _alignment_findings(f: Findings) -> Iterator[Limitation]:
    for drive in f.drives:
        for finding in drive.aligned.findings:
            if drive.entry.id in f.used and not finding.hard:
                yield ALIGNMENT.get(finding.code, PLACED)(run=drive.entry.id, finding=finding.text)


# ---- models on a common drive ------------------------------------------------------------------------------------


FAILED = kind("model-failed", 275, "values", "a thermal model does not foretell its own runs",
    "The thermal model of {names} does not foretell runs that were left out within the limits of the campaign: its "
    "numbers on the common drive decide nothing.",
    "More runs, positions of the vehicle, starts with a warm engine; or the measured differences alone.",
)  # fmt: skip
SINGLE = kind("model-single", 276, "values", "a thermal model rests on one run",
    "The thermal model of {names} is fitted to one run: nothing shows how well it foretells another, and the common drive is "
    "an illustration.",
    "A second run of each configuration.",
)  # fmt: skip
BEYOND = kind("model-extrapolated", 277, "values", "the common drive goes beyond what was driven",
    "The common drive asks the models for what no run showed them: {parts}.",
    "A common drive within what every configuration has driven.",
)  # fmt: skip
HEADLESS = kind("model-heading", 378, "values", "the thermal models do not know the wind at the vehicle",
    "{runs} without positions: the direction of travel is not known there, and so neither is the head wind, which clears a "
    "bay at a stop; the models take it for a difference between runs.",
    "Positions of the vehicle in every log.",
)  # fmt: skip


@predicate
def models(f: Findings) -> Iterator[Limitation]:
    """Yield what the models were not shown, cannot be held against, or fail at."""
    record = f.common_drive
    if record is None:
        return
    for declared, ids in ((FAILED, record.failed), (SINGLE, record.single)):
        if ids:
            yield declared(names=all_of(map(f.name, ids)))
    if record.beyond:
        yield BEYOND(parts=all_of(record.beyond))
    if record.headless:
        yield HEADLESS(runs=Count(record.headless, "run"))


# ---- acceptance --------------------------------------------------------------------------------------------------

SOFT = {
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
REPEAT = "", "Repeat these runs, or state another limit with its reason."
MORE = {
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


def _acceptance(code: str) -> Limitation:
    (rank, cover, alike), (more, remedy) = SOFT.get(code, OTHER), MORE.get(code, REPEAT)
    text = "{title}: {runs} beyond the limit ({limit}): {values}." + more
    return kind(f"acceptance-{code}", rank, "values", cover, text, remedy, alike=alike)


ACCEPTANCE = {code: _acceptance(code) for code in CRITERIA}


def acceptance_limitations(criteria: pd.DataFrame, used: set[str]) -> tuple[Limitation, ...]:
    """Return one limitation per soft criterion that runs of the comparison do not meet."""
    failed = criteria[criteria["passed"].eq(False) & criteria["hard"].eq(False) & criteria["run"].isin(used)]
    return tuple(
        ACCEPTANCE[str(code)](
            title=rows["title"].iloc[0], runs=Count(len(rows), "run"), limit=rows["limit"].iloc[0],
            values=all_of(message("{run} {value}", run=row.run, value=row.value) for row in rows_of(rows)),
        )
        for code, rows in failed.groupby("code", sort=False)
    )  # fmt: skip
