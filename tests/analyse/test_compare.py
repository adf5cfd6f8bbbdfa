"""Differences between configurations: blocks, replication, shared biases, censoring, and what cannot be compared."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from analyse.studies import campaign as make_campaign
from analyse.studies import headline, value
from intake_report.analyse.compare import (
    INDICATION,
    NOT_COMPARED,
    NOT_SHOWN,
    check_model,
    compare,
    compare_pair,
    judge,
    summarise,
    with_headlines,
)
from intake_report.analyse.compare.estimate import estimate
from intake_report.analyse.compare.instruments import drawn_order, instrument_part, mixture, quantile
from intake_report.demo.scenario import OPEN, SEALED, STOCK
from intake_report.messages import Listing, message, said
from intake_report.metrics import keys
from intake_report.results.text import difference_interval
from intake_report.statistics import Estimates, blocked, compare_blocked, compare_means, holm

STOCK_ID, OPEN_ID, SEALED_ID = STOCK.id, OPEN.id, SEALED.id
NAMES = {c.id: c.name for c in (STOCK, OPEN, SEALED)}
CITY = next(k for k in headline() if k.key == "mean_over_ambient:city")
RECOVERY = next(k for k in headline() if k.key == "recovery_time:1.67K")
MODEL = make_campaign((STOCK, OPEN, SEALED))


def rows(key, layout: str, numbers, **more):
    """Layout "S1 O1 E1 …": first letter the configuration (s, o, e), the rest the block ("-" for none)."""
    ids = {"s": STOCK_ID, "o": OPEN_ID, "e": SEALED_ID}
    out = []
    for i, (cell, number) in enumerate(zip(layout.split(), numbers, strict=True)):
        block = None if cell[1:] == "-" else f"day-{cell[1:]}"
        kind = {"status": "not computed", "reason": "no such channel"} if number is None else {}
        if isinstance(number, tuple):  # (bound,) = not reached, (0,) = within at entry
            kind, number = {"status": "not reached" if number[0] else "within at entry", "bound": number[0]}, None
        out.append(value(key.key, f"r{i}", ids[cell[0]], block, number, **kind, **more))
    return tuple(out)


def metric(id: str):
    return next(k for k in keys((), (), None) if k.key == id)


def sealed(key, values, *draws):
    """Return sealed minus stock."""
    return compare_pair(MODEL, key, values, SEALED_ID, STOCK_ID, *draws)


class Drawn:
    """Draws by run, of any metric."""

    def __init__(self, draws: dict[str, np.ndarray]) -> None:
        self._draws = draws

    def common(self, key, run):
        return self._draws.get(run)

    total = common


class Shifts(Drawn):
    """Draws in which shared biases shift each run by `gain[run]` times the same normal number."""

    def __init__(self, values, gain, u: float) -> None:
        bias = np.random.default_rng(5).normal(0.0, u, 4000)
        super().__init__({v.run: v.value + gain[v.run] * bias for v in values if v.value is not None})


GRID, PAIRS = "s1 o1 e1 s2 o2 e2 s3 o3 e3", "s1 e1 s2 e2 s3 e3"
VALUES = (9.0, 12.0, 5.4, 8.1, 11.9, 5.0, 9.6, 12.2, 6.3)


def test_two_configurations_with_one_run_each_per_block_are_the_paired_interval():
    first, second = np.array([9.0, 8.1, 9.6, 8.8]), np.array([5.4, 5.0, 6.3, 5.1])
    layout = " ".join(f"s{b} e{b}" for b in range(4))
    row = sealed(CITY, rows(CITY, layout, np.column_stack([first, second]).ravel().tolist()))
    paired = stats.ttest_rel(second, first)  # scipy as reference
    interval = paired.confidence_interval(0.95)
    assert row.difference == pytest.approx(np.mean(second - first))
    assert (row.low, row.high) == pytest.approx((interval.low, interval.high))
    assert row.p_value == pytest.approx(paired.pvalue) and row.df == pytest.approx(3.0)
    assert row.replicated and row.units == row.units_versus == 4 and row.basis == "runs"


DESIGNS = {
    "2 x 3 x 2": [(c, b) for b in range(3) for c in "ab" for _ in range(2)],
    "2 x 3 x 3": [(c, b) for b in range(3) for c in "ab" for _ in range(3)],
    "2 x 4": [(c, b) for b in range(4) for c in "ab"],
    "3 x 3": [(c, b) for b in range(3) for c in "abc"],
    "3 x 2": [(c, b) for b in range(2) for c in "abc"],
    "3/2/2": [("a", 0), ("b", 0), ("c", 0), ("a", 1), ("b", 1), ("a", 2), ("c", 2)],
}
EQUAL, UNEQUAL = dict.fromkeys("abc", 1.0), {"a": 1.13, "b": 1.33, "c": 0.75}  # about those of the demo


def covered(design, pair, sds, interaction, n, seed):
    """Share of simulated campaigns whose interval holds the truth, and its mean width."""
    rng = np.random.default_rng(seed)
    configuration, block = zip(*design, strict=True)
    scatter = np.array([sds[c] for c in configuration])
    cells = list(dict.fromkeys(design))
    day = rng.normal(0.0, interaction, (n, len(cells)))[:, [cells.index(cell) for cell in design]]
    values = scatter * (rng.normal(size=(n, len(design))) + day) + rng.normal(0.0, 5.0, (n, 4))[:, list(block)]
    e = blocked([str(i) for i in range(len(design))], configuration, block, pair).evaluate(values)
    half = stats.t.ppf(0.975, e.df) * e.error
    return np.mean(np.abs(e.difference) <= half), np.mean(half)


@pytest.mark.parametrize("interaction", [0.0, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("design", DESIGNS.values(), ids=DESIGNS)
def test_intervals_hold_a_day_that_favours_one_configuration(design, interaction):
    """Coverage 93 to 97 % whatever the interaction, in units of the scatter of one run; the error of 20,000 is 0.15 %."""
    others = "bc" if len({c for c, _ in design}) == 3 else "b"
    for sds in (EQUAL, UNEQUAL):
        for candidate in others:
            share, _ = covered(design, (candidate, "a"), sds, interaction, 20_000, 7)
            assert 0.93 - 0.003 < share < 0.97 + 0.003, (candidate, sds)


def test_the_interval_is_the_tightest_that_holds():
    """Against the two-way analysis at equal scatter: the own scatter alone is 26 % and 58 % wider in these layouts."""
    for name, most, df in (("3 x 2", 1.07, 2), ("3/2/2", 1.13, 2), ("3 x 3", 1.03, 4)):
        configuration, block = zip(*DESIGNS[name], strict=True)
        model = blocked([str(i) for i in range(len(block))], configuration, block, ("b", "a"))
        values = np.random.default_rng(3).normal(size=(20_000, len(block)))
        pooled = np.sqrt(np.sum((values @ model.residual) ** 2, axis=1) / df) * model.factor * stats.t.ppf(0.975, df)
        assert covered(DESIGNS[name], ("b", "a"), EQUAL, 0.0, 20_000, 3)[1] < most * pooled.mean()
        assert np.trace(model.residual @ np.diag(model.spread) @ model.residual) == pytest.approx(model.factor**2)


def test_one_run_each_is_an_indication_from_the_instruments_alone():
    values = rows(CITY, "s1 e1", (9.0, 5.4))
    row = sealed(CITY, values)
    assert row.verdict == INDICATION and row.low is None and not row.shown
    row = sealed(CITY, values, Shifts(values, {"r0": 1.0, "r1": 0.5}, 0.4))
    assert row.basis == "instruments" and row.verdict == INDICATION and not row.shown and row.p_value is None
    assert row.standard_error == pytest.approx(0.2, rel=0.05)
    assert row.high < 0.0 and row.method == "instruments"  # even far from zero: no verdict


def test_what_three_of_fifteen_runs_have_is_no_headline_and_has_no_interval_from_the_instruments():
    layout = " ".join(f"{c}{b}" for b in range(5) for c in "soe")
    have = {0: 9.0, 2: 5.0, 4: 12.1}  # stock and sealed in one block, open in another
    values = rows(CITY, layout, [have.get(i) for i in range(15)])
    assert not with_headlines((CITY,), values)[0].spec.headline
    row = sealed(CITY, values, Shifts(values, dict.fromkeys(("r0", "r2", "r4"), 1.0), 0.4))
    assert (row.difference, row.low, row.high, row.basis, row.call) == (-4.0, None, None, "none", "indication")
    # two in three runs are enough; what no run has stays, to say why
    enough = rows(CITY, layout, [9.0 if i < 10 else None for i in range(15)])
    for some in (enough, rows(CITY, layout, [None] * 15)):
        assert with_headlines((CITY,), some)[0].spec.headline


def test_runs_of_one_day_are_no_replicates_of_a_configuration():
    """Three runs of each, each configuration on its own day: day and configuration cannot be told apart."""
    row = sealed(CITY, rows(CITY, "s1 s1 s1 e2 e2 e2", (9.0, 9.1, 8.9, 5.0, 5.1, 4.9)))
    assert row.confounded and row.verdict == INDICATION and not row.shown and row.low is None
    assert (row.units, row.units_versus) == (1, 1) and "cannot be told apart" in said(row.note, "si")


def test_block_means_are_compared_where_each_block_holds_one_configuration():
    row = sealed(CITY, rows(CITY, "s1 s1 e2 e2 s3 s3 e4 e4", (9.0, 9.2, 5.0, 5.2, 8.0, 8.2, 6.0, 6.2)))
    reference = compare_means([9.1, 8.1], [5.1, 6.1])
    assert (row.difference, row.low, row.high) == pytest.approx((reference.difference, reference.low, reference.high))
    assert row.confounded and row.verdict == INDICATION


def test_single_runs_on_days_of_their_own_are_replicates():
    """A completely randomised layout: every run its own day."""
    row = sealed(CITY, rows(CITY, "s1 e2 s3 e4 e5 s6", (9.0, 5.0, 8.4, 5.6, 5.3, 9.3)))
    assert not row.confounded and row.replicated and row.shown and row.n == 3
    # a single one has the scatter of the other side, and decides nothing
    row = sealed(CITY, rows(CITY, "s1 s2 s3 e4", (9.0, 9.1, 8.9, 5.0)))
    assert row.method == "pooled" and row.high < 0.0 and row.verdict == INDICATION


def test_a_bias_alike_in_all_runs_cancels():
    values = rows(CITY, GRID, VALUES)
    plain = sealed(CITY, values)
    shifted = sealed(CITY, values, Shifts(values, {v.run: 1.0 for v in values}, 5.0))
    assert shifted.instrument == pytest.approx(0.0, abs=1e-12)
    for name in ("difference", "low", "high", "p_value", "standard_error"):
        assert getattr(shifted, name) == pytest.approx(getattr(plain, name), rel=1e-9)


def test_a_bias_that_configurations_take_differently_widens():
    values = rows(RECOVERY, GRID, [10.0 * v for v in VALUES])
    gain = {v.run: {STOCK_ID: 26.0, OPEN_ID: 32.0, SEALED_ID: 41.0}[v.configuration] for v in values}
    plain = sealed(RECOVERY, values)
    wide = sealed(RECOVERY, values, Shifts(values, gain, 0.5))
    assert wide.difference == plain.difference
    assert wide.instrument == pytest.approx(15.0 * 0.5, rel=0.05)
    assert wide.low < plain.low and wide.high > plain.high and wide.p_value > plain.p_value
    # linear in the bias: the mixture of t and normal, against convolution by plain Monte Carlo
    rng = np.random.default_rng(3)
    sample = plain.difference + plain.standard_error * rng.standard_t(plain.df, 400_000) + rng.normal(0, 7.5, 400_000)
    assert (wide.low, wide.high) == pytest.approx(tuple(np.quantile(sample, [0.025, 0.975])), abs=1.0)


def test_mixture_of_one_draw_is_the_t_interval():
    e = Estimates(np.array([2.0]), np.array([0.5]), np.array([4.0]))
    assert quantile(e, 0.975) == pytest.approx(2.0 + stats.t.ppf(0.975, 4) * 0.5)
    assert mixture(e, 2.0) == pytest.approx(0.5)


def test_a_bias_with_a_floor_makes_the_interval_one_sided_where_it_is():
    """Times cut off at zero: with readings too high the candidate cannot get faster than at once."""
    values = rows(RECOVERY, "s1 e1 s2 e2 s3 e3 s4 e4", (40.0, 1.0, 44.0, 0.0, 38.0, 3.0, 41.0, 2.0))
    bias = np.random.default_rng(2).uniform(-30.0, 30.0, 2000)
    row = sealed(RECOVERY, values, Drawn({v.run: np.maximum(v.value + bias, 0.0) for v in values}))
    assert row.high - row.difference > 3.0 * (row.difference - row.low)


def _slow(values, run: str, share: float):
    """Draws in which `run` does not reach the margin in a share of the draws: those with the largest biases."""
    draws = Shifts(values, {v.run: 3.0 if v.run == run else 1.0 for v in values}, 1.0)
    own = draws._draws[run]
    own[np.argsort(own)[own.size - round(share * own.size) :]] = np.inf
    return draws


TIMES = tuple(10.0 * v for v in VALUES)


def test_draws_that_do_not_reach_are_counted_and_said():
    values = rows(RECOVERY, GRID, TIMES)
    draws = _slow(values, "r0", 0.1)  # a run of the baseline: its side of the difference is below
    model = estimate(values, SEALED_ID, STOCK_ID, 0.95, NAMES).model
    part = instrument_part(draws, RECOVERY.key, dict(zip(model.runs, model.weights, strict=True)))
    assert part.lost == pytest.approx(0.1) and (part.over, part.under) == pytest.approx((0.0, 0.1))
    assert len(part.values) == 3600 and part.low is None and part.high is not None
    row = sealed(RECOVERY, values, draws)
    assert "in 10\u00a0% of the draws" in said(row.note, "si") and "left out" not in said(row.note, "si")
    assert row.low is None and row.high is not None and row.standard_error is None and row.instrument is None
    assert difference_interval(row, RECOVERY, "si").startswith("below ")


@pytest.mark.parametrize("run, side", [("r0", "low"), ("r2", "high")])
def test_slow_draws_widen_their_side_and_never_narrow_the_other(run, side):
    """Against the same draws with their finite values, and with the slow ones dropped."""
    values = rows(RECOVERY, GRID, TIMES)
    finite = _slow(values, run, 0.0)
    fast = finite._draws[run] <= np.quantile(finite._draws[run], 0.985)
    kept = Drawn({name: drawn[fast] for name, drawn in finite._draws.items()})
    whole, row, dropped = (sealed(RECOVERY, values, drawn) for drawn in (finite, _slow(values, run, 0.015), kept))
    sign = 1.0 if side == "high" else -1.0
    assert sign * getattr(row, side) > sign * getattr(whole, side) > sign * getattr(dropped, side)
    other = "low" if side == "high" else "high"
    assert getattr(row, other) == pytest.approx(getattr(dropped, other), abs=0.3)
    assert row.p_value >= dropped.p_value
    # no longer sure enough to say where the limit is
    assert getattr(sealed(RECOVERY, values, _slow(values, run, 0.0235)), side) is None


def test_slow_draws_on_both_sides_leave_nothing_bounded():
    values = rows(RECOVERY, GRID, TIMES)
    draws = _slow(values, "r0", 0.1)
    draws._draws["r2"][np.isinf(draws._draws["r0"])] = np.inf
    row = sealed(RECOVERY, values, draws)
    assert row.low is None and row.high is None and row.basis == "runs"
    assert difference_interval(row, RECOVERY, "si") == "not bounded"
    # the lost runs are one of each side: those that reach show which of the two is sooner, and by how much at least
    assert row.order > 0.975 and row.undecided == 0.0 and row.order_bound < 0.0 and row.call == "shown"
    # a bias under which no run reaches the margin says nothing of the order either
    for v in values:
        draws._draws[v.run][:-3] = np.inf
    row = sealed(RECOVERY, values, draws)
    assert row.low is None and row.high is None and row.p_value == 1.0
    assert row.order is None and row.call == "not shown"


def test_slow_draws_open_intervals_of_single_and_of_censored_runs_and_none_beside_them():
    values = rows(RECOVERY, GRID, TIMES)
    row = sealed(RECOVERY, values, _slow(values, "r1", 0.2))  # a run of the third configuration
    assert row.low is not None and row.high is not None and not row.note
    values = rows(RECOVERY, "s1 e1", (90.0, 54.0))
    row = sealed(RECOVERY, values, _slow(values, "r0", 0.05))
    assert row.basis == "instruments" and row.low is None and row.high is not None and row.verdict == INDICATION
    values = rows(RECOVERY, PAIRS, (110.0, 60.0, (300.0,), 71.0, 130.0, 64.0))
    plain = sealed(RECOVERY, values)
    row = sealed(RECOVERY, values, _slow(values, "r1", 0.1))
    assert plain.high is not None and row.high is None and row.p_value >= plain.p_value
    gain = {v.run: 10.0 + 30.0 * (v.configuration == SEALED_ID) for v in values}
    wide = sealed(RECOVERY, values, Shifts(values, gain, 0.5))
    for old, new in ((plain.low, wide.low), (plain.high, wide.high)):  # in quadrature where no draw is lost
        half = math.hypot(old - wide.difference, 1.96 * wide.instrument)
        assert abs(new - wide.difference) == pytest.approx(half, rel=1e-4)


def test_not_reached_enters_as_longer_than():
    row = sealed(RECOVERY, rows(RECOVERY, PAIRS, (110.0, 60.0, (300.0,), 71.0, 130.0, 64.0)))
    assert row.basis == "runs" and (row.not_reached, row.not_reached_versus) == (0, 1)
    assert row.method == "censored" and row.difference is not None and row.n_versus == 3
    numbers = sealed(RECOVERY, rows(RECOVERY, PAIRS, (110.0, 60.0, 300.0, 71.0, 130.0, 64.0)))
    assert row.low is None or row.low < numbers.low  # longer than 300 s, not 300 s


def test_all_censored_is_said_not_guessed():
    row = sealed(RECOVERY, rows(RECOVERY, "s1 e1 s2 e2", [(200.0,)] * 4))
    assert row.verdict == NOT_COMPARED and row.difference is None and row.low is None and row.note
    assert (row.not_reached, row.not_reached_versus) == (2, 2)


def test_within_at_entry_enters_as_sooner_than():
    row = sealed(RECOVERY, rows(RECOVERY, PAIRS, (110.0, 60.0, 121.0, (0.0,), 130.0, 64.0)))
    assert row.method == "censored" and (row.within, row.within_versus, row.not_reached) == (1, 0, 0)
    zero = sealed(RECOVERY, rows(RECOVERY, PAIRS, (110.0, 60.0, 121.0, 0.0, 130.0, 64.0)))
    assert row.difference < zero.difference  # sooner than 0 s, not 0 s
    every = sealed(RECOVERY, rows(RECOVERY, PAIRS, (110.0, (0.0,), 121.0, (0.0,), 130.0, (0.0,))))
    assert every.difference is None and every.low is None and every.high < 0.0 and every.within == 3
    (summary,) = [s for s in summarise(MODEL, (RECOVERY,), rows(RECOVERY, "e1 e2", ((0.0,), 60.0))) if s.n]
    assert (summary.within, summary.mean) == (1, None)
    assert said(summary.reason, "si") == "within at entry in 1 of 2 runs"


def test_a_draw_within_at_entry_is_sooner_than_any():
    values, first = rows(RECOVERY, GRID, VALUES), np.arange(100) < 40
    runs, ids, blocks = zip(*((v.run, v.configuration, v.block) for v in values), strict=True)
    model = blocked(runs, ids, blocks, (SEALED_ID, STOCK_ID))
    found = compare_blocked(VALUES, ids, blocks, STOCK_ID)[SEALED_ID]

    def within(*some):
        return Drawn({v.run: np.where(first & (v.configuration in some), -np.inf, v.value) for v in values})

    part = instrument_part(within(SEALED_ID), "k", dict(zip(model.runs, model.weights.tolist(), strict=True)))
    assert (part.under, part.over, part.lost) == (0.0, 0.0, 0.0)  # a time is not below zero: the interval stays bounded
    order = drawn_order(within(SEALED_ID), "k", model, found)
    assert order.lower > 0.99 and order.undecided == 0.0
    # within on both sides: those draws say nothing of the order
    assert drawn_order(within(SEALED_ID, STOCK_ID), "k", model, found).undecided == pytest.approx(0.4)


def test_what_is_only_usually_quoted_is_not_compared():
    first = next(k for k in keys((5.0 / 3.0,), (), None) if k.spec.id == "first_reading_below")
    row = sealed(first, rows(first, GRID, VALUES))
    assert (row.call, row.difference, row.note.code) == ("not compared", None, "no-estimate")


def test_rises_below_two_steps_decide_nothing():
    """On both sides in most runs, and no difference is given; where one side is resolved, or most runs are, there is one."""
    rise = metric("rise_per_stop")
    small, noted = (0.9, 0.2, 0.8, 0.2, 0.9, 0.2), {"note": message("below two steps", "unresolved-rise")}
    assert sealed(rise, rows(rise, PAIRS, small)).call == "exploratory"
    row = sealed(rise, rows(rise, PAIRS, small, **noted))
    assert (row.call, row.difference, row.low, row.p_value) == ("not compared", None, None, None)
    assert "cannot resolve it" in said(row.note, "si")
    # as the uncertainty joins it with what it has to say itself
    failed = {"note": Listing((noted["note"], message("in 2 % of the draws", "draws-failed")), ";")}
    assert sealed(rise, rows(rise, PAIRS, small, **failed)) == row
    large = rows(rise, PAIRS, (5.0, 0.2, 5.2, 0.2, 5.1, 0.2))
    half = tuple(v if v.configuration == STOCK_ID else replace(v, **noted) for v in large)
    assert sealed(rise, half).difference == pytest.approx(-4.9)


def test_one_degree_of_freedom_makes_no_exploratory_call():
    soak = metric("heat_soak_rate")
    row = sealed(soak, rows(soak, "s1 e1 s2 e2", (9.0, 5.0, 9.5, 5.51)))
    assert row.df == pytest.approx(1.0) and row.high < 0.0 and row.call == "not shown"
    assert [judge(soak, replace(row, df=df)).call for df in (1.45, 1.55)] == ["not shown", "exploratory"]


def test_holm_over_headline_comparisons_decides():
    """A difference that its own interval shows and Holm does not is not called."""
    metrics = headline()
    rng = np.random.default_rng(11)
    values = []
    for key in metrics:
        numbers = rng.normal(10.0, 1.0, 9) + (np.tile([0.0, 0.0, -2.1], 3) if key is metrics[0] else 0.0)
        values += rows(key, GRID, numbers.tolist())
    found = compare(MODEL, metrics, tuple(values))
    assert [r.p_adjusted for r in found] == list(holm([r.p_value for r in found]))
    row = next(r for r in found if r.key == metrics[0].key and r.configuration == SEALED_ID)
    assert row.p_value < 0.05 < row.p_adjusted
    assert row.verdict == "suggested, not confirmed: closer to ambient" and not row.shown


def test_verdicts_say_the_direction_and_what_is_exploratory():
    """A metric that Holm's adjustment does not cover is marked; a worse configuration "heats faster", not "faster"."""
    soak, density = metric("heat_soak_rate"), metric("charge_density_ratio")
    row = compare_pair(MODEL, soak, rows(soak, GRID, VALUES), OPEN_ID, STOCK_ID)
    assert row.shown and row.verdict == "heats faster (exploratory)"
    assert sealed(soak, rows(soak, GRID, VALUES)).verdict.startswith("heats slower")
    assert compare_pair(MODEL, CITY, rows(CITY, GRID, VALUES), OPEN_ID, STOCK_ID).verdict == "further from ambient"
    row = sealed(density, rows(density, GRID, VALUES))
    assert row.verdict == "less dense (exploratory)"
    assert difference_interval(row, density, "si").endswith("%-points")


def test_indications_do_not_count_in_holm():
    metrics = (CITY, RECOVERY)
    values = rows(CITY, GRID, VALUES) + rows(RECOVERY, "s1 o1 e1", (100.0, 120.0, 60.0))
    found = compare(MODEL, metrics, values)
    assert [r.p_adjusted is None for r in found] == [False, False, True, True]
    assert found[1].p_adjusted == pytest.approx(min(holm([found[0].p_value, found[1].p_value])))


def test_equivalence_needs_a_margin_and_is_not_absence_of_difference():
    tight = rows(CITY, GRID, (9.0, 9.1, 9.05, 8.0, 8.05, 8.1, 9.5, 9.6, 9.52))
    without = sealed(CITY, tight)
    assert without.margin is None and without.equivalent is None and without.verdict == NOT_SHOWN
    model = make_campaign((STOCK, OPEN, SEALED), equivalence={"mean_over_ambient": "0.5 delta_degC"})
    row = compare_pair(model, CITY, tight, SEALED_ID, STOCK_ID)
    assert row.equivalent and row.verdict == "equivalent" and row.equivalence_p < 0.05
    loose = rows(CITY, GRID, (9.0, 9.8, 8.2, 8.0, 8.9, 9.4, 9.5, 8.6, 9.0))
    row = compare_pair(model, CITY, loose, SEALED_ID, STOCK_ID)
    assert row.equivalent is False and row.verdict == NOT_SHOWN


def test_permutation_states_the_smallest_p_of_the_layout():
    row = sealed(CITY, rows(CITY, GRID, VALUES))
    # smallest attainable two-sided p of 3 pairs is 2/2³ (shared check values 5.18)
    assert row.smallest == pytest.approx(0.25) and row.permutation == pytest.approx(0.25)
    row = sealed(CITY, rows(CITY, "s- s- s- s- e- e- e- e-", (9.0, 9.1, 8.9, 9.3, 5.0, 5.1, 4.9, 5.5)))
    assert row.smallest == pytest.approx(2.0 / math.comb(8, 4)) == pytest.approx(row.permutation)


def test_runs_that_hang_together_are_noticed():
    """A drift within each session, configurations in changing order: neighbours are alike."""
    rng, layout, numbers = np.random.default_rng(4), [], []
    for b in range(4):
        level = 0.0
        for place in range(8):
            level = 0.9 * level + rng.normal(0.0, 1.0)
            layout.append("se"[(b + place) % 2 == 0] + str(b))
            numbers.append(9.0 + level)
    values = rows(CITY, " ".join(layout), numbers)
    starts = {v.run: f"2026-06-0{1 + int(v.block[-1])}T{8 + i % 8:02d}:00" for i, v in enumerate(values)}
    (check,) = check_model(MODEL, (CITY,), values[::-1], starts)
    assert check.lag > 0.2 and check.lag_p < 0.05 and check.lag_pairs == 28


def test_too_few_runs_say_why_nothing_is_tested():
    (check,) = check_model(MODEL, (CITY,), rows(CITY, "s1 e1 s2 e2", (9.0, 5.0, 8.0, 5.1)), {})
    assert check.lag_p is None and "too few" in said(check.note, "si")
    (check,) = check_model(MODEL, (CITY,), rows(CITY, "s1 e1", (9.0, 5.0)), {})
    assert "fewer than three" in said(check.note, "si")


def test_no_run_left_on_a_side():
    row = sealed(CITY, rows(CITY, "s1 s2", (9.0, 8.0)))
    assert row.verdict == NOT_COMPARED and row.n == 0 and "no run" in said(row.note, "si")
    assert all(r.verdict == NOT_COMPARED for r in compare(MODEL, (CITY,), ()))


def test_a_channel_missing_in_some_runs_leaves_the_others():
    row = sealed(CITY, rows(CITY, GRID, (9.0, 12.0, 5.4, 8.1, 11.9, None, 9.6, 12.2, 6.3)))
    assert row.n == 2 and row.n_versus == 3 and row.basis == "runs"
    row = sealed(CITY, rows(CITY, "s1 e1 s2 e2", (9.0, None, 8.0, None)))
    assert row.verdict == NOT_COMPARED and row.note == "no such channel"


def test_no_scatter_at_all_gives_no_interval():
    row = sealed(CITY, rows(CITY, PAIRS, (9.0, 5.0) * 3))
    assert row.low is None and row.verdict == INDICATION and "scatter" in said(row.note, "si")
    assert row.difference == pytest.approx(-4.0)


def test_two_configurations_of_one_name_stay_apart():
    alike = tuple(c.model_copy(update={"name": "box"}) for c in MODEL.configurations)
    model = MODEL.model_copy(update={"configurations": alike})
    first, second = compare(model, (CITY,), rows(CITY, GRID, VALUES))
    assert first.difference == pytest.approx(np.mean([12.0, 11.9, 12.2]) - np.mean([9.0, 8.1, 9.6]))
    assert second.difference == pytest.approx(np.mean([5.4, 5.0, 6.3]) - np.mean([9.0, 8.1, 9.6]))
