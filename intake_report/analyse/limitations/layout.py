"""Limitations of what was driven: units of the logs, replication, blocks, order, time of day, traffic, the plan."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np

from intake_report.align import CRITERIA
from intake_report.analyse.acceptance import acceptance_limits
from intake_report.analyse.limitations.findings import Findings, all_of, counted, declare, limitation
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

declare(
    ("unit-overridden", 40, "values", "a unit that a log names was overruled",
     "{reason} This concerns {who}; if the header is right, every value of {channel} there is wrong, and all that is "
     "computed from it.",
     "Look at the values of {channel}: correct the unit under [log.columns] if the header is right, else correct the "
     "label in the logger."),
    ("one-run", 100, "comparison",
     "with one run per configuration, day, traffic and configuration cannot be told apart",
     "{names} {names:was|were} driven once each in the comparison: day, traffic and configuration cannot be told "
     "apart, so differences are indications only.",
     "Three runs of each configuration, one in each of three blocks (a difference is then known to ± {three} times the "
     "scatter of one run; two blocks leave ± {two} times).",
     "one-run"),
    ("no-run", 30, "comparison", "a configuration has no run left",
     "No run of {name} is left in the comparison.{baseline}", "Runs of {name}."),
    ("one-configuration", 20, "comparison", "only one configuration has runs left",
     "Only {name} has runs in the comparison: its values stand, but nothing is compared.",
     "Runs of another configuration in the same blocks."),
    ("confounded", 110, "comparison", "no block or day holds two configurations, so days and configurations are mixed",
     "Each of the {blocks} {what}s holds runs of one configuration only: whatever differed between the {what}s (weather, "
     "traffic, time of day) is mixed with the effect of the configuration.",
     "Run every configuration in every block, in changing order.", "one-run"),
    ("no-common-block", 120, "comparison", "some configurations share no block with the baseline",
     "{names} {names:shares|share} no block with {baseline}: compared by way of other configurations, or not at all.",
     "Blocks that hold {baseline} and {names}."),
    ("one-block", 200, "comparison", "all runs are of one block or day, so other days are unknown",
     "All {runs} runs are of one {what}: the scatter between runs is that of one day, and whether the differences hold "
     "on another day is not known.",
     "The same runs in a second and third block."),
    ("no-blocks", 210, "comparison", "some runs name no block",
     "{count} ({runs}) {runs:names|name} no block although several runs were driven on one day: runs are compared as "
     "if each were independent, and the difference between days widens the intervals or hides in them.",
     "`block` for every run."),
    ("time-of-day", 140, "comparison", "configurations were driven at different times of day",
     "{which} of {one} started earlier in the day than {those} of {two} (medians {first} and {second}): traffic, sun "
     "and the warming of the day are mixed with the effect of the configuration.",
     "Change the order of configurations from block to block, so that each is driven at each time of day."),
    ("order", 130, "comparison", "one configuration was always driven before another",
     "In each of the {blocks} blocks that hold both, {one} was driven before {two}: whatever changes in the course of "
     "a session (warm engine bay, sun, traffic) is mixed with the effect of the configuration.",
     "{two} first in half of the blocks."),
    ("excluded", 400, "values", "some runs were left out",
     "Run {run} is left out: {reasons}.", "Repeat the run."),
    ("permutation-floor", 320, "comparison", "too few runs for a test that assumes nothing about their scatter",
     "There are too few runs for a test that assumes nothing about their scatter (exact permutation): it "
     "could not show a difference whatever the data. Every verdict at {level} % assumes that runs scatter normally.",
     "{pairs} blocks with one run of each, or {each} runs of each in one block, can reach p {alpha}; this layout, "
     "{floor} at least."),
    ("control-partial", 270, "comparison", "the control vehicle was beside some runs only",
     "{count} ({runs}) had no control vehicle beside {runs:it|them}: the differences are taken without it, and what "
     "it would have changed is shown for the other runs only.",
     "A control drive beside every run."),
    ("traffic-unlike", 150, "comparison", "traffic was not alike between the configurations",
     "Traffic was not alike between configurations. {parts}. Standing warms intake air whatever is fitted, so that "
     "traffic may have made a part of the difference.{differences}",
     "Runs repeated until stops are alike, or more blocks.", "traffic"),
    ("plan-looks", 268, "comparison", "the comparison was seen before the planned runs were complete",
     "The comparison was seen {looks} before the planned runs were complete: p-values and verdicts count as one look, "
     "so that the risk of a wrong one is higher than stated.",
     "Fixed design: one comparison, after all planned runs."),
    ("plan-order", 262, "comparison", "runs were not driven in the planned order",
     "The order of the plan was not kept in {blocks}: an order that is chosen on the day may follow what favours a "
     "configuration.",
     "The planned order, or a plan made anew before the next block."),
    ("plan-left-out", 264, "comparison", "not all planned runs are in the comparison",
     "{count} of the plan ({runs}) {runs:is|are} not in the comparison: the plan fixed the number of runs, and a "
     "comparison before they are driven is a look that raises the risk of a wrong verdict.",
     "The runs that are left."),
    ("plan-added", 266, "comparison", "runs were added to the plan, or moved between blocks",
     "{count} ({runs}) {runs:is|are} not as the plan has {runs:it|them}: added, in another configuration or in "
     "another block.",
     "A plan made anew before runs are added."),
)  # fmt: skip


def unit_overridden(f: Findings) -> Iterator[Limitation]:
    """Yield each unit that a log names and the campaign overrules."""
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
        yield limitation("unit-overridden", reason=reason, who=who, channel=channel)


def _replication(f: Findings) -> Iterator[Limitation]:
    driven = [run.configuration for run in f.used.values()]
    if single := [c.name for c in f.campaign.configurations if driven.count(c.id) == 1]:
        half: dict[str, Any] = {}
        for name, n in (("three", 3), ("two", 2)):  # two configurations, one run of each in n blocks
            cells = [str(i) for i in range(2 * n)]
            model = blocked(cells, ["a", "b"] * n, [block for block in range(n) for _ in "ab"], ("b", "a"))
            half[name] = Value(coverage_factor(0.95, model.df) * model.factor, "number", 1)
        yield limitation("one-run", names=all_of(single), **half)
    for c in f.campaign.configurations:
        if c.id not in driven:
            baseline = " It is the baseline: nothing can be compared." if c.role == "baseline" else ""
            yield limitation("no-run", name=c.name, baseline=baseline)
    if len(set(driven)) == 1:
        yield limitation("one-configuration", name=f.name(driven[0]))


def _block_of(run: RunResult) -> str | None:
    """Return the block of a run, else the day of its start."""
    return run.block or (run.start[:10] if run.start else None)


def _blocks(f: Findings) -> Iterator[Limitation]:
    blocks: dict[str | None, set[str]] = {}
    for run in f.used.values():
        blocks.setdefault(_block_of(run), set()).add(run.configuration)
    known = [ids for block, ids in blocks.items() if block]
    there, baseline = set().union(*known), f.campaign.baseline
    what = "block" if all(run.block for run in f.used.values()) else "day"
    if len(known) > 1 and len(there) > 1:
        others = sorted(there - {baseline.id})
        alone = [f.name(id) for id in others if not any({id, baseline.id} <= ids for ids in known)]
        if all(len(ids) == 1 for ids in known):
            yield limitation("confounded", blocks=len(known), what=what)
        elif baseline.id in there and alone:
            yield limitation("no-common-block", names=all_of(alone), baseline=baseline.name)
    if len(known) == len(blocks) == 1 and len(f.used) > 2 and len(there) > 1:
        yield limitation("one-block", runs=len(f.used), what=what)
    without = [run.id for run in f.used.values() if run.block is None]
    days = [run.start[:10] for run in f.used.values() if run.start]
    if without and len(f.used) > 2 and len(set(days)) < len(days):
        yield limitation("no-blocks", **counted(without))


def _time_of_day(f: Findings) -> Iterator[Limitation]:
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
        which, those = message("In {share} of all pairs the run", share=Value(earlier, "share")), "that"
        first, second = (Value(float(np.median(z)), "clock") for z in (x, y))
        names: dict[str, Any] = {"which": which, "one": f.name(a), "two": f.name(b), "those": those}
        if earlier == 1.0:
            names |= {"which": "All runs", "those": "all those"}
        yield limitation("time-of-day", **names, first=first, second=second)


def _order(f: Findings) -> Iterator[Limitation]:
    blocks: dict[str, list[RunResult]] = {}
    for run in f.used.values():
        if run.start and (block := _block_of(run)):
            blocks.setdefault(block, []).append(run)
    for a, b in combinations([c.id for c in f.campaign.configurations], 2):
        starts = [[[r.start or "" for r in runs if r.configuration == id] for id in (a, b)] for runs in blocks.values()]
        both = [(x, y) for x, y in starts if x and y]
        ways = {max(x) < min(y) if max(x) < min(y) or max(y) < min(x) else None for x, y in both}
        if len(both) >= 2 and ways in ({True}, {False}):
            first, second = (a, b) if ways == {True} else (b, a)
            yield limitation("order", blocks=len(both), one=f.name(first), two=f.name(second))


def _runs(f: Findings) -> Iterator[Limitation]:
    for run in (run for run in f.runs if run.decision == "excluded"):
        yield limitation("excluded", run=run.id, reasons=all_of(run.reasons, ";"))
    alpha = 1.0 - f.campaign.metrics.confidence
    floor = min((c.smallest for c in f.comparisons if c.smallest is not None and c.replicated), default=None)
    if floor is not None and floor > alpha:
        numbers: dict[str, Any] = {"floor": Value(floor, "number", 3), "level": Value(100.0 * (1.0 - alpha), "count")}
        pairs = next(n for n in range(2, 64) if smallest_attainable_p([(1, 1)] * n) <= alpha)
        each = next(n for n in range(2, 64) if smallest_attainable_p([(n, n)]) <= alpha)
        yield limitation("permutation-floor", **numbers, pairs=pairs, each=each, alpha=Value(alpha, "number", 2))
    without = [run.id for run in f.campaign.runs if run.id in f.used and not run.control]
    if without and len(without) < len(f.used):
        yield limitation("control-partial", **counted(without))


# What traffic does to a run: the acceptance criterion whose limit holds, the field of the run, words and form
TRAITS = {
    "stop-time": ("stopped_time", "{more} stood for {first}{average}, {fewer} for {second}{where}", Value(0.0, "time", 0)),
    "stops": ("stops", "{more} stopped {first} times{average}, {fewer} {second} times{where}", Value(0.0, "number", 1)),
}  # fmt: skip


def _imbalance(f: Findings, pair: tuple[str, str], code: str) -> Message | None:
    """Return how two configurations differ in what traffic does to a run; None where they do not differ systematically.

    Systematic: one has more in every block that holds both (two or more), or the means, over the blocks that hold both where
    there are any, differ by more than half of the criterion's limit between two runs.
    """
    field, template, form = TRAITS[code]
    cells: dict[str | None, tuple[list[float], list[float]]] = {}
    for run in f.used.values():
        if run.configuration in pair:
            cell = cells.setdefault(_block_of(run), ([], []))
            cell[pair.index(run.configuration)].append(float(getattr(run, field)))
    sides = [[x for cell in cells.values() for x in cell[i]] for i in (0, 1)]
    if not all(sides):
        return None
    shared = [cell for block, cell in cells.items() if block is not None and all(cell)]
    means = [float(np.mean([np.mean(cell[i]) for cell in shared] if shared else sides[i])) for i in (0, 1)]
    more, fewer = (0, 1) if means[0] >= means[1] else (1, 0)
    always = len(shared) >= BLOCKS and all(min(cell[more]) > max(cell[fewer]) for cell in shared)
    limit_of_two = (acceptance_limits(f.campaign).get(code) or CRITERIA[code]).limit
    if not always and abs(means[0] - means[1]) <= SHARE * limit_of_two:
        return None
    template_where = " (the same way in each of the {blocks} that hold both)"
    where = message(template_where, blocks=Count(len(shared), "block")) if always else ""
    first, second = (replace(form, number=means[i]) for i in (more, fewer))
    average = "" if sum(map(len, sides)) == 2 else " on average"
    who = {"more": f.name(pair[more]), "fewer": f.name(pair[fewer])}
    return message(template, **who, first=first, second=second, average=average, where=where)


def _traffic(f: Findings) -> Iterator[Limitation]:
    baseline = f.campaign.baseline.id
    pairs = [(baseline, c.id) for c in f.campaign.configurations if c.id != baseline]
    unlike = [(pair[1], text) for pair in pairs for code in TRAITS if (text := _imbalance(f, pair, code))]
    if unlike:
        parts = all_of((text for _, text in unlike), ";")
        yield limitation(
            "traffic-unlike", parts=parts, differences=_by_distance(f, dict.fromkeys(id for id, _ in unlike))
        )


def _by_distance(f: Findings, met: Iterable[str]) -> Part:
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
        if pairs:
            most, placed = max(pairs, key=lambda pair: abs(pair[0].difference or 0.0))
            phase = keys[most.key].parameter
            template, where = "{name}, {phase}, {timed} over time and {placed} over distance", phase.label or phase.key
            parts.append(message(template, name=f.name(id), phase=where, timed=size(most), placed=size(placed)))
    text = " Averaged over distance, where standing does not count, a difference made by traffic is smaller: {parts}."
    return message(text, parts=all_of(parts, ";")) if parts else ""


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


def _plan_kept(f: Findings) -> Iterator[Limitation]:
    if f.campaign.plan.looks:
        yield limitation("plan-looks", looks=Count(f.campaign.plan.looks, "time"))
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
        yield limitation("plan-order", blocks=all_of(blocks))
    if left := [id for id in planned if id not in f.used]:
        yield limitation("plan-left-out", **counted(left))
    places = {id: (run["configuration"], run["block"]) for id, run in planned.items()}
    if added := [id for id, run in f.used.items() if places.get(id) != (run.configuration, run.block)]:
        yield limitation("plan-added", **counted(added))


LAYOUT = (unit_overridden, _replication, _blocks, _time_of_day, _order, _runs, _traffic, _plan_kept)
