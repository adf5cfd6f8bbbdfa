"""Limitations of what was driven: units of the logs, replication, blocks, order, time of day, traffic, the plan."""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np

from intake_report.align import CRITERIA
from intake_report.analyse.acceptance import acceptance_limits
from intake_report.analyse.limitations.findings import Findings, Values, all_of, kind, limitation, predicate
from intake_report.campaign import Campaign
from intake_report.errors import CampaignError
from intake_report.loaders import UNIT_OVERRIDDEN
from intake_report.messages import Count, Message, Part, Value, message
from intake_report.results import Comparison, Limitation, RunResult
from intake_report.results.text import change_of, limits_of
from intake_report.statistics import blocked, coverage_factor, smallest_attainable_p

ONE_SIDED_DAY = 0.9  # share of pairs of runs in which one configuration started first, beyond which it is mixed in
APART = 1.0  # h between medians below which time of day is no issue
BLOCKS = 2  # in one block alone one of two always stands longer
SHARE = 0.5  # of the limit between two runs: means of runs that meet it one by one should be nearer than that
PLANNED = frozenset({"id", "configuration", "block", "position", "files"})  # keys of a run in plan.json


def block_of(run: RunResult) -> str | None:
    """Return the block of a run, else the day of its start."""
    return run.block or (run.start[:10] if run.start else None)


@limitation("unit-overridden", 40, "values", "a unit that a log names was overruled",
    "{reason} This concerns {who}; if the header is right, every value of {channel} there is wrong, and all that is "
    "computed from it.",
    "Look at the values of {channel}: correct the unit under [log.columns] if the header is right, else correct the "
    "label in the logger.",
)  # fmt: skip
def _unit_overridden(f: Findings) -> Values:
    concerned: dict[tuple[Part, str], list[str]] = {}
    for drive in f.drives:
        for entry in drive.clean.quality:
            if entry.step == UNIT_OVERRIDDEN and drive.entry.id in f.used:
                concerned.setdefault((entry.reason, entry.channel), []).append(drive.entry.id)
    for (reason, channel), runs in concerned.items():
        who: Part = message("{n} ({runs})", n=Count(len(runs), "run"), runs=all_of(runs))
        if len(runs) == 1:
            who = message("run {run}", run=runs[0])
        elif len(runs) == len(f.used):
            who = "all runs"
        yield {"reason": reason, "who": who, "channel": channel}


@limitation("one-run", 100, "comparison",
    "with one run per configuration, day, traffic and configuration cannot be told apart",
    "{names} {were} driven once each in the comparison: day, traffic and configuration cannot be told apart, so "
    "differences are indications only.",
    "Three runs of each configuration, one in each of three blocks (a difference is then known to ± {three} times the "
    "scatter of one run; two blocks leave ± {two} times).",
    alike="one-run",
)  # fmt: skip
def _no_replication(f: Findings) -> Values:
    driven = [run.configuration for run in f.used.values()]
    if single := [c.name for c in f.campaign.configurations if driven.count(c.id) == 1]:
        three, two = (Value(_half_width_planned(blocks), "number", 1) for blocks in (3, 2))
        yield {"names": all_of(single), "were": "was" if len(single) == 1 else "were", "three": three, "two": two}


def _half_width_planned(blocks: int) -> float:
    """Return the half-width of a difference in units of the scatter of one run: two configurations, one run per block."""
    cells = [str(i) for i in range(2 * blocks)]
    model = blocked(cells, ["a", "b"] * blocks, [b for b in range(blocks) for _ in "ab"], ("b", "a"))
    return coverage_factor(0.95, model.df) * model.factor


NO_RUN = kind("no-run", 30, "comparison", "a configuration has no run left",
    "No run of {name} is left in the comparison.{baseline}",
    "Runs of {name}.",
)  # fmt: skip
ONE_CONFIGURATION = kind("one-configuration", 20, "comparison", "only one configuration has runs left",
    "Only {name} has runs in the comparison: its values stand, but nothing is compared.",
    "Runs of another configuration in the same blocks.",
)  # fmt: skip


@predicate
def _configuration_absent(f: Findings) -> Iterator[Limitation]:
    there = {run.configuration for run in f.used.values()}
    for c in f.campaign.configurations:
        if c.id not in there:
            baseline = " It is the baseline: nothing can be compared." if c.role == "baseline" else ""
            yield NO_RUN(name=c.name, baseline=baseline)
    if len(there) == 1:
        yield ONE_CONFIGURATION(name=f.name(*there))


CONFOUNDED = kind("confounded", 110, "comparison",
    "no block holds two configurations, so days and configurations are mixed",
    "Each of the {blocks} blocks holds runs of one configuration only: whatever differed between the blocks (weather, "
    "traffic, time of day) is mixed with the effect of the configuration.",
    "Run every configuration in every block, in changing order.",
    alike="one-run",
)  # fmt: skip
NO_COMMON_BLOCK = kind("no-common-block", 120, "comparison", "some configurations share no block with the baseline",
    "{names} {share} no block with {baseline}: compared by way of other configurations, or not at all.",
    "Blocks that hold {baseline} and {names}.",
)  # fmt: skip


@predicate
def _confounded(f: Findings) -> Iterator[Limitation]:
    days: dict[str, set[str]] = {}
    for run in f.used.values():
        if block := block_of(run):
            days.setdefault(block, set()).add(run.configuration)
    there = set().union(*days.values())
    if len(days) < 2 or len(there) < 2:
        return
    if all(len(ids) == 1 for ids in days.values()):
        yield CONFOUNDED(blocks=len(days))
        return
    baseline = f.campaign.baseline
    others = sorted(there - {baseline.id})
    alone = [f.name(id) for id in others if not any({id, baseline.id} <= ids for ids in days.values())]
    if baseline.id in there and alone:
        share = "shares" if len(alone) == 1 else "share"
        yield NO_COMMON_BLOCK(names=all_of(alone), share=share, baseline=baseline.name)


@limitation("one-block", 200, "comparison", "all runs are of one block, so other days are unknown",
    "All {runs} runs are of one block: the scatter between runs is that of one day, and whether the differences hold "
    "on another day is not known.",
    "The same runs in a second and third block.",
)  # fmt: skip
def _one_block(f: Findings) -> Values:
    blocks, configurations = ({of(run) for run in f.used.values()} for of in (block_of, lambda run: run.configuration))
    if len(blocks) == 1 and None not in blocks and len(f.used) > 2 and len(configurations) > 1:
        yield {"runs": len(f.used)}


@limitation("no-blocks", 210, "comparison", "some runs name no block",
    "{count} ({runs}) {name} no block although several runs were driven on one day: runs are compared as if each were "
    "independent, and the difference between days widens the intervals or hides in them.",
    "`block` for every run.",
)  # fmt: skip
def _blocks_unknown(f: Findings) -> Values:
    without = [run.id for run in f.used.values() if run.block is None]
    days = [run.start[:10] for run in f.used.values() if run.start]
    if without and len(f.used) > 2 and len(set(days)) < len(days):
        name = "names" if len(without) == 1 else "name"
        yield {"count": Count(len(without), "run"), "runs": all_of(without), "name": name}


@limitation("time-of-day", 140, "comparison", "configurations were driven at different times of day",
    "{which} of {one} started earlier in the day than {those} of {two} (medians {first} and {second}): traffic, sun "
    "and the warming of the day are mixed with the effect of the configuration.",
    "Change the order of configurations from block to block, so that each is driven at each time of day.",
)  # fmt: skip
def _time_of_day(f: Findings) -> Values:
    hours: dict[str, list[float]] = {}
    for run in f.used.values():
        if run.start:
            hours.setdefault(run.configuration, []).append(int(run.start[11:13]) + int(run.start[14:16]) / 60.0)
    for (a, x), (b, y) in combinations(hours.items(), 2):
        earlier = float(np.mean(np.array(x)[:, None] < np.array(y)[None, :]))
        apart = abs(float(np.median(x) - np.median(y)))
        if min(len(x), len(y)) < 2 or apart <= APART or 1.0 - ONE_SIDED_DAY < earlier < ONE_SIDED_DAY:
            continue
        if earlier < 0.5:
            a, b, x, y, earlier = b, a, y, x, 1.0 - earlier
        which: Part = "All runs"
        if earlier < 1.0:
            which = message("In {share} of all pairs the run", share=Value(earlier, "share"))
        those = "all those" if earlier == 1.0 else "that"
        first, second = (Value(float(np.median(z)), "clock") for z in (x, y))
        yield {"which": which, "one": f.name(a), "two": f.name(b), "those": those, "first": first, "second": second}


@limitation("order", 130, "comparison", "one configuration was always driven before another",
    "In each of the {blocks} blocks that hold both, {one} was driven before {two}: whatever changes in the course of "
    "a session (warm engine bay, sun, traffic) is mixed with the effect of the configuration.",
    "{two} first in half of the blocks.",
)  # fmt: skip
def _order(f: Findings) -> Values:
    blocks: dict[str, list[RunResult]] = {}
    for run in f.used.values():
        if run.start and (block := block_of(run)):
            blocks.setdefault(block, []).append(run)
    for a, b in combinations([c.id for c in f.campaign.configurations], 2):
        starts = [[[r.start or "" for r in runs if r.configuration == id] for id in (a, b)] for runs in blocks.values()]
        both = [(x, y) for x, y in starts if x and y]
        ways = {max(x) < min(y) if max(x) < min(y) or max(y) < min(x) else None for x, y in both}
        if len(both) >= 2 and ways in ({True}, {False}):
            first, second = (a, b) if ways == {True} else (b, a)
            yield {"blocks": len(both), "one": f.name(first), "two": f.name(second)}


@limitation("excluded", 400, "values", "some runs were left out",
    "Run {run} is left out: {reasons}.",
    "Repeat the run.",
)  # fmt: skip
def _excluded(f: Findings) -> Values:
    yield from ({"run": r.id, "reasons": all_of(r.reasons, ";")} for r in f.runs if r.decision == "excluded")


@limitation("permutation-floor", 320, "comparison",
    "too few runs for a test that assumes nothing about their scatter",
    "There are too few runs for a test that assumes nothing about their scatter (exact permutation within blocks): it "
    "could not show a difference whatever the data. Every verdict at {level} % assumes that runs scatter normally.",
    "{pairs} blocks with one run of each, or {each} runs of each in one block, can reach p {alpha}; this layout, "
    "{floor} at least.",
)  # fmt: skip
def _permutation_floor(f: Findings) -> Values:
    alpha = 1.0 - f.campaign.metrics.confidence
    floor = min((c.smallest for c in f.comparisons if c.smallest is not None and c.replicated), default=None)
    if floor is not None and floor > alpha:
        pairs = next(n for n in range(2, 64) if smallest_attainable_p([(1, 1)] * n) <= alpha)
        each = next(n for n in range(2, 64) if smallest_attainable_p([(n, n)]) <= alpha)
        numbers = {"floor": Value(floor, "number", 3), "level": Value(100.0 * (1.0 - alpha), "count")}
        yield numbers | {"pairs": pairs, "each": each, "alpha": Value(alpha, "number", 2)}


@limitation("control-partial", 270, "comparison", "the control vehicle was beside some runs only",
    "{count} ({runs}) had no control vehicle beside {them}: the differences are taken without it, and what it would "
    "have changed is shown for the other runs only.",
    "A control drive beside every run.",
)  # fmt: skip
def _control_partial(f: Findings) -> Values:
    without = [run.id for run in f.campaign.runs if run.id in f.used and not run.control]
    if without and len(without) < len(f.used):
        them = "it" if len(without) == 1 else "them"
        yield {"count": Count(len(without), "run"), "runs": all_of(without), "them": them}


TRAITS: tuple[tuple[str, str, Value, Callable[[RunResult], float]], ...] = (
    ("stop-time", "{more} stood for {first}{average}, {fewer} for {second}{where}", Value(None, "time", 0),
     lambda run: run.stopped_time),
    ("stops", "{more} stopped {first} times{average}, {fewer} {second} times{where}", Value(None, "number", 1),
     lambda run: float(run.stops)),
)  # fmt: skip
"""What traffic does to a run: the acceptance criterion whose limit holds, in words, and the number."""


def _imbalance(
    f: Findings, pair: tuple[str, str], template: str, form: Value, trait: Callable[[RunResult], float], limit: float
) -> Message | None:
    """Return how two configurations differ in a trait of runs; None where they do not differ systematically.

    `limit` is that of the acceptance criterion, between two runs. Systematic: one has more in every block that holds both (two
    or more), or the means differ by more than half of the limit. Means are over the blocks that hold both where there are any,
    since only those are compared within blocks.
    """
    cells: dict[str | None, tuple[list[float], list[float]]] = {}
    for run in f.used.values():
        if run.configuration in pair:
            cells.setdefault(block_of(run), ([], []))[pair.index(run.configuration)].append(trait(run))
    sides = [[x for cell in cells.values() for x in cell[i]] for i in (0, 1)]
    if not all(sides):
        return None
    shared = [cell for block, cell in cells.items() if block is not None and all(cell)]
    means = [float(np.mean([np.mean(cell[i]) for cell in shared] if shared else sides[i])) for i in (0, 1)]
    more, fewer = (0, 1) if means[0] >= means[1] else (1, 0)
    always = len(shared) >= BLOCKS and all(min(cell[more]) > max(cell[fewer]) for cell in shared)
    if not always and abs(means[0] - means[1]) <= SHARE * limit:
        return None
    template_where = " (the same way in each of the {blocks} that hold both)"
    where = message(template_where, blocks=Count(len(shared), "block")) if always else ""
    first, second = (replace(form, number=means[i]) for i in (more, fewer))
    average = "" if sum(map(len, sides)) == 2 else " on average"
    who = {"more": f.name(pair[more]), "fewer": f.name(pair[fewer])}
    return message(template, **who, first=first, second=second, average=average, where=where)


@limitation("traffic-unlike", 150, "comparison", "traffic was not alike between the configurations",
    "Traffic was not alike between configurations. {parts}. Standing warms intake air whatever is fitted, so that "
    "traffic may have made a part of the difference.{differences}",
    "Runs repeated until stops are alike, or more blocks.",
    alike="traffic",
)  # fmt: skip
def _traffic_unlike(f: Findings) -> Values:
    stated, baseline = acceptance_limits(f.campaign), f.campaign.baseline.id
    unlike = [
        (other, text)
        for other in (c.id for c in f.campaign.configurations if c.id != baseline)
        for code, template, form, trait in TRAITS
        if (text := _imbalance(f, (baseline, other), template, form, trait, (stated.get(code) or CRITERIA[code]).limit))
    ]
    if unlike:
        others, parts = zip(*unlike, strict=True)
        yield {"parts": all_of(parts, ";"), "differences": _by_distance(f, tuple(dict.fromkeys(others)))}


def _by_distance(f: Findings, met: Sequence[str]) -> Part:
    """Return the differences by time and by distance in the phase where those by time are largest."""
    rows = {(c.key, c.configuration): c for c in f.comparisons if c.difference is not None}
    keys = {key.key: key for key in f.metrics}

    def size(c: Comparison) -> Message:
        known = c.basis != "none" or c.low is not None or c.high is not None
        interval = message(" ({limits})", limits=limits_of(c, keys[c.key])) if known else ""
        return message("{size}{interval}", size=change_of(keys[c.key], c.difference), interval=interval)

    parts = []
    for id in met:
        timed = [c for c in rows.values() if c.configuration == id and keys[c.key].spec.id == "mean_over_ambient"]
        pairs = [(c, rows[f"distance_{c.key}", id]) for c in timed if (f"distance_{c.key}", id) in rows]
        if not pairs:
            continue
        most, placed = max(pairs, key=lambda pair: abs(pair[0].difference or 0.0))
        phase = keys[most.key].parameter
        template, where = "{name}, {phase}, {timed} over time and {placed} over distance", phase.label or phase.key
        parts.append(message(template, name=f.name(id), phase=where, timed=size(most), placed=size(placed)))
    text = " Averaged over distance, where standing does not count, a difference made by traffic is smaller: {parts}."
    return message(text, parts=all_of(parts, ";")) if parts else ""


# ---- plan and deed -----------------------------------------------------------------------------------------------


def read_issued(campaign: Campaign) -> dict[str, Any] | None:
    """Return the plan.json that the campaign follows; None without one. CampaignError if it is no plan of this campaign."""
    if campaign.plan.issued is None:
        return None
    what, file = "this is no plan of this campaign.", campaign.folder / campaign.plan.issued
    try:
        found: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
        if found["campaign"] == campaign.about.id and all(run.keys() >= PLANNED for run in found["runs"]):
            return found
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        what = "this is no plan of a campaign."
    remedy = "Copy the plan.json of build/plans beside the campaign file, unchanged."
    raise CampaignError(what, file=file, where="plan.issued", remedy=remedy) from None


LOOKS = kind("plan-looks", 268, "comparison", "the comparison was seen before the planned runs were complete",
    "The comparison was seen {looks} before the planned runs were complete: p-values and verdicts count as one look, "
    "so that the risk of a wrong one is higher than stated.",
    "Fixed design: one comparison, after all planned runs.",
)  # fmt: skip
PLAN_ORDER = kind("plan-order", 262, "comparison", "runs were not driven in the planned order",
    "The order of the plan was not kept in {blocks}: an order that is chosen on the day may follow what favours a "
    "configuration.",
    "The planned order, or a plan made anew before the next block.",
)  # fmt: skip
LEFT_OUT = kind("plan-left-out", 264, "comparison", "not all planned runs are in the comparison",
    "{count} of the plan ({runs}) {is_not} in the comparison: the plan fixed the number of runs, and a comparison "
    "before they are driven is a look that raises the risk of a wrong verdict.",
    "The runs that are left.",
)  # fmt: skip
ADDED = kind("plan-added", 266, "comparison", "runs were added to the plan, or moved between blocks",
    "{count} ({runs}) {is_not} as the plan has {them}: added, in another configuration or in another block.",
    "A plan made anew before runs are added.",
)  # fmt: skip


@predicate
def _plan_kept(f: Findings) -> Iterator[Limitation]:
    if f.campaign.plan.looks:
        yield LOOKS(looks=Count(f.campaign.plan.looks, "time"))
    issued = read_issued(f.campaign)
    if issued is None:
        return
    planned, blocks = {run["id"]: run for run in issued["runs"]}, []
    for block in dict.fromkeys(run["block"] for run in issued["runs"]):
        there = [f.used[id] for id, run in planned.items() if run["block"] == block and id in f.used]
        starts = [run.start for run in sorted(there, key=lambda run: planned[run.id]["position"]) if run.start]
        if starts != sorted(starts):
            blocks.append(str(block))
    if blocks:
        yield PLAN_ORDER(blocks=all_of(blocks))

    def as_planned(run: RunResult) -> bool:
        plan = planned.get(run.id)
        return plan is not None and (run.configuration, run.block) == (plan["configuration"], plan["block"])

    if left := [id for id in planned if id not in f.used]:
        is_not = "is not" if len(left) == 1 else "are not"
        yield LEFT_OUT(count=Count(len(left), "run"), runs=all_of(left), is_not=is_not)
    if added := [run.id for run in f.used.values() if not as_planned(run)]:
        is_not, them = ("is not", "it") if len(added) == 1 else ("are not", "them")
        yield ADDED(count=Count(len(added), "run"), runs=all_of(added), is_not=is_not, them=them)
