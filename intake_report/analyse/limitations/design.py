"""Limitations of how the runs were laid out: replication, blocks, order, time of day."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from intake_report.analyse.limitations.findings import Findings
from intake_report.formatting import count, listing, number
from intake_report.messages import said
from intake_report.results import Limitation, RunResult
from intake_report.statistics import design_precision, expected_half_width, smallest_attainable_p

ONE_SIDED_DAY = (
    0.9  # share of pairs of runs in which one configuration started first, beyond which time of day is mixed in
)
APART = 1.0  # h between medians below which time of day is no issue


def block_of(run: RunResult) -> str | None:
    """Return the block of a run, else the day of its start."""
    return run.block or (run.start[:10] if run.start else None)


def hour_of(run: RunResult) -> float | None:
    """Return the local time of day of a run's start [h]."""
    return int(run.start[11:13]) + int(run.start[14:16]) / 60.0 if run.start else None


def no_replication(f: Findings) -> Iterator[Limitation]:
    """One run per configuration can at most be an indication."""
    single = [c.name for c in f.campaign.configurations if sum(r.configuration == c.id for r in f.used) == 1]
    if single:
        three, two = (_half_width_planned(blocks) for blocks in (3, 2))
        yield Limitation(
            "one-run",
            f"{listing(single)} {'was' if len(single) == 1 else 'were'} driven once each in the comparison: day, traffic "
            "and configuration cannot be told apart, so differences are indications only.",
            "Three runs of each configuration, one in each of three blocks: a difference of two is then known to "
            f"± {number(three, 1)} times the scatter of one run; with two blocks to ± {number(two, 1)} times.",
        )


def _half_width_planned(blocks: int) -> float:
    """Return the half-width of a difference in units of the scatter of one run: two configurations, one run per block."""
    planned = design_precision(["a", "b"] * blocks, [b for b in range(blocks) for _ in "ab"], "a")["b"]
    half = expected_half_width(planned, 1.0)
    assert half is not None  # two blocks or more leave a degree of freedom
    return half


def configuration_absent(f: Findings) -> Iterator[Limitation]:
    """A configuration without any run left."""
    for c in f.campaign.configurations:
        if not any(r.configuration == c.id for r in f.used):
            what = " It is the baseline: nothing can be compared." if c.role == "baseline" else ""
            yield Limitation("no-run", f"No run of {c.name} is left in the comparison.{what}", f"Runs of {c.name}.")
    if len({r.configuration for r in f.used}) == 1:
        yield Limitation(
            "one-configuration",
            f"Only {f.campaign.configuration(f.used[0].configuration).name} has runs in the comparison: its values stand, "
            "but nothing is compared.",
            "Runs of another configuration in the same blocks.",
        )


def confounded(f: Findings) -> Iterator[Limitation]:
    """Configuration and block change together."""
    days: dict[str, set[str]] = {}
    for run in f.used:
        block = block_of(run)
        if block:
            days.setdefault(block, set()).add(run.configuration)
    there = {id for ids in days.values() for id in ids}
    if len(days) < 2 or len(there) < 2:
        return
    if all(len(ids) == 1 for ids in days.values()):
        yield Limitation(
            "confounded",
            f"Each of the {len(days)} blocks holds runs of one configuration only: whatever differed between the blocks "
            "(weather, traffic, time of day) is mixed with the effect of the configuration.",
            "Run every configuration in every block, in changing order.",
        )
        return
    baseline = f.campaign.baseline
    alone = [
        f.campaign.configuration(id).name
        for id in sorted(there - {baseline.id})
        if not any({id, baseline.id} <= ids for ids in days.values())
    ]
    if baseline.id in there and alone:
        yield Limitation(
            "no-common-block",
            f"{listing(alone)} {'shares' if len(alone) == 1 else 'share'} no block with {baseline.name}: compared by way "
            "of other configurations, or not at all.",
            f"Blocks that hold {baseline.name} and {listing(alone)}.",
        )


def one_block(f: Findings) -> Iterator[Limitation]:
    """All runs in one block: nothing is known about other days."""
    blocks = {block_of(run) for run in f.used}
    if len(blocks) == 1 and None not in blocks and len(f.used) > 2 and len({r.configuration for r in f.used}) > 1:
        yield Limitation(
            "one-block",
            f"All {len(f.used)} runs are of one block: the scatter between runs is that of one day, and whether the "
            "differences hold on another day is not known.",
            "The same runs in a second and third block.",
        )


def blocks_unknown(f: Findings) -> Iterator[Limitation]:
    """Runs that name no block are compared as if independent."""
    without = [run.id for run in f.used if run.block is None]
    days = [run.start[:10] for run in f.used if run.start]
    if without and len(f.used) > 2 and len(set(days)) < len(days):
        yield Limitation(
            "no-blocks",
            f"{count(len(without), 'run')} ({listing(without)}) {'names' if len(without) == 1 else 'name'} no block although "
            "several runs were driven on one day: runs are compared as if each were independent, and the difference "
            "between days widens the intervals or hides in them.",
            "`block` for every run.",
        )


def time_of_day(f: Findings) -> Iterator[Limitation]:
    """Configurations driven at different times of day."""
    hours: dict[str, list[float]] = {}
    for run in f.used:
        if (hour := hour_of(run)) is not None:
            hours.setdefault(run.configuration, []).append(hour)
    for (a, x), (b, y) in combinations(hours.items(), 2):
        first, second = np.array(x), np.array(y)
        earlier = float(np.mean(first[:, None] < second[None, :]))
        apart = abs(float(np.median(first) - np.median(second)))
        if min(first.size, second.size) < 2 or apart <= APART or 1.0 - ONE_SIDED_DAY < earlier < ONE_SIDED_DAY:
            continue
        one, two = f.campaign.configuration(a).name, f.campaign.configuration(b).name
        if earlier < 0.5:
            one, two, first, second, earlier = two, one, second, first, 1.0 - earlier
        which = "All runs" if earlier == 1.0 else f"In {100 * earlier:.0f} % of all pairs the run"
        yield Limitation(
            "time-of-day",
            f"{which} of {one} started earlier in the day than {'all those' if earlier == 1.0 else 'that'} of {two} (medians "
            f"{_clock(first)} and {_clock(second)}): traffic, sun and the warming of the day are mixed with the effect of "
            "the configuration.",
            "Change the order of configurations from block to block, so that each is driven at each time of day.",
        )


def _clock(hours: np.ndarray) -> str:
    minutes = round(60.0 * float(np.median(hours)))
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def order(f: Findings) -> Iterator[Limitation]:
    """One configuration always driven before another."""
    blocks: dict[str, list[RunResult]] = {}
    for run in f.used:
        if run.start and (block := block_of(run)):
            blocks.setdefault(block, []).append(run)
    same = [c.id for c in f.campaign.configurations]
    for a, b in combinations(same, 2):
        both = [
            (
                [r.start or "" for r in runs if r.configuration == a],
                [r.start or "" for r in runs if r.configuration == b],
            )
            for runs in blocks.values()
        ]
        both = [(x, y) for x, y in both if x and y]
        ways = {max(x) < min(y) if max(x) < min(y) or max(y) < min(x) else None for x, y in both}
        if len(both) < 2 or ways not in ({True}, {False}):
            continue
        first, second = (a, b) if ways == {True} else (b, a)
        one, two = f.campaign.configuration(first).name, f.campaign.configuration(second).name
        yield Limitation(
            "order",
            f"In each of the {len(both)} blocks that hold both, {one} was driven before {two}: whatever changes in the course "
            "of a session (warm engine bay, sun, traffic) is mixed with the effect of the configuration.",
            f"{two} first in half of the blocks.",
        )


def excluded_runs(f: Findings) -> Iterator[Limitation]:
    """Runs that were left out."""
    for run in f.runs:
        if run.decision == "excluded":
            yield Limitation(
                "excluded",
                f"Run {run.id} is left out: {'; '.join(said(reason, f.campaign.about.units) for reason in run.reasons)}.",
                "Repeat the run.",
            )


def permutation_floor(f: Findings) -> Iterator[Limitation]:
    """Layouts in which the order of the runs alone cannot show anything."""
    alpha = 1.0 - f.campaign.metrics.confidence
    tested = [c for c in f.comparisons if c.smallest is not None and c.replicated]
    floor = min((c.smallest for c in tested if c.smallest is not None), default=None)
    if floor is None or floor <= alpha:
        return
    pairs = next(n for n in range(2, 64) if smallest_attainable_p([(1, 1)] * n) <= alpha)
    each = next(n for n in range(2, 64) if smallest_attainable_p([(n, n)]) <= alpha)
    yield Limitation(
        "permutation-floor",
        f"With this layout the exact permutation test within blocks cannot give a p below {number(floor, 3)}, whatever the "
        f"data: a verdict at {number(100 * (1 - alpha), 0)} % rests on the assumption that runs scatter normally.",
        f"{pairs} blocks with one run of each, or {each} runs of each in one block, can reach {number(alpha, 2)}.",
    )


def control_partial(f: Findings) -> Iterator[Limitation]:
    """Control drives beside some runs only."""
    entries = {run.id: bool(run.control) for run in f.campaign.runs}
    without = [run.id for run in f.used if not entries[run.id]]
    if without and len(without) < len(f.used):
        yield Limitation(
            "control-partial",
            f"{count(len(without), 'run')} ({listing(without)}) had no control vehicle beside "
            f"{'it' if len(without) == 1 else 'them'}: the differences are taken without it, and what it would have "
            "changed is shown for the other runs only.",
            "A control drive beside every run.",
        )


PREDICATES = (
    no_replication,
    configuration_absent,
    confounded,
    one_block,
    blocks_unknown,
    time_of_day,
    order,
    excluded_runs,
    permutation_floor,
    control_partial,
)
