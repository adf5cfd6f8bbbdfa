"""What comparing configurations gave: differences, what they rest on, claims and limitations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from intake_report.messages import Part

Basis = Literal["runs", "instruments", "none"]
ClaimVerdict = Literal["supported", "not supported", "not shown", "indication only", "cannot be tested"]


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
        How the comparison was made, in words.
    p_value, p_adjusted : float or None
        Two-sided, without and with Holm's adjustment over all comparisons of headline metrics.
    verdict : str
        In words, from the interval and the adjusted p-value.
    shown : bool
        Whether the interval excludes zero, after adjustment for headline metrics.
    note : str
        What the reader must know about this comparison.
    basis : {"runs", "instruments", "none"}
        What the interval rests on: scatter between runs (with what the instruments share), or instruments alone.
    standard_error, between, instrument : float or None
        Standard uncertainty of the difference, and its parts: scatter between runs, and biases that all runs share
        and that do not cancel in this difference.
    scatter : float or None
        Standard deviation of one run that the interval rests on.
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
    confounded : bool
        No block holds both: block and configuration cannot be told apart.
    units, units_versus : int
        Independent units on each side: runs, or blocks where blocks hold one configuration only.
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
    confounded: bool = False
    units: int = 0
    units_versus: int = 0

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
    note : str
        Why a test could not be made.
    """

    key: str
    lag: float | None
    lag_p: float | None
    lag_pairs: int
    additivity_p: float | None
    additivity_method: str
    note: str = ""


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
    reason : str
        Why, with the numbers.
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
    reason: str
    limit: float | None = None
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    guard_band: float | None = None
    probability: float | None = None
    risk: float | None = None


@dataclass(frozen=True)
class Limitation:
    """Something the data cannot show, derived from the data: code, sentence, and what would remove it."""

    code: str
    text: Part
    remedy: Part = ""
