"""What a design can show, for all simulated campaigns at once, by the numeric core of the report's judgement.

Campaigns are simulated at the level of metric values. A shift of the truth shifts the estimate and leaves its error alone,
so that every campaign has one threshold: the smallest true difference that it would show. `RunsModel.evaluate`, `holm_rows`
and `guard_band` are those of the report; a test holds the thresholds against `compare` and `judge_claims`.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import special
from scipy.interpolate import RegularGridInterpolator

from intake_report import statistics
from intake_report.analyse.claim_check import find_key, is_absolute, other
from intake_report.analyse.compare.instruments import quantile
from intake_report.campaign import Campaign, Claim, Planning
from intake_report.errors import DataError
from intake_report.messages import Message, Value, message
from intake_report.metrics import PULL_METRICS
from intake_report.plan.scatter import ASSUMED, ASSUMED_LEVEL, BLOCKS_APART, ON_COMMON, SHARE, Scatter
from intake_report.results import MetricKey
from intake_report.results.text import DIFFERENCES
from intake_report.statistics import Blocked, Estimates, Floats, p_values
from intake_report.units import parse_quantity

STEPS = 40  # of halving a threshold
NODES = 99  # of a normal distribution, taken at the middles of equal shares


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

    def model(self, pair: tuple[str, str], blocks: int | None = None) -> Blocked:
        """Return the report's arithmetic for a pair (candidate, other), with the runs of the first `blocks`."""
        some = [cell for cell in self.cells if blocks is None or cell[1] < blocks]
        return statistics.blocked([str(i) for i in range(len(some))], [c for c, _ in some], [b for _, b in some], pair)


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
    """A claim in numbers: what decides it, how that scatters and, for power, how it becomes true.

    `limit` [internal unit]; `sign`: direction of the claim, 0 for "equal", whose limit is then its margin's stand-in;
    `family`: headline metrics whose comparisons with the baseline Holm's adjustment covers; 0 where it is not applied; `common`:
    the values are those that the models give on the common drive.
    """

    claim: Claim
    key: MetricKey
    pair: tuple[str, str] | None
    limit: float
    sign: float
    family: int
    common: bool
    scatter: Scatter

    @property
    def name(self) -> str:
        """Id of the claim, and where its values are those of the common drive."""
        return self.claim.id + ON_COMMON * self.common

    @property
    def beside(self) -> bool:
        """Whether the claim is decided on the other drive, so that this stands beside it for comparison."""
        return self.common and not self.claim.common_drive

    @property
    def at_once(self) -> bool:
        """Whether shared biases cancel or are known as one uncertainty, so that all campaigns are judged at once."""
        return self.pair is not None and (self.common or self.key.parameter.kind != "margin" or self.sign == 0.0)


def cases(
    campaign: Campaign, metrics: tuple[MetricKey, ...], known: Mapping[str, Scatter], *, assume: bool = True
) -> tuple[Case, ...]:
    """Return the claims that runs decide, in numbers; those on pulls are not planned here.

    A difference whose scatter on the common drive is `known` is planned there too, and there alone where the claim says so.
    A scatter that is not known is assumed, or without `assume` its claim left out. Raises DataError: none can be assumed.
    """
    headline = sum(key.spec.headline for key in metrics)
    made = []
    for number, claim in enumerate(campaign.claims, 1):
        key = find_key(claim, metrics)
        if claim.metric in PULL_METRICS or key is None:
            continue
        absolute = is_absolute(claim)
        pair = None if absolute else (claim.configuration, other(campaign, claim))
        quantity = key.spec.quantity if absolute else DIFFERENCES.get(key.spec.quantity, key.spec.quantity)
        limit = 0.0 if claim.value is None else parse_quantity(str(claim.value), quantity)
        sign = 0.0 if claim.relation == "equal" else -1.0 if claim.relation in ("lower", "at most") else 1.0
        adjusted = key.spec.headline and pair is not None and pair[1] == campaign.baseline.id
        family = headline if adjusted and limit == 0.0 and sign else 0
        on_common = known.get(key.key + ON_COMMON) if pair is not None else None
        measured = known.get(key.key)
        if on_common is not None and claim.common_drive:
            measured = None
        elif measured is None and assume:
            measured = assumed(key, f"{campaign.given}: claim[{number}]")
        for scatter, common in ((measured, False), (on_common, True)):
            if scatter is not None:
                made.append(Case(claim, key, pair, limit, sign, family, common, scatter))
    return tuple(made)


def assumed(key: MetricKey, where: str) -> Scatter:
    """Return the scatter that is assumed of a metric; DataError where none can be, `where` names the claim."""
    quantity = key.spec.quantity
    if quantity not in ASSUMED:
        what = f"no scatter of “{key.key}” is known, and none can be assumed."
        raise DataError(what, where=where, remedy="Name a report with such runs: --like FOLDER.")
    both = ASSUMED[quantity]
    basis: Message = message(
        "assumed: together {run}, about what the simulated campaign ramp-trial shows; runs of one configuration would show it",
        code="scatter-assumed",
        run=Value(both, "time" if quantity == "time" else "temperature_difference", 1),
    )
    run, shift = both * math.sqrt(1.0 - SHARE), both * math.sqrt(SHARE)
    return Scatter(run, shift, BLOCKS_APART * run, 0.0, basis, ASSUMED_LEVEL.get(quantity, 0.0))


def thresholds(campaign: Campaign, case: Case, design: Design, n: int, rng: np.random.Generator) -> Floats:
    """Return the smallest true difference beyond the limit that each of n campaigns would show, (n,).

    For "equal": the smallest margin of equivalence.
    """
    assert case.pair is not None
    level, values = campaign.metrics.confidence, simulate(design, case.scatter, n, rng)
    found = estimates(design, case.pair, values, case.scatter.shared, level, rng)
    return threshold_of(level, case.sign, found, other_p_values(case, design, values, level, rng))


@lru_cache(maxsize=4)
def _wider(level: float) -> RegularGridInterpolator:
    """Return how much wider a t interval becomes by a normal error, over log(error / its own), log(degrees of freedom)."""
    normal = special.ndtri((np.arange(NODES) + 0.5) / NODES)
    sizes, freedom, one = np.geomspace(0.05, 50.0, 30), np.geomspace(1.0, 400.0, 16), np.ones(NODES)

    def factor(u: float, df: float) -> float:
        limit = quantile(Estimates(u * normal, one, df * one), 0.5 * (1.0 + level))
        return limit / statistics.coverage_factor(level, df)

    factors = [[factor(u, df) for df in freedom] for u in sizes]
    return RegularGridInterpolator((np.log(sizes), np.log(freedom)), factors, bounds_error=False, fill_value=None)


def estimates(
    design: Design, pair: tuple[str, str], values: Floats, shared: float, level: float, rng: np.random.Generator,
    blocks: int | None = None,
) -> Estimates:  # fmt: skip
    """Return the report's estimates of a difference from values of n campaigns (n, runs), of their first `blocks`.

    By `shared` each is wrong beside what runs reduce; it is in their intervals as the report has it (`widen`).
    """
    model = design.model(pair, blocks)
    found = model.evaluate(values[:, : len(model.runs)])
    assert found is not None  # every configuration is driven in two blocks or more
    if shared == 0.0:
        return found
    at = np.column_stack([np.log(np.maximum(shared / found.error, 0.05)), np.log(found.df)])
    wrong = shared * rng.standard_normal(found.difference.shape)
    return replace(found, difference=found.difference + wrong, error=found.error * _wider(level)(at))


def other_p_values(case: Case, design: Design, values: Floats, level: float, rng: np.random.Generator) -> Floats:
    """Return p-values of the other headline comparisons, in which nothing differs, (n, m).

    Those of the same metric come from its `values` (n, runs), the others from metrics that scatter likewise, each by itself.
    """
    columns, baseline = [np.zeros((len(values), 0))], design.configurations[0]
    for number in range(case.family):
        drawn = simulate(design, case.scatter, len(values), rng) if number else values
        for candidate in design.configurations[1:]:
            if number or (candidate, baseline) != case.pair:
                found = estimates(design, (candidate, baseline), drawn, case.scatter.shared, level, rng)
                columns.append(p_values(found.difference / found.error, found.df)[:, None])
    return np.hstack(columns)


def threshold_of(level: float, sign: float, found: Estimates, others: Floats) -> Floats:
    """Return the threshold of each campaign from its estimate about the limit; see `thresholds`."""
    if sign == 0.0:
        return _margins(found, 1.0 - level)
    freedom, where = np.unique(found.df, return_inverse=True)
    factor = np.array([statistics.guard_band(1.0, (1.0 - level) / 2.0, free) for free in freedom])[where]
    own = sign * found.difference  # beyond the limit, in the direction of the claim
    low = factor * found.error - own
    if not others.shape[1]:
        return np.asarray(np.maximum(low, 0.0))
    high = low + 1e3 * found.error
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        p = p_values((own + middle) / found.error, found.df)
        holds = statistics.holm_rows(np.column_stack([p, others]))[:, 0] <= 1.0 - level
        low, high = np.where(holds, low, middle), np.where(holds, middle, high)
    return np.asarray(np.maximum(high, 0.0))


def _margins(found: Estimates, risk: float) -> Floats:
    """Return the smallest margin within which each campaign is equivalent."""

    def equivalent(estimate: float, u: float, df: float, margin: float) -> bool:
        return statistics.decide(estimate, u, -margin, margin, risk, df).decision == "conforms"

    made = []
    for one in zip(found.difference.tolist(), found.error.tolist(), found.df.tolist(), strict=True):
        low, high = abs(one[0]), abs(one[0]) + 1e3 * one[1]
        for _ in range(STEPS // 2):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if equivalent(*one, middle) else (middle, high)
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
        found = estimates(design, pair, values, 0.0, level, rng, blocks)
        now = threshold_of(level, 1.0, found, np.zeros((n, 0))) <= 0.0
        wrong |= now
    return float(now.mean()), float(wrong.mean())
