"""Offsets of the temperature channels: what soak checks say of them, and what the way of rounding leaves where none does."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from intake_report.analyse.inputs import Drive, declared_resolution, read_options
from intake_report.campaign import Campaign, InstrumentChannel, SoakCheck
from intake_report.channels import CHANNELS
from intake_report.clean import CleanRun, clean
from intake_report.errors import CampaignError, DataError
from intake_report.loaders import load_run
from intake_report.messages import Count, Listing, Message, Value, message
from intake_report.metrics.series import Floats
from intake_report.results.evidence import EvidenceNotice
from intake_report.units import parse_quantity

ZEROED = ("iat", "ambient")  # channels that are corrected; others only help to tell whether the engine was cold
REFERENCE = "reference"  # channel of the thermometer beside the sensors
ASSUMED_STEP = 1.0  # K; of a channel whose step is neither found nor declared
NORMAL_95 = 1.959964  # standard deviations of a 95 % limit of a normal distribution
# Limits assumed where the campaign declares none; this package's assumptions, stated in the report.
ASSUMED_ACCURACY = 2.5  # K; about what published resistance bands of such sensors give at 25 °C
# How much warmer than the air a sensor may still be: the engine's 70 K fade with a time constant of 2 h, and the air
# beside the intake keeps a tenth of what is left (this package's assumptions; common practice asks for a whole night).
WARM, FADING, SHARE = 70.0, 7200.0, {"iat": 0.1, "ambient": 0.1}
LATE = 60.0  # s that a sensor in still air may lag behind the reference while both drift (assumed)

CANDIDATES, ROWS = 60_000, 4_000  # draws that are weighed, and rows that are kept of them
LEAST_WEIGHT = 30.0  # candidates that have to agree with every reading, or the checks contradict each other

DELTA = "temperature_difference"
Mode = Literal["nearest", "down", "up", "unknown"]
SHIFT: dict[Mode, float] = {"nearest": 0.0, "down": 0.5, "up": -0.5, "unknown": 0.25}
"""What is added to a reading, in steps; a mode that is not known counts with its expectation, half rounded, half cut off."""


@dataclass(frozen=True)
class Sight:
    """What one soak check says of one channel: offset plus air temperature lies within `half` of `level` [K, °C]."""

    channel: str
    level: float  # less the reference where there is one
    half: float
    drift: float = 0.0  # rate of the air [K/s] where a step was timed


@dataclass(frozen=True)
class Stand:
    """One soak check."""

    sights: tuple[Sight, ...]
    reference: float | None  # its standard uncertainty [K]; None without one
    warm: float  # excess of the engine at most [K]


@dataclass(frozen=True, eq=False)
class Zeroing:
    """Corrections of the temperature channels after soak checks."""

    # by channel with a soak check, (n,): joint draws of what is to be added to a reading [K], the way of rounding included
    rows: Mapping[str, Floats] = field(default_factory=dict)
    notices: tuple[EvidenceNotice, ...] = ()
    air: tuple[float, float] | None = None  # range of air temperatures of the checks [°C]

    def u(self, channel: str) -> float | None:
        """Return the standard uncertainty of the correction of a channel [K]; None without one."""
        return float(np.std(self.rows[channel])) if channel in self.rows else None

    def correction(self, campaign: Campaign, channel: str, step: float | None) -> float:
        """Return what is to be added to the readings of a channel [K]."""
        if channel in self.rows:
            return float(np.mean(self.rows[channel]))
        return 0.0 if step is None else SHIFT[rounding_mode(campaign, channel)] * step


NOT_ZEROED = Zeroing()


def rounding_mode(campaign: Campaign, channel: str) -> Mode:
    """Return how the control unit rounds: as declared for the channel, else for the other one that it sends."""
    declared = (campaign.instrument.channels.get(name) for name in (channel, *ZEROED))
    return next((own.rounding for own in declared if own is not None and own.rounding != "unknown"), "unknown")


def channel_step(campaign: Campaign, run: CleanRun, channel: str) -> float | None:
    """Return the step of a reading [K]: the one found in the data, else the declared one."""
    found = run.sampling[channel].step if channel in run.sampling else None
    return found if found is not None else declared_resolution(campaign).get(channel)


def find_zeroing(campaign: Campaign, drives: tuple[Drive, ...]) -> Zeroing:
    """Return what the soak checks of a campaign say of the offsets of its sensors; errors as of `look_at`.

    Own method (JCGM 101:2008, 6.2 and 7). Where the edges of a reading lie is all that an offset and a way of rounding do, so
    one number per channel is looked for, with no prior where a reference was read and with the declared accuracy and rounding
    where not. Candidates are drawn for the error of the reference (one thermometer: the same in all checks), the warmth that
    is left and the lag while drifting; every reading leaves an interval of its width to each offset, and a candidate weighs
    what the intervals leave.
    """
    if not campaign.soak_checks:
        return NOT_ZEROED

    def step_of(channel: str) -> float:
        known = [step for drive in drives if (step := channel_step(campaign, drive.clean, channel)) is not None]
        return float(np.median(known)) if known else ASSUMED_STEP

    looked = [look_at(campaign, number, step_of) for number in range(len(campaign.soak_checks))]
    stands, air = tuple(stand for stand, _ in looked), [temperature for _, temperature in looked]
    offsets = draw_offsets(campaign, stands, step_of, np.random.default_rng([campaign.metrics.seed, 2]))
    source = ", ".join(check.id for check in campaign.soak_checks)
    if offsets is None:
        return Zeroing(notices=(EvidenceNotice(source, "soak-check-contradicts", _contradiction(stands)),))
    rows = {name: -values for name, values in offsets.items() if name in ZEROED}
    notices = [_applied(name, values, len(stands)) for name, values in rows.items()]
    beyond = (_beyond(campaign, name, values, step_of(name)) for name, values in offsets.items())
    notices += [text for text in beyond if text is not None]
    return Zeroing(rows, tuple(EvidenceNotice(source, text.code, text) for text in notices), (min(air), max(air)))


def _contradiction(stands: tuple[Stand, ...]) -> Message:
    """Say that no offset explains the checks, with the levels of the one whose channels lie furthest apart."""
    widest = max(stands, key=lambda stand: np.ptp([sight.level for sight in stand.sights]))
    quantity = DELTA if widest.reference else "temperature"
    levels = [(CHANNELS[s.channel].label.lower(), Value(s.level, quantity, 1)) for s in widest.sights]
    return message(
        "The soak checks contradict each other by more than steps, reference and warmth left explain ({levels}): no offset "
        "is taken from them, the declared accuracy counts.",
        levels=Listing(tuple(message("{name} {level}", name=name, level=level) for name, level in levels)),
    )


def _applied(channel: str, rows: Floats, checks: int) -> Message:
    return message(
        "{label}: {shift} is added to the readings after {checks}, rounding included, with a standard uncertainty of {u}, in place "
        "of the declared accuracy.",
        code="soak-check-applied", label=CHANNELS[channel].label, checks=Count(checks, "soak check"),
        shift=Value(float(np.mean(rows)), DELTA, 2, signed=True), u=Value(float(np.std(rows)), DELTA, 2),
    )  # fmt: skip


def _accuracy(declared: InstrumentChannel) -> float:
    return parse_quantity(declared.accuracy, DELTA) if declared.accuracy else ASSUMED_ACCURACY


def _beyond(campaign: Campaign, channel: str, offsets: Floats, step: float) -> Message | None:
    """Say that a channel reads further from the others, or the reference, than its accuracy explains; None where not."""
    declared = campaign.instrument.channels.get(channel, InstrumentChannel())
    limit, mode = _accuracy(declared), rounding_mode(campaign, channel)
    ways = (0.0, 0.5) if mode == "unknown" else (SHIFT[mode],)
    low, high = np.quantile(offsets, [0.025, 0.975])
    if low + max(ways) * step <= limit and high + min(ways) * step >= -limit:
        return None
    return message(
        "{label} reads {offset} off after the stand, more than its accuracy of ± {limit} ({known}) and its steps explain: the "
        "sensor is out of its tolerance, or the vehicle was not cold.",
        code="soak-check-disagrees", label=CHANNELS[channel].label, limit=Value(limit, DELTA, 1),
        offset=Value(float(np.mean(offsets)), DELTA, 1, signed=True), known="declared" if declared.accuracy else "assumed",
    )  # fmt: skip


def look_at(campaign: Campaign, number: int, step_of: Callable[[str], float] | None = None) -> tuple[Stand, float]:
    """Return one soak check, counted from 0, and the temperature of the air [°C]; steps of readings as declared.

    CampaignError or DataError if its log cannot be used.
    """
    declared, check = declared_resolution(campaign), campaign.soak_checks[number]
    step_of = step_of or (lambda channel: declared.get(channel, ASSUMED_STEP))
    warm = WARM * float(np.exp(-check.stood / FADING))
    if check.file:
        return _look_at_log(campaign, check, number, warm, step_of)
    air = check.reference or 0.0
    sights = tuple(Sight(name, read - air, 0.5 * step_of(name)) for name, read in check.readings.items())
    if check.reference is None:
        return Stand(sights, None, warm), float(np.median(list(check.readings.values())))
    return Stand(sights, check.reference_uncertainty, warm), check.reference


def _look_at_log(
    campaign: Campaign, check: SoakCheck, number: int, warm: float, step_of: Callable[[str], float]
) -> tuple[Stand, float]:
    log, where, path = campaign.log_of(check), f"soak_check[{number + 1}]", campaign.folder / (check.file or "")
    loaded = load_run(check.id, [path], log.columns, read_options(campaign, log), start=check.time)
    run = clean(loaded, declared_resolution(campaign))
    names = [name for name in (*ZEROED, "coolant") if run.has(name)]
    time, air = run.samples(REFERENCE)
    if time.size and check.reference_uncertainty is None:
        what = "a reference is worth what is known of it: say its “reference_uncertainty”."
        raise CampaignError(what, file=campaign.given, where=where)
    if not time.size and check.reference is not None:
        time, air = np.zeros(1), np.array([check.reference])
    if not names or (len(names) == 1 and not time.size):
        what = "the log of the stand holds no two temperature channels, and none with a reference."
        raise DataError(what, file=path, remedy=f"Map its columns under [{where}.log.columns].")
    half = 0.5 * (run.sampling[REFERENCE].step or 0.0) if REFERENCE in run.sampling else 0.0
    sights = tuple(_sight(name, *run.samples(name), step_of(name), time, air, half) for name in names)
    if time.size:
        return Stand(sights, check.reference_uncertainty, warm), float(np.mean(air))
    return Stand(sights, None, warm), float(np.median([s.level for s in sights]))


def _sight(
    name: str, time: Floats, reading: Floats, step: float, reference_time: Floats, air: Floats, half: float
) -> Sight:
    """Return what a log tells of one channel: by the times of its steps where the reference is known, else by its level.

    `half` [K]: what a step of the reference leaves open. Where a reading flickers at an edge, the mean of the changes counts.
    """
    changed = np.flatnonzero(np.abs(np.diff(reading)) > 0.25 * step)
    if not reference_time.size:
        low, high = float(reading.min()), float(reading.max())
        return Sight(name, 0.5 * (low + high), 0.5 * step + 0.5 * (high - low))
    if not changed.size:
        beside = np.interp(time, reference_time, air)
        low, high = float(beside.min()), float(beside.max())
        left = max(0.5 * step - 0.5 * (high - low), 0.1 * step)
        return Sight(name, float(np.median(reading)) - 0.5 * (low + high), left)
    slope = float(np.polyfit(reference_time - reference_time[0], air, 1)[0]) if reference_time.size > 2 else 0.0
    at = 0.5 * (time[changed] + time[changed + 1])
    levels = 0.5 * (reading[changed] + reading[changed + 1]) - np.interp(at, reference_time, air)
    pause = float(np.mean(time[changed + 1] - time[changed]))
    return Sight(name, float(np.mean(levels)), half + 0.5 * abs(slope) * pause, slope)


def draw_offsets(
    campaign: Campaign, stands: tuple[Stand, ...], step_of: Callable[[str], float], rng: np.random.Generator
) -> dict[str, Floats] | None:
    """Return joint draws of what each channel reads too high [K], the way of rounding included; None if none fits."""
    n = CANDIDATES
    weights, common = np.ones(n), rng.standard_normal(n)
    warm = [stand.warm * rng.uniform(size=n) for stand in stands]
    late = rng.uniform(0.0, LATE, n)
    cut = np.where(rng.uniform(size=n) < 0.5, 0.5, 0.0)
    sights = [(sight, stand, left) for stand, left in zip(stands, warm, strict=True) for sight in stand.sights]
    offsets: dict[str, Floats] = {}
    for name in sorted({sight.channel for sight, _, _ in sights}):
        low, high = np.full(n, -np.inf), np.full(n, np.inf)
        for sight, stand, left in sights:
            if sight.channel == name and stand.reference is not None:
                middle = sight.level - stand.reference * common - SHARE.get(name, 1.0) * left + sight.drift * late
                low, high = np.maximum(low, middle - sight.half), np.minimum(high, middle + sight.half)
        if np.isfinite(low).all():
            width = np.clip(high - low, 0.0, None)
            weights *= width
            offsets[name] = low + width * rng.uniform(size=n)
        else:
            offsets[name] = _declared_offset(campaign, name, step_of(name), cut, rng)
    for stand, left in zip(stands, warm, strict=True):
        if stand.reference is None:  # air that nobody measured: all channels have to leave it a temperature
            middles = [(s.level - offsets[s.channel] - SHARE.get(s.channel, 1.0) * left, s.half) for s in stand.sights]
            low = np.max([middle - half for middle, half in middles], axis=0)
            high = np.min([middle + half for middle, half in middles], axis=0)
            weights *= np.clip(high - low, 0.0, None)
    if not weights.any() or weights.sum() ** 2 < LEAST_WEIGHT * float(weights @ weights):
        return None
    places = (np.arange(ROWS) + rng.uniform()) / ROWS
    rows = rng.permutation(np.minimum(np.searchsorted(np.cumsum(weights) / weights.sum(), places), n - 1))
    return {name: values[rows] for name, values in offsets.items()}


def _declared_offset(campaign: Campaign, channel: str, step: float, cut: Floats, rng: np.random.Generator) -> Floats:
    """Return draws of a channel's offset from what is declared, or assumed, of its accuracy; `cut`: steps, where not known."""
    declared = campaign.instrument.channels.get(channel, InstrumentChannel())
    half, mode = _accuracy(declared), rounding_mode(campaign, channel)
    normal = declared.accuracy_distribution == "normal"
    bias = rng.normal(0.0, half / NORMAL_95, cut.size) if normal else rng.uniform(-half, half, cut.size)
    return np.asarray(bias - (cut if mode == "unknown" else SHIFT[mode]) * step)
