"""What more runs would make of an interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from intake_report.analyse.compare.model_of_runs import blocked
from intake_report.analyse.limitations.findings import Findings
from intake_report.results import Comparison
from intake_report.statistics import coverage_factor

MOST_ROUNDS = 20


@dataclass(frozen=True)
class Forecast:
    """`rounds` further runs of both configurations in each block, `runs` in all, and the half-width expected then."""

    rounds: int
    runs: int
    half_width: float


def forecast(f: Findings, c: Comparison, rounds: int) -> Forecast | None:
    """Return the half-width expected with further runs; None where the scatter is not known.

    Parameters
    ----------
    f : Findings
        The layout of the runs.
    c : Comparison
        Its scatter of one run and its shared biases, which more runs do not reduce.
    rounds : int
        Further runs of each of the two configurations in each block.

    Notes
    -----
    No better than the estimate of the scatter, which a few runs know to a factor of two or so.
    """
    if c.scatter is None or c.confounded:
        return None
    there = {v.run for v in f.values if v.key == c.key and v.status != "not computed"}
    runs = [run for run in f.used if run.id in there]
    known = all(run.block for run in runs)
    layout = [run.configuration for run in runs]
    blocks = [run.block or "all" if known else "all" for run in runs]
    names = list(dict.fromkeys(blocks))
    for _ in range(rounds):
        for name in names:
            layout += [c.versus, c.configuration]
            blocks += [name, name]
    model = blocked([str(i) for i in range(len(layout))], layout, blocks, (c.configuration, c.versus))
    if model.df <= 0.0:
        return None
    half = coverage_factor(c.level, model.df) * c.scatter * float(np.linalg.norm(model.weights))
    return Forecast(rounds, 2 * rounds * len(names), math.hypot(half, floor_of(c)))


def floor_of(c: Comparison) -> float:
    """Return the half-width that the shared biases alone leave, whatever the number of runs."""
    return coverage_factor(c.level, math.inf) * (c.instrument or 0.0)


def rounds_for(f: Findings, c: Comparison, wanted: float) -> Forecast | None:
    """Return the fewest further rounds that bring the half-width down to `wanted`; None if `MOST_ROUNDS` do not."""
    for rounds in range(1, MOST_ROUNDS + 1):
        found = forecast(f, c, rounds)
        if found is None:
            return None
        if found.half_width <= wanted:
            return found
    return None
