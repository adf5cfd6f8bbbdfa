"""Which runs are driven when: orders, starts, what a campaign under way still needs.

Orders are Williams designs (each configuration once at every position, each follows each other equally often) or, with several
runs of a configuration in one block, a sequence and its mirror image (a linear drift cancels).
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

from intake_report.campaign import Campaign, Planning
from intake_report.errors import DataError
from intake_report.formatting import count
from intake_report.plan.design import Design
from intake_report.plan.window import DayWindow, Forecast

Order = tuple[str, ...]

SEARCHED = 20_000  # subsets of sequences that are compared before the first ones are taken instead; about a second


class OrderBalance(NamedTuple):
    """How even the orders of the blocks are.

    `mean_position` of each configuration within its blocks, from 1; `positions`: how often it is driven first, second …;
    `follows` (str, str): how often the second comes directly after the first within a block; `repeats`: how often a
    configuration directly follows itself, so that nothing is refitted between two runs.
    """

    mean_position: dict[str, float]
    positions: dict[str, tuple[int, ...]]
    follows: dict[tuple[str, str], int]
    repeats: int

    @property
    def drift(self) -> float:
        """Largest difference of mean positions; 0 where a linear drift within the day cancels."""
        means = self.mean_position.values()
        return round(max(means) - min(means), 9)

    @property
    def position_balanced(self) -> bool:
        """Whether every configuration stands equally often at every position."""
        return len(set(itertools.chain(*self.positions.values()))) <= 1

    @property
    def carry_over_balanced(self) -> bool:
        """Whether every ordered pair of different configurations occurs equally often."""
        return len(set(self.follows.values())) <= 1


def order_balance(blocks: Sequence[Order]) -> OrderBalance:
    """Return how even the orders of `blocks` are; each holds two configurations or more in the order of driving."""
    names = list(dict.fromkeys(itertools.chain(*blocks)))
    places: dict[str, list[int]] = {name: [] for name in names}
    for block in blocks:
        for index, name in enumerate(block):
            places[name].append(index)
    pairs = Counter(pair for block in blocks for pair in itertools.pairwise(block))
    return OrderBalance(
        {name: 1.0 + sum(at) / len(at) for name, at in places.items()},
        {name: tuple(at.count(index) for index in range(max(map(len, blocks)))) for name, at in places.items()},
        {pair: pairs[pair] for pair in itertools.permutations(names, 2)},
        sum(pairs[name, name] for name in names),
    )


def williams(configurations: Sequence[str]) -> tuple[Order, ...]:
    """Return the sequences of a Williams design of `configurations` (k,), two or more: k for even k, 2k for odd k.

    Each stands equally often at every position, and directly follows each other one once (even k) or twice (odd k).

    E. J. Williams, Australian Journal of Scientific Research A 2 (1949) 149: first row 0, 1, k−1, 2, k−2 …, the others
    by adding 1 modulo k; for odd k also the mirror images.
    """
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

    def unevenness(some: Sequence[Order]) -> tuple[float, int, int]:  # sums of squares are least when counts are equal
        balance = order_balance(some)
        counts = itertools.chain(*balance.positions.values())
        return balance.drift, sum(c**2 for c in counts), sum(c**2 for c in balance.follows.values())

    sequences = williams(rng.permutation(configurations).tolist())
    rest = blocks % len(sequences)
    subset: Sequence[Order] = sequences[:rest]
    if rest > 0 and math.comb(len(sequences), rest) <= SEARCHED:
        subset = min(itertools.combinations(sequences, rest), key=unevenness)
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


SOAK_CHECK = dt.timedelta(minutes=15)  # before the first start of a day, engine cold
WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")  # strftime would speak the language of the machine
MOST_DAYS = 120  # that are looked through for windows


@dataclass(frozen=True)
class PlannedRun:
    """One run to be driven.

    `position` within its block, from 1; `start` and `end` (aware local times), None where it is driven already.
    """

    id: str
    configuration: str
    block: str
    position: int
    files: tuple[str, ...]
    start: dt.datetime | None = None
    end: dt.datetime | None = None
    done: bool = False


Runs = tuple[PlannedRun, ...]


def by_block(runs: Sequence[PlannedRun]) -> dict[str, list[PlannedRun]]:
    """Return the runs of each block, in the order of driving."""
    return {block: [r for r in runs if r.block == block] for block in dict.fromkeys(run.block for run in runs)}


def designs(campaign: Campaign) -> tuple[Design, ...]:
    """Return the designs that are compared: four usual ones, and the declared one."""
    ids = (campaign.baseline.id, *(c.id for c in campaign.configurations if c.role != "baseline"))
    planning = campaign.plan
    sizes = [(3, 1), (4, 1), (6, 1), (3, 2)]
    if planning.blocks is not None and (planning.blocks, planning.runs_per_block) not in sizes:
        sizes[-1] = (planning.blocks, planning.runs_per_block)
    return tuple(Design(ids, b, r, planning.repeat_baseline) for b, r in sorted(sizes))


def planned_runs(
    campaign: Campaign, design: Design, seed: int, issued: dict[str, Any] | None, lost: Collection[str]
) -> Runs:
    """Return all runs of the plan in the order of driving: those of the plan issued, else those of the file and further blocks.

    Those that are `lost` are scheduled anew; see `with_repeats`.
    """
    if issued is not None:
        runs = [_run(campaign, run["id"], run["configuration"], run["block"], run["files"]) for run in issued["runs"]]
        return with_repeats(campaign, design, runs, lost)
    runs = [_run(campaign, run.id, run.configuration, run.block or "no-block") for run in campaign.runs]
    blocks = list(dict.fromkeys(run.block for run in runs))
    orders = block_orders(design.configurations, design.blocks, design.repeats, np.random.default_rng(seed))
    closing = design.configurations[:1] if design.closing else ()
    for number in range(len(blocks), design.blocks):
        name = next(n for i in itertools.count(number + 1) if (n := f"day-{i}") not in blocks)
        blocks.append(name)
        order, driven = (*orders[number], *closing), Counter[str]()
        for configuration in order:
            driven[configuration] += 1
            again = f"-{driven[configuration]}" if order.count(configuration) > 1 else ""
            runs.append(_run(campaign, f"{name}-{configuration}{again}", configuration, name))
    return with_repeats(campaign, design, runs, lost)


def _run(campaign: Campaign, id: str, configuration: str, block: str, files: Sequence[str] = ()) -> PlannedRun:
    """Return a run, its files as the campaign file has them, if it has the run; the position is that of a first one."""
    named = next((run for run in campaign.runs if run.id == id), None)
    suffix = ".csv" if not campaign.runs else "." + campaign.runs[0].files[0].rpartition("/")[2].partition(".")[2]
    files = named.files if named is not None else tuple(files) or (f"logs/{id}{suffix}",)
    done = named is not None and all((campaign.folder / file).is_file() for file in files)
    return PlannedRun(id, configuration, block, 1, tuple(files), done=done)


def with_repeats(campaign: Campaign, design: Design, runs: Sequence[PlannedRun], lost: Collection[str]) -> Runs:
    """Return the runs with those that are `lost` scheduled anew, unless one like it in the same block is left or planned.

    At the end of the same block while that is under way. Else in a block of its own, with what it is compared with: a
    difference is made within a day, so that a repeat on another day needs the baseline of that day.
    """
    made, baseline = list(runs), design.configurations[0]
    for run in runs:
        cell = [r for r in made if (r.configuration, r.block) == (run.configuration, run.block)]
        enough = sum(r.id not in lost for r in cell) >= design.repeats
        if run.id not in lost or enough or f"{run.id}-again" in {r.id for r in made}:
            continue
        under_way = any(not r.done for r in made if r.block == run.block)
        block = run.block if under_way else f"{run.block}-again"
        files = [beside(file, "again") for file in run.files]
        new = [_run(campaign, f"{run.id}-again", run.configuration, block, files)]
        if not under_way:
            others = design.configurations[1:] if run.configuration == baseline else (baseline,)
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


def days_ahead(campaign: Campaign, today: dt.date, forecast: Forecast) -> list[dt.date]:
    """Return the days on which may be driven, from tomorrow or the first day on; of a forecast those that it covers.

    Raises DataError: no day is left, or the forecast is of other days.
    """
    planning = campaign.plan
    first = max(today + dt.timedelta(days=1), planning.first_day or today)
    last = planning.last_day or first + dt.timedelta(days=MOST_DAYS)
    days = [first + dt.timedelta(days=n) for n in range(min((last - first).days + 1, MOST_DAYS))]
    days = [day for day in days if not planning.weekdays or WEEK[day.weekday()] in planning.weekdays]
    if not days:
        what = f"no day is left: the last is {last}, and the next that may be driven on would be after it."
        raise DataError(what, file=campaign.given, where="plan.last_day", remedy="Set a later one, or more weekdays.")
    if not forecast:
        return days
    first, last = (one.time.tz_convert(campaign.about.timezone).date() for one in (forecast[0], forecast[-1]))
    covered = [day for day in days if first <= day <= last]
    if not covered:
        what = f"the forecast is of {first} to {last}, the days to drive are {days[0]} to {days[-1]}: they do not meet."
        raise DataError(what, where="--forecast", remedy="Save a newer one, or set plan.first_day and plan.last_day.")
    return covered


def with_starts(campaign: Campaign, runs: Sequence[PlannedRun], windows: Sequence[DayWindow]) -> Runs:
    """Return the runs with planned starts: each block on the next day whose stretches hold it.

    Raises DataError: too few days hold a block.
    """
    planning, made, left = campaign.plan, {}, iter(windows)
    blocks = [todo for block in by_block(runs).values() if (todo := [run for run in block if not run.done])]
    for number, todo in enumerate(blocks):
        starts = next((starts for day in left if (starts := place(planning, len(todo), day))), None)
        if starts is None:
            raise _no_day(campaign, len(todo), number, len(blocks), windows)
        each = dt.timedelta(seconds=planning.drive_time)
        made.update({run.id: replace(run, start=t, end=t + each) for run, t in zip(todo, starts, strict=True)})
    return tuple(made.get(run.id, run) for run in runs)


def place(planning: Planning, runs: int, day: DayWindow) -> list[dt.datetime] | None:
    """Return starts of so many runs in the stretches of a day; None where it does not hold them."""
    drive = dt.timedelta(seconds=planning.drive_time)
    between = dt.timedelta(seconds=planning.changeover + planning.stand)
    starts: list[dt.datetime] = []
    for begin, end in day.stretches:
        # the soak check and the stand come before the first start, in the same stretch where it is the first
        now = max(begin, starts[-1] + drive + between) if starts else begin
        while len(starts) < runs and now + drive <= end:
            starts.append(now)
            now = now + drive + between
    return starts if len(starts) == runs else None


def _no_day(campaign: Campaign, runs: int, held: int, blocks: int, windows: Sequence[DayWindow]) -> DataError:
    planning = campaign.plan
    need = (runs * planning.drive_time + (runs - 1) * (planning.changeover + planning.stand)) / 3600.0
    lost: Counter[str] = Counter()
    for window in windows:
        lost.update(window.lost)
    del lost["other hours"]
    most = max(lost, key=lost.__getitem__, default="the declared hours")
    what = (
        f"{count(blocks, 'block')} of {count(runs, 'run')} need a day each with {need:.1f} h that fit, and of "
        f"{count(len(windows), 'day')} only {held} {'has' if held == 1 else 'have'} them; most is lost to {most}."
    )
    remedy = "Widen plan.hours or the weather limits, set a later plan.last_day, or plan fewer runs in a block."
    return DataError(what, file=campaign.given, where="plan", remedy=remedy)


def order_sentences(runs: Sequence[PlannedRun]) -> tuple[str, ...]:
    """Return what the orders leave open, one sentence each; see `order_notes`."""
    return order_notes([tuple(run.configuration for run in block) for block in by_block(runs).values()])
