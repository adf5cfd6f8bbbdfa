"""Whether blocks shift all configurations alike, which the comparison within blocks assumes."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from intake_report.statistics._numbers import Floats, Values, below_rounding, f_upper, finite
from intake_report.statistics.comparison import additive_design


@dataclass(frozen=True)
class Additivity:
    """Test of the additive model.

    Attributes
    ----------
    method : {"interaction", "one degree", "none"}
        interaction: cells with repeated runs against the additive model. one degree: Tukey's test for one run per
        cell, which sees only that differences grow with the level. none: no degree of freedom for either.
    f, p_value : float or None
        Test statistic and p-value.
    df_effect, df_error : int
        Degrees of freedom.
    note : str
        Why there is no test, else empty.
    """

    method: Literal["interaction", "one degree", "none"]
    f: float | None
    p_value: float | None
    df_effect: int
    df_error: int
    note: str = ""


def _residual(design: Floats, y: Floats) -> tuple[Floats, int]:
    coefficients, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    return np.asarray(y - design @ coefficients, dtype=np.float64), int(rank)


def additivity(values: Values, configuration: Sequence[str], block: Sequence[Hashable]) -> Additivity:
    """Test whether configuration and block effects add up.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        One value per run.
    configuration, block : sequences, shape (n,)
        As in `compare_blocked`, all blocks known.

    Raises
    ------
    DataError
        No value, or one that is not finite.

    Notes
    -----
    F test of the cell means, else J. W. Tukey, Biometrics 5 (1949) 232–242. With few runs neither sees much: a large
    p-value does not show that the model holds.
    """
    y = finite(values, "values per run")
    if not len(configuration) == len(block) == y.size:
        raise ValueError("values, configuration and block differ in length")
    shifted = y - y[0]
    design, _ = additive_design(configuration, block, configuration[0])
    residual, rank = _residual(design, shifted)
    n = int(y.size)
    cells = list(dict.fromkeys(zip(configuration, block, strict=True)))
    repeated = n - len(cells)
    if repeated >= 1 and len(cells) > rank:
        where = list(zip(configuration, block, strict=True))
        full = np.array([[float(w == cell) for cell in cells] for w in where])
        within, _ = _residual(full, shifted)
        effect, error, method = len(cells) - rank, repeated, "interaction"
    else:
        fitted = shifted - residual
        column = (fitted - fitted.mean()) ** 2
        within, wider = _residual(np.column_stack([design, column]), shifted)
        effect, error, method = wider - rank, n - wider, "one degree"
    if effect < 1 or error < 1:
        return Additivity("none", None, None, max(effect, 0), max(error, 0), "too few runs to test it")
    if below_rounding(within, y):
        return Additivity("none", None, None, effect, error, "the runs do not scatter about the wider model")
    squares = float(within @ within)
    f = max(float(residual @ residual) - squares, 0.0) / effect / (squares / error)
    kind: Literal["interaction", "one degree"] = "interaction" if method == "interaction" else "one degree"
    return Additivity(kind, f, f_upper(f, effect, error), effect, error)
