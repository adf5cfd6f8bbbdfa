"""One difference from the values of runs: which model, which runs count how much, what it is adjusted for.

A covariate explains scatter that has nothing to do with the configuration: how hot the intake was when the run started, how
warm the engine, how long the vehicle stood before the phase. Which ones is fixed before the data are seen: by the campaign,
else by `DEFAULT`. What the configuration itself changes is part of its effect and is refused.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from intake_report import statistics
from intake_report.align import FIRST
from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.messages import Message, Part, Value, message
from intake_report.metrics import RunSeries
from intake_report.results import MetricKey, MetricResult, MetricValues
from intake_report.results.compared import COVARIATES, CovariateFit, CovariateName
from intake_report.statistics import Blocked, Difference, Floats, RunsModel, linked_to

DEFAULT: dict[str, tuple[CovariateName, ...]] = {"over-ambient": ("start_over_ambient",)}
"""Covariates by group of metrics where the campaign names none. Recovery and heat soak begin later in a run, at an event of
their own, times above a limit do not follow a straight line, and engine metrics are compared at equal operating points."""
# degrees of freedom left for each covariate: at six, losing one widens the interval by 5 % at equal scatter
LEAST_LEFT = 5
OF_CONFIGURATION = 0.05  # p below which the configurations differ in the covariate itself
CENSORED = {"not reached": 1, "within at entry": -1}  # "longer than", "sooner than"
UNTIMED = {  # no run has a time: states of the runs, first and last by name
    ("not reached", "not reached"): "no run reached the margin: no difference of times can be given",
    ("within at entry", "within at entry"): "every run was within the margin at the entry: none has a time to compare",
    (
        "not reached",
        "within at entry",
    ): "every run was within the margin at the entry or did not reach it: none has a time",
}
MOST_ARRANGEMENTS = 200_000  # beyond it the permutation test has nothing to add to the interval


@dataclass(frozen=True)
class Estimate:
    """A difference from the scatter between runs, and what it rests on."""

    found: Difference
    model: RunsModel | None  # the same as arithmetic on the runs that have a value; None where one side has none
    confounded: bool  # no block holds both, and blocks hold several runs
    units: tuple[int, int]  # independent ones of candidate and other: blocks where blocks are compared, else runs
    dealt: float | None = None  # p of an adjusted difference among deals of the runs of each block


def reasons_of(values: Sequence[MetricResult], otherwise: str) -> Part:
    """Return why values were not computed, each reason once; `otherwise` where none is given."""
    return statistics.in_one(list(dict.fromkeys(v.reason for v in values if v.reason))) or otherwise


def estimate(
    values: Sequence[MetricResult], configuration: str, versus: str, level: float, names: Mapping[str, str]
) -> Estimate | Part:
    """Compare two configurations in one metric of all runs that take part, or say why that cannot be done.

    Other configurations help to estimate blocks and scatter; notes quote `names` by id. Within blocks where blocks link the
    two. Where each block holds one of the two only, and several runs of it, the runs of a block are no replicates of the
    configuration: block means are then compared.
    """
    known = [v for v in values if v.status != "not computed"]
    sides = [[v for v in known if v.configuration == c] for c in (configuration, versus)]
    if not all(sides):
        empty = [c for c, side in zip((configuration, versus), sides, strict=True) if not side]
        return reasons_of([v for v in values if v.configuration in empty], "no run is left on one side")
    blocks, ids = [v.block for v in known], [v.configuration for v in known]
    several = None not in blocks and len(set(blocks)) > 1
    apart = several and configuration not in linked_to(versus, ids, blocks)
    units = [len({v.block for v in side}) for side in sides]
    repeated = any(len(side) > n for side, n in zip(sides, units, strict=True))
    if apart and repeated:
        return _nested(sides[0], sides[1], level, names)
    if {v.status for v in known} <= CENSORED.keys():
        return UNTIMED[min(v.status for v in known), max(v.status for v in known)]
    pair = _label(versus, names), _label(configuration, names)
    times, censored = [_time(v) for v in known], [CENSORED.get(v.status, 0) for v in known]
    found = statistics.compare_censored(times, censored, [_label(c, names) for c in ids], blocks, pair, level)
    # runs of one block share what the day does to their configuration
    by_blocks = found.method == "blocked" or (found.method == "censored" and repeated and several and not apart)
    counts = units if by_blocks else [len(side) for side in sides]
    return Estimate(found, _model(known, configuration, versus, found), False, (counts[0], counts[1]))


def _label(configuration: str, names: Mapping[str, str]) -> str:
    """Return the name that notes quote; the id too where two configurations have one name."""
    name = names[configuration]
    return name if list(names.values()).count(name) == 1 else f"{name} ({configuration})"


def _time(value: MetricResult) -> float:
    number = value.value if value.value is not None else value.bound
    assert number is not None  # "ok" has a value, what is censored a bound
    return number


def _nested(
    candidates: Sequence[MetricResult], others: Sequence[MetricResult], level: float, names: Mapping[str, str]
) -> Estimate | Part:
    """Compare block means; a block in which a run did not reach the margin, or began within it, has none."""
    both = [*candidates, *others]
    if any(v.status in CENSORED for v in both):
        return (
            "blocks hold one of the two configurations only, and not every run reached the margin, or began outside it: "
            "neither block means nor runs can be compared"
        )
    means = [
        [float(np.mean([_time(v) for v in side if v.block == b])) for b in dict.fromkeys(v.block for v in side)]
        for side in (others, candidates)
    ]
    pair = candidates[0].configuration, others[0].configuration
    template = (
        "{confounded}; means of {n} and {n_versus} blocks are compared, since runs of one block are no replicates"
    )
    confounded = statistics.not_linked(_label(pair[1], names), _label(pair[0], names))
    why = message(template, code="block-means", confounded=confounded, n=len(means[1]), n_versus=len(means[0]))
    found = statistics.compare_means(means[0], means[1], level, statistics.Nouns("block"))
    found = replace(found, n_candidate=len(candidates), n_baseline=len(others), notes=(why, *found.notes))
    runs, ids = [v.run for v in both], [v.configuration for v in both]
    model = statistics.two_samples(runs, ids, pair, [str(v.block) for v in both])
    return Estimate(found, model, True, (len(means[1]), len(means[0])))


def _model(known: Sequence[MetricResult], configuration: str, versus: str, found: Difference) -> RunsModel | None:
    """Return the arithmetic of the comparison; of a censored one that of the runs that reached."""
    used = [v for v in known if v.status == "ok"]
    ids, blocks = [v.configuration for v in used], [str(v.block) for v in used]
    if not {configuration, versus} <= set(ids):
        return None
    by_blocks = found.method in ("blocked", "censored", "none") and len(set(blocks)) > 1
    if by_blocks and configuration in linked_to(versus, ids, blocks):
        return statistics.blocked([v.run for v in used], ids, blocks, (configuration, versus))
    pair = [v for v in used if v.configuration in (configuration, versus)]
    return statistics.two_samples([v.run for v in pair], [v.configuration for v in pair], (configuration, versus))


def permutation(values: Sequence[MetricResult], configuration: str, versus: str) -> statistics.PermutationTest | None:
    """Test by dealing the runs of each block anew; None where no block holds both or there are too many ways."""
    pair = [v for v in values if v.configuration in (configuration, versus) and v.status != "not computed"]
    blocks = [v.block for v in pair]
    where = [str(b) for b in blocks] if None not in blocks else ["all"] * len(pair)
    marks = [v.configuration == configuration for v in pair]
    dealt = [[m for m, b in zip(marks, where, strict=True) if b == name] for name in dict.fromkeys(where)]
    if not 1 < statistics.arrangements([(len(one) - sum(one), sum(one)) for one in dealt]) <= MOST_ARRANGEMENTS:
        return None
    times, open_ = [_time(v) for v in pair], [v.status == "not reached" for v in pair]
    scores = statistics.gehan_scores(times, open_, where) if any(open_) else times
    return statistics.permutation_blocked(scores, marks, where)


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
    """Return the covariates of all runs."""
    # where not every run has an ambient, intake air as it is: within a block that differs by a constant
    over = all(run.over is not None for run in series)
    air: CovariateName = "start_over_ambient" if over else "start_iat"
    start: dict[CovariateName, dict[str, float]] = {air: {}, "start_coolant": {}}
    standing: dict[str, dict[str, float]] = {}
    for run in series:
        values = run.over if over else run.iat
        if values is not None and run.time.size:
            begun = run.time <= run.time[0] + FIRST
            start[air][run.run] = float(np.mean(values[begun]))
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
        return statistics.blocked(self.runs, self.ids, self.blocks, self.pair, covariates)

    def columns(self, known: Sequence[ByRun]) -> Floats:
        """Return covariates of the runs, (runs, covariates), about their means."""
        x = np.array([[by_run[run] for by_run in known] for run in self.runs])
        return np.asarray(x - x.mean(axis=0))


def adjust(
    campaign: Campaign, key: MetricKey, values: MetricValues, made: Estimate, pair: tuple[str, str], known: Covariates
) -> tuple[Estimate | None, tuple[CovariateFit, ...], tuple[Message, ...]]:
    """Return `made`, the comparison of a pair, adjusted for its covariates, what they explain, and why others are not used.

    None where nothing is adjusted for. A default that the runs do not allow is left out without a word; one that the campaign
    declares is refused with the reason.
    """
    declared = campaign.comparison.covariates
    names = DEFAULT.get(key.spec.group, ()) if declared is None else declared
    names = tuple("start_iat" if n == "start_over_ambient" and n not in known.start else n for n in names)
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
    rows, within = [v for v in values if v.status == "ok"], made.found.method == "blocked"
    linked = linked_to(pair[1], [v.configuration for v in rows], [v.block for v in rows]) if within else {*pair}
    rows = [v for v in rows if v.configuration in linked]
    numbers, blocks = np.array([v.value for v in rows], dtype=np.float64), [str(v.block) for v in rows]
    return _Layout([v.run for v in rows], numbers, [v.configuration for v in rows], blocks if within else None, pair)


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
