"""A look at one log, or at the parts of one run: what it is, its channels, its faults, its own criteria.

Needs no campaign. Limits are choices of this package.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from intake_report.channels import CHANNELS
from intake_report.check.model import NEEDED, ChannelCheck, CriterionCheck, Outcome, duration_of, finite
from intake_report.clean import CleanRun, CrossCheck, clean, cross_checks
from intake_report.loaders import Proposal, RawLog, format_mapping, map_run
from intake_report.messages import Value, message, said
from intake_report.units import QUANTITIES, UnitSystem, unit_label

# Entries that describe the log; all others touched or question data.
DESCRIBES = frozenset(
    {
        "true-samples", "resolution", "interpolated", "doubly-encoded", "date-elsewhere", "time-zone-assumed",
        "epoch-time", "encoding-found", "date-order", "midnight", "track-joined", "unit-stated",
        "text-columns", "no-header", "parts-without-clock", "rate-not-applied", "engine-off-unknown",
    }
)  # fmt: skip
_VOLUME_AIRFLOW = {"l/s": 1.2}  # g/s per unit, at 1.2 kg/m³ as in the cross check of the airflow's unit
LEAST_CONFIDENCE = 0.3  # the words fit while most values do not, as with a sensor that is not connected
LEAST_VALID = 0.9  # share of the run with a valid sample: below it a limitation
LEAST_USABLE = 0.5  # ... and below this the run is of no use
LEAST_DURATION = 60.0  # s
LEAST_DRIVEN = 500.0  # m
SLOWEST_IAT = 5.05  # s between readings; slower ones blur a recovery of a minute or two, and 5 s may come a little late
AMBIENT_AGREES = 3.0  # K at speed, as in the cross check
COLDER = 2.0  # K by which the warmest intake air may read below ambient; two steps of a usual reading
MOST_PAUSES = 5.0  # of the rows; a phone that records loses some seconds now and then (choice of this package)
LONGEST_PAUSE = 30.0  # s; twice what intake temperature is interpolated over: a stop, a launch or an entry may be lost
MOST_FAULTS = 3.0  # readings of a needed channel that no working sensor gives; single ones happen in any log
SOAKED = ("iat", "ambient", "coolant")  # channels that agree after a night's stand (common practice)
STEADY = 15.0  # s at the beginning in which they must not change
COLD = 45.0  # °C; no engine that ran a moment ago is below it (choice of this package)
_FAULTS = ("impossible-rate", "spike", "stuck")  # codes and implausible values count in the valid share
_DOUBTFUL_CLOCK = ("rows-out-of-order", "coarse-clock")


@dataclass(frozen=True)
class SeenLog:
    """A log that was read, mapped and cleaned."""

    run: CleanRun
    mapping: Mapping[str, str]

    @property
    def airflow_label(self) -> str:
        """Unit that the mapping gives the airflow."""
        return next((t.partition("[")[2].rstrip("] ") for t in self.mapping.values() if t.startswith("maf")), "g/s")


def proposed(proposals: Sequence[Proposal]) -> dict[str, str]:
    """Return the proposals that this look uses: the certain ones, and doubtful ones for what a look cannot do without."""
    return {
        p.header: f"{p.channel} [{p.unit}]"
        for p in proposals
        if p.unit is not None and (p.certain or (p.channel in NEEDED and p.confidence >= LEAST_CONFIDENCE))
    }


def suspect_airflow(logs: Sequence[RawLog], proposals: Sequence[Proposal]) -> CrossCheck | None:
    """Judge an airflow whose label is a volume, which no mapping takes; None where there is none.

    The column is read as its label says, at 1.2 kg/m³, together with the certain columns.
    """
    doubtful = next((p for p in proposals if p.channel == "maf" and p.unit is None), None)
    if doubtful is None:
        return None
    column = logs[0].column(doubtful.header)
    factor = _VOLUME_AIRFLOW.get((column.unit or "").lower().replace(" ", ""))
    if factor is None:
        return None
    taken = replace(column, values=column.values * factor, unit="g/s")
    log = replace(logs[0], columns=tuple(taken if c is column else c for c in logs[0].columns))
    run = clean(map_run("airflow", [log], {**proposed(proposals), column.header: "maf [g/s]"}))
    return next(c for c in cross_checks(run, airflow_label="l/s") if c.name == "airflow-unit")


def describe_columns(
    proposals: Sequence[Proposal], mapping: Mapping[str, str] | None, *, table: bool
) -> tuple[tuple[dict[str, Any], ...], str]:
    """Return the proposals, and TOML for those that `mapping`, that of the campaign, lacks.

    With `table` the line [log.columns] comes first; a campaign that has this table already must not get it twice.
    """
    headers = {header.lower() for header in mapping or {}}
    channels = {target.partition("[")[0].strip() for target in (mapping or {}).values()}
    columns, rest = [], []
    for p in proposals:
        mapped = p.header.lower() in headers or p.channel in channels
        columns.append({**vars(p), "certain": p.certain, "mapped": mapped, "reason": said(p.reason, "si")})
        rest += [] if mapped else [p]
    text = format_mapping(rest) if rest else ""
    return tuple(columns), text if table else text.partition("\n")[2]


def describe_channels(seen: SeenLog) -> tuple[ChannelCheck, ...]:
    """Return one line per channel, those that the comparison rests on first."""
    run = seen.run
    read = {}
    for header, target in seen.mapping.items():
        channel, _, unit = target.partition("[")
        read[channel.strip()] = header, unit.rstrip("] ")
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
    good = run.good(name)
    if good.empty:
        return 1.0
    whole = duration_of(run)
    if whole <= 0.0:
        return 0.0
    index = run.frame.index
    pauses = np.diff([index[0], *good.index, index[-1]])
    return min(float(pauses[pauses > run.gap_limit(name)].sum()) / whole, 1.0)


def describe_quality(run: CleanRun, units: UnitSystem) -> tuple[dict[str, Any], ...]:
    """Return the quality log, with what is a fault told from what only describes the log."""
    return tuple({**vars(q), "reason": said(q.reason, units), "fault": q.step not in DESCRIBES} for q in run.quality)


def describe_cross_checks(checks: Sequence[CrossCheck], units: UnitSystem) -> tuple[dict[str, Any], ...]:
    """Return cross checks as plain values; numbers that are not finite are left out."""
    numbers = [{name: number for name, number in c.numbers.items() if np.isfinite(number)} for c in checks]
    told = zip(checks, numbers, strict=True)
    return tuple({**vars(c), "numbers": own, "evidence": said(c.evidence, units)} for c, own in told)


def soak_check_text(run: CleanRun, start: str | None) -> str:
    """Return a soak check to paste where the log begins soaked: engine cold, all temperatures steady and alike; "" where not."""
    begin = float(run.frame.index[0]) if len(run.frame) else 0.0
    readings = {}
    for name in SOAKED:
        first = run.good(name).loc[begin : begin + STEADY].to_numpy(dtype=np.float64)
        step = run.sampling[name].step or 1.0 if name in run.sampling else 1.0
        if not first.size or np.ptp(first) > 0.01 * step or first[0] > COLD:
            return ""
        readings[name] = float(first[0]), step
    levels, steps = zip(*readings.values(), strict=True)
    if max(levels) - min(levels) > 1.01 * max(steps):  # rounded or cut off: a step apart at most
        return ""
    when = f"time = {start}" if start else "# time = when the log began, with its date and zone"
    shown = ", ".join(f'{name} = "{level:.4g} degC"' for name, (level, _) in readings.items())
    return "\n".join(
        (
            "[[soak_check]]", f'id = "soak-{run.run}"', when, 'stood = "8 h"  # correct it: how long, engine off',
            f"readings = {{ {shown} }}", '# reference = "… degC"', '# reference_uncertainty = "0.2 degC"',
        )
    )  # fmt: skip


# Title, quantity and limit of the criteria of the log itself: counts and times are at most that, the others at least.
_OWN: dict[str, tuple[str, str, float]] = {
    "valid-iat": ("Valid IAT", "share", LEAST_VALID), "valid-speed": ("Valid speed", "share", LEAST_VALID),
    "valid-ambient": ("Ambient known", "share", LEAST_VALID), "constant": ("Constant sensors", "count", 0.0),
    "over-ambient": ("Warmest intake air over ambient", "temperature_difference", -COLDER),
    "interval": ("Interval of IAT readings", "time", SLOWEST_IAT), "duration": ("Duration", "duration", LEAST_DURATION),
    "driven": ("Distance driven", "distance", LEAST_DRIVEN), "clock": ("Doubtful times", "count", 0.0),
    "pauses": ("Pauses of the log", "count", MOST_PAUSES),
    "longest-pause": ("Longest pause of the log", "time", LONGEST_PAUSE),
    "faults": ("Readings that no working sensor gives", "count", MOST_FAULTS),
    "start-stop": ("Engine off in between", "count", 0.0), "cross-checks": ("Flagged cross checks", "count", 0.0),
}  # fmt: skip

_NO_AMBIENT = "Without it there is nothing to compare the intake with: record the weather of this run."
_ONE_VALUE = "read one value over the whole run, as a sensor that is not connected would."


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
    flagged = [c["evidence"].rstrip(".") for c in cross_checks if c["status"] == "flagged" and not known_behaviour(c)]
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
    }
    hard = {"constant", "duration", "driven", *(f"valid-{n}" for n in NEEDED if valid[n] < LEAST_USABLE)}
    whole = {"constant", "clock", "cross-checks", "pauses", "longest-pause", "start-stop", "over-ambient"}
    whole |= {f"valid-{n}" for n in valid if valid[n] == 0.0}
    if (warmest := _over_ambient(run)) is not None:
        why = "An intake does not cool its air: look at the units of intake air and ambient under [log.columns]."
        values["over-ambient"] = (warmest, why)
    return [_own_criterion(code, value, why, code in hard, code in whole) for code, (value, why) in values.items()]


def _own_criterion(code: str, value: float | None, failed: str, hard: bool, whole: bool) -> CriterionCheck:
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


def _over_ambient(run: CleanRun) -> float | None:
    """Return the highest reading of intake air less the log's own ambient [K]; None without either."""
    times, iat = run.samples("iat")
    return finite(np.nanmax(iat - run.at("ambient", times), initial=-np.inf))


def _driven(run: CleanRun) -> float | None:
    time, speed = run.samples("speed")
    if time.size < 2:
        return None
    pauses = np.diff(time)
    metres = (speed[1:] + speed[:-1]) / 2.0 / 3.6 * pauses
    return float(metres[pauses <= run.gap_limit("speed")].sum())


def known_behaviour(check: Mapping[str, Any]) -> bool:
    """Tell whether a flagged ambient sensor only reads high at rest, as all do: readings at rest are not used."""
    level = check["numbers"].get("at_speed_K")
    return check["name"] == "ambient-against-record" and level is not None and abs(level) <= AMBIENT_AGREES
