"""What the check of one log says, as plain frozen values that become JSON."""

from __future__ import annotations

import dataclasses
import json
import math
from dataclasses import dataclass
from typing import Any, Literal

SCHEMA = 1

Verdict = Literal["accept", "accept with limitation", "repeat the run", "unreadable"]
Outcome = Literal["pass", "fail", "unknown"]


@dataclass(frozen=True)
class ChannelCheck:
    """One channel of the log, in internal units.

    Parameters
    ----------
    channel, label, quantity, unit : str
        Name, what a reader sees, key of `units.QUANTITIES`, internal unit as printed.
    header : str
        Column that it was read from; empty where several parts name it differently.
    interval : float or None
        True sampling interval, the median time between true samples [s]; None with fewer than two.
    samples : int
        True samples.
    low, high, step : float or None
        Range of the valid samples and quantisation step [unit]; None where there is none.
    missing : float
        Share of the log's duration without a valid sample, pauses within the channel's limit not counted (0 to 1).
    bad : int
        Samples masked as faulty.
    """

    channel: str
    label: str
    quantity: str
    unit: str
    header: str
    interval: float | None
    samples: int
    low: float | None
    high: float | None
    step: float | None
    missing: float
    bad: int


@dataclass(frozen=True)
class CriterionCheck:
    """One acceptance criterion.

    Parameters
    ----------
    code, title : str
        Identity and title; those of group "log" need no campaign.
    group : {"log", "route", "alike"}
        About the log itself, about its pass of the route, or about its difference from the campaign's other runs.
    quantity : str
        Key of `units.QUANTITIES` for limit and value, or "share", "count", "acceleration", "hours".
    sense : {"at least", "at most"}
        On which side of the limit a value passes.
    limit, value : float, float or None
        Internal unit; the value is None where it cannot be known.
    own, own_quantity : float or None, str
        The run's own value where `value` is a difference.
    hard : bool
        Whether failing means to repeat the run.
    outcome : {"pass", "fail", "unknown"}
        Unknown is neither.
    reason : str
        Why it fails or is not known; empty otherwise. Where `complete`, it is the whole sentence.
    """

    code: str
    title: str
    group: Literal["log", "route", "alike"]
    quantity: str
    sense: Literal["at least", "at most"]
    limit: float
    value: float | None
    own: float | None
    own_quantity: str
    hard: bool
    outcome: Outcome
    reason: str
    complete: bool = False


@dataclass(frozen=True)
class PairCheck:
    """One criterion between this run and another of the campaign; quantities as in `CriterionCheck`."""

    code: str
    other: str
    quantity: str
    limit: float
    value: float | None
    outcome: Outcome


@dataclass(frozen=True)
class Timeline:
    """The run in equal bins of `width` [s] from its first to its last row.

    `speed` [km/h] and `iat` [°C] are means of the valid samples in the bin, None where there is none; `missing` is the
    share of the bin without a valid speed or intake air temperature, 0 to 1.
    """

    width: float
    speed: tuple[float | None, ...]
    iat: tuple[float | None, ...]
    missing: tuple[float, ...]


@dataclass(frozen=True)
class PhaseTime:
    """Passage through a phase of the route (elapsed s)."""

    phase: str
    start: float
    end: float
    complete: bool


@dataclass(frozen=True)
class DriveCheck:
    """The run on the campaign's route.

    `distance` from its first to its last place on the route [m]; `coverage` the share of the route, 0 to 1; number of
    `stops` and how long they lasted together, `stopped` [s]; `highway_entry` [elapsed s].
    """

    distance: float | None
    coverage: float
    stops: int
    stopped: float
    highway_entry: float | None
    phases: tuple[PhaseTime, ...]


@dataclass(frozen=True)
class LogCheck:
    """Everything that the check of one log, or of the parts of one run, says.

    Parameters
    ----------
    files : tuple of str
        The log, or the parts of the run, as given.
    verdict : Verdict
        "unreadable" where the log could not be read or no intake air temperature and speed were found in it.
    reasons, limitations, notes : tuple of str
        Why the verdict is what it is; what a comparison with this run cannot show; what else to know.
    compared : tuple of str
        Runs of the campaign that it was compared with.
    format, rows : str, int
        Name of the reader, empty when unreadable; rows of all parts.
    start, duration : str or None, float or None
        ISO 8601 with offset; from first to last row [s].
    units : {"si", "us"}
        In which the texts are written; all numbers are in internal units.
    campaign, run, configuration, block : str or None
        What it was judged as; `run` is None for a candidate.
    found_by : str
        How the run was told: "file", "name", "option", "candidate", or "" without a campaign.
    mapping_from : str
        "campaign", "proposal" (for this look only) or "".
    mapping_text : str
        The proposal as TOML to paste: a table [log.columns] of its own, or lines for the one that the campaign has;
        empty where the campaign's mapping is complete.
    columns, quality, cross_checks : tuple of dict
        Proposed columns (never applied to a campaign), with whether the campaign has them `mapped`; the quality log,
        with what is a `fault` told from what only describes the log; cross checks.
    drive : DriveCheck or None
        None without a campaign, or where the run could not be put on the route.
    """

    files: tuple[str, ...]
    verdict: Verdict
    reasons: tuple[str, ...] = ()
    limitations: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    compared: tuple[str, ...] = ()
    format: str = ""
    rows: int = 0
    start: str | None = None
    duration: float | None = None
    units: Literal["si", "us"] = "si"
    campaign: str | None = None
    run: str | None = None
    configuration: str | None = None
    block: str | None = None
    found_by: str = ""
    mapping_from: str = ""
    mapping_text: str = ""
    columns: tuple[dict[str, Any], ...] = ()
    channels: tuple[ChannelCheck, ...] = ()
    quality: tuple[dict[str, Any], ...] = ()
    cross_checks: tuple[dict[str, Any], ...] = ()
    criteria: tuple[CriterionCheck, ...] = ()
    pairs: tuple[PairCheck, ...] = ()
    drive: DriveCheck | None = None
    timeline: Timeline | None = None
    schema: int = SCHEMA

    @property
    def accepted(self) -> bool:
        """Whether the run need not be repeated."""
        return self.verdict in ("accept", "accept with limitation")


def to_json(check: LogCheck) -> str:
    """Return one line of JSON; keys are the fields of `LogCheck`.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    return json.dumps(dataclasses.asdict(check), ensure_ascii=False, allow_nan=False)


def finite(value: object) -> float | None:
    """Return a number as a float, None where it is none or not finite."""
    if not isinstance(value, int | float) and not hasattr(value, "item"):
        return None
    number = float(value)  # type: ignore[arg-type]
    return number if math.isfinite(number) else None
