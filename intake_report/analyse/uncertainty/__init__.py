"""Uncertainty of one run's value: Monte Carlo through the whole metric with what is known about the instruments.

JCGM 101:2008: values, what is common to the runs, budgets.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive
from intake_report.analyse.uncertainty.perturb import (
    EventEffects,
    Readings,
    event_effects,
    event_limits,
    perturbed,
    prepare,
)
from intake_report.analyse.uncertainty.sources import Source, Sources, find_sources, speed_step
from intake_report.analyse.zeroing import Zeroing, channel_step
from intake_report.campaign import Campaign
from intake_report.messages import Value, message
from intake_report.metrics import REGISTRY, RunSeries, evaluate_draws
from intake_report.metrics.series import Floats
from intake_report.results import (
    BudgetRow,
    InstrumentDifference,
    InstrumentUncertainty,
    MetricKey,
    MetricResult,
    RunResult,
)
from intake_report.results.text import never_negative
from intake_report.statistics import DrawSummary, in_one, summarise_draws

T = TypeVar("T")
AT_ONCE = 350_000  # numbers in an array: fits the processor's cache, and bounds the memory of long or fast logs
PARTS = 500  # draws at most for what is common and what is own: their standard deviations are then good to 3 %
SPREAD = 34  # values that stand for one distribution in a budget
STEP_DRAWS = 200  # draws of the steps in a budget: good to 5 %
WORKERS = 2
FEW_FAILED = 0.01


@dataclass(frozen=True)
class RunDraws:
    """Draws of one run by metric key, each (m,): all sources, only the common ones, only its own; and budgets."""

    run: str
    all: dict[str, Floats]
    common: dict[str, Floats]
    own: dict[str, Floats]
    budget: dict[str, dict[str, float]]

    def with_metrics(self, keys: list[str], had: set[str], added: RunDraws) -> RunDraws:
        """Return the draws of metrics `keys`, in order: those that it `had`, else those that were added."""

        def taken(old: dict[str, T], new: dict[str, T]) -> dict[str, T]:
            return {key: found[key] for key in keys if key in (found := old if key in had else new)}

        names = dict.fromkeys([*self.budget, *added.budget])
        budget = {name: taken(self.budget.get(name, {}), added.budget.get(name, {})) for name in names}
        every, common, own = taken(self.all, added.all), taken(self.common, added.common), taken(self.own, added.own)
        return RunDraws(self.run, every, common, own, budget)


@dataclass(frozen=True)
class Uncertainty:
    """Uncertainty of all runs by id, in campaign order; draw i of the common sources is the same in all runs.

    `statement` is what the report says, without differences.
    """

    runs: dict[str, RunDraws]
    statement: InstrumentUncertainty

    def common(self, key: str, run: str) -> Floats | None:
        """Return the draws of a metric of one run with what all runs share, (m,); None where it was not drawn."""
        return self.runs[run].common.get(key) if run in self.runs else None

    def total(self, key: str, run: str) -> Floats | None:
        """Return its draws with all sources, (m,)."""
        return self.runs[run].all.get(key) if run in self.runs else None

    def with_metrics(self, metrics: tuple[MetricKey, ...], had: set[str], added: Uncertainty) -> Uncertainty:
        """Return the uncertainty of `metrics`: of those that it `had` its own, of the others what was added."""
        keys = [key.key for key in metrics]
        rows = [row for row in self.statement.budgets if row.key in had] + list(added.statement.budgets)
        budgets = tuple(sorted(rows, key=lambda row: keys.index(row.key)))
        runs = {id: draws.with_metrics(keys, had, added.runs[id]) for id, draws in self.runs.items()}
        return Uncertainty(runs, replace(self.statement, budgets=budgets))


def assess(
    campaign: Campaign,
    drives: tuple[Drive, ...],
    ambient: AmbientReference,
    zeroing: Zeroing,
    series: tuple[RunSeries, ...],
    metrics: tuple[MetricKey, ...],
    values: tuple[MetricResult, ...],
) -> Uncertainty:
    """Put the uncertainty of the instruments through every metric of every run.

    `drives` and `series` are the runs in campaign order, `values` the metrics without uncertainty, which the draws are centred
    on. Reproducible: each run has a generator of its own from the seed and its id, so that runs do not change each other's.
    """
    settings = campaign.metrics
    steps = [channel_step(campaign, drive.clean, "iat") for drive in drives]
    of_ambient = [channel_step(campaign, drive.clean, "ambient") for drive in drives]
    sources = find_sources(campaign, ambient, {"iat": _usual(steps), "ambient": _usual(of_ambient)}, zeroing)
    common = _draws(sources, True, np.random.default_rng([settings.seed, 0]), settings.draws)
    nominal = {(v.key, v.run): v for v in values}
    keys = [key for key in metrics if REGISTRY[key.spec.id].assessed]

    def one(item: tuple[Drive, RunSeries, float | None]) -> RunDraws:
        drive, run, step = item
        known = {k: v for k in keys if (v := nominal[k.key, run.run]).status != "not computed"}
        if run.time.size < 2 or not known:
            return RunDraws(run.run, {}, {}, {}, {})
        limits = event_limits(drive, run, speed_step(campaign))
        effects = {key.key: event_effects(key, run, limits) for key in known}
        rng = np.random.default_rng([settings.seed, 1, zlib.crc32(run.run.encode())])
        return _Study(prepare(run, step), sources, known, effects).run(common, rng, settings.draws)

    with ThreadPoolExecutor(WORKERS) as pool:
        found = tuple(pool.map(one, zip(drives, series, steps, strict=True)))
    statement = InstrumentUncertainty(
        draws=settings.draws,
        seed=settings.seed,
        level=settings.confidence,
        sources=tuple(source.row for source in sources.sources),
        budgets=tuple(row for key in keys if key.spec.headline for row in _budget(key, sources, found)),
        assumptions=sources.assumptions,
    )
    return Uncertainty({draws.run: draws for draws in found}, statement)


def _usual(steps: list[float | None]) -> float | None:
    known = [step for step in steps if step is not None]
    return float(np.median(known)) if known else None


def _draws(sources: Sources, common: bool, rng: np.random.Generator, m: int) -> dict[str, Floats]:
    """Return m draws of the scalar sources that are common (or not), summed by kind; source order fixes the stream."""
    summed: dict[str, Floats] = {"reading": np.zeros(m)}
    for source in sources.sources:
        if source.drawn and source.common == common:
            for kind, values in source.effects(source.draw(rng, m)).items():
                summed[kind] = summed.get(kind, np.zeros(m)) + values
    return summed


@dataclass(frozen=True)
class _Study:
    """The Monte Carlo of one run: metrics with their values as reported, and the effects of the events' times."""

    readings: Readings
    sources: Sources
    known: dict[MetricKey, MetricResult]
    effects: dict[str, EventEffects]

    def run(self, common: dict[str, Floats], rng: np.random.Generator, m: int) -> RunDraws:
        own = _draws(self.sources, False, rng, m)
        noise = rng.uniform(-1.0, 1.0, (m, self.readings.errors))
        events = rng.uniform(-1.0, 1.0, (4, m))
        part = min(PARTS, m)
        first, wanted = ({kind: values[:part] for kind, values in of.items()} for of in (common, own))
        both = {kind: common.get(kind, 0.0) + own.get(kind, np.zeros(m)) for kind in (*common, *own)}
        # what brings undisturbed readings in the draws' arithmetic to the value as reported
        plain = self._metrics({"reading": np.zeros(1)}, None, self.known)
        offsets = {
            k.key: v.value - float(plain[k.key][0])
            for k, v in self.known.items()
            if v.value is not None and k.key in plain and np.isfinite(plain[k.key][0])
        }
        return RunDraws(
            self.readings.series.run,
            self._evaluate(both, noise, events, offsets),
            self._evaluate(first, None, None, offsets),
            self._evaluate(wanted, noise[:part], events[:, :part], offsets),
            self._budgets(noise),
        )

    def _metrics(self, shifts: dict[str, Floats], noise: Floats | None, keys: Iterable[MetricKey]) -> dict[str, Floats]:
        series = perturbed(self.readings, shifts, noise)
        found = {key.key: evaluate_draws(key, series) for key in keys}
        return {key: values for key, values in found.items() if values is not None}

    def _evaluate(
        self, shifts: dict[str, Floats], noise: Floats | None, events: Floats | None, offsets: dict[str, float]
    ) -> dict[str, Floats]:
        m = shifts["reading"].size
        parts: dict[str, list[Floats]] = {}
        rows = max(8, AT_ONCE // self.readings.series.time.size)
        for start in range(0, m, rows):
            some = slice(start, start + rows)
            chunk = {kind: values[some] for kind, values in shifts.items()}
            for key, values in self._metrics(chunk, None if noise is None else noise[some], self.known).items():
                parts.setdefault(key, []).append(values)
        joined = {key: np.concatenate(values) for key, values in parts.items() if sum(map(len, values)) == m}
        for one in self.known:  # the offset, the events' times, and no value below zero where none can be
            if one.key in joined:
                values, effect = joined[one.key] + offsets.get(one.key, 0.0), self.effects[one.key]
                values = values + effect.per_speed * shifts.get("speed", 0.0)
                if events is not None:
                    values = values + np.array(effect.times) @ events
                if never_negative(one):
                    values = np.where(np.isneginf(values), values, np.maximum(values, 0.0))
                joined[one.key] = values
        return {one.key: joined[one.key] for one in self.known if one.key in joined}

    def _budgets(self, noise: Floats) -> dict[str, dict[str, float]]:
        """Return the standard deviation that each source alone causes in each headline metric."""
        headline = [key for key in self.known if key.spec.headline]
        sources = self.sources.sources if headline else ()
        return {source.name: self._alone(source, headline, noise) for source in sources}

    def _alone(self, source: Source, keys: list[MetricKey], noise: Floats) -> dict[str, float]:
        if source.kind == "events":
            return {key.key: self.effects[key.key].u for key in keys}
        if source.kind == "speed":
            return {key.key: abs(self.effects[key.key].per_speed) * (source.u or 0.0) for key in keys}
        if source.kind == "steps":
            some = noise[:STEP_DRAWS]
            found = self._metrics({"reading": np.zeros(len(some))}, some, keys)
        else:
            found = self._metrics({"reading": np.zeros(SPREAD)} | source.effects(source.spread(SPREAD)), None, keys)
        return {key: float(np.std(values)) for key, values in found.items() if np.isfinite(values).all()}


def _budget(key: MetricKey, sources: Sources, runs: tuple[RunDraws, ...]) -> list[BudgetRow]:
    """Return the budget of a metric over the runs in which each source alone leaves it a number, so that rows compare."""
    names = [source.name for source in sources.sources]
    whole = [run for run in runs if all(key.key in run.budget.get(name, {}) for name in names)]
    rows = []
    for name in names:
        found = [run.budget[name][key.key] for run in whole]
        u = float(np.sqrt(np.mean(np.square(found)))) if found else None
        rows.append(BudgetRow(key.key, name, u, max(found) if found else None, len(found)))
    return rows


def with_uncertainty(values: tuple[MetricResult, ...], uncertainty: Uncertainty) -> tuple[MetricResult, ...]:
    """Return the values of the same runs with their standard uncertainty, coverage interval, and parts."""
    return tuple(_with(value, uncertainty.runs[value.run], uncertainty.statement.level) for value in values)


def _with(value: MetricResult, run: RunDraws, level: float) -> MetricResult:
    whole = _summary(run.all.get(value.key), level)
    if whole is None or value.status == "not computed":
        return value
    common, own = _summary(run.common.get(value.key), level), _summary(run.own.get(value.key), level)
    failed = message(
        "in {share} of the draws it could not be computed", code="draws-failed", share=Value(whole.failed, "share")
    )
    return replace(
        value,
        u=whole.u,
        low=whole.low,
        high=whole.high,
        u_common=None if common is None else common.u,
        u_own=None if own is None else own.u,
        draws_not_reached=whole.not_reached,
        note=in_one([value.note, failed] if value.note else [failed]) if whole.failed > FEW_FAILED else value.note,
    )


def _summary(draws: Floats | None, level: float) -> DrawSummary | None:
    if draws is None or draws.size < 2 or np.isnan(draws).all():
        return None
    return summarise_draws(draws, level)


def instrument_differences(
    campaign: Campaign, uncertainty: Uncertainty, metrics: tuple[MetricKey, ...], used: dict[str, str]
) -> tuple[InstrumentDifference, ...]:
    """Return how uncertain the instruments leave the differences of the configurations' means from the baseline's.

    `used` names the configuration of each run in the comparison. What is common is the same draw in all runs and so cancels
    as far as runs respond alike. None where a run has no value or some draws do not reach it.
    """
    level, baseline = campaign.metrics.confidence, campaign.baseline.id
    rows = []
    for key in metrics:
        for other in (c.id for c in campaign.configurations if c.id != baseline):
            whole, common, own = (
                _difference([getattr(run, part).get(key.key) for run in _of(uncertainty, used, other)],
                            [getattr(run, part).get(key.key) for run in _of(uncertainty, used, baseline)])
                for part in ("all", "common", "own")
            )  # fmt: skip
            if whole is None or common is None or own is None:
                continue
            summary = summarise_draws(whole, level)
            if summary.u is None or summary.low is None or summary.high is None:
                continue
            parts = (summary.u, float(np.std(common, ddof=1)), float(np.std(own, ddof=1)))
            rows.append(InstrumentDifference(key.key, other, baseline, *parts, summary.low, summary.high))
    return tuple(rows)


def statement(
    campaign: Campaign, uncertainty: Uncertainty, metrics: tuple[MetricKey, ...], runs: tuple[RunResult, ...]
) -> InstrumentUncertainty:
    """Return what the report says about the instruments, with the differences over the runs in the comparison."""
    used = {run.id: run.configuration for run in runs if run.decision != "excluded"}
    return replace(uncertainty.statement, differences=instrument_differences(campaign, uncertainty, metrics, used))


def _of(uncertainty: Uncertainty, used: dict[str, str], configuration: str) -> list[RunDraws]:
    return [draws for run, draws in uncertainty.runs.items() if used.get(run) == configuration]


def _difference(ones: list[Floats | None], others: list[Floats | None]) -> Floats | None:
    """Return the draws of the difference of two means; None where a run has none or not all are finite."""
    known = [draws for draws in (*ones, *others) if draws is not None and np.isfinite(draws).all()]
    if len(known) < len(ones) + len(others) or not ones or not others:
        return None
    result: Floats = np.mean(known[: len(ones)], axis=0) - np.mean(known[len(ones) :], axis=0)
    return result
