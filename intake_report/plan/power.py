"""What one design shows of every claim: the difference that it detects, and its chance for what is worth showing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from intake_report.campaign import Campaign
from intake_report.plan.design import Case, Design, thresholds
from intake_report.plan.one_by_one import Biases, dose
from intake_report.plan.scatter import Scatter
from intake_report.results.text import difference_quantity, never_negative
from intake_report.units import parse_quantity

ROUGH = 500  # simulated campaigns below which numbers are marked as rough
ONE_BY_ONE = 500  # simulated campaigns at most that are judged one by one for a claim


@dataclass(frozen=True)
class Shown:
    """What one design shows of one claim."""

    # claim, key: Ids
    claim: str
    key: str
    # blocks, repeats, runs: The design
    blocks: int
    repeats: int
    runs: int
    hours: float  # Driving, standing and changing
    # True difference beyond the claim's limit that is shown with the chance asked for [internal unit of a
    # difference]; None where none is
    detectable: float | None
    chance: float | None  # Of showing what is worth showing; None where that is not stated
    upper: float | None  # `detectable` if the scatter is at its upper limit (80 %)
    campaigns: int


DIGITS = 6  # decimals of a difference [internal unit]


@dataclass(frozen=True)
class Task:
    """One design to be judged for every claim; what a worker gets."""

    campaign: Campaign
    cases: tuple[Case, ...]
    scatter: tuple[Scatter, ...]
    design: Design
    campaigns: int
    seed: int
    soaked: Biases | None = None


def judge_design(task: Task) -> tuple[Shown, ...]:
    """Simulate one design for every claim."""
    return tuple(_shown(task, *pair, number) for number, pair in enumerate(zip(task.cases, task.scatter, strict=True)))


def _shown(task: Task, case: Case, scatter: Scatter, number: int) -> Shown:
    design, power = task.design, task.campaign.plan.power
    worth = worth_of(task.campaign, case)
    rng = np.random.default_rng([task.seed, number, design.blocks, design.repeats])
    n, chance = task.campaigns, None
    if case.at_once:
        found = thresholds(task.campaign, case, design, scatter, n, rng)
        level = float(np.quantile(found, power, method="higher"))
        detectable = level if math.isfinite(level) else None
        chance = None if worth is None else float(np.mean(found <= worth))
    else:
        n = min(n, ONE_BY_ONE)
        curve = dose(task.campaign, case, design, scatter, n, rng, task.soaked)
        detectable = curve.reaches(power)
        chance = None if worth is None else curve.at(worth)
    upper = None if detectable is None or not scatter.df else detectable * scatter.upper
    if upper is not None and never_negative(case.key) and case.sign < 0.0 and upper > scatter.level:
        upper = None  # a time cannot fall by more than itself
    # the simulation fixes two digits; the last ones depend on how a library shares work between threads
    detectable, upper = (None if each is None else round(each, DIGITS) for each in (detectable, upper))
    return Shown(
        case.claim.id, case.key.key, design.blocks, design.repeats, design.runs, design.hours(task.campaign.plan),
        detectable, chance, upper, n,
    )  # fmt: skip


def worth_of(campaign: Campaign, case: Case) -> float | None:
    """Return the smallest difference beyond the limit that is worth showing [internal unit]; None where not stated."""
    text = campaign.plan.worth.get(case.claim.id)
    if text is None and case.sign == 0.0:
        text = campaign.metrics.equivalence.get(case.claim.metric)
    return None if text is None else abs(parse_quantity(text, difference_quantity(case.key)))
