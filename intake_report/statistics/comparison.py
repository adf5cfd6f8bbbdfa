"""Differences between configurations with intervals that respect how the runs were made.

The order of preference: within blocks (the additive two-way model, of which the paired comparison is the smallest
case), else between all runs (Welch), else the bare difference without an interval.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import special

from intake_report.errors import DataError
from intake_report.messages import Listing, Message, Part, message
from intake_report.statistics._numbers import (
    Floats,
    Values,
    below_rounding,
    check_level,
    coverage_factor,
    finite,
    t_two_sided,
)
from intake_report.statistics.models import Blocked, blocked, linked_to, two_samples

Method = Literal["blocked", "welch", "pooled", "censored", "none"]


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
    low: float | None
    high: float | None
    df: float | None
    standard_error: float | None
    n_baseline: int
    n_candidate: int
    method: Method
    p_value: float | None
    notes: tuple[Message, ...] = ()
    level: float = 0.95
    scatter: float | None = None

    @property
    def note(self) -> Part:
        """All notes in one; empty without any."""
        return in_one(self.notes)


def in_one(notes: Sequence[Part]) -> Part:
    """Return notes as one part, "a; b"; empty without any."""
    return Listing(tuple(notes), ";") if len(notes) > 1 else notes[0] if notes else ""


def no_interval(difference: float | None, n: tuple[int, int], notes: Sequence[Message], level: float) -> Difference:
    """Return a bare `Difference`."""
    return Difference(difference, None, None, None, None, *n, "none", None, tuple(notes), level)


def with_interval(bare: Difference, error: float, df: float, method: Method, scatter: float) -> Difference:
    """Return a `Difference` with its t interval and p-value from standard error and degrees of freedom."""
    assert bare.difference is not None
    half = coverage_factor(bare.level, df) * error
    return replace(
        bare,
        low=bare.difference - half,
        high=bare.difference + half,
        df=df,
        standard_error=error,
        method=method,
        p_value=t_two_sided(bare.difference / error, df),
        scatter=scatter,
    )


def _one_each(nouns: Nouns) -> Message:
    return nouns.note(
        "one {one} per configuration: no scatter can be estimated, the difference is an indication only", "one-each"
    )


def _no_scatter(nouns: Nouns) -> Message:
    return nouns.note(
        "the {one}s do not scatter at all at this resolution, so no interval can be derived from them", "no-scatter"
    )


def compare_means(baseline: Values, candidate: Values, level: float = 0.95, nouns: Nouns = RUNS) -> Difference:
    """Difference of two means, candidate minus baseline, by Welch's method; one finite value per run, in one unit.

    With one run on one side the other side's scatter is taken for both (method "pooled"); with one run on both, or no scatter at
    all, there is no interval (method "none"). `nouns`: what the notes call a run and a block. DataError where a side is empty.

    Assumes independent runs. Degrees of freedom by Welch–Satterthwaite; B. L. Welch, Biometrika 34 (1947) 28–35.
    """
    check_level(level)
    a, b = finite(baseline, "baseline values"), finite(candidate, "candidate values")
    n, sides = (int(a.size), int(b.size)), [side - a[0] for side in (a, b)]
    deviations = np.concatenate([side - side.mean() for side in sides])
    ids = ["baseline"] * n[0] + ["candidate"] * n[1]
    model = two_samples([str(i) for i in range(len(ids))], ids, ("candidate", "baseline"))
    found = model.evaluate(np.concatenate(sides)[None, :])
    bare = no_interval(float(sides[1].mean() - sides[0].mean()), n, (), level)
    if found is None:
        return replace(bare, notes=(_one_each(nouns),))
    if below_rounding(deviations, np.concatenate([a, b])):
        return replace(bare, notes=(_no_scatter(nouns),))
    error, df = float(found.error[0]), float(found.df[0])
    if min(n) == 1:
        once, other = ("baseline", "candidate") if n[0] == 1 else ("candidate", "baseline")
        template = "the {once} has one {one}: the scatter of the {one}s of the {other} is taken for both"
        note = nouns.note(template, "one-side", once=once, other=other)
        scatter = error / math.sqrt(1.0 / n[0] + 1.0 / n[1])
        return with_interval(replace(bare, notes=(note,)), error, df, "pooled", scatter)
    scatter = math.sqrt((sides[0].var(ddof=1) + sides[1].var(ddof=1)) / 2.0)
    return with_interval(bare, error, df, "welch", scatter)


def comparable(configuration: Sequence[str], block: Sequence[Hashable | None], baseline: str, size: int) -> None:
    """Refuse (DataError) a layout without a run of the baseline, or with one configuration only."""
    if not len(configuration) == len(block) == size:
        raise ValueError("values, configuration and block differ in length")
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
    check_level(level)
    y = finite(values, "values per run")
    comparable(configuration, block, baseline, int(y.size))
    groups = {name: y[[c == name for c in configuration]] for name in dict.fromkeys(configuration)}

    def unblocked(name: str, reason: Message) -> Difference:
        plain = compare_means(groups[baseline], groups[name], level, nouns)
        return replace(plain, notes=(reason, *plain.notes))

    unknown = sum(b is None for b in block)
    if unknown or len(set(block)) == 1:
        if unknown == y.size:
            reason = nouns.note("no {group}s were named", "no-blocks")
        elif unknown:
            template = "{group}s not used: {unknown} of {n} {one}s name none"
            reason = nouns.note(template, "blocks-unknown", unknown=unknown, n=int(y.size))
        else:
            reason = nouns.note("all {one}s are in one {group}", "one-block")
        return {name: unblocked(name, reason) for name in groups if name != baseline}

    linked = linked_to(baseline, configuration, block)
    own_blocks = {name: {b for c, b in zip(configuration, block, strict=True) if c == name} for name in groups}
    result: dict[str, Difference] = {}
    for name in groups:
        if name == baseline:
            continue
        if name not in linked:
            result[name] = unblocked(name, not_linked(baseline, name, nouns))
            continue
        keep = [i for i, c in enumerate(configuration) if c in linked]
        inside = [configuration[i] for i in keep]
        model = blocked([str(i) for i in keep], inside, [block[i] for i in keep], (name, baseline))
        n = (int(groups[baseline].size), int(groups[name].size))
        notes = []
        if not own_blocks[baseline] & own_blocks[name]:
            template = '"{name}" shares no {group} with "{baseline}": compared by way of other configurations'
            notes.append(nouns.note(template, "indirect", name=name, baseline=baseline))
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
    bare = no_interval(float((y - y[0]) @ model.weights), n, notes, level)
    if found is None:
        left_over = nouns.note("no {one} is left over to estimate the scatter", "no-degree-of-freedom")
        return replace(bare, notes=(*notes, _one_each(nouns) if max(n) == 1 else left_over))
    if below_rounding(found.error, y):
        return replace(bare, notes=(*notes, _no_scatter(nouns)))
    error = float(found.error[0])
    return with_interval(bare, error, model.df, "blocked", error / model.factor)


def not_linked(baseline: str, name: str, nouns: Nouns = RUNS) -> Message:
    """Return the note that no block holds both."""
    template = 'no {group} holds both "{baseline}" and "{name}": {group} and configuration cannot be told apart'
    return nouns.note(template, "confounded", baseline=baseline, name=name)


def holm(p_values: Sequence[float | None]) -> tuple[float | None, ...]:
    """Holm-adjusted p-values, in the order given; None (no test was possible) stays None and does not count.

    Controls the chance of any false call among them, whatever their dependence. S. Holm, Scand. J. Statist. 6 (1979) 65–70.
    """
    known = [p for p in p_values if p is not None]
    for p in known:
        if not 0.0 <= p <= 1.0:
            raise ValueError(f"p-value {p} is not within 0 to 1")
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
    if margin <= 0.0:
        raise ValueError(f"equivalence margin {margin} is not greater than zero")
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
