"""Which runs are driven in which order, and what a campaign under way still needs.

Orders are Williams designs (each configuration once at every position, each follows each other equally often) or, with
several runs of a configuration in one block, a sequence and its mirror image (a linear drift cancels).
"""

import datetime as dt
import itertools
import math
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.random import Generator

from intake_report.campaign import Campaign
from intake_report.plan.design import Design

SEARCHED = 20_000  # subsets of sequences that are compared before the first ones are taken instead; about a second

Order = tuple[str, ...]


class OrderBalance(NamedTuple):
    """How even the orders of the blocks are."""

    mean_position: dict[str, float]  # of each configuration within its blocks, from 1
    drift: float  # largest difference of mean positions; 0 where a linear drift within the day cancels
    position_balanced: bool  # every configuration stands equally often at every position
    carry_over_balanced: bool  # every ordered pair of different configurations occurs equally often
    repeats: int  # how often a configuration directly follows itself, so that nothing is refitted between two runs
    # drift, and sums of the squared counts of both, which are least when counts are equal
    uneven: tuple[float, int, int]


def order_balance(blocks: Sequence[Order]) -> OrderBalance:
    """Return how even the orders of `blocks` are; each holds two configurations or more in the order of driving."""
    names = list(dict.fromkeys(itertools.chain(*blocks)))
    places = Counter((name, index) for block in blocks for index, name in enumerate(block))
    pairs = Counter(pair for block in blocks for pair in itertools.pairwise(block))
    at = {name: [places[name, index] for index in range(max(map(len, blocks)))] for name in names}
    means = {name: 1.0 + sum(i * n for i, n in enumerate(counts)) / sum(counts) for name, counts in at.items()}
    drift = round(max(means.values()) - min(means.values()), 9)
    positions = [n for counts in at.values() for n in counts]
    follows = [pairs[pair] for pair in itertools.permutations(names, 2)]
    return OrderBalance(
        means, drift, len(set(positions)) <= 1, len(set(follows)) <= 1, sum(pairs[name, name] for name in names),
        (drift, sum(n**2 for n in positions), sum(n**2 for n in follows)),
    )  # fmt: skip


def williams(configurations: Sequence[str]) -> tuple[Order, ...]:
    """Return the sequences of a Williams design of `configurations` (k,), two or more: k for even k, 2k for odd k."""
    # E. J. Williams, Australian Journal of Scientific Research A 2 (1949) 149: first row 0, 1, k−1, 2, k−2 …, the others
    # by adding 1 modulo k; for odd k also the mirror images
    k = len(configurations)
    first = [(step + 1) // 2 if step % 2 else (k - step // 2) % k for step in range(k)]
    rows = [tuple(configurations[(index + shift) % k] for index in first) for shift in range(k)]
    return tuple(rows + [row[::-1] for row in rows] if k % 2 else rows)


def block_orders(configurations: Sequence[str], blocks: int, repeats: int, rng: Generator) -> tuple[Order, ...]:
    """Return the order of each of the `blocks`, 1 or more, in which all `configurations` are driven `repeats` times.

    `rng` draws which configuration takes which place of the design and which block which sequence. With one run each:
    sequences of the Williams design, the subset that is best balanced by drift, by position, then by what follows what.
    With several: a sequence and its mirror image in turn, so ABBA for two.
    """
    sequences = williams(rng.permutation(configurations).tolist())
    rest = blocks % len(sequences)
    subset: Sequence[Order] = sequences[:rest]
    if rest > 0 and math.comb(len(sequences), rest) <= SEARCHED:
        subset = min(itertools.combinations(sequences, rest), key=lambda some: order_balance(some).uneven)
    rows = [*sequences * (blocks // len(sequences)), *subset]
    turned = [rows[i] for i in rng.permutation(len(rows))]
    return tuple(tuple(name for turn in range(repeats) for name in row[:: (-1) ** turn]) for row in turned)


def order_notes(blocks: Sequence[Order]) -> tuple[str, ...]:
    """Return what the orders leave open, one sentence each."""
    balance, notes = order_balance(blocks), []
    if balance.drift:
        means = ", ".join(f"{name} {mean:.2f}" for name, mean in balance.mean_position.items())
        notes.append(f"A drift within the day does not cancel: mean positions are {means}.")
    elif not balance.position_balanced:
        notes.append("A linear drift within the day cancels, one that bends does not.")
    if not balance.carry_over_balanced:
        notes.append("Some configurations follow each other more often than others: let the vehicle cool between runs.")
    if balance.repeats:
        notes.append(
            f"{balance.repeats} times a configuration follows itself: take it off and fit it again, or the scatter of "
            "fitting is missing from the runs."
        )
    return tuple(notes)


@dataclass(frozen=True)
class PlannedRun:
    """One run to be driven."""

    id: str
    configuration: str
    block: str
    position: int  # within its block, from 1
    files: tuple[str, ...]
    start: dt.datetime | None = None  # local time; None where it is driven already, as the end
    end: dt.datetime | None = None
    done: bool = False


def by_block(runs: Sequence[PlannedRun]) -> dict[str, list[PlannedRun]]:
    """Return the runs of each block, in the order of driving."""
    return {block: [r for r in runs if r.block == block] for block in dict.fromkeys(run.block for run in runs)}


def openings(runs: Sequence[PlannedRun]) -> set[str]:
    """Return the runs that open a day: the first of each block that is still to be driven."""
    return {block[0].id for block in by_block([run for run in runs if not run.done]).values()}


def planned_runs(
    campaign: Campaign, design: Design, seed: int, issued: dict[str, Any] | None, lost: Collection[str]
) -> tuple[PlannedRun, ...]:
    """Return all runs as they are driven: of the plan issued, else of the file and further blocks; `lost` ones anew."""
    if issued is not None:
        runs = [_run(campaign, run["id"], run["configuration"], run["block"], run["files"]) for run in issued["runs"]]
        return with_repeats(campaign, design, runs, lost)
    runs = [_run(campaign, run.id, run.configuration, run.block or "no-block") for run in campaign.runs]
    blocks = list(dict.fromkeys(run.block for run in runs))
    orders = block_orders(design.configurations, design.blocks, design.repeats, np.random.default_rng(seed))
    closing = design.configurations[:1] if design.closing else ()
    # a difference is made within a block: one without a configuration is none of the design
    whole = sum({*design.configurations} <= {run.configuration for run in block} for block in by_block(runs).values())
    for number in range(whole, design.blocks):
        name = next(n for i in itertools.count(len(blocks) + 1) if (n := f"day-{i}") not in blocks)
        blocks.append(name)
        order, driven = (*orders[number], *closing), Counter[str]()
        for configuration in order:
            driven[configuration] += 1
            again = f"-{driven[configuration]}" if order.count(configuration) > 1 else ""
            runs.append(_run(campaign, f"{name}-{configuration}{again}", configuration, name))
    return with_repeats(campaign, design, runs, lost)


def _run(campaign: Campaign, id: str, configuration: str, block: str, files: Sequence[str] = ()) -> PlannedRun:
    """Return a run at the first position, its files as the campaign file has them, if it has the run."""
    named = next((run for run in campaign.runs if run.id == id), None)
    suffix = ".csv" if not campaign.runs else "." + campaign.runs[0].files[0].rpartition("/")[2].partition(".")[2]
    files = named.files if named is not None else tuple(files) or (f"logs/{id}{suffix}",)
    done = named is not None and all((campaign.folder / file).is_file() for file in files)
    return PlannedRun(id, configuration, block, 1, tuple(files), done=done)


def with_repeats(
    campaign: Campaign, design: Design, runs: Sequence[PlannedRun], lost: Collection[str]
) -> tuple[PlannedRun, ...]:
    """Return the runs with those that are `lost` scheduled anew, unless one like it in the same block is left or planned.

    At the end of the same block while that is under way. Else in a block of its own, with what it is compared with: a
    difference is made within a day, so that a repeat on another day needs the baseline of that day.
    """
    made, (baseline, *candidates) = list(runs), design.configurations
    for run in runs:
        cell = [r for r in made if (r.configuration, r.block) == (run.configuration, run.block)]
        enough = sum(r.id not in lost for r in cell) >= design.repeats
        if run.id not in lost or enough or f"{run.id}-again" in {r.id for r in made}:
            continue
        under_way = any(not r.done for r in made if r.block == run.block)
        block = run.block if under_way else f"{run.block}-again"
        again = [beside(file, "again") for file in run.files]
        new = [_run(campaign, f"{run.id}-again", run.configuration, block, again)]
        if not under_way:
            others = candidates if run.configuration == baseline else [baseline]
            there = {r.configuration for r in made if r.block == block}
            new += [_run(campaign, f"{block}-{c}", c, block) for c in others if c not in there]
            # it may stand there already, as what another is compared with
            made = [r for r in made if r.id != f"{block}-{run.configuration}"]
        last = max((i for i, r in enumerate(made) if r.block == block), default=len(made) - 1)
        made[last + 1 : last + 1] = new
    places = {run.id: place for block in by_block(made).values() for place, run in enumerate(block, 1)}
    return tuple(replace(run, position=places[run.id]) for run in made)


def beside(file: str, word: str) -> str:
    """Return the name of another log with `word` added before the suffix."""
    folder, slash, name = file.rpartition("/")
    stem, dot, suffix = name.partition(".")
    return f"{folder}{slash}{stem}-{word}{dot}{suffix}"
