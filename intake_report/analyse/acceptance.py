"""Which runs take part: the campaign's limits, what is known of each run, every criterion and the decision."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd

from intake_report import align
from intake_report.align import CRITERIA, AcceptanceLimit, Check, Comparability
from intake_report.analyse.ambient import AmbientReference, first_known, sources_during
from intake_report.analyse.inputs import ByRun, Drive, align_settings
from intake_report.campaign import Campaign, Limit, Run
from intake_report.clean import RIGHT_UNIT, TEMPERATURE_UNIT, CleanRun
from intake_report.errors import CampaignError, DataError, nearest
from intake_report.formatting import listing
from intake_report.messages import Beyond, Message, Part, Value, message, said
from intake_report.metrics import RunSeries
from intake_report.results import RunResult
from intake_report.units import QUANTITIES, parse_quantity, unit_label
from intake_report.weather import WeatherRecord

# Two runs may share so many seconds, and such a part of the shorter: loggers' clocks are rarely further off, and starts are
# noted by hand (common practice). Time in pauses longer than that of a stop of the logger does not count.
SHARED, SHARED_PART, PAUSE = 90.0, 0.1, 60.0
OWN_LOG = "Name for each run its own log."
OTHER_TIME = "Correct the clock or the start of one, name its own log, or name that of another vehicle under `control`."
MOST_PAIRS = 2000  # pairs of runs that are judged one by one; above, only each run against the others


def acceptance_limits(campaign: Campaign) -> dict[str, AcceptanceLimit]:
    """Return the campaign's limits in the units of the criteria; CampaignError if a key or a unit does not fit."""
    limits = {}
    for code, stated in campaign.acceptance.items():
        where = f"acceptance.{code}"
        if code not in CRITERIA:
            remedy = nearest(code, CRITERIA, "Criteria are")
            what = f"there is no acceptance criterion “{code}”."
            raise CampaignError(what, file=campaign.file, where=where, remedy=remedy)
        hard = stated.hard if isinstance(stated, Limit) and "hard" in stated.model_fields_set else None
        limit = stated.limit if isinstance(stated, Limit) else stated
        try:
            limits[code] = AcceptanceLimit(_number(limit, CRITERIA[code]), hard)
        except DataError as error:
            raise CampaignError(error.what, file=campaign.file, where=where, remedy=error.remedy) from None
    return limits


def _number(limit: str | int | float, spec: align.CriterionSpec) -> float:
    bare, hours = ("ratio", 100.0), ("duration", 3600.0)
    quantity, size = {"count": bare, "share": bare, "hours": hours}.get(spec.shown, (spec.shown, 1.0))
    if isinstance(limit, str):
        return parse_quantity(limit, quantity) / size
    if quantity != "ratio":
        unit = "h" if spec.shown == "hours" else unit_label(QUANTITIES[quantity].internal)
        raise DataError(f"{limit:g} has no unit.", remedy=f"Write for example “{limit:g} {unit}”.")
    return float(limit)


def _conditions(
    drive: Drive, ambient: AmbientReference, records: Mapping[str, WeatherRecord], campaign: Campaign
) -> align.RunSurroundings:
    """Return what is known of a run from outside its log; rain as the campaign declares it goes before a source's."""
    run, series = drive.clean, ambient.series.get(drive.entry.id)
    mean = begin = None
    if series is not None and not run.frame.empty:
        first, last = float(run.frame.index[0]), float(run.frame.index[-1])
        mean = float(series.at(np.linspace(first, last, 200)).mean())
        begin = float(series.at(np.linspace(first, min(first + align.FIRST, last), 7)).mean())
    during = sources_during(campaign, run, records)
    rain = first_known(during, "raining") if drive.entry.rain is None else drive.entry.rain != "none"
    start = None if run.start is None else run.start.tz_convert(campaign.about.timezone)
    return align.RunSurroundings(
        mean, begin, first_known(during, "wind_speed"), None if rain is None else bool(rain), start,
        drive.entry.configuration, drive.entry.block or "",
    )  # fmt: skip


def one_drive(campaign: Campaign, runs: tuple[Run, Run], logs: tuple[CleanRun, CleanRun]) -> tuple[str, str] | None:
    """Return why two runs of the vehicle cannot both be, and the way out; None where they can."""
    one, other = logs
    if len(one.frame) and one.frame.equals(other.frame):
        return f"holds the readings of {runs[0].id}: one drive would count as two.", OWN_LOG
    roles = {campaign.configuration(run.configuration).role == "reference" for run in runs}
    if one.start is None or other.start is None or one.frame.empty or other.frame.empty or len(roles) > 1:
        return None  # a reference may be another vehicle
    if abs(one.start - other.start).total_seconds() > max(one.frame.index[-1], other.frame.index[-1]):
        return None
    times = [
        log.frame.index.to_numpy(dtype=np.float64) + log.start.timestamp() for log in logs if log.start is not None
    ]
    begin, end = max(t[0] for t in times), min(t[-1] for t in times)
    pauses = [np.diff(t[(t >= begin) & (t <= end)]) for t in times]
    if min(float(p[p <= PAUSE].sum()) for p in pauses) <= max(
        SHARED, SHARED_PART * min(float(np.ptp(t)) for t in times)
    ):
        return None
    first, last = (pd.Timestamp(at, unit="s", tz="UTC").tz_convert(campaign.about.timezone) for at in (begin, end))
    when = f"{first:%Y-%m-%d %H:%M} to {last:%H:%M}"
    return f"was driven while {runs[0].id} was, {when}: one vehicle cannot be driven twice at one time.", OTHER_TIME


def entry_mistakes(campaign: Campaign, logs: ByRun[CleanRun], crossed: pd.DataFrame) -> Iterator[CampaignError]:
    """Yield runs that take part and cannot be as they are entered: one drive as two, temperatures in another unit."""
    runs = [(number, run, logs[run.id]) for number, run in enumerate(campaign.runs, 1) if not run.exclude]
    for (_, one, log), (number, other, of_other) in combinations(runs, 2):
        if found := one_drive(campaign, (one, other), (log, of_other)):
            what, where = f"the run {other.id} {found[0]}", f"run[{number}]"
            yield CampaignError(what, file=campaign.given, where=where, remedy=found[1])
    flagged = crossed[crossed["name"].eq(TEMPERATURE_UNIT) & crossed["status"].eq("flagged")]
    wrong = flagged[flagged["run"].isin([run.id for _, run, _ in runs])]
    for _, of in wrong.groupby(wrong["evidence"].map(lambda e: said(e.value("columns"), "si")), sort=False):
        what = f"in {listing(list(of['run']))}, {said(of['evidence'].iloc[0], campaign.about.units)}."
        yield CampaignError(what, file=campaign.given, where="log.columns", remedy=RIGHT_UNIT)


def judge_runs(
    campaign: Campaign,
    drives: tuple[Drive, ...],
    alignment: align.Alignment,
    ambient: AmbientReference,
    records: Mapping[str, WeatherRecord],
) -> Comparability:
    """Apply every criterion to every run, and to every pair where there are not too many."""
    conditions = {drive.entry.id: _conditions(drive, ambient, records, campaign) for drive in drives}
    pairs = None if len(drives) * (len(drives) - 1) // 2 <= MOST_PAIRS else ()
    return align.assess(alignment, align_settings(campaign), conditions, acceptance_limits(campaign), pairs)


def criteria_frame(comparability: Comparability) -> pd.DataFrame:
    """Return every criterion of every run: limit and value keep number and quantity, `passed` is None where unknown."""
    rows = []
    for check in comparability.checks:
        spec, passed = CRITERIA[check.code], {"pass": True, "fail": False}.get(check.outcome)
        template = f"{spec.sense} {{limit}}{' from {versus}' if check.versus else ''}"
        limit = message(template, limit=Value(check.limit, spec.shown), versus=check.versus)
        rows.append((check.runs[0], check.code, check.title, limit, _value(check), check.hard, passed, check.reason))
    columns = ["run", "code", "title", "limit", "value", "hard", "passed", "reason"]
    return pd.DataFrame(rows, columns=columns, dtype=object)


def _value(check: Check) -> Value | Beyond:
    quantity = CRITERIA[check.code].shown
    if check.outcome == "fail" and check.value is not None:
        return Beyond(check.value, check.limit, quantity)
    return Value(check.value, quantity)


def pair_frame(campaign: Campaign, comparability: Comparability, used: set[str]) -> pd.DataFrame:
    """Return every criterion over the pairs of `used` runs of different configurations: how many failed, the worst."""
    configuration = {run.id: run.configuration for run in campaign.runs}
    by_code: dict[str, list[Check]] = {}
    for check in comparability.pairs:
        one, other = check.runs
        if {one, other} <= used and configuration[one] != configuration[other]:
            by_code.setdefault(check.code, []).append(check)
    rows = []
    for code, checks in by_code.items():
        known = [check for check in checks if check.value is not None]
        worst = max(known, key=lambda check: check.value or 0.0, default=None)
        limit = message("at most {limit}", limit=Value(checks[0].limit, CRITERIA[code].shown))
        failed = sum(check.outcome == "fail" for check in checks)
        of_worst = (worst.runs, _value(worst)) if worst else ((), Value(None, CRITERIA[code].shown))
        rows.append((code, checks[0].title, limit, len(known), failed, *of_worst))
    return pd.DataFrame(rows, columns=["code", "title", "limit", "pairs", "failed", "worst", "value"], dtype=object)


def decide(
    campaign: Campaign, drives: tuple[Drive, ...], series: tuple[RunSeries, ...], criteria: pd.DataFrame
) -> tuple[RunResult, ...]:
    """Return the run log with the decision on each run, by declared exclusions, findings and `criteria_frame`."""
    failed = criteria[criteria["passed"].eq(False)]
    both = zip(drives, series, strict=True)
    return tuple(_decide(campaign, drive, one, failed[failed["run"] == one.run]) for drive, one in both)


def _decide(campaign: Campaign, drive: Drive, series: RunSeries, failed: pd.DataFrame) -> RunResult:
    run, aligned, start = drive.entry, drive.aligned, drive.clean.start
    hard: list[Part] = [finding.text for finding in aligned.findings if finding.hard]
    # the criterion of one pass repeats what the alignment found, in other words
    kept = failed[failed["code"].ne("one-pass") | (not hard)]
    hard = [*([run.exclude] if run.exclude else []), *hard, *kept.loc[kept["hard"].eq(True), "reason"]]
    if series.time.size == 0:
        hard.append(message("no valid intake air temperature sample on the route", code="no-samples"))
    soft = [finding.text for finding in aligned.findings if not finding.hard]
    reasons = hard or [*soft, *failed.loc[failed["hard"].eq(False), "reason"]]
    index, distance = drive.clean.frame.index, aligned.distance.dropna()
    local = None if start is None else start.tz_convert(campaign.about.timezone).isoformat(timespec="minutes")
    return RunResult(
        id=run.id, configuration=run.configuration, block=run.block, start=local,
        duration=float(index[-1] - index[0]) if len(index) else 0.0,
        length=float(distance.iloc[-1] - distance.iloc[0]) if len(distance) else None,
        method=aligned.method, stops=len(aligned.stops), stopped_time=float(sum(stop.duration for stop in aligned.stops)),
        highway_entry=aligned.highway_entry,
        decision="excluded" if hard else "accepted with limitation" if reasons else "accepted",
        reasons=tuple(map(_clause, reasons)), files=run.files, start_condition=run.start_condition,
        road=run.road or "", sky=run.sky or "", notes=run.notes,
    )  # fmt: skip


def _clause(part: Part) -> Part:
    """Return a sentence without its full stop, as one of several in a row."""
    if isinstance(part, Message):
        return replace(part, template=part.template.removesuffix("."))
    return part.rstrip(".") if isinstance(part, str) else part
