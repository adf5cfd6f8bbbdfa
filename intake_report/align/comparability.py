"""Which runs may be compared: every criterion applied to every run and every pair."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations
from typing import Literal

import numpy as np

from intake_report.align.criteria import CRITERIA, AcceptanceLimit, CriterionSpec, Fact, Facts, RunSurroundings, gather
from intake_report.align.grid import grid_by_place
from intake_report.align.model import Alignment, AlignSettings
from intake_report.messages import Beyond, Message, Part, Value, message

Outcome = Literal["pass", "fail", "unknown"]
LEAST_CELLS = 4  # cells of speed by place that two runs have to share
HALF_DAY = 12.0  # h
NOT_KNOWN = message("not known", code="not-known")
ROUNDING = 1e-9  # by which a value may be beyond its limit and still pass


@dataclass(frozen=True)
class Check:
    """One criterion applied to one run or to a pair."""

    code: str
    title: str
    runs: tuple[str, ...]  # one, or the two of a pair
    limit: float  # in the unit of the criterion, as `value`
    value: float | None  # None where it cannot be known
    hard: bool  # whether failing keeps the run, or the pair, out of the comparison
    outcome: Outcome
    reason: Part = ""  # why it fails or is not known
    versus: str = ""  # what a run is compared with, in words; empty where it is judged by itself


@dataclass(frozen=True)
class Comparability:
    """All checks of single runs and of pairs, and the facts behind them by run."""

    checks: tuple[Check, ...]
    pairs: tuple[Check, ...]
    facts: dict[str, Facts]

    def excluded(self) -> dict[str, tuple[Part, ...]]:
        """Return the runs with a hard failure and their reasons."""
        reasons: dict[str, tuple[Part, ...]] = {}
        for check in self.checks:
            if check.outcome == "fail" and check.hard:
                reasons[check.runs[0]] = (*reasons.get(check.runs[0], ()), check.reason)
        return reasons


def assess(
    alignment: Alignment,
    settings: AlignSettings,
    surroundings: Mapping[str, RunSurroundings] | None = None,
    limits: Mapping[str, AcceptanceLimit] | None = None,
    pairs: Iterable[tuple[str, str]] | None = None,
) -> Comparability:
    """Apply every acceptance criterion to every run and to pairs of runs (default: all).

    `surroundings` are known by run, `limits` by code; the others keep their defaults.

    A criterion of scope "alike" compares a run with the median of the runs that pass the hard criteria of their own: those
    of its block where that holds another configuration, since the comparison is then made within it, else all. One of scope
    "within" compares with the runs of its configuration only, and it says nothing of two runs of different configurations.
    Runs of two such blocks make no pair.
    """
    limits = limits or {}
    grid, known = grid_by_place(alignment), surroundings or {}
    facts = {r.run: gather(r, grid, settings, known.get(r.run, RunSurroundings())) for r in alignment.runs}
    own = [spec for spec in CRITERIA.values() if spec.scope == "run"]
    compared = [spec for spec in CRITERIA.values() if spec.scope != "run"]
    checks = [
        _check(spec, limits, (run,), one.by_code[spec.code], why=one.not_one_pass)
        for spec in own
        for run, one in facts.items()
    ]
    out = {check.runs[0] for check in checks if check.hard and check.outcome == "fail"}
    sound = [one for run, one in facts.items() if run not in out]
    names = {(one.block, one.configuration) for one in sound if one.block}
    shared = {block for block, _ in names if sum(name == block for name, _ in names) > 1}
    typical: dict[tuple[str, ...], Facts] = {}
    for spec in compared:
        for run, one in facts.items():
            if spec.scope == "block" and not one.block:
                continue
            versus, others = _compared_with(spec, one, sound)
            key = tuple(other.run for other in others)
            if key not in typical:
                typical[key] = _typical(others)
            where = {"within": " of its configuration", "block": " of its block"}.get(spec.scope, "")
            fact: Fact = message("there is no other run{where} to compare with", code="no-other-run", where=where)
            if others:
                fact = _between(spec.code, one, typical[key])
            checks.append(_check(spec, limits, (run,), fact, versus))
    twos = [
        _check(spec, limits, (a, b), _between(spec.code, facts[a], facts[b]), "each other")
        for a, b in (combinations(facts, 2) if pairs is None else pairs)
        if facts[a].block == facts[b].block or not {facts[a].block, facts[b].block} <= shared
        for spec in compared
        if spec.scope == "alike" or (spec.scope == "within" and facts[a].configuration == facts[b].configuration)
    ]
    return Comparability(tuple(checks), tuple(twos), facts)


def _compared_with(spec: CriterionSpec, one: Facts, sound: Sequence[Facts]) -> tuple[str, Sequence[Facts]]:
    """Return what a run is compared with, in words, and the runs; none where there is no other."""
    block = [other for other in sound if one.block and other.block == one.block]
    alike = [other for other in sound if other.configuration == one.configuration]
    versus, others = "the median of the runs", list(sound)
    if spec.scope == "block":
        versus, others = "the median of its block", block
        if len(block) == 2:  # the median of two lies between them and says half of how far they are apart
            versus, others = "the other run of its block", [other for other in block if other.run != one.run]
    elif spec.scope == "within":
        versus, others = "the median of the runs of its configuration", alike
        if any(o.run != one.run and o.configuration == one.configuration for o in block):
            versus, others = f"{versus} in its block", [other for other in alike if other.block == one.block]
    elif len({other.configuration for other in block}) > 1:
        versus, others = "the median of the runs of its block", block
    least = 2 if spec.scope == "alike" else 1
    enough = len(others) >= least and any(other.run != one.run for other in others)
    return versus, others if enough else ()


def _check(
    spec: CriterionSpec,
    limits: Mapping[str, AcceptanceLimit],
    runs: tuple[str, ...],
    fact: Fact,
    versus: str = "",
    why: Message | None = None,
) -> Check:
    stated = limits.get(spec.code, AcceptanceLimit(spec.limit))
    hard = spec.hard if stated.hard is None else stated.hard
    made = partial(Check, spec.code, spec.title, runs, stated.limit, hard=hard, versus=versus)
    if not isinstance(fact, float):
        return made(None, outcome="unknown", reason=fact if isinstance(fact, Message) else NOT_KNOWN)
    inside = stated.limit - fact if spec.sense == "at most" else fact - stated.limit
    if inside >= -ROUNDING:
        return made(fact, outcome="pass")
    alone = spec.scope in ("run", "block")
    reason = message(
        "{title} is {value} (limit {limit})" if alone else "{title} differs by {value} from {versus} (limit {limit})",
        code=spec.code, title=spec.title, value=Beyond(fact, stated.limit, spec.shown),
        versus=versus, limit=Value(stated.limit, spec.shown),
    )  # fmt: skip
    return made(fact, outcome="fail", reason=why if why and spec.code == "one-pass" else reason)


def _typical(sound: Sequence[Facts]) -> Facts:
    """Return the median of runs, criterion by criterion, phase by phase and place by place."""
    values: dict[str, Fact] = {}
    for code in CRITERIA:
        known = [fact for one in sound if not isinstance(fact := one.by_code[code], Message)]
        durations = [fact for fact in known if isinstance(fact, dict)]
        speeds = [fact for fact in known if isinstance(fact, np.ndarray)]
        numbers = [fact for fact in known if isinstance(fact, float)]
        if durations:
            names = {name for one in durations for name in one}
            values[code] = {n: float(np.median([one[n] for one in durations if n in one])) for n in names}
        elif speeds:
            rows = np.array(speeds)
            some = np.isfinite(rows).any(axis=0)
            values[code] = middle = np.full(rows.shape[1], np.nan)
            middle[some] = np.nanmedian(rows[:, some], axis=0)
        elif numbers and code == "time-of-day":
            later = float(np.median([_hours_after(v, numbers[0]) for v in numbers]))
            values[code] = (numbers[0] + later) % (2 * HALF_DAY)
        elif numbers:
            values[code] = float(np.median(numbers))
    return Facts("median", values)


def _between(code: str, a: Facts, b: Facts) -> Fact:
    """Return by how much two runs differ in a criterion, or why that is not known."""
    x, y = a.by_code[code], b.by_code.get(code, NOT_KNOWN)
    if isinstance(x, dict) and isinstance(y, dict):
        shared = [abs(np.log(x[n] / y[n])) for n in x if n in y]
        if shared:
            return float(np.expm1(max(shared)))
        return message("no phase is complete in both", code="no-shared-phase")
    if isinstance(x, np.ndarray) and isinstance(y, np.ndarray):
        apart = (x - y)[np.isfinite(x - y)]
        if len(apart) >= LEAST_CELLS:
            return float(np.sqrt(np.mean(apart**2)))
        return message("the runs share fewer than {least} places there", code="few-shared-places", least=LEAST_CELLS)
    if isinstance(x, float) and isinstance(y, float):
        return abs(_hours_after(x, y)) if code == "time-of-day" else abs(x - y)
    return x if isinstance(x, Message) else y


def _hours_after(x: float, y: float) -> float:
    """Return by how much a clock time is later than another [h], about the circle, so that midnight is no border."""
    return float((x - y + HALF_DAY) % (2 * HALF_DAY) - HALF_DAY)
