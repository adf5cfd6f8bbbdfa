"""What comparing configurations gave: differences, what they rest on, claims and limitations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from intake_report.messages import Message, Part, message

Basis = Literal["runs", "instruments", "none"]
Call = Literal["shown", "exploratory", "suggested", "equivalent", "not shown", "indication", "not compared"]
Endangers = Literal["comparison", "values", "power", "bench"]
ClaimVerdict = Literal["supported", "not supported", "not shown", "indication only", "cannot be tested"]
CompareMethod = Literal["blocked", "welch", "pooled", "censored", "instruments", "none"]

METHODS: dict[CompareMethod, str] = {
    "blocked": "within blocks (configuration and block effects of block means, scatter between blocks)",
    "welch": "between all runs (unequal scatter)",
    "pooled": "between all runs (scatter of the repeated configuration)",
    "censored": "within blocks, not reached as longer than, within at entry as sooner than (likelihood, profile interval)",
    "instruments": "difference only; interval from the instruments alone, without scatter between runs",
    "none": "difference only",
}
"""How a comparison was made, in words; what the report says of its method derives from these codes."""

METHOD_SENTENCES: dict[CompareMethod, str] = {
    "blocked": (
        "Where blocks hold both configurations, differences are made within blocks: an additive model with configuration "
        "and block effects, so that a warm day does not count as a warm intake. It is fitted to the mean of the runs of "
        "each configuration in each block, and its error is how these means depart from it: a day that favours one "
        "configuration is in it, which repeated runs of that day would not show. Half of the error is that of the two "
        "configurations compared, half is pooled over all, since configurations need not scatter alike (degrees of freedom "
        "by Satterthwaite)."
    ),
    "welch": "Where blocks do not link two configurations their runs, or means of blocks, are compared by Welch's method.",
    "pooled": "Where one of two configurations was run once, the scatter of the other is taken for both.",
    "censored": (
        "Times that were not reached enter as “longer than”, those of runs within the margin at the entry as “sooner than”: the additive model is fitted by likelihood, with a "
        "profile interval."
    ),
    "instruments": "Where runs were not replicated the interval is that of the instruments alone.",
    "none": "Where nothing shows how runs scatter, the difference stands without an interval.",
}
"""A sentence of the methodology for each method that a report uses."""


CovariateName = Literal["start_over_ambient", "start_coolant", "standing_before"]

COVARIATES: dict[CovariateName, tuple[str, str]] = {
    "start_over_ambient": ("intake air over ambient at the start", "temperature_difference"),
    "start_coolant": ("coolant at the start", "temperature_difference"),
    "standing_before": ("standing time before the phase", "duration"),
}
"""Quantities known before a phase begins that a difference may be adjusted for: words, and quantity of a difference."""


@dataclass(frozen=True)
class CovariateFit:
    """What a covariate explains of the scatter between runs.

    Parameters
    ----------
    name : str
        Key of `COVARIATES`.
    slope, u : float
        Change of the metric per unit of the covariate [internal units], shared by all configurations, and its standard error.
    unbalance : float
        Configuration minus the other in the covariate, within blocks [internal unit].
    curved, unequal : float or None
        p-values against one straight line: of squares of the covariates, and of a slope for each configuration.
    scatter : float
        Residual standard deviation of runs, or of means of a block's runs, with the covariates of the comparison.
    scatter_without : float
        The same without them.
    """

    name: CovariateName
    slope: float
    u: float
    unbalance: float
    curved: float | None
    unequal: float | None
    scatter: float
    scatter_without: float


@dataclass(frozen=True)
class Comparison:
    """The difference of one configuration from another in one metric.

    Parameters
    ----------
    key, configuration, versus : str
        Metric key, configuration and what it is compared with.
    difference : float or None
        Configuration minus the other [internal unit].
    low, high : float or None
        Limits of the interval at `level`; None where the runs do not allow one, or censoring leaves it open.
    level : float
        Confidence level.
    df : float or None
        Effective degrees of freedom of the interval.
    n, n_versus : int
        Runs used, the ones that did not reach the margin included.
    method : str
        How the comparison was made: key of `METHODS`.
    p_value, p_adjusted : float or None
        Two-sided, without and with Holm's adjustment over all comparisons of headline metrics.
    verdict : str
        In words, from the interval and the adjusted p-value.
    call : str
        The verdict as a code: "shown", "exploratory" (shown by a metric that is not a headline), "suggested" (the
        interval excludes zero, but not after adjustment), "equivalent", "not shown", "indication", "not compared".
    note : Part
        What the reader must know about this comparison; empty when nothing.
    basis : {"runs", "instruments", "none"}
        What the interval rests on: scatter between runs (with what the instruments share), or instruments alone.
    standard_error, between, instrument : float or None
        Standard uncertainty of the difference, and its parts: scatter between runs, and biases that all runs share
        and that do not cancel in this difference.
    scatter : float or None
        Standard deviation that the interval rests on: of one run, or of the mean of the runs of one block where there are
        several.
    standardised : float or None
        Difference in units of `scatter`, corrected for few degrees of freedom.
    permutation, smallest : float or None
        p-value of the exact permutation test within blocks, and the smallest that this layout can reach.
    margin : float or None
        Differences smaller than this do not matter (declared).
    equivalent : bool or None
        The two one-sided tests show that the difference is inside ± `margin`.
    equivalence_p : float or None
        Larger p-value of the two.
    not_reached, not_reached_versus : int
        Runs on each side that did not reach the margin (censored).
    within, within_versus : int
        Runs on each side that were within the margin at the entry already (censored the other way).
    confounded : bool
        No block holds both: block and configuration cannot be told apart.
    units, units_versus : int
        Independent units on each side: blocks where the comparison is made within or between blocks, else runs.
    lost : float
        Share of the instruments' draws in which a run does not reach the margin.
    order : float or None
        Probability that the difference is below zero, by its sign draw by draw; where draws open the interval only.
    order_bound : float or None
        Limit of the difference on the side of zero, of the draws that decide the order.
    undecided : float
        Share of the draws that say nothing of the order, since no run reaches the margin in them.
    no_scatter : bool
        The runs are equal at the resolution of the readings, so that no interval can be derived from them.
    covariates : tuple of CovariateFit
        What the difference is adjusted for; empty where it is not.
    unadjusted : Comparison or None
        The same comparison without covariates; None where nothing is adjusted for.
    refused : tuple of Message
        Why a covariate that was to be adjusted for is not.
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
    method: CompareMethod
    p_value: float | None
    p_adjusted: float | None
    verdict: str
    call: Call
    note: Part = ""
    basis: Basis = "none"
    standard_error: float | None = None
    between: float | None = None
    instrument: float | None = None
    scatter: float | None = None
    standardised: float | None = None
    permutation: float | None = None
    smallest: float | None = None
    margin: float | None = None
    equivalent: bool | None = None
    equivalence_p: float | None = None
    not_reached: int = 0
    not_reached_versus: int = 0
    within: int = 0
    within_versus: int = 0
    confounded: bool = False
    units: int = 0
    units_versus: int = 0
    lost: float = 0.0
    order: float | None = None
    order_bound: float | None = None
    undecided: float = 0.0
    no_scatter: bool = False
    covariates: tuple[CovariateFit, ...] = ()
    unadjusted: Comparison | None = None
    refused: tuple[Message, ...] = ()

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
    """Whether the runs of one metric behave as the comparison assumes.

    Parameters
    ----------
    key : str
        Metric key.
    lag, lag_p : float or None
        Correlation of consecutive runs of a block after taking out configuration and block, with its p-value.
    lag_pairs : int
        Pairs of consecutive runs.
    additivity_p : float or None
        p-value of the test that blocks shift all configurations alike.
    additivity_method : str
        Which test it was; "none" without a degree of freedom.
    note : Part
        Why a test could not be made.
    """

    key: str
    lag: float | None
    lag_p: float | None
    lag_pairs: int
    additivity_p: float | None
    additivity_method: str
    note: Part = ""


@dataclass(frozen=True)
class ControlEffect:
    """One difference taken against the control vehicle and without it.

    Parameters
    ----------
    key, configuration, versus : str
        As in `Comparison`.
    difference, half_width, scatter : float or None
        With the control [internal unit].
    plain_difference, plain_half_width, plain_scatter : float or None
        The same runs without it.
    runs : int
        Runs with a control value.
    low, high, plain_low, plain_high : float or None
        Limits of the two intervals, which need not be symmetric; the half-widths are half their widths.
    """

    key: str
    configuration: str
    versus: str
    difference: float | None
    half_width: float | None
    scatter: float | None
    plain_difference: float | None
    plain_half_width: float | None
    plain_scatter: float | None
    runs: int
    low: float | None = None
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
    """A claim with its verdict.

    Parameters
    ----------
    id, text : str
        As in the campaign file.
    key : str or None
        Metric key.
    configuration : str
        Whom it speaks of.
    versus : str or None
        What it is compared with.
    verdict : str
        See `ClaimVerdict`.
    reason : Part
        Why, with the numbers.
    absolute : bool
        It is about a value, not about a difference.
    limit : float or None
        What the estimate is judged against [internal unit].
    estimate, low, high : float or None
        The estimate and its interval.
    guard_band : float or None
        Distance from the limit within which neither statement is made: the expanded uncertainty.
    probability : float or None
        Probability that the claim is true, given the estimate and its uncertainty and no prior knowledge.
    risk : float or None
        Largest risk of a wrong verdict that the rule lets through.
    """

    id: str
    text: str
    key: str | None
    configuration: str
    versus: str | None
    verdict: ClaimVerdict
    reason: Part
    absolute: bool = False
    limit: float | None = None
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    guard_band: float | None = None
    probability: float | None = None
    risk: float | None = None


LAST = 1000
"""Rank of a limitation that the cover does not name."""


@dataclass(frozen=True)
class Limitation:
    """Something the data cannot show, derived from the data.

    Parameters
    ----------
    code : str
        What it is, for programs.
    text, remedy : Part
        The sentence, and what would remove it.
    rank : int
        Gravest first: no comparison at all, then a mixed-up one, then one that may not hold, then what loosens numbers.
    cover : str
        In a few words, for the cover; empty where it is not named there.
    alike : str
        Limitations of one such group say nearly the same: the cover names one of them.
    endangers : {"comparison", "values", "power", "bench"}
        What it bounds: differences between configurations on the road, single values, the dyno, bench and trials.
    keys : tuple of str
        Metrics that it concerns; empty when it concerns all.
    """

    code: str
    text: Part
    remedy: Part = ""
    rank: int = LAST
    cover: str = ""
    alike: str = ""
    endangers: Endangers = "values"
    keys: tuple[str, ...] = ()


@dataclass(frozen=True)
class LimitationKind:
    """A limitation as declared beside its predicate: code, rank, words for the cover, sentence, what would remove it.

    Calling it with the values of its two templates makes the limitation.
    """

    code: str
    rank: int
    cover: str
    text: str
    remedy: str = ""
    alike: str = ""
    endangers: Endangers = "values"

    def __call__(self, remedy: Part | None = None, keys: tuple[str, ...] = (), **values: Part) -> Limitation:
        """Return the limitation; `remedy` in place of its own where that depends on more than values."""
        text = message(self.text, code=self.code, **values)
        if remedy is None:
            remedy = Message(self.remedy, tuple(values.items()), self.code) if self.remedy else ""
        return Limitation(self.code, text, remedy, self.rank, self.cover, self.alike, self.endangers, keys)
