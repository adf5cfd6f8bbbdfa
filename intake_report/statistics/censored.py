"""Differences of times of which some were not reached within the run (right-censored), or before it (left-censored).

A censored run says "longer than" or "sooner than". It is never replaced by a number: the interval comes from the
likelihood of the additive model, the test from ranks that leave open what the censoring leaves open.
"""

import math
from collections.abc import Callable, Hashable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.optimize import brentq

from intake_report.messages import Message, message
from intake_report.statistics.comparison import Difference, compare_blocked, not_linked
from intake_report.statistics.means import Floats, Values, below_rounding, coverage_factor, finite, p_values, t_quantile
from intake_report.statistics.models import additive_design, linked_to, residual_of

_FAR = 1e4


def gehan_scores(values: Values, censored: Sequence[bool], block: Sequence[Hashable]) -> Floats:
    """Gehan's score of each time (n,): how many others of its block it surely exceeds, less how many surely exceed it.

    A censored one exceeds one that was reached at the moment up to which it was watched. Their permutation within blocks assumes
    that the length of watching does not depend on the configuration. E. A. Gehan, Biometrika 52 (1965) 203–223.
    """
    y, open_ = finite(values, "times"), np.asarray(censored, dtype=bool)
    together = np.array([[a == b for b in block] for a in block])
    later = y[:, None] - y[None, :]
    exceeds = together & ~open_[None, :] & ((later > 0.0) | ((later == 0.0) & open_[:, None]))
    return np.asarray(exceeds.sum(axis=1) - exceeds.sum(axis=0), dtype=np.float64)


def _best_likelihood(y: Floats, side: NDArray[np.int64], design: Floats) -> tuple[float, Floats, float]:
    """Largest log likelihood of the censored normal linear model, with coefficients and scatter.

    `side` (n,): 1 where `y` is a lower bound, −1 where an upper one (J. Tobin, Econometrica 26 (1958) 24–36). In the
    parameters coefficient/scatter and 1/scatter the likelihood is concave (R. J. Olsen, Econometrica 46 (1978) 1211–1215),
    so a damped Newton iteration finds its maximum from anywhere.
    """
    size = design.shape[1]
    rows = np.column_stack([-design, y])  # standardised residual = rows @ parameters
    start = np.linalg.lstsq(design, y, rcond=None)[0]
    parameters = np.append(start, 1.0) / max(float(np.std(y - design @ start)), 1e-3 * float(np.std(y)), 1e-12)
    exact, watched = rows[side == 0], (rows * side[:, None])[side != 0]
    count = exact.shape[0]

    def value(p: Floats) -> float:
        if p[-1] <= 0.0:
            return -math.inf
        z = exact @ p
        return float(count * math.log(p[-1]) - 0.5 * (z @ z) + np.sum(special.log_ndtr(-(watched @ p))))

    current = value(parameters)
    for _ in range(200):
        z, w = exact @ parameters, watched @ parameters
        # slope and curvature of log Φ(−w): the inverse Mills ratio
        mills = np.exp(-0.5 * w**2 - 0.5 * math.log(2.0 * math.pi) - special.log_ndtr(-w))
        gradient = -exact.T @ z - watched.T @ mills
        gradient[-1] += count / parameters[-1]
        hessian = -exact.T @ exact - (watched * (mills * (mills - w))[:, None]).T @ watched
        hessian[-1, -1] -= count / parameters[-1] ** 2
        ridge = 1e-9 * np.trace(-hessian) / (size + 1)
        step = np.linalg.lstsq(-hessian + ridge * np.eye(size + 1), gradient, rcond=None)[0]
        gain, factor = -math.inf, 1.0
        while factor > 1e-10:
            trial = parameters + factor * step
            gain = value(trial) - current
            if gain > 0.0:
                break
            factor *= 0.5
        if gain <= 0.0:
            break
        parameters, current = trial, current + gain
        if gain < 1e-11:
            break
    scatter = 1.0 / float(parameters[-1])
    return current, parameters[:-1] * scatter, scatter


def _edge(t_of: Callable[[float], float], start: float, step: float, target: float) -> float | None:
    """Value beyond `start` in the direction of `step` at which |t| reaches `target`; None if it never does."""
    inner, reach = start, step
    while t_of(start + reach) < target:
        inner, reach = start + reach, 2.0 * reach
        if abs(reach) > _FAR * abs(step):
            return None
    return float(brentq(lambda x: t_of(x) - target, inner, start + reach, xtol=1e-10 * abs(step), rtol=1e-12))


def _informative(
    open_: NDArray[np.bool_], configuration: list[str], block: list[Hashable], pair: tuple[str, str]
) -> NDArray[np.bool_]:
    """Return which runs bear on the likelihood, (n,): not those of a block (or configuration) all censored.

    It can be shifted up for ever at no cost, says nothing about the difference, and its effect has no finite estimate.
    """
    keep = np.ones(open_.size, dtype=bool)
    while True:
        before = int(keep.sum())
        for labels, exempt in ((block, ()), (configuration, pair)):
            for name in dict.fromkeys(labels):
                chosen = keep & np.array([label == name for label in labels])
                if name not in exempt and chosen.any() and open_[chosen].all():
                    keep &= ~chosen
        if int(keep.sum()) == before:
            return keep


def compare_censored(
    values: Values,
    censored: Sequence[int],
    configuration: Sequence[str],
    block: Sequence[Hashable | None],
    pair: tuple[str, str],
    level: float = 0.95,
) -> Difference:
    """Difference of times when some were not reached within the run, or already before it.

    `values` (n,): time of each run, for a censored one the time up to which it was watched; `censored` (n,): 1 where not
    reached (longer than), −1 where reached before the watch began (sooner than), else 0; `pair`: baseline and candidate.

    Without censored runs exactly `compare_blocked`. Otherwise method "censored": a limit that the censoring leaves open is None;
    where a whole side was censored only the one limit stands, one-sided. Method "none" when the runs say nothing about it.

    Additive model with normal scatter, alike for all runs, fitted by likelihood in which a censored run counts as
    "longer than" or "sooner than". Runs repeated in a block enter as the mean of their cell, so that the error holds a
    shift by which a block moves one configuration more than another; with a censored run that mean is a bound. Interval: profile
    likelihood, its deviance D turned into t² = df·(exp(D/n) − 1), with n and df of the runs that reached (which gives the ordinary
    t interval when all did). Assumes that the end of watching has nothing to do with the time itself.
    """
    y, side, ids, where, noun = finite(values, "times"), np.asarray(censored), list(configuration), list(block), "run"
    baseline, name = pair
    if not side.any():
        return compare_blocked(values, configuration, block, baseline, level)[name]
    known = None not in block and len(set(block)) > 1
    linked = linked_to(baseline, configuration, block) if known else set()
    reason = not_linked(baseline, name) if known else message("blocks not used", code="no-blocks")
    if name in linked:
        if len(set(zip(configuration, block, strict=True))) < y.size:
            (y, side, ids, where), noun = _cells(y, side, ids, where), "block"
        found = _censored(y, side, ids, where, pair, linked, level, (), noun)
        if found.method != "none":
            return found
        # too few reached to estimate the blocks as well: their scatter then counts as that of the runs
        template = "blocks not used: too few runs reached the mark to estimate their effect"
        reason = message(template, code="blocks-not-estimable")
    return _censored(y, side, ids, [0] * y.size, pair, set(pair), level, (reason,), noun)


def _cells(
    y: Floats, side: NDArray[np.int64], configuration: Sequence[str], block: Sequence[Hashable | None]
) -> tuple[Floats, NDArray[np.int64], list[str], list[Hashable | None]]:
    """Return the runs of each configuration in each block as one; one with bounds of both kinds says nothing and is left out."""
    where = list(zip(configuration, block, strict=True))
    cells = [(cell, np.array([w == cell for w in where])) for cell in dict.fromkeys(where)]
    kept = [(cell, inside) for cell, inside in cells if len(set(side[inside]) - {0}) < 2]
    sides = np.array([side[inside][np.argmax(np.abs(side[inside]))] for _, inside in kept], dtype=np.int64)
    means = np.array([float(np.mean(y[inside])) for _, inside in kept])
    return means, sides, [cell[0] for cell, _ in kept], [cell[1] for cell, _ in kept]


def _censored(
    y: Floats,
    side: NDArray[np.int64],
    configuration: list[str],
    block: Sequence[Hashable | None],
    pair: tuple[str, str],
    among: set[Hashable],
    level: float,
    reasons: tuple[Message, ...],
    noun: str,
) -> Difference:
    """Return the difference from the times of the configurations `among` which the pair is compared."""

    def taken(kept: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.int64], list[str], list[Hashable | None]]:
        rows = np.flatnonzero(kept).tolist()
        return y[rows], side[rows], [configuration[i] for i in rows], [block[i] for i in rows]

    y, side, configuration, block = taken(np.array([c in among for c in configuration]))
    sides = [np.array([c == who for c in configuration]) for who in pair]
    n = (int(sides[0].sum()), int(sides[1].sum()))
    reached = [int(np.count_nonzero(of & (side == 0))) for of in sides]
    template = "{open} of {n} baseline and {open_candidate} of {n_candidate} candidate {noun}s {what}"
    counts = {"open": n[0] - reached[0], "n": n[0], "open_candidate": n[1] - reached[1], "n_candidate": n[1]}
    late, early = (any((side[s] == way).any() for s in sides) for way in (1, -1))
    what = "not reached" if not early else "not reached, or within at entry" if late else "within at entry"
    notes = [*reasons, message(template, code="censored", noun=noun, what=what, **counts)]

    def nothing(why: str) -> Difference:
        return Difference(None, *n, (*notes, message(why, code="censored-unknown")), level)

    if 0 in n:
        return nothing("too few runs reached the mark")
    if reached == [0, 0]:
        return nothing("neither side reached the mark: their difference is unknown")
    if any(not r and len(set(side[s])) > 1 for r, s in zip(reached, sides, strict=True)):
        return nothing("one side has bounds only, of both kinds")
    y, side, configuration, block = taken(_informative(side != 0, configuration, block, pair))
    baseline, name = pair
    if name not in linked_to(baseline, configuration, block):
        return nothing("no block in which a run reached the mark holds both configurations")
    design, candidates = additive_design(configuration, block, baseline)
    exact, known = design[side == 0], y[side == 0]
    count = len(known)
    df = count - int(np.linalg.matrix_rank(exact))
    if df < 1:
        return nothing("too few runs reached the mark")
    if below_rounding(residual_of(exact, known)[0], y):
        return nothing("the runs that reached the mark do not scatter, so no interval can be derived from them")
    origin, unit = float(np.mean(y)), float(np.std(y)) or 1.0
    z = (y - origin) / unit
    column = candidates.index(name)
    rest = np.delete(design, column, axis=1)
    # a side that never reached can move away at no cost: the best likelihood is that of the other runs
    absent = pair[reached.index(0)] if 0 in reached else None
    others = np.array([c != absent for c in configuration])
    used = design[others][:, np.any(design[others] != 0.0, axis=0)]
    best, coefficients, scatter = _best_likelihood(z[others], side[others], used)

    def t_of(delta: float) -> float:
        profile = _best_likelihood(z - delta * design[:, column], side, rest)[0]
        return math.sqrt(df * math.expm1(min(2.0 * max(best - profile, 0.0) / count, 600.0)))

    centre: float | None
    low: float | None
    high: float | None
    if absent is not None:  # one limit only; walk back to it from where the likelihood is flat
        bound = int(side[~others][0])
        way = float(bound) if absent == name else -float(bound)
        edge = _edge(t_of, way * (float(np.ptp(z)) + 20.0 * scatter), -way * scatter, t_quantile(level, df))
        if edge is None:
            return nothing("the runs do not bound the difference")
        centre, low, high = None, (edge if way > 0.0 else None), (None if way > 0.0 else edge)
        word, who = "at least" if way > 0.0 else "at most", "candidate" if absent == name else "baseline"
        template = "no {who} run reached the mark: the difference is {word} the limit given (one-sided)"
        if bound < 0:
            template = "every {who} run was within at entry: the difference is {word} the limit given (one-sided)"
        notes.append(message(template, code="one-sided", who=who, word=word))
    else:
        centre, target = float(coefficients[column]), coverage_factor(level, df)
        low, high = (_edge(t_of, centre, way * scatter, target) for way in (-1.0, 1.0))
        if low is None or high is None:
            notes.append(message("the censoring leaves the interval open on one side", code="open-side"))
    template = "normal scatter and an end of watching that does not depend on the time are assumed"
    notes.append(message(template, code="censored-assumptions"))
    p = float(p_values(t_of(0.0), df))
    centre, low, high = (None if v is None else v * unit for v in (centre, low, high))
    return Difference(centre, *n, tuple(notes), level, "censored", low, high, float(df), None, p, scatter * unit)
