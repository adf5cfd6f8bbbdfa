"""Frozen result types: what the analysis found, JSON-able, without NaN."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from intake_report.results.evidence import Evidence
from intake_report.units import UnitSystem

Status = Literal["ok", "not reached", "not computed"]
ParameterKind = Literal["none", "margin", "phase", "limit"]
Better = Literal["lower", "higher", "neither"]


@dataclass(frozen=True)
class Parameter:
    """What turns a metric into one number: a margin, a phase, or a limit.

    Parameters
    ----------
    kind : {"none", "margin", "phase", "limit"}
        What it is.
    key : str
        Short text that makes the metric's key unique ("1.67K", "city").
    number : float or None
        Margin [K] or limit [°C].
    label : str
        Name of the phase.
    """

    kind: ParameterKind = "none"
    key: str = ""
    number: float | None = None
    label: str = ""


@dataclass(frozen=True)
class MetricSpec:
    """The one definition of a metric; every text about it derives from here.

    Parameters
    ----------
    id : str
        Name of the metric function.
    title : str
        Title; "{parameter}" stands for the margin, phase or limit.
    quantity : str
        Key of `units.QUANTITIES`.
    better : {"lower", "higher", "neither"}
        Direction that is better for the purpose.
    decimals : int
        Digits printed.
    definition : str
        One sentence.
    needs : tuple of str
        Channels without which it cannot be computed; "over-ambient" stands for IAT and an ambient reference.
    least : int
        Fewest true samples.
    source : str
        Where the definition comes from.
    words : tuple of str
        Verdict when the candidate is better, and when it is worse.
    parameter : {"none", "margin", "phase", "limit"}
        What it is evaluated for.
    headline : bool
        Whether the answer on the cover may quote it.
    """

    id: str
    title: str
    quantity: str
    better: Better
    decimals: int
    definition: str
    needs: tuple[str, ...]
    least: int
    source: str
    words: tuple[str, str]
    parameter: ParameterKind = "none"
    headline: bool = False


@dataclass(frozen=True)
class MetricKey:
    """One metric with its parameter: the subject of a table row, a figure axis, a claim."""

    spec: MetricSpec
    parameter: Parameter = Parameter()

    @property
    def key(self) -> str:
        """Unique text, for example "recovery_time:1.67K"."""
        return f"{self.spec.id}:{self.parameter.key}" if self.parameter.key else self.spec.id


@dataclass(frozen=True)
class MetricResult:
    """The value of one metric in one run.

    Parameters
    ----------
    key : str
        Key of the metric.
    run, configuration : str
        Ids.
    block : str or None
        Block of the run.
    status : {"ok", "not reached", "not computed"}
        "not reached" is a result (right-censored at `bound`), not a missing value.
    value : float or None
        Value [internal unit] when the status is "ok".
    bound : float or None
        Censoring bound [internal unit] when the status is "not reached".
    time, distance : float or None
        Where it happened: elapsed time [s] and route distance [m], for metrics that have a place.
    reason : str
        Why it could not be computed, or what was not reached.
    """

    key: str
    run: str
    configuration: str
    block: str | None
    status: Status
    value: float | None = None
    bound: float | None = None
    time: float | None = None
    distance: float | None = None
    reason: str = ""


@dataclass(frozen=True)
class Summary:
    """One metric over the runs of one configuration."""

    key: str
    configuration: str
    n: int
    not_reached: int
    mean: float | None
    sd: float | None
    reason: str = ""


@dataclass(frozen=True)
class Comparison:
    """The difference of one configuration from the baseline in one metric.

    Parameters
    ----------
    key, configuration, versus : str
        Metric key, configuration and what it is compared with.
    difference : float or None
        Configuration minus baseline [internal unit].
    low, high : float or None
        Limits of the interval at `level`; None where the runs do not allow one.
    level : float
        Confidence level.
    df : float or None
        Degrees of freedom of the interval.
    n, n_versus : int
        Runs used.
    method : str
        How the comparison was made, in words.
    p_value, p_adjusted : float or None
        Two-sided, without and with Holm's adjustment over all comparisons of headline metrics.
    verdict : str
        In words, from the interval alone.
    shown : bool
        Whether the interval excludes zero.
    note : str
        What the reader must know about this comparison.
    """

    key: str
    configuration: str
    versus: str
    difference: float | None
    low: float | None
    high: float | None
    level: float
    df: float | None
    n: int
    n_versus: int
    method: str
    p_value: float | None
    p_adjusted: float | None
    verdict: str
    shown: bool
    note: str = ""


@dataclass(frozen=True)
class ClaimResult:
    """A claim with its verdict."""

    id: str
    text: str
    key: str | None
    configuration: str
    versus: str | None
    verdict: Literal["supported", "not supported", "not shown", "indication only", "cannot be tested"]
    reason: str


@dataclass(frozen=True)
class Limitation:
    """Something the data cannot show, derived from the data."""

    code: str
    text: str
    remedy: str = ""


@dataclass(frozen=True)
class StopResult:
    """One stop of one run: where, how long, how fast the intake air warmed."""

    run: str
    start: float
    duration: float
    distance: float | None
    rise: float | None
    rate: float | None
    place: str | None = None


@dataclass(frozen=True)
class Criterion:
    """One acceptance criterion applied to one run."""

    run: str
    code: str
    title: str
    limit: str
    value: str
    hard: bool
    passed: bool | None
    reason: str = ""


@dataclass(frozen=True)
class RunResult:
    """One line of the run log."""

    id: str
    configuration: str
    block: str | None
    start: str | None
    duration: float
    length: float | None
    method: str
    stops: int
    stopped_time: float
    highway_entry: float | None
    decision: Literal["accepted", "accepted with limitation", "excluded"]
    reasons: tuple[str, ...]
    files: tuple[str, ...]
    start_condition: str = ""
    road: str = ""
    sky: str = ""
    notes: str = ""


@dataclass(frozen=True)
class Conditions:
    """Weather during one run."""

    run: str
    source: str
    ambient_mean: float | None
    ambient_low: float | None
    ambient_high: float | None
    pressure: float | None = None
    humidity: float | None = None
    wind_speed: float | None = None
    age: float | None = None
    reason: str = ""


@dataclass(frozen=True)
class QualityRow:
    """One line of the quality log of all runs."""

    run: str
    step: str
    channel: str
    touched: int
    share: float
    reason: str


@dataclass(frozen=True)
class SamplingRow:
    """True sampling of one channel over the runs."""

    channel: str
    label: str
    interval_low: float
    interval_high: float
    rows_per_sample: float
    step: float | None
    resolution: float | None


@dataclass(frozen=True)
class Curve:
    """One run as drawn: arrays of equal length, None where there is no value."""

    run: str
    configuration: str
    x: tuple[float, ...]
    y: tuple[float | None, ...]
    y2: tuple[float | None, ...] = ()


@dataclass(frozen=True)
class PhaseResult:
    """One phase of the route [m]."""

    id: str
    name: str
    kind: str
    start: float
    end: float


@dataclass(frozen=True)
class ConfigurationResult:
    """One configuration with the number of its runs used."""

    id: str
    name: str
    role: str
    runs: int
    runs_used: int


@dataclass(frozen=True)
class ReportResult:
    """Everything that a report says; the only thing that tables, sentences, figures and files are made from."""

    campaign: str
    title: str
    question: str
    units: UnitSystem
    level: float
    ambient_reference: str
    ambient_reason: str
    configurations: tuple[ConfigurationResult, ...]
    phases: tuple[PhaseResult, ...]
    runs: tuple[RunResult, ...]
    criteria: tuple[Criterion, ...]
    conditions: tuple[Conditions, ...]
    sampling: tuple[SamplingRow, ...]
    quality: tuple[QualityRow, ...]
    metrics: tuple[MetricKey, ...]
    values: tuple[MetricResult, ...]
    stops: tuple[StopResult, ...]
    summaries: tuple[Summary, ...]
    comparisons: tuple[Comparison, ...]
    claims: tuple[ClaimResult, ...]
    limitations: tuple[Limitation, ...]
    route_curves: tuple[Curve, ...]
    recovery_curves: tuple[Curve, ...]
    stop_curves: tuple[Curve, ...]
    evidence: Evidence | None = None

    def metric(self, key: str) -> MetricKey:
        """Return the metric with this key."""
        return next(m for m in self.metrics if m.key == key)

    def of(self, key: str) -> tuple[MetricResult, ...]:
        """Return the values of one metric, in run order."""
        return tuple(v for v in self.values if v.key == key)

    def summary(self, key: str, configuration: str) -> Summary:
        """Return one metric over the runs of one configuration."""
        return next(s for s in self.summaries if s.key == key and s.configuration == configuration)

    def name_of(self, configuration: str) -> str:
        """Return the name of a configuration."""
        return next(c.name for c in self.configurations if c.id == configuration)

    @property
    def baseline(self) -> ConfigurationResult:
        """The configuration that all others are compared with."""
        return next(c for c in self.configurations if c.role == "baseline")
