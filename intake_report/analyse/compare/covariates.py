"""Analysis of covariance: differences adjusted for what was known before a phase began.

A covariate explains scatter that has nothing to do with the configuration: how hot the intake was when the run started, how
warm the engine, how long the vehicle stood before the phase. Which ones is fixed before the data are seen: by the campaign,
else by `DEFAULT`. What the configuration itself changes is part of its effect and is refused.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from intake_report import statistics
from intake_report.align import FIRST
from intake_report.analyse.compare.estimate import Estimate
from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.messages import Message, Part, Value, message
from intake_report.metrics import RunSeries
from intake_report.results import MetricKey, MetricResult, MetricValues
from intake_report.results.compared import COVARIATES, CovariateFit, CovariateName
from intake_report.statistics import Blocked, Floats

DEFAULT: dict[str, tuple[CovariateName, ...]] = {"over-ambient": ("start_over_ambient",)}
"""Covariates by group of metrics where the campaign names none. Recovery and heat soak begin later in a run, at an event of
their own, times above a limit do not follow a straight line, and engine metrics are compared at equal operating points."""

LEAST_LEFT = 5
"""Degrees of freedom that must be left for each covariate: at six, losing one widens the interval by 5 % at equal scatter."""
OF_CONFIGURATION = 0.05  # p below which the configurations differ in the covariate itself

ByRun = Mapping[str, float]


@dataclass(frozen=True)
class Covariates:
    """Values of every covariate by run: of the whole run, and the standing time before each phase by its id."""

    start: Mapping[CovariateName, ByRun]
    standing: Mapping[str, ByRun]

    def of(self, name: CovariateName, key: MetricKey) -> ByRun:
        """Return the values for one metric; the highway entry stands for the phase of a recovery."""
        if name != "standing_before":
            return self.start.get(name, {})
        place = key.parameter.key if key.parameter.kind == "phase" else "entry" if key.spec.group == "recovery" else ""
        return self.standing.get(place, {})


def gather_covariates(drives: Iterable[Drive], series: Sequence[RunSeries]) -> Covariates:
    """Return the covariates of all runs.

    Intake air temperature is taken over ambient where every run has an ambient, else as it is: within a block that differs by
    a constant.
    """
    over = all(run.over is not None for run in series)
    start: dict[CovariateName, dict[str, float]] = {"start_over_ambient": {}, "start_coolant": {}}
    standing: dict[str, dict[str, float]] = {}
    for run in series:
        values = run.over if over else run.iat
        if values is not None and run.time.size:
            begun = run.time <= run.time[0] + FIRST
            start["start_over_ambient"][run.run] = float(np.mean(values[begun]))
        begins = {span.label: span.start for span in reversed(run.phases)}
        begins |= {} if run.entry is None else {"entry": run.entry}
        for place, begin in begins.items():
            stood = sum(min(stop.end, begin) - stop.start for stop in run.stops if stop.start < begin)
            standing.setdefault(place, {})[run.run] = float(stood)
    for drive in drives:
        coolant = drive.clean.good("coolant")
        if not coolant.empty:
            early = coolant[coolant.index <= coolant.index[0] + FIRST]
            start["start_coolant"][drive.entry.id] = float(early.mean())
    return Covariates(start, standing)


@dataclass(frozen=True)
class _Layout:
    """Runs that the adjusted model is fitted to, all with a value; blocks None where every run stands for itself."""

    runs: list[str]
    values: Floats
    ids: list[str]
    blocks: list[str] | None
    pair: tuple[str, str]

    def model(self, covariates: Floats | None = None) -> Blocked:
        """Return the additive model of the pair."""
        return statistics.blocked(self.runs, self.ids, self.blocks, self.pair, covariates)

    def columns(self, known: Sequence[ByRun]) -> Floats:
        """Return covariates of the runs, (runs, covariates), about their means."""
        x = np.array([[by_run[run] for by_run in known] for run in self.runs])
        return np.asarray(x - x.mean(axis=0))


def adjust(
    campaign: Campaign, key: MetricKey, values: MetricValues, made: Estimate, pair: tuple[str, str], known: Covariates
) -> tuple[Estimate | None, tuple[CovariateFit, ...], tuple[Message, ...]]:
    """Return the comparison adjusted for its covariates, what they explain, and why others are not used.

    `made` is the unadjusted comparison of `pair` (configuration, other). None where nothing is adjusted for. A default that the
    runs do not allow is left out without a word; one that the campaign declares is refused with the reason.
    """
    declared = campaign.comparison.covariates
    names = DEFAULT.get(key.spec.group, ()) if declared is None else declared
    if not names or made.confounded or made.found.low is None:
        return None, (), ()
    layout = _layout(values, made, pair)
    used: list[CovariateName] = []
    refused: list[Message] = []
    for name in names:
        why = _unfit(made, layout, known.of(name, key), name, [known.of(n, key) for n in used])
        if why is None:
            used.append(name)
        elif declared is not None or why.code == "covariate-of-configuration":
            refused.append(why)
    if not used:
        return None, (), tuple(refused)
    x = layout.columns([known.of(name, key) for name in used])
    model, fit = layout.model(x), statistics.fit_slopes(layout.values, layout.ids, layout.blocks, x)
    assert fit is not None  # a degree of freedom is left
    n = (made.found.n_baseline, made.found.n_candidate)
    found = statistics.difference_of(model, layout.values, n, made.found.notes, made.found.level)
    unbalance = layout.model().weights @ x
    fits = tuple(
        CovariateFit(name, float(slope), float(error), float(off), fit.curved, fit.unequal, fit.scatter, fit.unadjusted)
        for name, slope, error, off in zip(used, fit.slope, fit.error, unbalance, strict=True)
    )
    # among random deals of the runs of each block, all of them one block where none is named
    there = [i for i, id in enumerate(layout.ids) if id in pair]
    marks = [layout.ids[i] == pair[0] for i in there]
    blocks = ["all" if layout.blocks is None else layout.blocks[i] for i in there]
    rng = np.random.default_rng([campaign.metrics.seed, 3])
    dealt = statistics.dealt_anew(layout.values[there], marks, blocks, x[there], rng)
    return replace(made, found=found, model=model, dealt=dealt), fits, tuple(refused)


def _layout(values: Sequence[MetricResult], made: Estimate, pair: tuple[str, str]) -> _Layout:
    """Return the runs of an unadjusted comparison: all that blocks link, else those of the pair."""
    rows = [v for v in values if v.status == "ok"]
    within = made.found.method == "blocked"
    ids: set[object] = set(pair)
    if within:
        ids = statistics.linked_to(pair[1], [v.configuration for v in rows], [v.block for v in rows])
    rows = [v for v in rows if v.configuration in ids]
    numbers = np.array([v.value for v in rows], dtype=np.float64)
    blocks = [str(v.block) for v in rows] if within else None
    return _Layout([v.run for v in rows], numbers, [v.configuration for v in rows], blocks, pair)


def _unfit(
    made: Estimate, layout: _Layout, known: ByRun, name: CovariateName, before: Sequence[ByRun]
) -> Message | None:
    """Return why a covariate is not used beside those `before` it, by what was known before the values; None where it is."""
    words, quantity = COVARIATES[name]

    def why(reason: str, code: str, **values: Part) -> Message:
        return message("{what} is not adjusted for: " + reason, code=f"covariate-{code}", what=words, **values)

    if made.found.method == "censored":
        return why("not every run reached the margin", "censored")
    lacking = [run for run in layout.runs if run not in known]
    if lacking:
        return why("it is not known of {run}", "missing", run=lacking[0])
    x = layout.columns([*before, known])
    plain, left, least = layout.model(), float(np.trace(layout.model(x).residual)), LEAST_LEFT * x.shape[1]
    if left < least - 0.5:
        reason = "that would leave {left} degrees of freedom, and {least} are needed"
        return why(reason, "freedom", left=round(left), least=least)
    own = x[:, -1]
    if float(np.trace(plain.residual)) - left < x.shape[1] - 0.5 or not np.ptp(own) > 0.0:
        return why("it hardly varies within blocks", "constant")
    if name == "standing_before":  # traffic, which no configuration changes
        return None
    found = plain.evaluate(own[None, :])
    assert found is not None  # the comparison has an interval
    difference, error = float(found.difference[0]), float(found.error[0])
    p = float(statistics.p_values(difference / error, plain.df)) if error > 0.0 else 0.0
    if p >= OF_CONFIGURATION:
        return None
    reason = "it differs by {difference} between the two configurations (p {p}), so that it may be part of what the configuration does"
    return why(reason, "of-configuration", difference=Value(difference, quantity, 1, True), p=Value(p, "p"))
