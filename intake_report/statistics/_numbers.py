"""What every module of the package needs: checked input, moments that keep their digits, distribution functions.

The distribution functions come from `scipy.special`, which loads in a fraction of the time of `scipy.stats`.
"""

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import special

from intake_report.errors import DataError

Floats: TypeAlias = NDArray[np.float64]
Values: TypeAlias = Sequence[float] | Floats


def finite(values: Values, what: str) -> Floats:
    """Return `values` (n,) as a float array; DataError where there is none, or one is not finite. `what` names them."""
    array = np.asarray(values, dtype=np.float64)
    if array.size == 0:
        remedy = "Check which runs were excluded and which channel is missing."
        raise DataError(f"{what}: no value is left.", remedy=remedy)
    bad = int(np.count_nonzero(~np.isfinite(array)))
    if bad:
        raise DataError(f"{what}: {bad} of {array.size} values are not finite.", remedy="Leave those runs out first.")
    return array


def mean_and_squares(values: Floats) -> tuple[float, float]:
    """Return the mean and the sum of squared deviations, shape (n,) → two floats.

    Two passes around the first value, so that data with many constant leading digits keep theirs and equal values
    give exactly zero; the last term removes what rounding leaves in the mean (corrected two-pass algorithm,
    Chan, Golub, LeVeque 1983).
    """
    shifted = values - values[0]
    centre = float(np.mean(shifted))
    residual = shifted - centre
    squares = float(np.sum(residual**2)) - float(np.sum(residual)) ** 2 / values.size
    return float(values[0]) + centre, max(squares, 0.0)


def below_rounding(deviations: Floats, values: Floats) -> bool:
    """Return True when deviations from a model are no larger than the rounding of the values they come from.

    Without it, values that are equal as decimals (0.3 and 0.1 + 0.2) would scatter by 1e-17 and give an interval of
    that width.
    """
    limit = 16.0 * float(np.finfo(np.float64).eps) * float(np.max(np.abs(values)))
    return bool(np.max(np.abs(deviations)) <= limit)


def t_quantile(probability: float, df: float) -> float:
    """Quantile of Student's t with `df` degrees of freedom (need not be whole; inf = normal)."""
    return float(special.ndtri(probability) if np.isinf(df) else special.stdtrit(df, probability))


def t_two_sided(t: float, df: float) -> float:
    """Two-sided p-value of Student's t."""
    return float(p_values(np.array(t), np.array(df)))


def p_values(t: Floats, df: Floats) -> Floats:
    """Two-sided p-values of Student's t, element by element; infinite degrees of freedom are the normal distribution."""
    away = -np.abs(t)
    return np.asarray(2.0 * np.where(np.isinf(df), special.ndtr(away), special.stdtr(df, away)))


def coverage_factor(level: float, df: float) -> float:
    """Two-sided coverage factor t((1 + level) / 2, df)."""
    return t_quantile(0.5 + level / 2.0, df)
