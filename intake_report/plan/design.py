"""What a design can show, for all simulated campaigns at once, by the numeric core of the report's own judgement.

Campaigns are simulated at the level of metric values. A shift of the truth shifts the estimate and leaves its error alone, so
that every campaign has one threshold: the smallest true difference that it would show. `RunsModel.evaluate`, `holm_rows` and
`guard_band` are those of the report; a test holds the thresholds against `compare` and `judge_claims`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from intake_report.analyse.claim_check import find_key, is_absolute, other
from intake_report.campaign import Campaign, Claim, Planning
from intake_report.metrics import PULL_METRICS
from intake_report.plan.scatter import Scatter
from intake_report.results import MetricKey
from intake_report.results.text import DIFFERENCES
from intake_report.statistics import (
    Estimates,
    Floats,
    RunsModel,
    blocked,
    decide,
    guard_band,
    holm_rows,
    p_values,
    two_samples,
)
from intake_report.units import parse_quantity

STEPS = 40  # of halving a threshold


@dataclass(frozen=True)
class Design:
    """How many blocks, and runs of each configuration in each; the first configuration is the baseline.

    `closing`: the baseline is driven once more at the end of each block.
    """

    configurations: tuple[str, ...]
    blocks: int
    repeats: int = 1
    closing: bool = False

    @property
    def cells(self) -> list[tuple[str, int]]:
        """Configuration and block of every run, block by block."""
        one = [c for c in self.configurations for _ in range(self.repeats)]
        return [(c, b) for b in range(self.blocks) for c in (*one, *self.configurations[:1][: int(self.closing)])]

    @property
    def runs(self) -> int:
        """Runs in all."""
        return len(self.cells)

    def hours(self, planning: Planning) -> float:
        """Return the hours that it takes: driving, standing before each run, and changes of the configuration."""
        each = planning.drive_time + planning.stand
        return (self.runs * each + (self.runs - self.blocks) * planning.changeover) / 3600.0

    def model(self, pair: tuple[str, str], blocks: int | None = None) -> tuple[RunsModel, NDArray[np.intp]]:
        """Return the report's arithmetic for a pair (candidate, other), and which runs it takes; of the first `blocks`."""
        some = [i for i, (_, b) in enumerate(self.cells) if blocks is None or b < blocks]
        names, ids, where = [str(i) for i in some], [self.cells[i][0] for i in some], [self.cells[i][1] for i in some]
        if len(set(where)) > 1:
            return blocked(names, ids, where, pair), np.array(some)
        two = [i for i in some if self.cells[i][0] in pair]
        return two_samples([str(i) for i in two], [self.cells[i][0] for i in two], pair), np.array(two)


def simulate(design: Design, scatter: Scatter, n: int, rng: np.random.Generator) -> Floats:
    """Return values of n campaigns without any difference between configurations, (n, runs), about zero."""
    cells = design.cells
    block = np.array([b for _, b in cells])
    which = np.array([design.configurations.index(c) for c, _ in cells])
    factors = np.array(scatter.factors or (1.0,) * len(design.configurations))
    days = scatter.block * rng.standard_normal((n, design.blocks))
    shift = scatter.interaction * rng.standard_normal((n, len(design.configurations), design.blocks))
    runs = scatter.run * rng.standard_normal((n, len(cells)))
    return np.asarray(days[:, block] + factors[which] * (shift[:, which, block] + runs))


@dataclass(frozen=True)
class Case:
    """A claim in numbers: what decides it and, for power, how it becomes true.

    `limit` [internal unit]; `sign`: direction of the claim, 0 for "equal", whose limit is then its margin's stand-in;
    `family`: headline metrics whose comparisons with the baseline Holm's adjustment covers; 0 where it is not applied.
    """

    claim: Claim
    key: MetricKey
    pair: tuple[str, str] | None
    limit: float
    sign: float
    family: int

    @property
    def at_once(self) -> bool:
        """Whether shared biases cancel, so that all campaigns are judged at once."""
        return self.pair is not None and (self.key.parameter.kind != "margin" or self.sign == 0.0)


def cases(campaign: Campaign, metrics: tuple[MetricKey, ...]) -> tuple[Case, ...]:
    """Return the claims that runs decide, in numbers; those on pulls are not planned here."""
    headline = sum(key.spec.headline for key in metrics)
    made = []
    for claim in campaign.claims:
        key = find_key(claim, metrics)
        if claim.metric in PULL_METRICS or key is None:
            continue
        absolute = is_absolute(claim)
        pair = None if absolute else (claim.configuration, other(campaign, claim))
        quantity = key.spec.quantity if absolute else DIFFERENCES.get(key.spec.quantity, key.spec.quantity)
        limit = 0.0 if claim.value is None else parse_quantity(str(claim.value), quantity)
        sign = 0.0 if claim.relation == "equal" else -1.0 if claim.relation in ("lower", "at most") else 1.0
        adjusted = key.spec.headline and pair is not None and pair[1] == campaign.baseline.id
        made.append(Case(claim, key, pair, limit, sign, headline if adjusted and limit == 0.0 and sign else 0))
    return tuple(made)


def thresholds(
    campaign: Campaign, case: Case, design: Design, scatter: Scatter, n: int, rng: np.random.Generator
) -> Floats:
    """Return the smallest true difference beyond the limit that each of n campaigns would show, (n,); inf: none.

    For "equal": the smallest margin of equivalence.
    """
    assert case.pair is not None
    model, runs = design.model(case.pair)
    values = simulate(design, scatter, n, rng)
    found = model.evaluate(values[:, runs])
    if found is None:
        return np.full(n, math.inf)
    others = other_p_values(case, design, scatter, values, rng)
    return threshold_of(campaign.metrics.confidence, case.sign, found, others)


def other_p_values(case: Case, design: Design, scatter: Scatter, values: Floats, rng: np.random.Generator) -> Floats:
    """Return p-values of the other headline comparisons, in which nothing differs, (n, m).

    Those of the same metric come from its `values` (n, runs), the others from metrics that scatter likewise, each by itself.
    """
    columns: list[Floats] = []
    for number in range(case.family):
        drawn = simulate(design, scatter, len(values), rng) if number else values
        for candidate in design.configurations[1:]:
            if number == 0 and case.pair is not None and candidate == case.pair[0]:
                continue
            model, runs = design.model((candidate, design.configurations[0]))
            found = model.evaluate(drawn[:, runs])
            assert found is not None
            columns.append(p_values(found.difference / found.error, found.df))
    return np.column_stack(columns) if columns else np.zeros((len(values), 0))


def threshold_of(level: float, sign: float, found: Estimates, others: Floats) -> Floats:
    """Return the threshold of each campaign from its estimate about the limit; see `thresholds`."""
    if sign == 0.0:
        return _margins(found, 1.0 - level)
    freedom, where = np.unique(found.df, return_inverse=True)
    factor = np.array([guard_band(1.0, (1.0 - level) / 2.0, free) for free in freedom])[where]
    own = sign * found.difference  # beyond the limit, in the direction of the claim
    low = factor * found.error - own
    if not others.shape[1]:
        return np.asarray(np.maximum(low, 0.0))
    high = low + 1e3 * found.error
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        p = p_values((own + middle) / found.error, found.df)
        holds = holm_rows(np.column_stack([p, others]))[:, 0] <= 1.0 - level
        low, high = np.where(holds, low, middle), np.where(holds, middle, high)
    return np.asarray(np.maximum(high, 0.0))


def _margins(found: Estimates, risk: float) -> Floats:
    """Return the smallest margin within which each campaign is equivalent."""
    made = []
    for estimate, u, df in zip(found.difference, found.error, found.df, strict=True):
        low, high = abs(estimate), abs(estimate) + 1e3 * u
        for _ in range(STEPS // 2):
            middle = 0.5 * (low + high)
            holds = decide(float(estimate), float(u), -middle, middle, risk, float(df)).decision == "conforms"
            low, high = (low, middle) if holds else (middle, high)
        made.append(high)
    return np.array(made)


def risk_of_looking(campaign: Campaign, design: Design, n: int, rng: np.random.Generator) -> tuple[float, float]:
    """Return the risk of supporting what is not true: with one look at the end, and with one after every block from the second.

    Of a difference exactly at the limit of a claim, without Holm's adjustment.
    """
    pair, level = (design.configurations[1], design.configurations[0]), campaign.metrics.confidence
    values = simulate(design, Scatter(1.0, 1.0, 2.0, 0.0, ""), n, rng)
    wrong = np.zeros(n, dtype=np.bool_)
    for blocks in range(2, design.blocks + 1):
        model, runs = design.model(pair, blocks)
        found = model.evaluate(values[:, runs])
        assert found is not None
        now = threshold_of(level, 1.0, found, np.zeros((n, 0))) <= 0.0
        wrong |= now
    return float(now.mean()), float(wrong.mean())
