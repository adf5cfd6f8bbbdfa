"""Drift within a dyno session: a figure against pull order, intake air or coolant temperature."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from intake_report.dyno.pulls import Pull
from intake_report.statistics import coverage_factor


@dataclass(frozen=True)
class Drift:
    """Change of a figure with a covariate, within configurations (and sessions).

    Attributes
    ----------
    covariate, covariate_unit, unit : str
        What it is taken against, and the units.
    slope, low, high : float or None
        [unit per covariate unit]; limits None when the pulls allow none.
    span, over_span : float or None
        Range of the covariate, and slope times range.
    share : float or None
        Share of the covariate's variance within sessions that lies between configurations (0 balanced, 1 inseparable).
    shifts : dict of str to float
        What the slope alone would add to each configuration's mean, against the mean of all pulls of its sessions.
    detected : bool
        The interval of the slope excludes 0.
    reason : str
        Why there is no slope or no interval; empty otherwise.
    """

    covariate: str
    covariate_unit: str
    unit: str
    n: int
    df: int
    slope: float | None
    low: float | None
    high: float | None
    span: float | None
    over_span: float | None
    share: float | None
    shifts: dict[str, float]
    detected: bool
    reason: str


def drift(
    values: Sequence[float],
    covariate: Sequence[float | None],
    pulls: Sequence[Pull],
    *,
    name: str,
    covariate_unit: str,
    unit: str,
    level: float = 0.95,
) -> Drift:
    """Slope of a figure against a covariate (order, IAT, coolant) within configuration and session.

    Parameters
    ----------
    values : sequence of float, length n
        One figure per pull [`unit`].
    covariate : sequence of float or None, length n
        Covariate of each pull; pulls without it are left out.

    Notes
    -----
    Ordinary least squares with one level per configuration and session and one common slope (analysis of covariance);
    n − groups − 1 degrees of freedom. It can tell drift from configuration only as far as pulls of one configuration
    were made at different values of the covariate.
    """
    known = [i for i, c in enumerate(covariate) if c is not None and math.isfinite(c)]
    x = np.array([covariate[i] for i in known], dtype=np.float64)
    y = np.array([values[i] for i in known], dtype=np.float64)
    labels = [(pulls[i].configuration, pulls[i].session) for i in known]

    def without(reason: str, slope: float | None = None) -> Drift:
        return Drift(name, covariate_unit, unit, len(known), 0, slope, None, None, None, None, None, {}, False, reason)

    if len(known) < 3:
        return without(f"{name} is known for {len(known)} of {len(pulls)} pulls; a drift needs at least three")
    dx, dy = x.copy(), y.copy()
    groups = list(dict.fromkeys(labels))
    for group in groups:
        members = np.array([label == group for label in labels])
        dx[members] -= x[members].mean()
        dy[members] -= y[members].mean()
    about = x.copy()  # about the session's mean, so that time between sessions does not count as imbalance
    for session in dict.fromkeys(label[1] for label in labels):
        members = np.array([label[1] == session for label in labels])
        about[members] -= x[members].mean()
    inner, total = float(dx @ dx), float(about @ about)
    if inner <= 1e-12 * max(total, float(np.max(np.abs(x))) ** 2 * 1e-6):
        return without(f"{name} does not vary among the pulls of one configuration")
    slope = float(dx @ dy) / inner
    df = len(known) - len(groups) - 1
    low = high = None
    reason = ""
    if df >= 1:
        residual = dy - slope * dx
        half = coverage_factor(level, df) * math.sqrt(float(residual @ residual) / df / inner)
        low, high = slope - half, slope + half
    else:
        reason = "too few pulls for an interval of the slope"
    span = float(np.ptp(x))
    shifts = {
        c: slope * float(about[[label[0] == c for label in labels]].mean())
        for c in dict.fromkeys(label[0] for label in labels)
    }
    detected = low is not None and high is not None and (low > 0.0 or high < 0.0)
    return Drift(
        covariate=name,
        covariate_unit=covariate_unit,
        unit=unit,
        n=len(known),
        df=max(df, 0),
        slope=slope,
        low=low,
        high=high,
        span=span,
        over_span=slope * span,
        share=1.0 - inner / total,
        shifts=shifts,
        detected=detected,
        reason=reason,
    )
