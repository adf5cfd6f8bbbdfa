"""Differences between configurations with intervals that respect how the runs were made.

The order of preference: within blocks (the additive two-way model, of which the paired comparison is the smallest
case), else between all runs (Welch), else the bare difference without an interval.
"""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import special

from intake_report.errors import DataError
from intake_report.messages import Listing, Message, Part, message
from intake_report.statistics._numbers import Floats, Values, below_rounding, coverage_factor, finite, t_two_sided
from intake_report.statistics.models import Blocked, Estimates, blocked, linked_to, two_samples

Method = Literal["blocked", "welch", "pooled", "censored", "none"]
NO_INTERVAL = {
    "no-degree-of-freedom": "no {one} is left over to estimate the scatter",
    "no-scatter": "the {one}s do not scatter at all at this resolution, so no interval can be derived from them",
    "one-each": "one {one} per configuration: no scatter can be estimated, the difference is an indication only",
}
"""Why a difference has no interval, by code."""


@dataclass(frozen=True)
class Nouns:
    """What is compared and what holds several of them, for the notes: runs in blocks, pulls in sessions."""

    one: str = "run"
    group: str = "block"

    def note(self, template: str, code: str, **values: Part) -> Message:
        """Return a note with ``{one}`` and ``{group}`` filled in."""
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
        """All notes in one; empty without any."""
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
    half, p = coverage_factor(bare.level, df) * error, t_two_sided(bare.difference / error, df)
    low, high = bare.difference - half, bare.difference + half
    return replace(bare, low=low, high=high, df=df, standard_error=error, method=method, p_value=p)


def compare_means(baseline: Values, candidate: Values, level: float = 0.95, nouns: Nouns = RUNS) -> Difference:
    """Difference of two means, candidate minus baseline, by Welch's method; one finite value per run, in one unit.

    With one run on one side the other side's scatter is taken for both (method "pooled"); with one run on both, or no scatter at
    all, there is no interval (method "none"). `nouns`: what the notes call a run and a block. DataError where a side is empty.

    Assumes independent runs. Degrees of freedom by Welch–Satterthwaite; B. L. Welch, Biometrika 34 (1947) 28–35.
    """
    a, b = finite(baseline, "baseline values"), finite(candidate, "candidate values")
    n, sides = (int(a.size), int(b.size)), [side - a[0] for side in (a, b)]
    ids = ["baseline"] * n[0] + ["candidate"] * n[1]
    model = two_samples([str(i) for i in range(len(ids))], ids, ("candidate", "baseline"))
    bare = Difference(float(sides[1].mean() - sides[0].mean()), *n, level=level)
    deviations = np.concatenate([side - side.mean() for side in sides])
    flat = below_rounding(deviations, np.concatenate([a, b]))
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


def comparable(configuration: Sequence[str], baseline: str) -> None:
    """Refuse (DataError) a layout without a run of the baseline, or with one configuration only."""
    if baseline not in configuration:
        raise DataError(f'No run of the baseline "{baseline}" is left.', remedy="Check the excluded runs.")
    if len(set(configuration)) < 2:
        raise DataError(
            "Runs of one configuration only: there is nothing to compare.", remedy="Add runs of another one."
        )


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
    `nouns`: what the notes call a run and a block. Method "blocked" where blocks link a configuration to the baseline, otherwise
    `compare_means` with the reason in `notes`; without a degree of freedom no interval (method "none"). DataError without a run of
    the baseline, or with one configuration only.

    Additive two-way model of the means of the runs of each configuration in each block (`models.Blocked`), unbalanced
    allowed. Its error holds a shift by which a block moves one configuration more than another: repeated runs in a block
    make the means better, they do not replace blocks.
    """
    y = finite(values, "values per run")
    comparable(configuration, baseline)
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
    """Return the difference that the model makes of `y` (runs,), with its interval where a degree of freedom is left.

    `n`: runs of the baseline and of the candidate.
    """
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
    known = [p for p in p_values if p is not None]
    adjusted = iter(holm_rows(np.array([known], dtype=np.float64))[0].tolist())
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
    """Return the difference in units of the scatter of one run, corrected for few degrees of freedom; else None.

    Notes
    -----
    Hedges' correction Γ(df/2) / (√(df/2)·Γ((df − 1)/2)); L. V. Hedges, J. Educ. Stat. 6 (1981) 107–128.
    """
    df, d, scatter = found.df, found.difference, found.scatter
    if d is None or scatter is None or df is None or df <= 1.0 + 1e-9 or scatter == 0.0:
        return None
    correction = math.exp(math.lgamma(df / 2.0) - math.lgamma((df - 1.0) / 2.0)) / math.sqrt(df / 2.0)
    return correction * d / scatter
