"""What the check of a log says, as frozen values, and the look that fills them; limits are this package's choice."""

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from intake_report.channels import CHANNELS, mapped_columns
from intake_report.clean import RIGHT_UNIT, TEMPERATURE_UNIT, CleanRun, CrossCheck, clean, cross_checks
from intake_report.loaders import Proposal, RawLog, format_mapping, map_run
from intake_report.messages import Value, message, said
from intake_report.units import QUANTITIES, UnitSystem, unit_label

NEEDED = ("iat", "speed")
# Entries that describe the log; all others touched or question data.
DESCRIBES = (
    "true-samples", "resolution", "interpolated", "doubly-encoded", "date-elsewhere", "time-zone-assumed",
    "epoch-time", "encoding-found", "date-order", "midnight", "track-joined", "unit-stated",
    "text-columns", "no-header", "parts-without-clock", "rate-not-applied", "engine-off-unknown",
)  # fmt: skip
_FAULTS = ("impossible-rate", "spike", "stuck")  # codes and implausible values count in the valid share
_DOUBTFUL_CLOCK = ("rows-out-of-order", "coarse-clock")
_VOLUME_AIRFLOW = {"l/s": 1.2}  # g/s per unit, at 1.2 kg/m³ as in the cross check of the airflow's unit
_LEAST_CONFIDENCE = 0.3  # the words fit while most values do not, as with a sensor that is not connected
_LEAST_USABLE = 0.5  # share of the run with a valid sample below which it is of no use
_AMBIENT_AGREES = 3.0  # K at speed, as in the cross check
_SOAKED = ("iat", "ambient", "coolant")  # channels that agree after a night's stand (common practice)
_STEADY = 15.0  # s at the beginning in which they must not change
_COLD = 45.0  # °C; no engine that ran a moment ago is below it (choice of this package)
_BINS, _POINTS = 240, 4  # of a timeline (a terminal has fewer columns); places in each where a sample is looked for
# Title, quantity and limit of the criteria of the log itself: counts and times are at most that, the others at least.
_OWN: dict[str, tuple[str, str, float]] = {
    "valid-iat": ("Valid IAT", "share", 0.9), "valid-speed": ("Valid speed", "share", 0.9),
    "valid-ambient": ("Ambient known", "share", 0.9), "constant": ("Constant sensors", "count", 0.0),
    # K; two steps of a usual reading
    "over-ambient": ("Warmest intake air over ambient", "temperature_difference", -2.0),
    # s; slower ones blur a recovery of a minute or two, and 5 s may come a little late
    "interval": ("Interval of IAT readings", "time", 5.05),
    "duration": ("Duration", "duration", 60.0), "driven": ("Distance driven", "distance", 500.0),
    "clock": ("Doubtful times", "count", 0.0),
    # a phone that records loses some seconds now and then; 30 s are twice what intake temperature is interpolated over:
    # a stop, a launch or an entry may be lost
    "pauses": ("Pauses of the log", "count", 5.0), "longest-pause": ("Longest pause of the log", "time", 30.0),
    # of a needed channel; single ones happen in any log
    "faults": ("Readings that no working sensor gives", "count", 3.0),
    "start-stop": ("Engine off in between", "count", 0.0), "cross-checks": ("Flagged cross checks", "count", 0.0),
    "units": ("Temperatures in another unit", "count", 0.0), "one-drive": ("Same drive as other runs", "count", 0.0),
}  # fmt: skip
ENTERED = ("units", "one-drive")  # criteria that the entry fails, not the run
_NO_AMBIENT = "Without it there is nothing to compare the intake with: record the weather of this run."
_ONE_VALUE = "read one value over the whole run, as a sensor that is not connected would."

Verdict = Literal["accept", "accept with limitation", "repeat the run", "correct the entry", "unreadable"]
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
    hard: bool  # failing means to repeat the run, or to correct its entry
    outcome: Outcome
    reason: str  # why it fails or is not known
    complete: bool = False  # the reason is the whole sentence


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
    # The run in equal bins from its first to its last row: `width` [s], mean of the valid samples of `speed` [km/h] and
    # `iat` [°C], share of each bin without a valid one, 0 to 1 (`missing`)
    timeline: dict[str, Any] | None = None
    schema: int = 1

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


def proposed(proposals: Sequence[Proposal]) -> dict[str, str]:
    """Return the proposals that this look uses: the certain ones, and doubtful ones for what a look cannot do without."""
    used = (p for p in proposals if p.certain or (p.channel in NEEDED and p.confidence >= _LEAST_CONFIDENCE))
    return {p.header: f"{p.channel} [{p.unit}]" for p in used if p.unit is not None}


def suspect_airflow(logs: Sequence[RawLog], proposals: Sequence[Proposal]) -> CrossCheck | None:
    """Judge an airflow whose label is a volume, which no mapping takes, as that says; None where there is none."""
    column = next((logs[0].column(p.header) for p in proposals if p.channel == "maf" and p.unit is None), None)
    factor = None if column is None else _VOLUME_AIRFLOW.get((column.unit or "").lower().replace(" ", ""))
    if column is None or factor is None:
        return None
    taken = replace(column, values=column.values * factor, unit="g/s")
    log = replace(logs[0], columns=tuple(taken if c is column else c for c in logs[0].columns))
    run = clean(map_run("airflow", [log], {**proposed(proposals), column.header: "maf [g/s]"}))
    return next(c for c in cross_checks(run, columns={"maf": ("", "l/s")}) if c.name == "airflow-unit")


def describe_columns(
    proposals: Sequence[Proposal], mapping: Mapping[str, str] | None, *, table: bool
) -> tuple[tuple[dict[str, Any], ...], str]:
    """Return the proposals, and TOML, with `table` a whole one, for those that the campaign's `mapping` lacks."""
    headers = {header.lower() for header in mapping or {}}
    channels = {target.partition("[")[0].strip() for target in (mapping or {}).values()}
    columns, rest = [], []
    for p in proposals:
        mapped = p.header.lower() in headers or p.channel in channels
        columns.append({**vars(p), "certain": p.certain, "mapped": mapped, "reason": said(p.reason, "si")})
        rest += [] if mapped else [p]
    text = format_mapping(rest) if rest else ""
    return tuple(columns), text if table else text.partition("\n")[2]


def describe_channels(run: CleanRun, mapping: Mapping[str, str]) -> tuple[ChannelCheck, ...]:
    """Return one line per channel, those that the comparison rests on first."""
    read = mapped_columns(mapping)
    order = [*NEEDED, "ambient", "gps_speed", "rpm", "coolant"]
    names = sorted((str(n) for n in run.frame.columns), key=lambda n: order.index(n) if n in order else len(order))
    return tuple(_channel(run, name, *read.get(name, ("", ""))) for name in names)


def _channel(run: CleanRun, name: str, header: str, unit: str) -> ChannelCheck:
    entry, sampling = CHANNELS[name], run.sampling[name]
    good = run.good(name).to_numpy(dtype=np.float64)
    internal = QUANTITIES[entry.quantity].internal
    low, high = (float(good.min()), float(good.max())) if good.size else (None, None)
    return ChannelCheck(
        name, entry.label, entry.quantity, unit_label(internal), unit or internal, header, finite(sampling.interval),
        int(sampling.samples), low, high, finite(sampling.step), missing_share(run, name),
        bad=int(run.masks[name].to_numpy().sum()),
    )  # fmt: skip


def missing_share(run: CleanRun, name: str) -> float:
    """Return the share of the run's duration that is farther than the channel's limit from being sampled (0 to 1)."""
    good, whole, index = run.good(name), duration_of(run), run.frame.index
    if good.empty or whole <= 0.0:
        return float(good.empty)
    pauses = np.diff([index[0], *good.index, index[-1]])
    return min(float(pauses[pauses > run.gap_limit(name)].sum()) / whole, 1.0)


def duration_of(run: CleanRun) -> float:
    """Return the time from first to last row [s]."""
    index = run.frame.index
    return float(index[-1] - index[0]) if len(index) else 0.0


def timeline(run: CleanRun) -> dict[str, Any] | None:
    """Return speed, intake air temperature and what is missing in equal bins; None for a run without duration."""
    whole = duration_of(run)
    if whole <= 0.0:
        return None
    edges = float(run.frame.index[0]) + np.linspace(0.0, whole, _BINS + 1)
    fine = edges[0] + (np.arange(_BINS * _POINTS) + 0.5) * whole / (_BINS * _POINTS)
    absent = np.logical_or.reduce([np.isnan(run.at(name, fine)) for name in NEEDED])
    line: dict[str, Any] = {"width": whole / _BINS}
    for name in reversed(NEEDED):
        time, values = run.samples(name)
        which = np.clip(np.searchsorted(edges, time, side="right") - 1, 0, _BINS - 1)
        count, total = np.bincount(which, minlength=_BINS), np.bincount(which, weights=values, minlength=_BINS)
        between = run.at(name, (edges[:-1] + edges[1:]) / 2.0)  # the samples of a slow channel: the line through them
        line[name] = tuple(map(finite, np.where(count > 0, total / np.maximum(count, 1), between)))
    return line | {"missing": tuple(absent.reshape(_BINS, _POINTS).mean(axis=1).tolist())}


def soak_check_text(run: CleanRun, start: str | None) -> str:
    """Return a soak check to paste where the log begins soaked: engine cold, all temperatures steady and alike; "" where not."""
    begin = float(run.frame.index[0]) if len(run.frame) else 0.0
    readings = {}
    for name in _SOAKED:
        first = run.good(name).loc[begin : begin + _STEADY].to_numpy(dtype=np.float64)
        step = run.sampling[name].step or 1.0 if name in run.sampling else 1.0
        if not first.size or np.ptp(first) > 0.01 * step or first[0] > _COLD:
            return ""
        readings[name] = float(first[0]), step
    levels, steps = zip(*readings.values(), strict=True)
    if max(levels) - min(levels) > 1.01 * max(steps):  # rounded or cut off: a step apart at most
        return ""
    when = f"time = {start}" if start else "# time = when the log began, with its date and zone"
    shown = ", ".join(f'{name} = "{level:.4g} degC"' for name, (level, _) in readings.items())
    lines = (
        "[[soak_check]]", f'id = "soak-{run.run}"', when, 'stood = "8 h"  # correct it: how long, engine off',
        f"readings = {{ {shown} }}", '# reference = "… degC"', '# reference_uncertainty = "0.2 degC"',
    )  # fmt: skip
    return "\n".join(lines)


def log_criteria(
    run: CleanRun, cross_checks: Sequence[Mapping[str, Any]], ambient_elsewhere: bool, units: UnitSystem
) -> list[CriterionCheck]:
    """Apply the criteria of the log itself; `ambient_elsewhere` where the campaign has ambient from another source."""
    valid = {name: 1.0 - missing_share(run, name) for name in (*NEEDED, "ambient")}
    if ambient_elsewhere:
        valid["ambient"] = 1.0
    absent = "" if valid["ambient"] else "The log has no ambient temperature. "
    constant = [q.channel for q in run.quality if q.step == "constant" and q.channel in NEEDED]
    clock = [said(q.reason, units).rstrip(".") for q in run.quality if q.step in _DOUBTFUL_CLOCK]
    flags = [c for c in cross_checks if c["status"] == "flagged" and not known_behaviour(c)]
    unit = [c["evidence"] for c in flags if c["name"] == TEMPERATURE_UNIT]
    flagged = [c["evidence"].rstrip(".") for c in flags if c["name"] != TEMPERATURE_UNIT]
    gap = next((q.reason for q in run.quality if q.step == "gap"), None)
    longest = gap.value("longest") if gap is not None else None
    pauses = "" if gap is None else f"The log pauses: {said(gap, units)}."
    faults = [q for q in run.quality if q.step in _FAULTS and q.channel in NEEDED]
    noisy = [q for q in run.quality if q.step == "rate-not-applied" and q.channel in NEEDED]
    faulty = [f"{q.channel} {q.step.replace('-', ' ')} {q.touched}" for q in faults]
    faulty += [f"{q.channel} {said(q.reason, units)}" for q in noisy]
    steps = [n for q in noisy if isinstance(n := q.reason.value("n"), int)]
    engine = [said(message("{reason:upper}", reason=q.reason), units) for q in run.quality if q.step == "start-stop"]
    standing = any(q.step == "engine-off-unknown" for q in run.quality)  # such readings are not told apart
    interval = finite(run.sampling["iat"].interval) if "iat" in run.sampling else None
    values: dict[str, tuple[float | None, str]] = {
        "valid-iat": (valid["iat"], _kept_out(run, "iat")),
        "valid-speed": (valid["speed"], _kept_out(run, "speed")),
        "valid-ambient": (valid["ambient"], f"{absent}{_NO_AMBIENT}"),
        "constant": (len(constant), f"{' and '.join(constant)} {_ONE_VALUE}"),
        "interval": (interval, "Recovery is resolved no better than this: poll fewer channels."),
        "duration": (duration_of(run), "The log ends before a drive can have taken place."),
        "driven": (_driven(run), "By its speed the vehicle hardly moved."),
        "clock": (len(clock), f"{'; '.join(clock)}."),
        "pauses": (sum(q.touched for q in run.quality if q.step == "gap"), pauses),
        "longest-pause": (longest.number if isinstance(longest, Value) else 0.0, pauses),
        "faults": (sum(q.touched for q in faults) + sum(steps), f"{'; '.join(faulty)}."),
        "start-stop": (None if standing else len(engine), "no engine speed" if standing else f"{' '.join(engine)}."),
        "cross-checks": (len(flagged), f"Cross check: {'; '.join(flagged)}."),
        "units": (len(unit), f"{'; '.join(unit)}. {RIGHT_UNIT}"),
    }
    hard = {*ENTERED, "constant", "duration", "driven", *(f"valid-{n}" for n in NEEDED if valid[n] < _LEAST_USABLE)}
    whole = {*ENTERED, "constant", "clock", "cross-checks", "pauses", "longest-pause", "start-stop", "over-ambient"}
    whole |= {f"valid-{n}" for n in valid if valid[n] == 0.0}
    times, iat = run.samples("iat")
    warmest = finite(np.nanmax(iat - run.at("ambient", times), initial=-np.inf))
    if warmest is not None:
        why = "An intake does not cool its air: look at the units of intake air and ambient under [log.columns]."
        values["over-ambient"] = (warmest, why)
    return [own_criterion(code, value, why, code in hard, code in whole) for code, (value, why) in values.items()]


def own_criterion(code: str, value: float | None, failed: str, hard: bool, whole: bool) -> CriterionCheck:
    """Return a criterion of the log itself with its outcome; `failed`: the reason where it is not met."""
    title, quantity, limit = _OWN[code]
    sense: Literal["at least", "at most"] = "at most" if quantity in ("count", "time") else "at least"
    outcome: Outcome = "unknown"
    if value is not None:
        outcome = "pass" if (value >= limit if sense == "at least" else value <= limit) else "fail"
    reason = {"pass": "", "fail": failed, "unknown": failed if code == "start-stop" else "too few samples"}[outcome]
    value = finite(value)
    return CriterionCheck(code, title, "log", quantity, sense, limit, value, None, "", hard, outcome, reason, whole)


def _kept_out(run: CleanRun, name: str) -> str:
    """Return why a needed channel is not valid throughout, as far as samples were masked."""
    if name not in run.frame.columns or run.sampling[name].samples == 0:
        return f"The log has no {CHANNELS[name].label.lower()}."
    bad = int(run.masks[name].to_numpy().sum())
    steps = dict.fromkeys(q.step for q in run.quality if q.channel == name and q.touched and q.step not in DESCRIBES)
    return f"{bad} of {run.sampling[name].samples} samples are kept out ({', '.join(steps)})." if bad else ""


def _driven(run: CleanRun) -> float | None:
    time, speed = run.samples("speed")
    pauses = np.diff(time)
    metres = (speed[1:] + speed[:-1]) / 2.0 / 3.6 * pauses
    return float(metres[pauses <= run.gap_limit("speed")].sum()) if pauses.size else None


def known_behaviour(check: Mapping[str, Any]) -> bool:
    """Tell whether a flagged ambient sensor only reads high at rest, as all do: readings at rest are not used."""
    level = check["numbers"].get("at_speed_K")
    return check["name"] == "ambient-against-record" and level is not None and abs(level) <= _AMBIENT_AGREES
