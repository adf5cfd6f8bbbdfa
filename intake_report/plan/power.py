"""What one design shows of every claim: the difference that it detects, and its chance for what is worth showing."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression

from intake_report.analyse.ambient import VEHICLE, AmbientReference
from intake_report.analyse.claims import judge_claims
from intake_report.analyse.compare import compare_pair, judge
from intake_report.analyse.inputs import declared_resolution
from intake_report.analyse.uncertainty.sources import find_sources
from intake_report.analyse.zeroing import ASSUMED_STEP, NOT_ZEROED
from intake_report.campaign import Campaign
from intake_report.check.logs import finite
from intake_report.messages import message
from intake_report.plan.design import Case, Design, Scatter, other_p_values, simulate, thresholds
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
ROUGH = 500  # simulated campaigns below which numbers are marked as rough
ONE_BY_ONE = 500  # simulated campaigns at most that are judged one by one for a claim
DIGITS = 6  # decimals of a difference [internal unit]


class Biases(NamedTuple):
    """Draws of the biases that all runs share [K], as the campaign declares its instruments, (m,)."""

    reading: Floats  # of the intake air
    shift: Floats  # of an over-ambient temperature: everything else that shifts it is in it too


def shared_biases(campaign: Campaign, m: int, rng: Generator) -> Biases:
    """Draw the shared biases from the report's own sources of uncertainty."""
    source = next((w for w in campaign.weather if w.id == campaign.ambient.reference), None)
    ambient, steps = campaign.instrument.channels.get("ambient"), declared_resolution(campaign)
    accuracy = None if source is None else source.accuracy
    if source is None and ambient is not None and ambient.accuracy is not None:
        accuracy = parse_quantity(ambient.accuracy, "temperature_difference")
    kind = "vehicle" if source is None or source.kind == "forecast" else source.kind
    step = steps.get("ambient", ASSUMED_STEP) if kind == "vehicle" else None
    parts = reference_contributions(kind, accuracy=accuracy, resolution=step)
    picked = ReferenceCandidate(VEHICLE if kind == "vehicle" else "planned", kind, (), parts)
    reference = AmbientReference(Choice(picked, "rule", message("planned"), (), (picked,)), {})
    drawn = {"reading": np.zeros(m), "ambient": np.zeros(m)}
    for one in find_sources(campaign, reference, {"iat": ASSUMED_STEP} | steps, NOT_ZEROED).sources:
        if one.common and one.drawn and one.kind in drawn:
            for name, values in one.effects(one.draw(rng, m)).items():
                drawn[name] = drawn[name] + values
    return Biases(drawn["reading"], drawn["reading"] - drawn["ambient"])


def zeroed(limit: float, m: int, rng: Generator) -> Biases:
    """Draw what a soak check leaves of the biases: the difference of the two sensors within ± `limit` [K]."""
    both = rng.uniform(-limit, limit, m)
    return Biases(both, both)


@dataclass(frozen=True)
class PlannedDraws:
    """Draws of every run's value under shared biases, as the report's comparison takes them; see `drawn_values`."""

    values: Mapping[str, Floats]

    def common(self, key: str, run: str) -> Floats | None:  # noqa: ARG002
        """Return the draws of one run, (m,)."""
        return self.values[run]

    total = common


def gap_of(scatter: Scatter, margin: float, biases: Biases) -> float:
    """Return the gap between margin and plateau [K]: by the share of draws that are lost, else as assumed."""
    gap = float(np.quantile(biases.shift, 1.0 - scatter.lost)) if scatter.lost else margin - PLATEAU
    return max(gap, 0.02)


def drawn_values(case: Case, values: Floats, biases: Biases, gap: float, watched: float) -> Floats:
    """Return the draws of each run's value, (runs, m).

    A temperature moves with the bias. A time to a margin comes from an exponential fall to a plateau: with the gap g between
    margin and plateau and the rise a at the entry, t = τ·ln(a/g); a bias b makes it τ·ln(a/(g − b)), never where b ≥ g.
    """
    quantity, each = case.key.spec.quantity, np.asarray(values)[:, None]
    if quantity != "time" or case.key.parameter.kind != "margin":
        shift = biases.shift if "over-ambient" in case.key.spec.needs else biases.reading
        return np.asarray(each + shift * (quantity in ("temperature", "temperature_difference")))
    left = gap - biases.shift
    with np.errstate(invalid="ignore", divide="ignore"):
        stretch = 1.0 - np.log(np.where(left > 0.0, left, np.nan) / gap) / math.log(max(ENTRY / gap, 1.1))
    times = np.maximum(each * stretch, 0.0)
    return np.where(np.isnan(times) | (times > watched), np.inf, times)


def shown_one_by_one(
    campaign: Campaign, case: Case, design: Design, effects: Floats, biases: Biases, gap: float, rng: Generator
) -> NDArray[np.bool_]:
    """Return whether campaigns with these true differences beyond the limit, (n,), support the claim."""
    n, cells, scatter = len(effects), design.cells, case.scatter
    values = simulate(design, scatter, n, rng)
    others = other_p_values(case, design, values, campaign.metrics.confidence, rng)
    who = np.array([c == case.claim.configuration for c, _ in cells])
    base = case.limit if case.pair is None else scatter.level
    beyond = (0.0 if case.pair is None else case.limit) + case.sign * effects
    values = values + base + np.where(who, beyond[:, None], 0.0)
    watched = scatter.watched or WATCHED
    time = never_negative(case.key)
    if time:
        values = np.maximum(values, 0.0)
    model = campaign.model_copy(update={"claims": (case.claim.model_copy(update={"text": "planned"}),)})
    found = np.zeros(n, dtype=np.bool_)
    for i in range(n):
        # the instruments of this campaign have one of these biases; the report knows only what all may be
        real = int(rng.integers(len(biases.shift)))
        read = drawn_values(case, values[i], biases, gap, watched)[:, real].tolist()
        results = tuple(
            MetricResult(case.key.key, str(j), id, f"block-{b + 1}", "not reached", None, watched)
            if time and v > watched
            else MetricResult(case.key.key, str(j), id, f"block-{b + 1}", "ok", v)
            for j, ((id, b), v) in enumerate(zip(cells, read, strict=True))
        )
        runs = drawn_values(case, np.minimum(read, watched) if time else read, biases, gap, watched)
        draws = PlannedDraws({str(j): drawn for j, drawn in enumerate(runs)})
        compared: tuple[Comparison, ...] = ()
        if case.pair is not None:
            row = compare_pair(model, case.key, results, *case.pair, draws)
            if case.family:
                row = replace(row, p_adjusted=holm([row.p_value, *others[i].tolist()])[0])
            compared = (judge(case.key, row),)
        found[i] = judge_claims(model, (case.key,), results, compared, draws=draws)[0].verdict == "supported"
    return found


def dose(
    campaign: Campaign, case: Case, design: Design, n: int, rng: Generator, soaked: Biases | None = None
) -> tuple[Floats, Floats]:
    """Judge n campaigns one by one, spread over true differences beyond the limit of the claim.

    `soaked`: biases after a soak check. Returns differences, and the share that supports each (isotonic regression).
    """
    declared, scatter = shared_biases(campaign, DRAWS, rng), case.scatter
    gap = gap_of(scatter, case.key.parameter.number or 0.0, declared)
    pair = case.pair or (design.configurations[1], design.configurations[0])
    alone = thresholds(campaign, replace(case, pair=pair, sign=case.sign or 1.0), design, 200, rng)
    effects = float(np.quantile(alone, campaign.plan.power)) * np.array(LEVELS)
    if never_negative(case.key) and case.sign < 0.0 and scatter.level:
        room = CAPPED * (scatter.level if case.pair is not None else case.limit)
        effects = np.unique(np.minimum(effects, room))
    shares = np.zeros(len(effects))
    for level in reversed(range(len(effects))):
        each = np.full(max(2, n // len(effects)), effects[level])
        shares[level] = shown_one_by_one(campaign, case, design, each, soaked or declared, gap, rng).mean()
        if shares[level] == 0.0:  # none of a smaller difference either
            break
    return effects, np.asarray(isotonic_regression(shares).x)


def reached(effects: Floats, shares: Floats, share: float) -> float | None:
    """Return the difference at which a share of campaigns is reached; None where it never is."""
    if shares[-1] < share:
        return None
    first = int(np.argmax(shares >= share))
    part = slice(max(first - 1, 0), first + 1)
    return float(np.interp(share, shares[part], effects[part]))


@dataclass(frozen=True)
class Shown:
    """What one design shows of one claim."""

    claim: str  # its id; with `ON_COMMON` where it is planned on the common drive
    key: str  # of the metric
    blocks: int
    repeats: int
    runs: int
    hours: float  # Driving, standing and changing
    detectable: float | None  # True difference beyond the limit that is shown with the chance asked for [internal unit]
    chance: float | None  # Of showing what is worth showing; None where that is not stated
    upper: float | None  # `detectable` if the scatter is at its upper limit (80 %)
    campaigns: int


def judge_design(
    campaign: Campaign, cases: Sequence[Case], campaigns: int, seed: int, design: Design, soaked: Biases | None = None
) -> tuple[Shown, ...]:
    """Simulate one design for every claim; `soaked`: see `dose`."""
    made, power = [], campaign.plan.power
    for number, case in enumerate(cases):
        text = campaign.plan.worth.get(case.claim.id)
        if text is None and case.sign == 0.0:
            text = campaign.metrics.equivalence.get(case.claim.metric)
        worth = None if text is None else abs(parse_quantity(text, difference_quantity(case.key)))
        rng = np.random.default_rng([seed, number, design.blocks, design.repeats])
        n = campaigns if case.at_once else min(campaigns, ONE_BY_ONE)
        if case.at_once:
            found = thresholds(campaign, case, design, n, rng)
            detectable = finite(np.quantile(found, power, method="higher"))
            chance = None if worth is None else float(np.mean(found <= worth))
        else:
            curve = dose(campaign, case, design, n, rng, soaked)
            detectable = reached(*curve, power)
            chance = None if worth is None else float(np.interp(worth, *curve))
        upper = None if detectable is None or not case.scatter.df else detectable * case.scatter.upper
        if upper is not None and never_negative(case.key) and case.sign < 0.0 and upper > case.scatter.level:
            upper = None  # a time cannot fall by more than itself
        # the simulation fixes two digits; the last ones depend on how a library shares work between threads
        detectable, upper = (None if each is None else round(each, DIGITS) for each in (detectable, upper))
        size = (design.blocks, design.repeats, len(design.cells), design.hours(campaign.plan))
        made.append(Shown(case.name, case.key.key, *size, detectable, chance, upper, n))
    return tuple(made)
