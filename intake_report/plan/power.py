"""What a design can show: campaigns simulated at the level of metric values and judged by the report's own functions.

Claims of a difference in a metric in which shared biases cancel are judged for all simulated campaigns at once, by the
numeric core of the report (`RunsModel.evaluate`, `holm_rows`, `guard_band`). A shift of the truth shifts the estimate and
leaves its error alone, so that every campaign has one threshold: the smallest true difference that it would show. All other
claims (recovery times, limits of values) go one by one through `compare_pair` and `judge_claims`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression

from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.claims import find_key, is_absolute, judge_claims, other
from intake_report.analyse.compare import compare_pair, judge
from intake_report.analyse.inputs import declared_resolution
from intake_report.analyse.uncertainty.sources import find_sources
from intake_report.campaign import Campaign, Claim, Planning
from intake_report.messages import message
from intake_report.metrics import PULL_METRICS
from intake_report.plan.scatter import Scatter
from intake_report.results import Comparison, MetricKey, MetricResult
from intake_report.results.text import DIFFERENCES, difference_quantity, never_negative
from intake_report.statistics import (
    Estimates,
    Floats,
    RunsModel,
    blocked,
    decide,
    guard_band,
    holm,
    holm_rows,
    p_values,
    two_samples,
)
from intake_report.units import parse_quantity
from intake_report.weather import reference_contributions
from intake_report.weather.reference import AmbientReference as Choice
from intake_report.weather.reference import ReferenceCandidate

ROUGH = 500  # simulated campaigns below which numbers are marked as rough
ONE_BY_ONE = 500  # simulated campaigns at most that are judged one by one for a claim
DRAWS = 60  # of the shared biases, for these
STEPS = 40  # of halving a threshold
LEVELS = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 3.0, 6.0, 20.0)  # of the difference that runs alone would show
PLATEAU = 0.4  # K over ambient that is left at the end of a recovery, where no report shows it (as in ramp-trial)
ENTRY = 9.0  # K over ambient at a highway entry, likewise
WATCHED = 240.0  # s for which a margin is watched for, likewise
CAPPED = 0.95  # of its level that a time may fall at most


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


# ---- one by one: recovery times and limits of values ------------------------------------------------------------


@dataclass(frozen=True)
class Biases:
    """Draws of the biases that all runs share [K], as the campaign declares its instruments, (m,).

    `reading` of the intake air, `rest` of everything else that shifts an over-ambient temperature.
    """

    reading: Floats
    rest: Floats

    @property
    def shift(self) -> Floats:
        """Of an over-ambient temperature."""
        return self.reading + self.rest


def shared_biases(campaign: Campaign, m: int, rng: np.random.Generator) -> Biases:
    """Draw the shared biases from the report's own sources of uncertainty."""
    source = next((w for w in campaign.weather if w.id == campaign.ambient.reference), None)
    ambient = campaign.instrument.channels.get("ambient")
    stated = None if ambient is None or ambient.accuracy is None else ambient.accuracy
    accuracy = source.accuracy if source else parse_quantity(stated, "temperature_difference") if stated else None
    kind = "vehicle" if source is None or source.kind == "forecast" else source.kind
    steps = declared_resolution(campaign)
    step = steps.get("ambient", 1.0) if kind == "vehicle" else None
    parts = reference_contributions(kind, accuracy=accuracy, resolution=step)
    picked = ReferenceCandidate("planned", kind, (), parts)
    reference = AmbientReference(Choice(picked, "rule", message("planned"), (), (picked,)), {})
    drawn = {"reading": np.zeros(m), "ambient": np.zeros(m)}
    for one in find_sources(campaign, reference, steps.get("iat", 1.0)).sources:
        if one.common and one.scale is not None and one.kind in drawn:
            drawn[one.kind] = drawn[one.kind] + one.draw(rng, m)
    return Biases(drawn["reading"], drawn["ambient"])


def zeroed(limit: float, m: int, rng: np.random.Generator) -> Biases:
    """Draw what a soak check leaves of the biases: the difference of the two sensors within ± `limit` [K]."""
    return Biases(rng.uniform(-limit, limit, m), np.zeros(m))


@dataclass(frozen=True)
class PlannedDraws:
    """Draws of every run's value under shared biases, as the report's comparison takes them.

    A temperature moves with the bias. A time to a margin comes from an exponential fall to a plateau: with the gap g between
    margin and plateau and the rise a at the entry, t = τ·ln(a/g); a bias b makes it τ·ln(a/(g − b)), never where b ≥ g.
    """

    values: Mapping[str, Floats]

    def common(self, key: str, run: str) -> Floats | None:  # noqa: ARG002
        """Return the draws of one run, (m,)."""
        return self.values[run]

    total = common


def gap_of(scatter: Scatter, margin: float, biases: Biases) -> float:
    """Return the gap between margin and plateau [K]: by the share of draws that are lost, else as assumed."""
    if scatter.lost:
        return max(float(np.quantile(biases.shift, 1.0 - scatter.lost)), 0.02)
    return max(margin - PLATEAU, 0.02)


def drawn_values(case: Case, values: Floats, biases: Biases, gap: float, watched: float) -> list[Floats]:
    """Return the draws of each run's value, each (m,)."""
    if case.key.spec.quantity != "time" or case.key.parameter.kind != "margin":
        shift = biases.shift if "over-ambient" in case.key.spec.needs else biases.reading
        temperature = case.key.spec.quantity in ("temperature", "temperature_difference")
        return [value + (shift if temperature else np.zeros(len(shift))) for value in values]
    left = gap - biases.shift
    with np.errstate(invalid="ignore", divide="ignore"):
        stretch = 1.0 - np.log(np.where(left > 0.0, left, np.nan) / gap) / math.log(max(ENTRY / gap, 1.1))
    made = []
    for value in values:
        times = np.maximum(value * stretch, 0.0)
        made.append(np.where(np.isnan(times) | (times > watched), np.inf, times))
    return made


def shown_one_by_one(
    campaign: Campaign, case: Case, design: Design, scatter: Scatter, effects: Floats, biases: Biases, gap: float,
    rng: np.random.Generator,
) -> NDArray[np.bool_]:  # fmt: skip
    """Return whether campaigns with these true differences beyond the limit, (n,), support the claim."""
    n, cells = len(effects), design.cells
    values = simulate(design, scatter, n, rng)
    others = other_p_values(case, design, scatter, values, rng)
    who = np.array([c == case.claim.configuration for c, _ in cells])
    base = case.limit if case.pair is None else scatter.level
    beyond = (0.0 if case.pair is None else case.limit) + case.sign * effects
    values = values + base + np.where(who, beyond[:, None], 0.0)
    watched = scatter.watched or WATCHED
    time = never_negative(case.key)
    if time:
        values = np.maximum(values, 0.0)
    claim = case.claim.model_copy(update={"text": "planned"})
    model = campaign.model_copy(update={"claims": (claim,)})
    found = np.zeros(n, dtype=np.bool_)
    for i in range(n):
        results = tuple(_result(case.key.key, j, cells[j], v, time, watched) for j, v in enumerate(values[i].tolist()))
        runs = drawn_values(case, values[i], biases, gap, watched)
        draws = PlannedDraws({str(j): drawn for j, drawn in enumerate(runs)})
        compared: tuple[Comparison, ...] = ()
        if case.pair is not None:
            row = compare_pair(model, case.key, results, *case.pair, draws)
            if case.family:
                row = replace(row, p_adjusted=holm([row.p_value, *others[i].tolist()])[0])
            compared = (judge(case.key, row),)
        verdict = judge_claims(model, (case.key,), results, compared, draws=draws)[0].verdict
        found[i] = verdict == "supported"
    return found


def _result(key: str, run: int, cell: tuple[str, int], value: float, time: bool, watched: float) -> MetricResult:
    open_ = time and value > watched
    status, number, bound = ("not reached", None, watched) if open_ else ("ok", value, None)
    return MetricResult(key, str(run), cell[0], f"block-{cell[1] + 1}", status, number, bound)  # type: ignore[arg-type]


# ---- what a design shows ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shown:
    """What one design shows of one claim.

    Attributes
    ----------
    claim, key : str
        Ids.
    blocks, repeats, runs : int
        The design.
    hours : float
        Driving, standing and changing.
    detectable : float or None
        True difference beyond the claim's limit that is shown with the chance asked for [internal unit of a difference]; None
        where none is.
    chance : float or None
        Of showing what is worth showing; None where that is not stated.
    upper : float or None
        `detectable` if the scatter is at its upper limit (80 %).
    campaigns : int
        Simulated.
    """

    claim: str
    key: str
    blocks: int
    repeats: int
    runs: int
    hours: float
    detectable: float | None
    chance: float | None
    upper: float | None
    campaigns: int


@dataclass(frozen=True)
class Task:
    """One design to be judged for every claim; what a worker gets."""

    campaign: Campaign
    cases: tuple[Case, ...]
    scatter: tuple[Scatter, ...]
    design: Design
    campaigns: int
    seed: int
    biases: Biases | None = None


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
        curve = dose(task, case, scatter, n, rng)
        detectable = curve.reaches(power)
        chance = None if worth is None else curve.at(worth)
    upper = None if detectable is None or not scatter.df else detectable * scatter.upper
    if upper is not None and never_negative(case.key) and case.sign < 0.0 and upper > scatter.level:
        upper = None  # a time cannot fall by more than itself
    return Shown(
        case.claim.id, case.key.key, design.blocks, design.repeats, design.runs, design.hours(task.campaign.plan),
        detectable, chance, upper, n,
    )  # fmt: skip


@dataclass(frozen=True)
class Curve:
    """Share of campaigns that support a claim by the true difference beyond its limit; never falls."""

    effects: Floats
    shares: Floats

    def at(self, effect: float) -> float:
        """Return the share at a difference."""
        return float(np.interp(effect, self.effects, self.shares))

    def reaches(self, share: float) -> float | None:
        """Return the difference at which the share is reached; None where it never is."""
        if self.shares[-1] < share:
            return None
        first = int(np.argmax(self.shares >= share))
        if first == 0:
            return float(self.effects[0])
        low, high = self.shares[first - 1], self.shares[first]
        part = (share - low) / (high - low)
        return float(self.effects[first - 1] + part * (self.effects[first] - self.effects[first - 1]))


def dose(task: Task, case: Case, scatter: Scatter, n: int, rng: np.random.Generator) -> Curve:
    """Judge n campaigns one by one, spread over true differences; the shares are made to rise (isotonic regression)."""
    design = task.design
    biases = task.biases or shared_biases(task.campaign, DRAWS, rng)
    declared = biases if task.biases is None else shared_biases(task.campaign, DRAWS, rng)
    gap = gap_of(scatter, case.key.parameter.number or 0.0, declared)
    pair = case.pair or (design.configurations[1], design.configurations[0])
    alone = thresholds(task.campaign, replace(case, pair=pair, sign=case.sign or 1.0), design, scatter, 200, rng)
    effects = float(np.quantile(alone, task.campaign.plan.power)) * np.array(LEVELS)
    if never_negative(case.key) and case.sign < 0.0 and scatter.level:
        room = CAPPED * (scatter.level if case.pair is not None else case.limit)
        effects = np.unique(np.minimum(effects, room))
    each = np.repeat(effects, max(2, n // len(effects)))
    shown = shown_one_by_one(task.campaign, case, design, scatter, each, biases, gap, rng)
    shares = shown.reshape(len(effects), -1).mean(axis=1)
    return Curve(effects, np.asarray(isotonic_regression(shares).x))


def worth_of(campaign: Campaign, case: Case) -> float | None:
    """Return the smallest difference beyond the limit that is worth showing [internal unit]; None where not stated."""
    text = campaign.plan.worth.get(case.claim.id)
    if text is None and case.sign == 0.0:
        text = campaign.metrics.equivalence.get(case.claim.metric)
    return None if text is None else abs(parse_quantity(text, difference_quantity(case.key)))


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
