"""Reading a difference against a margin: equivalence, and its size in units of the scatter of one run."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from intake_report.statistics._numbers import check_level, coverage_factor
from intake_report.statistics.comparison import Difference


@dataclass(frozen=True)
class Equivalence:
    """Outcome of two one-sided tests.

    Attributes
    ----------
    margin : float
        Differences smaller than this do not matter.
    equivalent : bool or None
        The 1 − 2·alpha interval lies inside ± margin; None when there is no interval.
    p_value : float or None
        Larger of the two one-sided p-values.
    low, high : float or None
        Limits of the 1 − 2·alpha interval.
    alpha : float
        Risk of calling a real difference equivalent.
    """

    margin: float
    equivalent: bool | None
    p_value: float | None
    low: float | None
    high: float | None
    alpha: float = 0.05


def equivalence(difference: Difference, margin: float, alpha: float = 0.05) -> Equivalence:
    """Two one-sided tests of a difference against ± margin.

    Parameters
    ----------
    difference : Difference
        With standard error and degrees of freedom, else the outcome is None.
    margin : float
        Greater than zero, chosen before looking at the data.
    alpha : float
        Level of each one-sided test.

    Notes
    -----
    D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987) 657–680. "Not shown to differ" is not "equivalent".
    """
    if margin <= 0.0:
        raise ValueError(f"equivalence margin {margin} is not greater than zero")
    check_level(1.0 - 2.0 * alpha)
    d, error, df = difference.difference, difference.standard_error, difference.df
    if d is None or error is None or df is None or error == 0.0:
        return Equivalence(margin, None, None, None, None, alpha)
    upper = float(special.stdtr(df, (d - margin) / error))
    lower = float(special.stdtr(df, -(d + margin) / error))
    half = coverage_factor(1.0 - 2.0 * alpha, df) * error
    return Equivalence(margin, max(upper, lower) <= alpha, max(upper, lower), d - half, d + half, alpha)


def standardised(difference: Difference) -> float | None:
    """Return the difference in units of the scatter of one run, corrected for few degrees of freedom.

    Parameters
    ----------
    difference : Difference
        With `scatter` and `df`; None results without them or with a single degree of freedom.

    Notes
    -----
    Hedges' correction Γ(df/2) / (√(df/2)·Γ((df − 1)/2)); L. V. Hedges, J. Educ. Stat. 6 (1981) 107–128.
    """
    df = difference.df
    d, scatter = difference.difference, difference.scatter
    if d is None or scatter is None or df is None or df <= 1.0 or scatter == 0.0:
        return None
    correction = math.exp(math.lgamma(df / 2.0) - math.lgamma((df - 1.0) / 2.0)) / math.sqrt(df / 2.0)
    return correction * d / scatter
