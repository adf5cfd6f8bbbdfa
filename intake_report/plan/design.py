"""What a design can show, for all simulated campaigns at once, by the numeric core of the report's judgement.

Campaigns are simulated at the level of metric values, which scatter as runs that were driven do. A shift of the truth
shifts the estimate and leaves its error alone, so that every campaign has one threshold: the smallest true difference that
it would show. `RunsModel.evaluate`, `holm_rows`, `guard_band` are the report's, to which tests hold the thresholds.
"""

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy import special
from scipy.interpolate import RegularGridInterpolator

from intake_report import statistics
from intake_report.analyse.claim_check import find_key, is_absolute, other
from intake_report.analyse.compare.instruments import quantile
from intake_report.campaign import Campaign, Claim, Planning
from intake_report.errors import DataError
from intake_report.messages import Part, Value, message
from intake_report.metrics import PULL_METRICS
from intake_report.results import MetricKey
from intake_report.results.text import DIFFERENCES
from intake_report.statistics import Blocked, Estimates, Floats, additive_residuals, p_values
from intake_report.units import parse_quantity

ON_COMMON = " on the common drive"  # what the models say of a metric there, beside the metric as measured
_SHARE = 0.5
"""Of the scatter of a run that is taken as a day favouring one configuration, where each was driven once a day: the two
cannot be told apart then. A choice of this package; ½ is where both are alike."""
_ASSUMED = {"temperature": 1.0, "temperature_difference": 1.0, "time": 15.0}
"""Standard deviation of a run by quantity [internal unit]: the upper part of what the simulated campaign ramp-trial shows
(`intake-report render data/ramp-trial`, table “Scatter of one run”: 0.2 to 1.4 K, 6 to 16 s)."""
_ASSUMED_LEVEL = {"time": 60.0}  # s; a recovery time of the same campaign, rounded
_BLOCKS_APART = 2.0  # scatter of blocks over that of runs, where it is not known; cancels in differences
_UPPER = 0.8  # confidence of the upper limit of a scatter
_STEPS = 40  # of halving a threshold
SOAK_CHECK = 900.0  # s, at the beginning of a day, engine cold; a drive to warm up and the stand follow it
_NODES = 99  # of a normal distribution, taken at the middles of equal shares


@dataclass(frozen=True)
class Scatter:
    """How one metric scatters [internal unit of a difference]."""

    run: float  # Standard deviation of runs of one configuration in one block
    interaction: float  # Standard deviation by which a block favours one configuration
    block: float  # Standard deviation of what a block does to all runs alike
    df: float  # Degrees of freedom behind it; 0 where it is assumed
    basis: Part  # Where it comes from
    level: float = 0.0  # Usual value of the metric in the baseline; a time cannot fall by more than this
    lost: float | None = None  # Share of the instruments' draws in which a run does not reach its margin, if known
    watched: float | None = None  # Time for which a margin was watched for [s]; None where no run was censored
    factors: tuple[float, ...] = ()  # Scatter of each configuration over `run`, as the design has them; empty: alike
    shared: float = 0.0  # Standard uncertainty of a difference that runs do not reduce: of models, on the common drive

    @property
    def upper(self) -> float:
        """Factor to the upper limit (80 %) of the scatter, by chi squared; 1 where it is assumed."""
        return math.sqrt(self.df / float(special.chdtri(self.df, _UPPER))) if self.df > 0.0 else 1.0


def estimate(values: Iterable[tuple[str, str, float]], basis: Part) -> Scatter | None:
    """Return the scatter of runs given as (configuration, block, value); None where nothing shows it.

    Mean squares within cells, and between them beside configuration and block, are set equal to their expectations.
    """
    rows = list(values)
    if not rows:  # no run has a value of this metric
        return None
    cells: dict[tuple[str, str], list[float]] = {}
    for configuration, block, value in rows:
        cells.setdefault((configuration, block), []).append(value)
    within = len(rows) - len(cells)
    square = sum(float(np.sum((np.array(v) - np.mean(v)) ** 2)) for v in cells.values())
    configurations, blocks = ([cell[i] for cell in cells] for i in (0, 1))
    means = [float(np.mean(v)) for v in cells.values()]
    between = len(cells) - len(set(configurations)) - len(set(blocks)) + 1
    rest = float(np.sum(additive_residuals(means, configurations, blocks) ** 2)) if between > 0 else 0.0
    by_block = [float(np.mean([m for m, b in zip(means, blocks, strict=True) if b == name])) for name in set(blocks)]
    apart = float(np.std(by_block, ddof=1)) if len(by_block) > 1 else 0.0
    if within > 0 and square > 0.0:
        run = math.sqrt(square / within)
        size = len(cells) / sum(1.0 / len(v) for v in cells.values())
        shift = math.sqrt(max(rest / between - run**2 / size, 0.0)) if between > 0 else run
    elif between > 0 and rest > 0.0:
        run, shift = math.sqrt((1.0 - _SHARE) * rest / between), math.sqrt(_SHARE * rest / between)
    else:
        return None
    return Scatter(run, shift, apart or _BLOCKS_APART * run, float(within + max(between, 0)), basis)


def from_results(document: Mapping[str, Any], basis: str) -> dict[str, Scatter]:
    """Return the scatter of every metric of a results.json, by key; that of a common drive under the key and `ON_COMMON`."""
    found, common = _of_values(document, document["values"], basis), document.get("common_drive")
    if common is None or common["failed"]:
        return found
    for key, scatter in _of_values(document, common["values"], basis).items():
        shared = [c["instrument"] for c in common["comparisons"] if c["key"] == key and c["instrument"] is not None]
        if shared:
            found[key + ON_COMMON] = replace(scatter, shared=math.sqrt(float(np.mean(np.square(shared)))))
    return found


def _of_values(document: Mapping[str, Any], all_values: Sequence[Mapping[str, Any]], basis: str) -> dict[str, Scatter]:
    used = {run["id"]: run for run in document["runs"] if run["decision"] != "excluded"}
    baseline = next((c["id"] for c in document["configurations"] if c["role"] == "baseline"), "")
    found = {}
    for key in dict.fromkeys(value["key"] for value in all_values):
        values = [v for v in all_values if v["key"] == key and v["run"] in used]
        reached = [v for v in values if v["value"] is not None]
        rows = [(v["configuration"], v["block"] or (used[v["run"]]["start"] or "")[:10], v["value"]) for v in reached]
        made = estimate(rows, message("{runs} runs of {basis}", code="scatter-runs", runs=len(rows), basis=basis))
        if made is None:
            continue
        usual = [v["value"] for v in reached if v["configuration"] == baseline] or [v["value"] for v in reached]
        lost = [v["draws_not_reached"] for v in values if v["draws_not_reached"] is not None]
        bounds = [v["bound"] for v in values if v["status"] == "not reached"]
        share, watched = float(np.mean(lost)) if lost else None, min(bounds, default=None)
        found[key] = replace(made, level=float(np.mean(usual)), lost=share, watched=watched)
    return found


def read_results(path: Path) -> dict[str, Scatter]:
    """Return the scatter that another report's results.json, or the folder that holds it, shows."""
    file, remedy = path / "results.json" if path.is_dir() else path, "Name a report's folder."
    try:
        found = from_results(json.loads(file.read_text(encoding="utf-8")), f"the report {file.parent.name}")
    except (OSError, ValueError, KeyError, TypeError) as why:
        what = "there is no results.json here." if isinstance(why, OSError) else "this is no results.json of a report."
        raise DataError(what, file=file, remedy=remedy) from None
    if not found:
        more = "Name one with two runs of a configuration, or runs in two blocks; without --like a scatter is assumed."
        raise DataError("this report shows no scatter between runs.", file=file, remedy=more)
    return found


def hours_of(planning: Planning, runs: int, blocks: int) -> float:
    """Return the hours of so many runs: driving, standing, changes, and each day the soak check and a drive to warm up."""
    each, day = planning.drive_time + planning.stand, SOAK_CHECK + planning.drive_time
    return (runs * each + (runs - blocks) * planning.changeover + blocks * day) / 3600.0


@dataclass(frozen=True)
class Design:
    """How many blocks, and runs of each configuration in each; the first configuration is the baseline."""

    configurations: tuple[str, ...]
    blocks: int
    repeats: int = 1
    closing: bool = False  # the baseline is driven once more at the end of each block

    @property
    def cells(self) -> list[tuple[str, int]]:
        """Configuration and block of every run, block by block."""
        one = [c for c in self.configurations for _ in range(self.repeats)]
        return [(c, b) for b in range(self.blocks) for c in (*one, *self.configurations[:1][: int(self.closing)])]

    def hours(self, planning: Planning) -> float:
        """Return the hours that it takes; see `hours_of`."""
        return hours_of(planning, len(self.cells), self.blocks)

    def model(self, pair: tuple[str, str], blocks: int | None = None) -> Blocked:
        """Return the report's arithmetic for a pair (candidate, other), with the runs of the first `blocks`."""
        some = [cell for cell in self.cells if blocks is None or cell[1] < blocks]
        return statistics.blocked([str(i) for i in range(len(some))], [c for c, _ in some], [b for _, b in some], pair)


def designs(campaign: Campaign) -> tuple[Design, ...]:
    """Return the designs that are compared: four usual ones, and the declared one."""
    ids = (campaign.baseline.id, *(c.id for c in campaign.configurations if c.role != "baseline"))
    planning = campaign.plan
    sizes = [(3, 1), (4, 1), (6, 1), (3, 2)]
    if planning.blocks is not None and (planning.blocks, planning.runs_per_block) not in sizes:
        sizes[-1] = (planning.blocks, planning.runs_per_block)
    return tuple(Design(ids, b, r, planning.repeat_baseline) for b, r in sorted(sizes))


def simulate(design: Design, scatter: Scatter, n: int, rng: np.random.Generator) -> Floats:
    """Return values of n campaigns without any difference between configurations, (n, runs), about zero."""
    block, which = np.array([(b, design.configurations.index(c)) for c, b in design.cells]).T
    factors = np.array(scatter.factors or (1.0,) * len(design.configurations))
    days = scatter.block * rng.standard_normal((n, design.blocks))
    shift = scatter.interaction * rng.standard_normal((n, len(design.configurations), design.blocks))
    runs = scatter.run * rng.standard_normal((n, len(block)))
    return np.asarray(days[:, block] + factors[which] * (shift[:, which, block] + runs))


@dataclass(frozen=True)
class Case:
    """A claim in numbers: what decides it, how that scatters and, for power, how it becomes true."""

    claim: Claim
    key: MetricKey
    pair: tuple[str, str] | None
    limit: float  # [internal unit]
    sign: float  # direction of the claim; 0 for "equal", whose limit is then its margin's stand-in
    # headline metrics whose comparisons with the baseline Holm's adjustment covers; 0 where it is not applied
    family: int
    common: bool  # the values are those that the models give on the common drive
    scatter: Scatter

    @property
    def name(self) -> str:
        """Of the claim, and where its values are those of the common drive."""
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
            measured = _assumed(key, f"{campaign.given}: claim[{number}]")
        for scatter, common in ((measured, False), (on_common, True)):
            if scatter is not None:
                made.append(Case(claim, key, pair, limit, sign, family, common, scatter))
    return tuple(made)


def _assumed(key: MetricKey, where: str) -> Scatter:
    if (quantity := key.spec.quantity) not in _ASSUMED:
        what = f"no scatter of “{key.key}” is known, and none can be assumed."
        raise DataError(what, where=where, remedy="Name a report with such runs: --like FOLDER.")
    both = _ASSUMED[quantity]
    basis = message(
        "assumed: together {run}, about what the simulated campaign ramp-trial shows; runs of one configuration would show it",
        code="scatter-assumed",
        run=Value(both, "time" if quantity == "time" else "temperature_difference", 1),
    )
    run, shift = both * math.sqrt(1.0 - _SHARE), both * math.sqrt(_SHARE)
    return Scatter(run, shift, _BLOCKS_APART * run, 0.0, basis, _ASSUMED_LEVEL.get(quantity, 0.0))


def thresholds(campaign: Campaign, case: Case, design: Design, n: int, rng: np.random.Generator) -> Floats:
    """Return the least true difference beyond the limit that each of n campaigns shows, (n,); for "equal": margin."""
    assert case.pair is not None
    level, values = campaign.metrics.confidence, simulate(design, case.scatter, n, rng)
    found = estimates(design, case.pair, values, case.scatter.shared, level, rng)
    return threshold_of(level, case.sign, found, other_p_values(case, design, values, level, rng))


@lru_cache(maxsize=4)
def _wider(level: float) -> RegularGridInterpolator:
    """Return how much wider a t interval becomes by a normal error, over log(error / its own), log(degrees of freedom)."""
    normal = special.ndtri((np.arange(_NODES) + 0.5) / _NODES)
    sizes, freedom, one = np.geomspace(0.05, 50.0, 30), np.geomspace(1.0, 400.0, 16), np.ones(_NODES)
    wide = [[quantile(Estimates(u * normal, one, df * one), 0.5 * (1.0 + level)) for df in freedom] for u in sizes]
    factors = np.array(wide) / [statistics.coverage_factor(level, df) for df in freedom]
    return RegularGridInterpolator((np.log(sizes), np.log(freedom)), factors, bounds_error=False, fill_value=None)


def estimates(
    design: Design, pair: tuple[str, str], values: Floats, shared: float, level: float, rng: np.random.Generator,
    blocks: int | None = None,
) -> Estimates:  # fmt: skip
    """Return the report's estimates from values (n, runs) of the first `blocks`; runs do not reduce `shared` errors."""
    model = design.model(pair, blocks)
    found = model.evaluate(values[:, : len(model.runs)])
    assert found is not None  # every configuration is driven in two blocks or more
    if shared == 0.0:
        return found
    at = np.column_stack([np.log(np.maximum(shared / found.error, 0.05)), np.log(found.df)])
    wrong = shared * rng.standard_normal(found.difference.shape)
    return replace(found, difference=found.difference + wrong, error=found.error * _wider(level)(at))


def other_p_values(case: Case, design: Design, values: Floats, level: float, rng: np.random.Generator) -> Floats:
    """Return p-values (n, m) of other headline comparisons, in which nothing differs; of the same metric by `values`."""
    columns, (baseline, *candidates) = [np.zeros((len(values), 0))], design.configurations
    for number in range(case.family):
        drawn = simulate(design, case.scatter, len(values), rng) if number else values
        for candidate in candidates:
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
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        p = p_values((own + middle) / found.error, found.df)
        holds = statistics.holm_rows(np.column_stack([p, others]))[:, 0] <= 1.0 - level
        low, high = np.where(holds, low, middle), np.where(holds, middle, high)
    return np.asarray(np.maximum(high, 0.0))


def _margins(found: Estimates, risk: float) -> Floats:
    """Return the smallest margin within which each campaign is equivalent."""
    made = []
    for estimate, u, df in zip(found.difference.tolist(), found.error.tolist(), found.df.tolist(), strict=True):
        low, high = abs(estimate), abs(estimate) + 1e3 * u
        for _ in range(_STEPS // 2):
            middle = 0.5 * (low + high)
            holds = statistics.decide(estimate, u, -middle, middle, risk, df).decision == "conforms"
            low, high = (low, middle) if holds else (middle, high)
        made.append(high)
    return np.array(made)


def risk_of_looking(campaign: Campaign, design: Design, n: int, rng: np.random.Generator) -> tuple[float, float]:
    """Return the risk of supporting a difference at the limit: looking once, and after every block from the second."""
    pair, level = (design.configurations[1], design.configurations[0]), campaign.metrics.confidence
    values = simulate(design, Scatter(1.0, 1.0, 2.0, 0.0, ""), n, rng)
    looks = (estimates(design, pair, values, 0.0, level, rng, blocks) for blocks in range(2, design.blocks + 1))
    wrong = [threshold_of(level, 1.0, found, np.zeros((n, 0))) <= 0.0 for found in looks]
    return float(wrong[-1].mean()), float(np.any(wrong, axis=0).mean())
