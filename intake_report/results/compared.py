"""What comparing configurations gave: differences, what they rest on, claims and limitations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from intake_report.messages import Message, Part

Basis = Literal["runs", "instruments", "none"]
# "exploratory": shown, by a metric that is no headline; "suggested": the interval excludes zero, but not after adjustment
Call = Literal["shown", "exploratory", "suggested", "equivalent", "not shown", "indication", "not compared"]
Endangers = Literal["comparison", "values", "power", "bench"]
ClaimVerdict = Literal["supported", "not supported", "not shown", "indication only", "cannot be tested"]
CompareMethod = Literal["blocked", "welch", "pooled", "censored", "instruments", "none"]

# How a comparison was made, in words and as a sentence of the methodology; the report says both from these codes alone
METHODS: dict[CompareMethod, tuple[str, str]] = {
    "blocked": (
        "within blocks (configuration and block effects of block means, scatter between blocks)",
        "Where blocks hold both configurations, differences are made within blocks: an additive model with configuration "
        "and block effects, so that a warm day does not count as a warm intake. It is fitted to the mean of the runs of "
        "each configuration in each block, and its error is how these means depart from it: a day that favours one "
        "configuration is in it, which repeated runs of that day would not show. Half of the error is that of the two "
        "configurations compared, half is pooled over all, since configurations need not scatter alike (degrees of freedom "
        "by Satterthwaite).",
    ),
    "welch": (
        "between all runs (unequal scatter)",
        "Where blocks do not link two configurations their runs, or means of blocks, are compared by Welch's method.",
    ),
    "pooled": (
        "between all runs (scatter of the repeated configuration)",
        "Where one of two configurations was run once, the scatter of the other is taken for both.",
    ),
    "censored": (
        "within blocks, not reached as longer than, within at entry as sooner than (likelihood, profile interval)",
        "Times that were not reached enter as “longer than”, those of runs within the margin at the entry as “sooner than”: "
        "the additive model is fitted by likelihood, with a profile interval.",
    ),
    "instruments": (
        "difference only; interval from the instruments alone, without scatter between runs",
        "Where runs were not replicated the interval is that of the instruments alone.",
    ),
    "none": ("difference only", "Where nothing shows how runs scatter, the difference stands without an interval."),
}

CovariateName = Literal["start_over_ambient", "start_iat", "start_coolant", "standing_before"]

# Known before a phase begins; a difference may be adjusted for it: words, and quantity of a difference
COVARIATES: dict[CovariateName, tuple[str, str]] = {
    "start_over_ambient": ("intake air over ambient at the start", "temperature_difference"),
    "start_iat": ("intake air at the start", "temperature_difference"),  # where not every run has an ambient
    "start_coolant": ("coolant at the start", "temperature_difference"),
    "standing_before": ("standing time before the phase", "duration"),
}


@dataclass(frozen=True)
class CovariateFit:
    """What a covariate explains of the scatter between runs."""

    name: CovariateName  # Key of `COVARIATES`
    slope: float  # slope, u: Change of the metric per unit of it, the same for all, and its standard error
    u: float
    unbalance: float  # Configuration minus the other in the covariate, within blocks [internal unit]
    curved: float | None  # curved, unequal: p against one line: of squares, and of a slope for each configuration
    unequal: float | None
    scatter: float  # Residual standard deviation of runs, or of means of a block's runs, with the covariates
    scatter_without: float  # The same without them


@dataclass(frozen=True)
class Comparison:
    """The difference of one configuration from another in one metric."""

    key: str  # key, configuration, versus: Metric key, configuration and what it is compared with
    configuration: str
    versus: str
    difference: float | None  # Configuration minus the other [internal unit]
    low: float | None  # low, high: Interval at `level`; None where runs allow none, or censoring leaves it open
    high: float | None
    level: float  # Confidence level
    df: float | None  # Effective degrees of freedom of the interval
    n: int  # n, n_versus: Runs used, the ones that did not reach the margin included
    n_versus: int
    method: CompareMethod  # How the comparison was made: key of `METHODS`
    # p_value, p_adjusted: Two-sided, without and with Holm's adjustment over all headline metrics
    p_value: float | None
    p_adjusted: float | None
    verdict: str  # In words, from the interval and the adjusted p-value
    call: Call  # The verdict as a code
    note: Part = ""  # What the reader must know about this comparison; empty when nothing
    basis: Basis = "none"  # What the interval rests on: scatter between runs (and shared biases), or instruments alone
    standard_error: float | None = None
    between: float | None = None  # between, instrument: Parts of it: scatter, and shared biases that do not cancel
    instrument: float | None = None
    scatter: float | None = None  # Standard deviation that it rests on: of one run, or of the mean of a block's runs
    standardised: float | None = None  # Difference in units of `scatter`, corrected for few degrees of freedom
    permutation: float | None = None  # p of the exact test within blocks
    smallest: float | None = None  # that this layout can reach
    margin: float | None = None  # Differences smaller than this do not matter (declared)
    equivalent: bool | None = None  # The two one-sided tests show that the difference is inside ± `margin`
    equivalence_p: float | None = None  # Both one-sided p-values together
    not_reached: int = 0  # not_reached, not_reached_versus: Runs on each side that did not reach the margin (censored)
    not_reached_versus: int = 0
    within: int = 0  # within, within_versus: Runs within the margin at the entry already (censored the other way)
    within_versus: int = 0
    confounded: bool = False  # No block holds both: block and configuration cannot be told apart
    units: int = 0  # units, units_versus: Independent ones: blocks where the comparison is made of blocks, else runs
    units_versus: int = 0
    lost: float = 0.0  # Share of the instruments' draws in which a run does not reach the margin
    order: float | None = None  # Probability that it is below zero, draw by draw; where draws open the interval only
    order_bound: float | None = None  # Limit of the difference on the side of zero, of the draws that decide the order
    undecided: float = 0.0  # Share of the draws that say nothing of the order, since no run reaches the margin in them
    no_scatter: bool = False  # The runs are equal at the resolution of the readings: no interval follows from them
    covariates: tuple[CovariateFit, ...] = ()  # What the difference is adjusted for; empty where it is not
    unadjusted: Comparison | None = None  # The same comparison without covariates; None where nothing is adjusted for
    refused: tuple[Message, ...] = ()  # Why a covariate that was to be adjusted for is not

    @property
    def shown(self) -> bool:
        """Whether the interval excludes zero, after adjustment for headline metrics."""
        return self.call in ("shown", "exploratory")

    @property
    def half_width(self) -> float | None:
        """Half of the width of an interval that rests on the runs; None where there is none or a side is open."""
        return None if self.low is None or self.high is None or self.basis != "runs" else 0.5 * (self.high - self.low)

    @property
    def replicated(self) -> bool:
        """Whether both sides have two or more independent units and can be told apart from blocks."""
        return min(self.units, self.units_versus) > 1 and not self.confounded


@dataclass(frozen=True)
class ModelCheck:
    """Whether the runs of one metric behave as the comparison assumes."""

    key: str  # Metric key
    lag: float | None  # lag, lag_p: Correlation of consecutive runs of a block without configuration and block, and p
    lag_p: float | None
    lag_pairs: int  # Pairs of consecutive runs
    additivity_p: float | None  # p-value of the test that blocks shift all configurations alike
    additivity_method: str  # Which test it was; "none" without a degree of freedom
    note: Part = ""  # Why a test could not be made


@dataclass(frozen=True)
class ControlEffect:
    """One difference taken against the control vehicle and without it."""

    key: str  # key, configuration, versus: As in `Comparison`
    configuration: str
    versus: str
    difference: float | None  # difference, half_width, scatter: With the control [internal unit]
    half_width: float | None
    scatter: float | None
    plain_difference: float | None  # plain_difference, plain_half_width, plain_scatter: The same runs without it
    plain_half_width: float | None
    plain_scatter: float | None
    runs: int  # Runs with a control value
    low: float | None = None  # Limits of the two intervals, which need not be symmetric
    high: float | None = None
    plain_low: float | None = None
    plain_high: float | None = None


@dataclass(frozen=True)
class ControlDrive:
    """The logs of the control vehicle beside one run; no files where none drove beside it."""

    run: str
    files: tuple[str, ...]


@dataclass(frozen=True)
class ClaimResult:
    """A claim with its verdict."""

    id: str  # id, text: As in the campaign file
    text: str
    key: str | None  # Metric key
    configuration: str  # Whom it speaks of
    versus: str | None  # What it is compared with
    verdict: ClaimVerdict  # See `ClaimVerdict`
    reason: Part  # Why, with the numbers
    absolute: bool = False  # It is about a value, not about a difference
    limit: float | None = None  # What the estimate is judged against [internal unit]
    estimate: float | None = None  # estimate, low, high: The estimate and its interval
    low: float | None = None
    high: float | None = None
    guard_band: float | None = None  # Distance from the limit within which neither is said: the expanded uncertainty
    probability: float | None = None  # That the claim is true, given estimate, uncertainty, no prior knowledge
    risk: float | None = None  # Largest risk of a wrong verdict that the rule lets through
    judged: Part = ""  # What its relation and value say, in words of the direction: to be held against `text`


LAST = 1000  # rank of a limitation that the cover does not name


@dataclass(frozen=True)
class Limitation:
    """Something the data cannot show, derived from the data."""

    code: str  # What it is, for programs
    text: Part  # text, remedy: The sentence, and what would remove it
    remedy: Part = ""
    rank: int = LAST  # Gravest first: no comparison, a mixed-up one, one that may not hold, what loosens numbers
    cover: str = ""  # In a few words, for the cover; empty where it is not named there
    alike: str = ""  # Limitations of one such group say nearly the same: the cover names one of them
    endangers: Endangers = "values"  # What it bounds: differences on the road, single values, dyno, bench and trials
    keys: tuple[str, ...] = ()  # Metrics that it concerns; empty when it concerns all
