"""What the check of one log says, as plain frozen values that become JSON; numbers are in internal units."""

from __future__ import annotations

import dataclasses
import json
import math
from dataclasses import dataclass
from typing import Any, Literal

from intake_report.units import UnitSystem

SCHEMA = 1

Verdict = Literal["accept", "accept with limitation", "repeat the run", "unreadable"]
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
    group: Literal[
        "log", "route", "alike"
    ]  # about the log itself, its pass of the route, its difference from the others
    quantity: str  # key of `units.QUANTITIES`, or "share", "count", "acceleration", "hours"
    sense: Literal["at least", "at most"]
    limit: float
    value: float | None  # what is judged; None where it cannot be known
    own: float | None  # the run's own value where `value` is a difference
    own_quantity: str
    hard: bool  # failing means to repeat the run
    outcome: Outcome
    reason: str  # why it fails or is not known
    complete: bool = False  # the reason is the whole sentence


@dataclass(frozen=True)
class PairCheck:
    """One criterion between this run and another of the campaign."""

    code: str
    other: str
    quantity: str
    limit: float
    value: float | None
    outcome: Outcome


@dataclass(frozen=True)
class Timeline:
    """The run in equal bins from its first to its last row."""

    width: float  # of a bin [s]
    speed: tuple[float | None, ...]  # mean of the valid samples in the bin [km/h]
    iat: tuple[float | None, ...]  # [°C]
    missing: tuple[float, ...]  # share of the bin without a valid speed or intake air temperature, 0 to 1


@dataclass(frozen=True)
class PhaseTime:
    """Passage through a phase of the route (elapsed s)."""

    phase: str
    start: float
    end: float
    complete: bool


@dataclass(frozen=True)
class DriveCheck:
    """The run on the campaign's route."""

    distance: float | None  # from its first to its last place on the route [m]
    coverage: float  # share of the route, 0 to 1
    stops: int
    stopped: float  # of all stops together [s]
    highway_entry: float | None  # [elapsed s]
    phases: tuple[PhaseTime, ...]


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
    pairs: tuple[PairCheck, ...] = ()
    drive: DriveCheck | None = None  # None without a campaign, or where the run could not be put on the route
    timeline: Timeline | None = None
    schema: int = SCHEMA

    @property
    def accepted(self) -> bool:
        """Whether the run need not be repeated."""
        return self.verdict in ("accept", "accept with limitation")


def to_json(check: LogCheck) -> str:
    """Return one line of JSON; keys are the fields of `LogCheck`. ValueError if a number is not finite."""
    return json.dumps(dataclasses.asdict(check), ensure_ascii=False, allow_nan=False)


def finite(value: object) -> float | None:
    """Return a number as a float, None where it is none or not finite."""
    if not isinstance(value, int | float) and not hasattr(value, "item"):
        return None
    number = float(value)  # type: ignore[arg-type]
    return number if math.isfinite(number) else None
