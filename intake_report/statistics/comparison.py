"""Differences between configurations with intervals that respect how the runs were made, and exact permutation tests.

The order of preference: within blocks (the additive two-way model, of which the paired comparison is the smallest
case), else between all runs (Welch), else the bare difference without an interval.

The tests say what the order of the runs alone can show. The runs of each block are dealt anew to the two configurations,
in every possible way: one block is the two-sample test; blocks of one run each are the paired test (sign flips).
"""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, permutations
from typing import Literal, NamedTuple

import numpy as np
from scipy import special

from intake_report.errors import DataError
from intake_report.messages import Listing, Message, Part, message
from intake_report.statistics import means
from intake_report.statistics.means import Floats, Values, below_rounding, coverage_factor, finite, p_values
from intake_report.statistics.models import Blocked, Estimates, blocked, linked_to, two_samples

DEALS = 1999
FEWEST = 0.01  # p that a layout has to be able to reach for random deals to decide anything
MOST_ORDERS = 50_000  # up to this many orders all are counted; beyond it draws are as good
ORDERS_DRAWN = 10_000

Method = Literal["blocked", "welch", "pooled", "censored", "none"]
NO_INTERVAL = {  # why a difference has none, by code
    "no-degree-of-freedom": "no {one} is left over to estimate the scatter",
    "no-scatter": "the {one}s do not scatter at all at this resolution, so no interval can be derived from them",
    "one-each": "one {one} per configuration: no scatter can be estimated, the difference is an indication only",
}


@dataclass(frozen=True)
class Nouns:
    """What is compared, and what holds several of them, in the notes: runs in blocks, pulls in sessions."""

    one: str = "run"
    group: str = "block"

    def note(self, template: str, code: str, **values: Part) -> Message:
        """Return a note in these words."""
        return message(template, code=code, one=self.one, group=self.group, **values)


RUNS = Nouns()


@dataclass(frozen=True)
class Difference:
    """Candidate minus baseline, in the unit of the values.

    `difference` is None only when censoring leaves a bound (`low` or `high`) or nothing; limits are None when the data allow no
    interval (`notes` say why). `method`: "blocked" within blocks, additive model; "welch" unequal scatter; "pooled" the scatter of
    the configuration that was repeated is taken for both; "censored" additive model by likelihood, "not reached" as longer than;
    "none" difference only. `scatter` is the standard deviation that the interval rests on: of one run, or of the mean of a
    configuration's runs in one block where there are several.
    """

    difference: float | None
    n_baseline: int
    n_candidate: int
    notes: tuple[Message, ...] = ()
    level: float = 0.95
    method: Method = "none"
    low: float | None = None
    high: float | None = None
    df: float | None = None
    standard_error: float | None = None
    p_value: float | None = None
    scatter: float | None = None

    @property
    def note(self) -> Part:
        """All notes in one."""
        return in_one(self.notes)


def in_one(notes: Sequence[Part]) -> Part:
    """Return notes as one part, "a; b"; empty without any."""
    return Listing(tuple(notes), ";") if len(notes) > 1 else notes[0] if notes else ""


def _with_interval(bare: Difference, found: Estimates | None, flat: bool, method: Method, nouns: Nouns) -> Difference:
    """Return the difference with its t interval and p-value, or why there is none; `flat`: the values do not scatter."""
    if found is None or flat:
        once = max(bare.n_baseline, bare.n_candidate) == 1
        code = "no-scatter" if found is not None else "one-each" if once else "no-degree-of-freedom"
        return replace(bare, notes=(*bare.notes, nouns.note(NO_INTERVAL[code], code)))
    assert bare.difference is not None
    error, df = float(found.error[0]), float(found.df[0])
    half, p = coverage_factor(bare.level, df) * error, float(p_values(bare.difference / error, df))
    low, high = bare.difference - half, bare.difference + half
    return replace(bare, low=low, high=high, df=df, standard_error=error, method=method, p_value=p)


def compare_means(baseline: Values, candidate: Values, level: float = 0.95, nouns: Nouns = RUNS) -> Difference:
    """Difference of two means of independent runs, candidate minus baseline, by Welch's method; DataError where a side is empty.

    With one run on one side the other side's scatter is taken for both (method "pooled"); with one run on both, or no scatter at
    all, there is no interval (method "none"). Degrees of freedom by Welch–Satterthwaite; B. L. Welch, Biometrika 34 (1947) 28–35.
    """
    a, b = finite(baseline, "baseline values"), finite(candidate, "candidate values")
    n, sides = (int(a.size), int(b.size)), [side - a[0] for side in (a, b)]
    ids = ["baseline"] * n[0] + ["candidate"] * n[1]
    model = two_samples([str(i) for i in range(len(ids))], ids, ("candidate", "baseline"))
    bare = Difference(float(sides[1].mean() - sides[0].mean()), *n, level=level)
    flat = below_rounding(np.concatenate([side - side.mean() for side in sides]), np.concatenate([a, b]))
    made = _with_interval(bare, model.evaluate(np.concatenate(sides)[None, :]), flat, "welch", nouns)
    if made.standard_error is None:
        return made
    if min(n) > 1:
        return replace(made, scatter=math.sqrt((sides[0].var(ddof=1) + sides[1].var(ddof=1)) / 2.0))
    once, other = ("baseline", "candidate") if n[0] == 1 else ("candidate", "baseline")
    template = "the {once} has one {one}: the scatter of the {one}s of the {other} is taken for both"
    note = nouns.note(template, "one-side", once=once, other=other)
    scatter = made.standard_error / math.sqrt(1.0 / n[0] + 1.0 / n[1])
    return replace(made, notes=(note,), method="pooled", scatter=scatter)


def compare_blocked(
    values: Values,
    configuration: Sequence[str],
    block: Sequence[Hashable | None],
    baseline: str,
    level: float = 0.95,
    nouns: Nouns = RUNS,
) -> dict[str, Difference]:
    """Differences of every configuration from the baseline, made within blocks, in order of appearance.

    `values`, `configuration`, `block` (n,): one finite value per run, of runs that have one; block None where it is not known.
    Method "blocked" where blocks link a configuration to the baseline, otherwise `compare_means` with the reason in `notes`; without
    a degree of freedom no interval (method "none"). DataError without a run of the baseline, or with one configuration only.

    Additive two-way model of the means of the runs of each configuration in each block (`models.Blocked`), unbalanced
    allowed. Its error holds a shift by which a block moves one configuration more than another: repeated runs in a block
    make the means better, they do not replace blocks.
    """
    y = finite(values, "values per run")
    if baseline not in configuration:
        raise DataError(f'No run of the baseline "{baseline}" is left.', remedy="Check the excluded runs.")
    if len(set(configuration)) < 2:
        what = "Runs of one configuration only: there is nothing to compare."
        raise DataError(what, remedy="Add runs of another one.")
    groups = {name: y[[c == name for c in configuration]] for name in dict.fromkeys(configuration)}
    own_blocks = {name: {b for c, b in zip(configuration, block, strict=True) if c == name} for name in groups}
    unknown, unblocked = sum(b is None for b in block), None
    if unknown == y.size:
        unblocked = nouns.note("no {group}s were named", "no-blocks")
    elif unknown:
        template = "{group}s not used: {unknown} of {n} {one}s name none"
        unblocked = nouns.note(template, "blocks-unknown", unknown=unknown, n=int(y.size))
    elif len(set(block)) == 1:
        unblocked = nouns.note("all {one}s are in one {group}", "one-block")
    linked = set() if unblocked else linked_to(baseline, configuration, block)
    keep = [i for i, c in enumerate(configuration) if c in linked]
    inside, where = [configuration[i] for i in keep], [block[i] for i in keep]
    result: dict[str, Difference] = {}
    for name in groups:
        if name == baseline:
            continue
        if name not in linked:
            plain = compare_means(groups[baseline], groups[name], level, nouns)
            result[name] = replace(plain, notes=(unblocked or not_linked(baseline, name, nouns), *plain.notes))
            continue
        notes = []
        if not own_blocks[baseline] & own_blocks[name]:
            template = '"{name}" shares no {group} with "{baseline}": compared by way of other configurations'
            notes.append(nouns.note(template, "indirect", name=name, baseline=baseline))
        model = blocked([str(i) for i in keep], inside, where, (name, baseline))
        n = (int(groups[baseline].size), int(groups[name].size))
        result[name] = difference_of(model, y[keep], n, notes, level, nouns)
    return result


def difference_of(
    model: Blocked, y: Floats, n: tuple[int, int], notes: Sequence[Message], level: float, nouns: Nouns = RUNS
) -> Difference:
    """Return the difference that the model makes of `y` (runs,); `n`: runs of the baseline and of the candidate."""
    found = model.evaluate(y[None, :])
    # around the first value, so that large offsets do not cost digits
    bare = Difference(float((y - y[0]) @ model.weights), *n, tuple(notes), level)
    made = _with_interval(bare, found, found is not None and below_rounding(found.error, y), "blocked", nouns)
    return made if made.standard_error is None else replace(made, scatter=made.standard_error / model.factor)


def not_linked(baseline: str, name: str, nouns: Nouns = RUNS) -> Message:
    """Return the note that no block holds both."""
    template = 'no {group} holds both "{baseline}" and "{name}": {group} and configuration cannot be told apart'
    return nouns.note(template, "confounded", baseline=baseline, name=name)


def holm(p_values: Sequence[float | None]) -> tuple[float | None, ...]:
    """Holm-adjusted p-values, in the order given; None (no test was possible) stays None and does not count.

    Controls the chance of any false call among them, whatever their dependence. S. Holm, Scand. J. Statist. 6 (1979) 65–70.
    """
    adjusted = iter(holm_rows(np.array([[p for p in p_values if p is not None]], dtype=np.float64))[0].tolist())
    return tuple(None if p is None else next(adjusted) for p in p_values)


def holm_rows(p_values: Floats) -> Floats:
    """Holm-adjusted p-values of many families at once, one per row; see `holm`. (k, m) → (k, m)."""
    order = np.argsort(p_values, axis=1, kind="stable")
    left = p_values.shape[1] - np.arange(p_values.shape[1])
    stepped = np.minimum(1.0, np.take_along_axis(p_values, order, axis=1) * left)
    adjusted = np.empty_like(p_values)
    np.put_along_axis(adjusted, order, np.maximum.accumulate(stepped, axis=1), axis=1)
    return adjusted


def equivalence(difference: float, error: float, df: float, margin: float) -> float:
    """Risk of calling a difference equivalent: the p-values of the two one-sided tests against ± margin, added.

    `df` infinite = normal; `margin` > 0 is chosen before looking at the data; equivalent at level alpha when p ≤ alpha.

    D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987) 657–680, takes the larger of the two; between near limits both
    tails carry risk, and a claim of "equal" is decided by the same sum. "Not shown to differ" is not "equivalent".
    """
    return float(special.stdtr(df, (difference - margin) / error) + special.stdtr(df, -(difference + margin) / error))


def standardised(found: Difference) -> float | None:
    """Return the difference in units of the scatter of one run, with Hedges' correction for few of them; else None.

    Γ(df/2) / (√(df/2)·Γ((df − 1)/2)); L. V. Hedges, J. Educ. Stat. 6 (1981) 107–128.
    """
    df, d, scatter = found.df, found.difference, found.scatter
    if d is None or scatter is None or df is None or df <= 1.0 + 1e-9 or scatter == 0.0:
        return None
    return math.exp(math.lgamma(df / 2.0) - math.lgamma((df - 1.0) / 2.0)) / math.sqrt(df / 2.0) * d / scatter


class PermutationTest(NamedTuple):
    """Two-sided p-value (twice the smaller tail), and the smallest that this design can reach, whatever the data."""

    p_value: float
    smallest_p: float


def arrangements(cells: Sequence[tuple[int, int]]) -> int:
    """Return the number of ways to deal the runs of each block: (baseline runs, candidate runs) per block."""
    return math.prod(math.comb(a + b, a) for a, b in cells)


def smallest_attainable_p(cells: Sequence[tuple[int, int]]) -> float:
    """Smallest two-sided p of a design before any data; [(3, 3)] is one block of three runs each, [(1, 1)] * n are n pairs."""
    ways = arrangements(cells)  # whole-number division first: the count may be beyond the range of a float
    return 0.0 if ways > 10**300 else min(1.0, 2 / ways)


def permutation_blocked(values: Values, candidate: Sequence[bool], block: Sequence[Hashable]) -> PermutationTest:
    """Permutation test of two configurations within blocks; those with one configuration only say nothing and are left out.

    `values`, `candidate` (True for its runs), `block` (n,); p is 1 where no block holds both. Exact for runs that are
    exchangeable within their block if the configuration makes no difference; every assignment is counted, so the caller looks at
    `arrangements` first (a million take some 20 ms). Statistic: the difference of the additive model, sum of w·d over sum of w
    with w = n·m / (n + m) per block.
    R. A. Fisher, The Design of Experiments (1935) (from memory).
    """
    y, marks = finite(values, "values per run"), np.asarray(candidate, dtype=bool)
    cells, statistics, observed, scale = [], np.zeros(1), 0.0, 0.0
    for name in dict.fromkeys(block):
        inside = np.array([b == name for b in block])
        k, size = int(np.count_nonzero(marks & inside)), int(np.count_nonzero(inside))
        if not 0 < k < size:
            continue
        part = y[inside] - y[0]
        part = part - part.mean()  # then the sum over the candidate's runs is w·d of the block
        every = np.array([part[list(chosen)].sum() for chosen in combinations(range(size), k)])
        statistics = np.add.outer(statistics, every).ravel()
        cells.append((size - k, k))
        observed += float(part[marks[inside]].sum())
        scale += float(np.abs(part).sum())
    return PermutationTest(_two_sided(statistics, observed, scale), smallest_attainable_p(cells))


def _two_sided(statistics: Floats, observed: float, scale: float, extra: int = 0) -> float:
    """Return twice the smaller tail; what equals the observed one up to rounding belongs to both."""
    slack = 1e-9 * scale
    tail = min(np.count_nonzero(x) for x in (statistics >= observed - slack, statistics <= observed + slack))
    return float(min(1.0, 2.0 * (tail + extra) / (statistics.size + extra)))


def dealt_anew(
    values: Floats, candidate: Sequence[bool], block: Sequence[Hashable], covariates: Floats, rng: np.random.Generator
) -> float | None:
    """Two-sided p of a difference within blocks adjusted for covariates, among `DEALS` random deals of the configurations.

    `values`, `candidate`, `block` (n,); `covariates` (n, k) stay with their runs. None where the layout has too few deals to
    reach `FEWEST`. Exact where the order within blocks was chosen at random and the configuration makes no difference, whatever
    the scatter. Statistic: partial correlation of value and configuration, blocks and covariates taken out.
    """
    marks, names = np.asarray(candidate, dtype=np.float64), list(dict.fromkeys(block))
    where = [np.array([b == name for b in block]) for name in names]
    if smallest_attainable_p([(int((1.0 - marks[w]).sum()), int(marks[w].sum())) for w in where]) > FEWEST:
        return None
    dealt = np.tile(marks, (DEALS + 1, 1))
    for w in where:
        dealt[1:, w] = rng.permuted(dealt[1:, w], axis=1)
    within = np.eye(marks.size) - sum(np.outer(w, w) / w.sum() for w in where)
    known = np.linalg.qr(within @ covariates)[0]
    left = within - known @ known.T @ within
    z, y = dealt @ left.T, left @ (values - values[0])
    found = np.abs(z @ y) / np.sqrt(np.maximum(np.einsum("ij,ij->i", z, z), 1e-12))
    return float(np.mean(found >= found[0] * (1.0 - 1e-9)))


class LagOne(NamedTuple):
    """Lag-1 correlation of consecutive values with its permutation p-value (two-sided)."""

    correlation: float | None
    p_value: float | None
    pairs: int
    note: Part = ""


def lag_one(sessions: Sequence[Values], rng: np.random.Generator) -> LagOne:
    """Lag-1 correlation of values in the order they were made, and whether chance alone gives as much.

    `sessions` hold values in order of time, the configuration's effect taken out, or a change of configuration looks like
    correlation; pairs are not formed across them. None when there are fewer than three values in every session or no scatter.

    Statistic: sum of products of neighbours over the sum of squares, deviations from each session's mean. Test: the order within
    each session is permuted (drawn by `rng` beyond `MOST_ORDERS`). A handful of values only shows strong correlation.
    """
    data = [finite(session, "values of a session") for session in sessions]
    deviations = [values - means.mean_and_squares(values)[0] for values in data]
    pairs = sum(values.size - 1 for values in data)
    if max(values.size for values in data) < 3 or below_rounding(np.concatenate(deviations), np.concatenate(data)):
        template = "too few runs in a row, or no scatter, to see whether consecutive runs hang together"
        return LagOne(None, None, pairs, message(template, code="few-runs"))
    squares = math.fsum(float(run @ run) for run in deviations)
    observed = math.fsum(float(run[:-1] @ run[1:]) for run in deviations)
    exact = math.prod(math.factorial(min(run.size, 20)) for run in deviations) <= MOST_ORDERS
    sums = np.zeros(1 if exact else ORDERS_DRAWN)
    for run in deviations:
        if exact:
            orders = run[np.array(list(permutations(range(run.size))))]
        else:
            orders = rng.permuted(np.tile(run, (ORDERS_DRAWN, 1)), axis=1)
        products = np.sum(orders[:, :-1] * orders[:, 1:], axis=1)
        sums = np.add.outer(sums, products).ravel() if exact else sums + products
    return LagOne(observed / squares, _two_sided(sums, observed, squares, 0 if exact else 1), pairs)
