"""Limitations of ambient, sensors, sampling, route and acceptance, and of the models on a common drive."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from intake_report.align import CRITERIA
from intake_report.analyse.limitations.findings import KINDS, Findings, all_of, counted, declare, limitation
from intake_report.messages import Beyond, Count, Part, Value, message
from intake_report.report_table import rows_of
from intake_report.results import Limitation, RunResult
from intake_report.weather import SPREAD_LIMIT, ambient_apart

SLOW_SAMPLING = 2.5  # s; recovery times of half a minute are then timed to a tenth at best
COLDER = 2.0  # K; two steps of a usual reading
FAR = 15.0  # K; common practice: sensors of this kind keep their offset to a few tenths within it
DELTA = "temperature_difference"

APART = (
    "Mean ambient differs by {spread} between {lowest} and {highest}; {limit} between days is commonly accepted "
    "(common practice)."
)
REPEAT = "Repeat the runs on days of like temperature."
SAID = "Run {run}: {finding}"
WHOLE = "A run of the whole route, or the stretch left out by its phases."
BEYOND = "{title}: {runs} beyond the limit ({limit}): {values}."
AGAIN = "Repeat these runs, or state another limit with its reason."

declare(
    ("start-stop", 295, "values", "the engine stopped in between, and intake air was not known meanwhile",
     "Intake air is not known throughout in {runs}. In run {run}, where least is known, {reason}.",
     "Switch start-stop off for the trial, or drive every configuration with it."),
    ("no-ambient", 10, "values", "no ambient temperature was recorded",
     "No ambient temperature was recorded: over-ambient temperatures and recovery times cannot be computed, and "
     "absolute intake air temperatures of different days are not comparable.",
     "Log the vehicle's ambient sensor, or add a weather source with its times."),
    ("ambient-missing", 220, "values", "some runs have no ambient temperature",
     "{runs} {runs:has|have} no ambient temperature and no over-ambient metrics.",
     "A weather source that covers every run."),
    ("engine-unknown", 110, "values", "readings of a standing engine cannot be told from those of the drive",
     "{runs} without engine speed: readings taken while the engine stood, or just after it started, are not told apart "
     "there. A sensor in still air reads tens of kelvins high then, and the highest values and their differences may "
     "be no more than that.",
     "Map engine speed under [log.columns] where the log has it, or log it."),
    ("below-ambient", 45, "values", "intake air reads colder than the air outside",
     "In {runs} even the warmest reading of intake air lies below ambient, by up to {size}. An intake does not cool "
     "its air: a unit or a sensor is wrong, and “closer to ambient” then means nothing.",
     "Look at the units of intake air and ambient under [log.columns], and at both sensors after a night's stand."),
    ("ambient-reference", 410, "values", "absolute over-ambient temperatures are as uncertain as the ambient reference",
     "Ambient ({source}) has a standard uncertainty of {u}. What all runs share of it cancels in differences of "
     "temperatures between configurations; it does not cancel in absolute over-ambient temperatures, nor wholly in "
     "recovery times and their differences.{notes}",
     "A calibrated thermometer in the airstream, read before and after each run."),
    ("ambient-days", 410, "values", "ambient differed between days, not within them",
     APART + " Differences are taken within blocks, in which it differs by less than that.", REPEAT, "ambient"),
    ("ambient-spread", 300, "values", "ambient differed between the runs", APART, REPEAT, "ambient"),
    ("margin-resolution", 330, "values", "the readings are coarse against the recovery margins",
     "An over-ambient reading has a standard uncertainty of {u} (steps of {step} and the ambient reference), and the "
     "margin of {margin} is {why}: {cost}.",
     "A sensor of finer resolution, or a margin of at least {least}."),
    ("slow-sampling", 340, "values", "intake air temperature was sampled slowly",
     "Intake air temperature has a true sample every {interval} at the slowest; peaks may fall between samples and "
     "times of crossing are known to about that.",
     "Log fewer channels, so that each is polled more often."),
    ("no-position", 350, "values", "the logs hold no position",
     "Route distance of {who} comes from integrated speed, without a position: the same place may differ between runs "
     "by the error of the speed channel.",
     "Log position."),
    ("no-entry", 230, "values", "some runs have no highway entry",
     "{count} ({runs}) had no highway entry (speed through {speed} and held for {hold}): no recovery time.",
     "A ramp phase on which every run reaches the highway, or another entry speed."),
    ("entry-above", 231, "values", "some runs were above the entry speed already before",
     "{count} ({runs}) had no highway entry: the speed is above {speed} already where the phase of the entry begins, so that it does not rise "
     "through it there; no recovery time.",
     "A ramp phase that begins where every run is still slower, or a higher entry speed under [route.highway_entry]."),
    ("accuracy-unknown", 360, "values", "the accuracy of the sensor is not declared",
     "The accuracy of the intake air temperature sensor is not declared: absolute temperatures have an unknown bias; "
     "it is the same in all runs and cancels in differences.",
     "Declare it in [instrument.channels.iat], from a calibration or the sensor's tolerance class."),
    ("soak-check-disagrees", 255, "values", "sensors disagree after a night's stand",
     "{finding}",
     "Stand a whole night, engine cold and out of the sun, with a thermometer beside the sensors; replace a sensor "
     "that is off."),
    ("soak-check-elsewhere", 365, "values", "offsets were found at other temperatures than were driven",
     "The offsets come from soak checks at {checks}, and the intake air was up to {apart} from that in the runs: an "
     "offset that changes with temperature is not seen. What is the same in all runs cancels in differences of "
     "temperatures.",
     "Soak checks on a warmer morning, or a check of the sensor in warm water against a thermometer."),
    ("placed", 430, "values", "some runs are not placed on the route as the others are", SAID, ""),
    ("part-of-route", 240, "values", "some runs cover a part of the route only", SAID, WHOLE),
    ("detour", 241, "values", "some runs left the route", SAID, WHOLE),
    ("turned-back", 242, "values", "some runs drove a part of the route twice", SAID, WHOLE),
    ("beside-path", 420, "values", "some runs were driven beside the reference path", SAID, WHOLE),
    ("model-failed", 275, "values", "a thermal model does not foretell its own runs",
     "The thermal model of {names} does not foretell runs that were left out within the limits of the campaign: its "
     "numbers on the common drive decide nothing.",
     "More runs, positions of the vehicle, starts with a warm engine; or the measured differences alone."),
    ("model-single", 276, "values", "a thermal model rests on one run",
     "The thermal model of {names} is fitted to one run: nothing shows how well it foretells another, and the common "
     "drive is an illustration.",
     "A second run of each configuration."),
    ("model-extrapolated", 277, "values", "the common drive goes beyond what was driven",
     "The common drive asks the models for what no run showed them: {parts}.",
     "A common drive within what every configuration has driven."),
    ("model-heading", 378, "values", "the thermal models do not know the wind at the vehicle",
     "{runs} without positions: the direction of travel is not known there, and so neither is the head wind, which "
     "clears a bay at a stop; the models take it for a difference between runs.",
     "Positions of the vehicle in every log."),
    ("acceptance-stop-time", 280, "values", "some runs stood longer or shorter than the limit allows",
     BEYOND, AGAIN, "traffic"),
    ("acceptance-stops", 281, "values", "some runs stopped more or less often than the limit allows",
     BEYOND, AGAIN, "traffic"),
    ("acceptance-ramp-acceleration", 282, "values", "some runs accelerated differently on the ramp", BEYOND, AGAIN),
    ("acceptance-phase-duration", 283, "values", "some runs took longer or shorter than the limit allows",
     BEYOND, AGAIN, "traffic"),
    ("acceptance-start-over-ambient", 284, "values", "some runs started with more or less heat soak than others",
     BEYOND, AGAIN),
    ("acceptance-start-coolant", 285, "values", "some runs started with a colder or warmer engine", BEYOND, AGAIN),
    ("acceptance-ambient", 286, "values", "some runs were driven in colder or warmer air", BEYOND, AGAIN, "ambient"),
    ("acceptance-block-hours", 270, "values", "runs of one block lie far apart in time",
     BEYOND + " What changed between those times, weather and traffic above all, is not taken away by the block: it is "
     "worth no more there than runs of different days.",
     "Blocks of runs within hours of each other, or the true block of these runs."),
    ("acceptance-placement", 243, "values", "the place of some runs on the route is not verified",
     BEYOND + " Their place is not verified: what their speeds have in common with those of the other runs leaves it "
     "open by more.",
     "Log position."),
)  # fmt: skip
declare(*(
    (f"acceptance-{code}", 290, "values", "some runs are beyond a limit of the acceptance", BEYOND, AGAIN, "acceptance")
    for code in CRITERIA if f"acceptance-{code}" not in KINDS
))  # fmt: skip


def _engine(f: Findings) -> Iterator[Limitation]:
    of_used = [
        (drive.entry.id, entry) for drive in f.drives for entry in drive.clean.quality if drive.entry.id in f.used
    ]
    if stopped := [(entry.share, run, entry.reason) for run, entry in of_used if entry.step == "start-stop"]:
        _, run, reason = max(stopped, key=lambda item: item[0])
        yield limitation("start-stop", runs=Count(len(stopped), "run"), run=run, reason=reason)
    if unknown := {run for run, entry in of_used if entry.step == "engine-off-unknown"}:
        yield limitation("engine-unknown", runs=Count(len(unknown), "run"))


def _ambient(f: Findings) -> Iterator[Limitation]:
    choice, series = f.ambient.choice, f.ambient.series
    without = [run for run in f.used if run not in series]
    if not series:
        yield limitation("no-ambient")
    elif without:
        yield limitation("ambient-missing", runs=all_of(without))
    peaks = [v.value for v in f.values if v.key == "peak_over_ambient" and v.value is not None and v.run in f.used]  # noqa: PD011
    if low := [peak for peak in peaks if peak < -COLDER]:
        yield limitation("below-ambient", runs=Count(len(low), "run"), size=Value(-min(low), DELTA, 1))
    if choice.uncertainty is not None and series:
        notes = [message("{run}: {note}", run=run, note=s.note) for run, s in series.items() if s.note]
        also = message(" {notes}.", notes=all_of(notes, ";")) if notes else ""
        yield limitation(
            "ambient-reference", source=choice.source or "", u=Value(choice.uncertainty, DELTA, 1), notes=also
        )


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
    within = len({f.used[run].block for run in means}) > 1 and "" not in blocks and mixed and not apart
    code, size = "ambient-days" if within else "ambient-spread", Beyond(spread, SPREAD_LIMIT, DELTA)
    yield limitation(code, spread=size, lowest=lowest, highest=highest, limit=Value(SPREAD_LIMIT, "margin"))


def _sampling(f: Findings) -> Iterator[Limitation]:
    row = next((row for row in rows_of(f.sampling) if row.channel == "iat"), None)
    step = (row.step or row.resolution) if row else None
    if step is not None and f.ambient.series:
        total = float(np.hypot(step / np.sqrt(12.0), f.ambient.choice.uncertainty or 0.0))
        least = max(2.0 * total, step)
        for margin in (margin for margin in f.campaign.metrics.recovery_margins if margin < least):
            why = "smaller than one step of the reading" if margin < step else "not larger than twice that"
            cost = message("a single recovery time to it may be off by much more than its scatter shows")
            keys = [k.key for k in f.metrics if k.spec.id == "recovery_time" and k.parameter.number == margin]
            if known := [v.u for v in f.values if v.key in keys and v.u is not None]:  # noqa: PD011 - no frame
                template = "a single recovery time to it has a standard uncertainty of {typical} (median of {runs})"
                typical = Value(float(np.median(known)), "time", 0)
                cost = message(template, typical=typical, runs=Count(len(known), "run"))
            yield limitation(
                "margin-resolution", keys=keys, u=Value(total, DELTA, 1), step=Value(step, DELTA, 1),
                margin=Value(margin, "margin"), why=why, cost=cost, least=Value(least, "margin"),
            )  # fmt: skip
    if row and row.interval_high > SLOW_SAMPLING:
        yield limitation("slow-sampling", interval=Value(row.interval_high, "time", 1))


def _route(f: Findings) -> Iterator[Limitation]:
    if absent := [drive.entry.id for drive in f.drives if drive.aligned.method == "speed"]:
        yield limitation("no-position", who="all runs" if len(absent) == len(f.drives) else all_of(absent))
    route, remedy = f.campaign.route, None
    if not route.phases:
        remedy = message("Phases stated under [[route.phase]], if the route has a highway stretch.")
    elif all(phase.kind == "city" for phase in route.phases):
        return
    above = {drive.entry.id for drive in f.drives for note in drive.aligned.notes if note.code == "entry-above"}
    keys = [key.key for key in f.metrics if key.spec.group == "recovery"]
    at = {"speed": Value(route.highway_entry.speed, "speed", 0), "hold": Value(route.highway_entry.hold, "time", 0)}
    for code in ("no-entry", "entry-above"):
        runs = [r.id for r in f.used.values() if r.highway_entry is None and (r.id in above) == (code == "entry-above")]
        if runs:
            yield limitation(code, remedy=remedy, keys=keys, **at, **counted(runs))


def _sensor(f: Findings) -> Iterator[Limitation]:
    declared = f.campaign.instrument.channels.get("iat")
    if (declared is None or declared.accuracy is None) and "iat" not in f.zeroing.rows:
        yield limitation("accuracy-unknown")
    for notice in f.zeroing.notices:
        if notice.code in ("soak-check-disagrees", "soak-check-contradicts"):
            yield limitation("soak-check-disagrees", finding=notice.text)
    peaks = [v.value for v in f.values if v.key == "peak_iat" and v.value is not None]  # noqa: PD011 - no frame
    if f.zeroing.air is not None and peaks and max(peaks) - f.zeroing.air[1] > FAR:
        low, high = f.zeroing.air
        checks: Part = Value(high, "temperature", 0)
        if high - low >= 1.0:
            checks = message("{low} to {high}", low=Value(low, "temperature", 0), high=checks)
        yield limitation("soak-check-elsewhere", checks=checks, apart=Value(max(peaks) - high, DELTA, 0))


def _placed(f: Findings) -> Iterator[Limitation]:
    for drive in f.drives:
        for finding in drive.aligned.findings:
            if drive.entry.id in f.used and not finding.hard:
                code = finding.text.code if finding.text.code in KINDS else "placed"
                yield limitation(code, run=drive.entry.id, finding=finding.text)


def models(f: Findings) -> Iterator[Limitation]:
    """Yield what the models on the common drive were not shown, cannot be held against, or fail at."""
    if (record := f.common_drive) is None:
        return
    for code, ids in (("model-failed", record.failed), ("model-single", record.single)):
        if ids:
            yield limitation(code, names=all_of(map(f.name, ids)))
    if record.beyond:
        yield limitation("model-extrapolated", parts=all_of(record.beyond))
    if record.headless:
        yield limitation("model-heading", runs=Count(record.headless, "run"))


CONDITIONS = (_engine, _ambient, _ambient_differs, _sampling, _route, _sensor, _placed, models)


def acceptance_limitations(criteria: pd.DataFrame, used: set[str]) -> tuple[Limitation, ...]:
    """Return one limitation per soft criterion that runs of the comparison do not meet."""
    failed = criteria[criteria["passed"].eq(False) & criteria["hard"].eq(False) & criteria["run"].isin(used)]
    return tuple(
        limitation(
            f"acceptance-{code}", title=rows["title"].iloc[0], runs=Count(len(rows), "run"), limit=rows["limit"].iloc[0],
            values=all_of(message("{run} {value}", run=row.run, value=row.value) for row in rows_of(rows)),
        )
        for code, rows in failed.groupby("code", sort=False)
    )  # fmt: skip
