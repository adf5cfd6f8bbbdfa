"""Uncertainty of one run's value: Monte Carlo through the whole metric with what is known of the instruments, JCGM 101."""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from intake_report import results
from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive, declared_resolution
from intake_report.analyse.uncertainty import sources as varied
from intake_report.analyse.uncertainty.sources import Sources, find_sources
from intake_report.analyse.zeroing import Zeroing, channel_step
from intake_report.campaign import Campaign
from intake_report.messages import Value, message
from intake_report.metrics import REGISTRY, RunSeries, evaluate_draws
from intake_report.metrics.series import Floats
from intake_report.results import MetricKey, MetricResult, Metrics, MetricValues
from intake_report.results.text import never_negative
from intake_report.statistics import DrawSummary, in_one, summarise_draws

AT_ONCE = 350_000  # numbers in an array: fits the processor's cache, and bounds the memory of long or fast logs
PARTS = 500  # draws at most for what is common and what is own: their standard deviations are then good to 3 %
SPREAD = 34  # values that stand for one distribution in a budget
STEP_DRAWS = 200  # draws of the steps in a budget: good to 5 %
WORKERS = 2
FEW_FAILED = 0.01


class RunDraws(NamedTuple):
    """Draws of one run by metric key, (m,): all sources, only the common ones, only its own; and its budgets by source."""

    all: dict[str, Floats]
    common: dict[str, Floats]
    own: dict[str, Floats]
    budget: dict[str, dict[str, float]]


@dataclass(frozen=True)
class Uncertainty:
    """Uncertainty of all runs by id, in campaign order, and what the report says of it, without differences."""

    runs: dict[str, RunDraws]
    statement: results.InstrumentUncertainty

    def common(self, key: str, run: str) -> Floats | None:
        """Return the draws of a metric of one run with what all runs share, (m,), alike in each; None where not drawn."""
        return self.runs[run].common.get(key) if run in self.runs else None

    def total(self, key: str, run: str) -> Floats | None:
        """Return its draws with all sources, (m,)."""
        return self.runs[run].all.get(key) if run in self.runs else None

    def with_metrics(self, metrics: Metrics, added: Uncertainty) -> Uncertainty:
        """Return the uncertainty of `metrics`: of those that were `added` what was added, of the others its own."""
        keys = [key.key for key in metrics]

        def joined(old: Any, new: Any) -> dict[str, Any]:
            return {key: (old | new)[key] for key in keys if key in old or key in new}

        drawn = {key for draws in added.runs.values() for key in draws.all}  # a key shows a margin in two decimals only
        old = [row for row in self.statement.budgets if row.key not in drawn]
        rows = [row for row in (*old, *added.statement.budgets) if row.key in keys]
        budgets = tuple(sorted(rows, key=lambda row: keys.index(row.key)))
        both = {run: zip(draws, added.runs[run], strict=True) for run, draws in self.runs.items()}
        runs = {run: RunDraws._make(joined(*part) for part in parts) for run, parts in both.items()}
        return Uncertainty(runs, replace(self.statement, budgets=budgets))


def assess(
    campaign: Campaign,
    drives: tuple[Drive, ...],
    ambient: AmbientReference,
    zeroing: Zeroing,
    series: tuple[RunSeries, ...],
    metrics: Metrics,
    values: MetricValues,
) -> Uncertainty:
    """Put the uncertainty of the instruments through every metric of every run, drives and series in campaign order.

    `values` are the metrics without uncertainty, which the draws are centred on. Each run has a generator of its own from
    the seed and its id, so that runs do not change each other's.
    """
    settings = campaign.metrics
    steps = {name: [channel_step(campaign, drive.clean, name) for drive in drives] for name in ("iat", "ambient")}
    known_steps = {name: [step for step in of if step is not None] for name, of in steps.items()}
    usual = {name: float(np.median(of)) if of else None for name, of in known_steps.items()}
    sources = find_sources(campaign, ambient, usual, zeroing)
    common = _draws(sources, True, np.random.default_rng([settings.seed, 0]), settings.draws)
    nominal = {(v.key, v.run): v for v in values}
    keys = [key for key in metrics if REGISTRY[key.spec.id].assessed]
    speed_step = declared_resolution(campaign).get("speed", 1.0)

    def one(item: tuple[Drive, RunSeries, float | None]) -> RunDraws:
        drive, run, step = item
        known = {k: v for k in keys if (v := nominal[k.key, run.run]).status != "not computed"}
        if run.time.size < 2 or not known:
            return RunDraws({}, {}, {}, {})
        limits = varied.event_limits(drive, run, speed_step)
        effects = {key.key: varied.event_effects(key, run, limits) for key in known}
        rng = np.random.default_rng([settings.seed, 1, zlib.crc32(run.run.encode())])
        return _Study(varied.prepare(run, step), sources, known, effects).run(common, rng, settings.draws)

    with ThreadPoolExecutor(WORKERS) as pool:
        found = tuple(pool.map(one, zip(drives, series, steps["iat"], strict=True)))
    budgets = tuple(row for key in keys if key.spec.headline for row in _budget(key, sources, found))
    rows = tuple(results.SourceRow(s.name, s.common, s.u, s.quantity, s.basis) for s in sources.sources)
    of = settings.draws, settings.seed, settings.confidence, rows, budgets
    statement = results.InstrumentUncertainty(*of, assumptions=sources.assumptions)
    return Uncertainty({run.run: draws for run, draws in zip(series, found, strict=True)}, statement)


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

    readings: varied.Readings
    sources: Sources
    known: dict[MetricKey, MetricResult]
    effects: dict[str, varied.EventEffects]

    def run(self, common: dict[str, Floats], rng: np.random.Generator, m: int) -> RunDraws:
        own = _draws(self.sources, False, rng, m)
        noise = rng.uniform(-1.0, 1.0, (m, self.readings.errors))
        events = rng.uniform(-1.0, 1.0, (4, m))
        part = min(PARTS, m)
        shared, alone = ({kind: values[:part] for kind, values in of.items()} for of in (common, own))
        both = {kind: common.get(kind, 0.0) + own.get(kind, np.zeros(m)) for kind in (*common, *own)}
        # what brings undisturbed readings in the draws' arithmetic to the value as reported
        plain = self._metrics({"reading": np.zeros(1)}, None, self.known)
        offsets = {
            k.key: v.value - float(plain[k.key][0])
            for k, v in self.known.items()
            if v.value is not None and k.key in plain and np.isfinite(plain[k.key][0])
        }
        return RunDraws(
            self._evaluate(both, noise, events, offsets),
            self._evaluate(shared, None, None, offsets),
            self._evaluate(alone, noise[:part], events[:, :part], offsets),
            self._budgets(noise),
        )

    def _metrics(self, shifts: dict[str, Floats], noise: Floats | None, keys: Iterable[MetricKey]) -> dict[str, Floats]:
        series = varied.perturbed(self.readings, shifts, noise)
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
        """Return the standard deviation that each source alone causes in each headline metric, by metric and source."""
        keys = [key for key in self.known if key.spec.headline]
        budgets: dict[str, dict[str, float]] = {key.key: {} for key in keys}
        for source in self.sources.sources if keys else ():
            if source.kind == "events":
                alone = {key.key: self.effects[key.key].u for key in keys}
            elif source.kind == "speed":
                alone = {key.key: abs(self.effects[key.key].per_speed) * (source.u or 0.0) for key in keys}
            else:
                steps = source.kind == "steps"
                plain = {"reading": np.zeros(min(STEP_DRAWS, len(noise)) if steps else SPREAD)}
                shifts = plain if steps else plain | source.effects(source.spread(SPREAD))
                found = self._metrics(shifts, noise[:STEP_DRAWS] if steps else None, keys)
                alone = {key: float(np.std(values)) for key, values in found.items() if np.isfinite(values).all()}
            for key, u in alone.items():
                budgets[key][source.name] = u
        return budgets


def _budget(key: MetricKey, sources: Sources, runs: tuple[RunDraws, ...]) -> list[results.BudgetRow]:
    """Return the budget of a metric over the runs in which each source alone leaves it a number, so that rows compare."""
    names = [source.name for source in sources.sources]
    whole = [budget for run in runs if (budget := run.budget.get(key.key, {})).keys() >= set(names)]
    rows = []
    for name in names:
        found = [budget[name] for budget in whole]
        u = float(np.sqrt(np.mean(np.square(found)))) if found else None
        rows.append(results.BudgetRow(key.key, name, u, max(found) if found else None, len(found)))
    return rows


def with_uncertainty(values: MetricValues, uncertainty: Uncertainty) -> MetricValues:
    """Return the values of the same runs with their standard uncertainty, coverage interval, and parts."""
    rows, level = [], uncertainty.statement.level
    for value in values:
        run, note = uncertainty.runs[value.run], value.note
        whole, common, own = (_summary(of.get(value.key), level) for of in (run.all, run.common, run.own))
        if whole is None or value.status == "not computed":
            rows.append(value)
            continue
        if whole.failed > FEW_FAILED:
            share = Value(whole.failed, "share")
            failed = message("in {share} of the draws it could not be computed", code="draws-failed", share=share)
            note = in_one([note, failed] if note else [failed])
        parts: Any = {"u_common": _part(common, whole), "u_own": _part(own, whole)}
        parts["draws_not_reached"] = whole.not_reached
        rows.append(replace(value, u=whole.u, low=whole.low, high=whole.high, note=note, **parts))
    return tuple(rows)


def _part(part: DrawSummary | None, whole: DrawSummary) -> float | None:
    """Return the standard uncertainty of a part: it has fewer draws, and what it passes the whole by is their chance."""
    u = part and part.u
    return u if u is None or whole.u is None else min(u, whole.u)


def _summary(draws: Floats | None, level: float) -> DrawSummary | None:
    return None if draws is None or draws.size < 2 or np.isnan(draws).all() else summarise_draws(draws, level)


def statement(
    campaign: Campaign, uncertainty: Uncertainty, metrics: Metrics, runs: tuple[results.RunResult, ...]
) -> results.InstrumentUncertainty:
    """Return what the report says about the instruments, with how uncertain they leave differences from the baseline's mean.

    What is common cancels as far as runs respond alike. No difference where a run has no value or some draws do not reach it.
    """
    level, baseline = campaign.metrics.confidence, campaign.baseline.id
    used = {run.id: run.configuration for run in runs if run.decision != "excluded"}

    def mean(part: str, key: MetricKey, configuration: str) -> Floats | None:
        drawn = [draws for run, draws in uncertainty.runs.items() if used.get(run) == configuration]
        known = [getattr(draws, part).get(key.key) for draws in drawn]
        if not known or any(draws is None or not np.isfinite(draws).all() for draws in known):
            return None
        return np.asarray(np.mean(known, axis=0))

    rows = []
    for key in metrics:
        for other in (c.id for c in campaign.configurations if c.id != baseline):
            sides = [(mean(part, key, other), mean(part, key, baseline)) for part in ("all", "common", "own")]
            parts = [one - two for one, two in sides if one is not None and two is not None]
            whole = summarise_draws(parts[0], level) if len(parts) == 3 else None
            if whole is None or whole.u is None or whole.low is None or whole.high is None:
                continue
            common, own = (min(float(np.std(part, ddof=1)), whole.u) for part in parts[1:])
            rows.append((key.key, other, baseline, whole.u, common, own, whole.low, whole.high))
    columns = ["key", "configuration", "versus", "u", "u_common", "u_own", "low", "high"]
    return replace(uncertainty.statement, differences=pd.DataFrame(rows, columns=columns, dtype=object))
