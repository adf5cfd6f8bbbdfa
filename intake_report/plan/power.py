"""What one design shows of every claim: the difference that it detects, and its chance for what is worth showing.

Recovery times and limits of values are simulated campaigns judged one by one, with draws of the shared biases.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression

from intake_report.analyse.ambient import VEHICLE, AmbientReference
from intake_report.analyse.claims import judge_claims
from intake_report.analyse.compare import compare_pair, judge
from intake_report.analyse.inputs import declared_resolution
from intake_report.analyse.uncertainty.sources import find_sources
from intake_report.analyse.zeroing import ASSUMED_STEP, NOT_ZEROED
from intake_report.campaign import Campaign
from intake_report.messages import message
from intake_report.plan.design import Case, Design, other_p_values, simulate, thresholds
from intake_report.plan.scatter import Scatter
from intake_report.results import Comparison, MetricResult
from intake_report.results.text import difference_quantity, never_negative
from intake_report.statistics import Floats, holm
from intake_report.units import parse_quantity
from intake_report.weather import reference_contributions
from intake_report.weather.reference import ReferenceCandidate
from intake_report.weather.reference import ReferenceChoice as Choice

DRAWS = 60  # of the shared biases
LEVELS = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 3.0, 6.0, 20.0)  # of the difference that runs alone would show
PLATEAU = 0.4  # K over ambient that is left at the end of a recovery, where no report shows it (as in ramp-trial)
ENTRY = 9.0  # K over ambient at a highway entry, likewise
WATCHED = 240.0  # s for which a margin is watched for, likewise
CAPPED = 0.95  # of its level that a time may fall at most


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
    step = steps.get("ambient", ASSUMED_STEP) if kind == "vehicle" else None
    parts = reference_contributions(kind, accuracy=accuracy, resolution=step)
    picked = ReferenceCandidate(VEHICLE if kind == "vehicle" else "planned", kind, (), parts)
    reference = AmbientReference(Choice(picked, "rule", message("planned"), (), (picked,)), {})
    drawn = {"reading": np.zeros(m), "ambient": np.zeros(m)}
    for one in find_sources(campaign, reference, {"iat": ASSUMED_STEP} | steps, NOT_ZEROED).sources:
        if one.common and one.drawn and one.kind in drawn:
            for name, values in one.effects(one.draw(rng, m)).items():
                drawn[name] = drawn[name] + values
    return Biases(drawn["reading"], -drawn["ambient"])


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
    others = other_p_values(case, design, scatter, values, campaign.metrics.confidence, rng)
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
        # the instruments of this campaign have one of these biases; the report knows only what all may be
        real = int(rng.integers(len(biases.shift)))
        read = [float(drawn[real]) for drawn in drawn_values(case, values[i], biases, gap, watched)]
        results = tuple(_result(case.key.key, j, cells[j], v, time, watched) for j, v in enumerate(read))
        runs = drawn_values(case, np.minimum(read, watched) if time else np.array(read), biases, gap, watched)
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
        part = slice(max(first - 1, 0), first + 1)
        return float(np.interp(share, self.shares[part], self.effects[part]))


def dose(
    campaign: Campaign, case: Case, design: Design, scatter: Scatter, n: int, rng: np.random.Generator,
    soaked: Biases | None = None,
) -> Curve:  # fmt: skip
    """Judge n campaigns one by one, spread over true differences; the shares are made to rise (isotonic regression).

    `soaked`: biases that a soak check leaves, in place of those of the declared instruments.
    """
    declared = shared_biases(campaign, DRAWS, rng)
    gap = gap_of(scatter, case.key.parameter.number or 0.0, declared)
    pair = case.pair or (design.configurations[1], design.configurations[0])
    alone = thresholds(campaign, replace(case, pair=pair, sign=case.sign or 1.0), design, scatter, 200, rng)
    effects = float(np.quantile(alone, campaign.plan.power)) * np.array(LEVELS)
    if never_negative(case.key) and case.sign < 0.0 and scatter.level:
        room = CAPPED * (scatter.level if case.pair is not None else case.limit)
        effects = np.unique(np.minimum(effects, room))
    shares = np.zeros(len(effects))
    for level in reversed(range(len(effects))):
        each = np.full(max(2, n // len(effects)), effects[level])
        shares[level] = shown_one_by_one(campaign, case, design, scatter, each, soaked or declared, gap, rng).mean()
        if shares[level] == 0.0:  # none of a smaller difference either
            break
    return Curve(effects, np.asarray(isotonic_regression(shares).x))


ROUGH = 500  # simulated campaigns below which numbers are marked as rough
ONE_BY_ONE = 500  # simulated campaigns at most that are judged one by one for a claim


@dataclass(frozen=True)
class Shown:
    """What one design shows of one claim."""

    # claim, key: Ids; the claim's with `ON_COMMON` where it is planned on the common drive
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
        case.name, case.key.key, design.blocks, design.repeats, design.runs, design.hours(task.campaign.plan),
        detectable, chance, upper, n,
    )  # fmt: skip


def worth_of(campaign: Campaign, case: Case) -> float | None:
    """Return the smallest difference beyond the limit that is worth showing [internal unit]; None where not stated."""
    text = campaign.plan.worth.get(case.claim.id)
    if text is None and case.sign == 0.0:
        text = campaign.metrics.equivalence.get(case.claim.metric)
    return None if text is None else abs(parse_quantity(text, difference_quantity(case.key)))
