"""Frozen result types: what the analysis found, JSON-able, without NaN."""

from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

from intake_report import formatting
from intake_report.messages import Message, Part
from intake_report.results.compared import ClaimResult, Comparison, ControlDrive, ControlEffect, Limitation, ModelCheck
from intake_report.results.evidence import Evidence, Places
from intake_report.units import UnitSystem

Status = Literal["ok", "not reached", "within at entry", "not computed"]
ParameterKind = Literal["none", "margin", "phase", "limit"]
Better = Literal["lower", "higher", "neither"]
Group = Literal["over-ambient", "recovery", "heat soak", "exposure", "engine"]

GROUPS: dict[Group, str] = {
    "over-ambient": "Over-ambient temperature",
    "recovery": "Recovery after highway entry",
    "heat soak": "Heat soak",
    "exposure": "Time at temperature",
    "engine": "Engine at matched operating points",
}
"""Groups of metrics in the order of the report, with their titles."""


@dataclass(frozen=True)
class Parameter:
    """What turns a metric into one number: a margin, a phase, or a limit."""

    kind: ParameterKind = "none"
    key: str = ""  # Short text that makes the metric's key unique ("1.67K", "city")
    number: float | None = None  # Margin [K] or limit [°C]
    label: str = ""


@dataclass(frozen=True)
class MetricSpec:
    """The one definition of a metric; every text about it derives from here."""

    id: str  # Name of the metric function
    title: str  # Title; "{parameter}" stands for the margin, phase or limit
    quantity: str  # Key of `units.QUANTITIES`
    better: Better  # Direction that is better for the purpose
    decimals: int
    definition: Part
    needs: tuple[str, ...]  # Channels that it takes; "over-ambient" stands for IAT and an ambient reference
    least: int  # Fewest true samples
    source: str  # Where the definition comes from
    words: tuple[str, str]  # Verdict when the candidate is better, and when it is worse
    parameter: ParameterKind = "none"  # What it is evaluated for
    headline: bool = False  # Whether the answer on the cover may quote it
    group: Group = "over-ambient"  # Key of `GROUPS`: which tables it stands in
    compared: bool = True  # Whether differences are formed; not of what is shown only because it is usually quoted


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
    """The value of one metric in one run."""

    key: str
    run: str
    configuration: str
    block: str | None  # Block of the run
    status: Status  # "not reached" (right-censored at `bound`) and "within at entry" (left-censored) are results
    value: float | None = None  # Value [internal unit] when the status is "ok"
    bound: float | None = None  # Censoring bound [internal unit] when the status is "not reached" or "within at entry"
    time: float | None = None  # time, distance: where it happened [s], [m], for metrics that have a place
    distance: float | None = None
    reason: Part = ""  # Why it could not be computed, or what was not reached
    # Standard, of the instruments [internal unit of a difference]; None where draws did not reach it
    u: float | None = None
    low: float | None = None  # low, high: coverage interval; None where a limit lies among draws that did not reach it
    high: float | None = None
    u_common: float | None = None  # u_common, u_own: Parts of `u`: what all runs share, and what is this run's own
    u_own: float | None = None
    draws_not_reached: float | None = None  # Share of the Monte Carlo draws in which it is not reached
    note: Part = ""  # What a reader must know about the value


Metrics = tuple[MetricKey, ...]
MetricValues = tuple[MetricResult, ...]


@dataclass(frozen=True)
class SourceRow:
    """One source of uncertainty of a run's value: what was declared or assumed about it."""

    name: str
    common: bool  # The same in all runs of the campaign, so that it cancels in differences as far as runs respond alike
    u: float | None  # Standard uncertainty [internal unit of `quantity`]; None where it differs by sample
    quantity: str  # Key of `units.QUANTITIES`
    basis: Part  # Limits, distribution, and whether declared or assumed


@dataclass(frozen=True)
class BudgetRow:
    """Contribution of one source to one metric, alone varied, over the runs."""

    key: str  # key, source: Metric key and name of the source
    source: str
    u: float | None  # Root mean square over the runs [internal unit]; None where no run has a value
    largest: float | None  # In the run where it is largest
    runs: int


@dataclass(frozen=True)
class InstrumentUncertainty:
    """Uncertainty of one run's value from the instruments: settings, sources, budgets, assumptions."""

    draws: int  # draws, seed: Monte Carlo draws and their seed
    seed: int
    level: float  # Coverage probability of the intervals
    sources: tuple[SourceRow, ...] = ()  # Everything that was varied
    budgets: tuple[BudgetRow, ...] = ()  # Headline metrics, metric by metric
    # Of means from the baseline's, runs in the comparison only: `u` and interval of the instruments alone; `u_common` is left of
    # the sources that all runs share (the rest cancels), `u_own` of each run's own
    differences: pd.DataFrame = field(default_factory=pd.DataFrame, compare=False)
    assumptions: tuple[Part, ...] = ()  # One sentence for every number that was assumed because nothing was declared


@dataclass(frozen=True)
class MetricSummary:
    """One metric over the runs of one configuration."""

    key: str
    configuration: str
    n: int
    not_reached: int
    mean: float | None
    sd: float | None
    reason: Part = ""
    within: int = 0


@dataclass(frozen=True)
class RunCurve:
    """One run as drawn: arrays of equal length, None where there is no value."""

    run: str
    configuration: str
    x: tuple[float, ...]
    y: tuple[float | None, ...]
    y2: tuple[float | None, ...] = ()


@dataclass(frozen=True)
class StopResult:
    """One stop of one run: where, how long, how far and fast the intake air warmed, how fast it cooled after it."""

    run: str
    start: float
    duration: float
    distance: float | None
    rise: float | None
    rate: float | None
    place: str | None = None
    # From the launch until half of the rise was lost [s]; None where there is no such time
    half_fall: float | None = None
    cut_short: bool = False  # The next stop came before it


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
    reasons: tuple[Part, ...]
    files: tuple[str, ...]
    start_condition: str = ""
    road: str = ""
    sky: str = ""
    notes: str = ""


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


@dataclass(frozen=True, eq=False)
class CommonDriveResult:
    """All configurations on one drive, as their thermal models say; a claim rests on it where the campaign says so."""

    drive: Part  # Which drive it is
    comparisons: tuple[Comparison, ...] = ()
    values: tuple[MetricResult, ...] = ()  # By metric and run: its configuration's parameters with that run's effects
    curves: tuple[RunCurve, ...] = ()  # Over-ambient temperature of a configuration against elapsed time [s]
    validation: pd.DataFrame = field(default_factory=pd.DataFrame)  # each run predicted from the others [K]
    parameters: pd.DataFrame = field(default_factory=pd.DataFrame)  # with the factor of their standard uncertainty
    what_if: pd.DataFrame = field(default_factory=pd.DataFrame)  # by configuration and case [K]
    standing: pd.DataFrame = field(default_factory=pd.DataFrame)  # mean of its runs, and of the common drive [s]
    failed: tuple[str, ...] = ()  # Configurations whose model fails its validation
    direct: tuple[Comparison, ...] = ()  # Other than from the baseline, where a claim on the common drive asks for it
    single: tuple[str, ...] = ()  # Configurations of one run
    beyond: tuple[Message, ...] = ()  # Where the drive goes beyond what the runs of a configuration met
    claims: tuple[str, ...] = ()  # Ids of the claims that rest on it
    headless: int = 0  # Runs whose direction of travel is not known
    notes: tuple[Part, ...] = ()  # What was refused, assumed or failed


@dataclass(frozen=True, eq=False)
class ReportResult:
    """Everything that a report says; the only thing that tables, sentences, figures and files are made from.

    Frames hold one row per row of a table: `criteria` and `pairs` (limits and values as message parts), `conditions`
    (weather by run), `sampling` (by channel), `quality` (by run, step and channel), `cross_checks`.
    """

    campaign: str
    title: str
    question: str
    units: UnitSystem
    level: float
    ambient_reference: str
    ambient_reason: Part
    configurations: tuple[ConfigurationResult, ...]
    phases: tuple[PhaseResult, ...]
    runs: tuple[RunResult, ...]
    criteria: pd.DataFrame
    conditions: pd.DataFrame
    sampling: pd.DataFrame
    quality: pd.DataFrame
    metrics: tuple[MetricKey, ...]
    values: tuple[MetricResult, ...]
    stops: tuple[StopResult, ...]
    summaries: tuple[MetricSummary, ...]
    comparisons: tuple[Comparison, ...]
    claims: tuple[ClaimResult, ...]
    limitations: tuple[Limitation, ...]
    route_curves: tuple[RunCurve, ...]
    recovery_curves: tuple[RunCurve, ...]
    stop_curves: tuple[RunCurve, ...]
    direct: tuple[Comparison, ...]
    checks: tuple[ModelCheck, ...]
    control: tuple[ControlEffect, ...]
    control_drives: tuple[ControlDrive, ...]
    less_control: bool
    uncertainty: InstrumentUncertainty
    evidence: Evidence
    places: Places | None
    decides: tuple[str, ...]
    common_drive: CommonDriveResult | None
    pairs: pd.DataFrame
    cross_checks: pd.DataFrame

    def metric(self, key: str) -> MetricKey:
        """Return the metric with this key."""
        return next(m for m in self.metrics if m.key == key)

    def of(self, key: str) -> tuple[MetricResult, ...]:
        """Return the values of one metric, in run order."""
        return tuple(v for v in self.values if v.key == key)

    def compared(self, key: str) -> tuple[MetricResult, ...]:
        """Return the values of one metric in the runs that take part in comparisons."""
        used = {run.id for run in self.runs if run.decision != "excluded"}
        return tuple(v for v in self.of(key) if v.run in used)

    @property
    def ordered(self) -> list[ConfigurationResult]:
        """The configurations, the baseline first."""
        return sorted(self.configurations, key=lambda c: c.role != "baseline")

    def summary(self, key: str, configuration: str) -> MetricSummary:
        """Return one metric over the runs of one configuration."""
        return next(s for s in self.summaries if s.key == key and s.configuration == configuration)

    def name_of(self, configuration: str) -> str:
        """Return the name of a configuration."""
        return next(c.name for c in self.configurations if c.id == configuration)

    def printed(self, value: float | None, quantity: str, decimals: int, *, signed: bool = False) -> str:
        """Return an internal value in the reader's unit, with the unit."""
        return formatting.with_unit(value, quantity, self.units, decimals, signed=signed)

    def phase_at(self, distance: float) -> str:
        """Return the name of the phase at a route distance [m]; empty outside of all."""
        return next((p.name for p in self.phases if p.start <= distance <= p.end), "")

    @property
    def baseline(self) -> ConfigurationResult:
        """The configuration that all others are compared with."""
        return next(c for c in self.configurations if c.role == "baseline")
