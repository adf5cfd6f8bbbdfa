"""Which runs are driven when: orders, starts, what a campaign under way still needs.

Orders are Williams designs (each configuration once at every position, each follows each other equally often) or, with several
runs of a configuration in one block, a sequence and its mirror image (a linear drift cancels).
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from intake_report.campaign import Campaign, Planning
from intake_report.errors import DataError
from intake_report.formatting import count
from intake_report.plan.design import Design
from intake_report.plan.window import DayWindow

Order = tuple[str, ...]

SEARCHED = 20_000  # subsets of sequences that are compared before the first ones are taken instead; about a second


@dataclass(frozen=True)
class OrderBalance:
    """How even the orders of the blocks are.

    `positions`: how often a configuration is driven first, second …; `follows` (str, str): how often the second comes
    directly after the first within a block; `repeats`: how often a configuration directly follows itself, so that
    nothing is refitted between two runs.
    """

    positions: dict[str, tuple[int, ...]]
    follows: dict[tuple[str, str], int]
    repeats: int

    @property
    def mean_position(self) -> dict[str, float]:
        """Mean place of a configuration within its blocks, from 1."""
        return {
            name: sum((index + 1) * count for index, count in enumerate(counts)) / sum(counts)
            for name, counts in self.positions.items()
        }

    @property
    def drift_cancels(self) -> bool:
        """Whether mean positions are equal, so that a linear drift within the day cancels."""
        means = self.mean_position.values()
        return max(means, default=0.0) - min(means, default=0.0) < 1e-9

    @property
    def position_balanced(self) -> bool:
        """Whether every configuration stands equally often at every position."""
        return len({count for counts in self.positions.values() for count in counts}) <= 1

    @property
    def carry_over_balanced(self) -> bool:
        """Whether every ordered pair of different configurations occurs equally often."""
        return len(set(self.follows.values())) <= 1


def order_balance(blocks: Sequence[Order]) -> OrderBalance:
    """Return how even the orders of `blocks` are; each block holds configurations in the order of driving."""
    names = list(dict.fromkeys(itertools.chain.from_iterable(blocks)))
    longest = max((len(block) for block in blocks), default=0)
    pairs = Counter(pair for block in blocks for pair in itertools.pairwise(block))
    at = Counter((name, index) for block in blocks for index, name in enumerate(block))
    return OrderBalance(
        positions={name: tuple(at[name, index] for index in range(longest)) for name in names},
        follows={(a, b): pairs[a, b] for a in names for b in names if a != b},
        repeats=sum(count for (a, b), count in pairs.items() if a == b),
    )


def williams(configurations: Sequence[str]) -> tuple[Order, ...]:
    """Return the sequences of a Williams design.

    `configurations` (k,): two or more, all different. Returns k sequences for even k, 2k for odd k. Each configuration
    stands equally often at every position, and directly follows each other one equally often (once for even k, twice
    for odd k). Raises DataError: if there are fewer than two, or one is named twice.

    E. J. Williams, Australian Journal of Scientific Research A 2 (1949) 149: first row 0, 1, k−1, 2, k−2 …, the others
    by adding 1 modulo k; for odd k also the mirror images.
    """
    if len(configurations) < 2:
        raise DataError("a comparison needs two configurations or more.", remedy="Name the baseline and a candidate.")
    twice = [name for name, count in Counter(configurations).items() if count > 1]
    if twice:
        raise DataError(f"the configuration “{twice[0]}” is named twice.", remedy="Name each once.")
    k = len(configurations)
    first = [(step + 1) // 2 if step % 2 else (k - step // 2) % k for step in range(k)]
    rows = [tuple(configurations[(index + shift) % k] for index in first) for shift in range(k)]
    return tuple(rows + [row[::-1] for row in rows] if k % 2 else rows)


def block_orders(
    configurations: Sequence[str], blocks: int, repeats: int = 1, rng: np.random.Generator | None = None
) -> tuple[Order, ...]:
    """Return the order of each block.

    `configurations`: all are driven in every block; `blocks`: days or sessions, 1 or more; `repeats`: runs of each
    configuration in a block; `rng`: draws which configuration takes which place of the design and which block which
    sequence; without it the orders are the systematic ones. Returns with one run each: sequences of the Williams
    design, the subset that is best balanced by position and then by what follows what. With several: a sequence and its
    mirror image in turn, so ABBA for two. Raises DataError: if a number is below 1 or the configurations are not right.
    """
    for number, what in ((blocks, "blocks"), (repeats, "runs of each configuration in a block")):
        if number < 1:
            raise DataError(f"{number} {what} are too few.", remedy="Plan at least one.")
    shuffle = (lambda items: [items[i] for i in rng.permutation(len(items))]) if rng is not None else list
    sequences = williams(shuffle(list(configurations)))
    rest = blocks % len(sequences)
    subset: Sequence[Order] = sequences[:rest]
    if rest > 0 and math.comb(len(sequences), rest) <= SEARCHED:
        subset = min(itertools.combinations(sequences, rest), key=_unevenness)
    rows = shuffle([*sequences * (blocks // len(sequences)), *subset])
    return tuple(tuple(name for turn in range(repeats) for name in row[:: (-1) ** turn]) for row in rows)


def _unevenness(blocks: Sequence[Order]) -> tuple[float, float, float]:
    """Return drift, position and carry-over unevenness; sums of squares are least when counts are equal."""
    balance = order_balance(blocks)
    means = balance.mean_position.values()
    squares = (
        sum(c**2 for counts in balance.positions.values() for c in counts),
        sum(c**2 for c in balance.follows.values()),
    )
    return (round(max(means) - min(means), 9), *map(float, squares))  # type: ignore[return-value]


def order_notes(blocks: Sequence[Order]) -> tuple[str, ...]:
    """Return what the orders leave open, one sentence each."""
    balance, notes = order_balance(blocks), []
    if len(blocks) == 1:
        notes.append(
            "One block only: the result holds for that day, and nothing says how far it repeats on another one."
        )
    if not balance.drift_cancels:
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

    def record(self) -> dict[str, Any]:
        """Return the run for plan.json."""
        times = {name: t.isoformat() if (t := getattr(self, name)) else None for name in ("start", "end")}
        return {**asdict(self), "files": list(self.files), **times}


def designs(campaign: Campaign) -> tuple[Design, ...]:
    """Return the designs that are compared: four usual ones, and the declared one."""
    ids = (campaign.baseline.id, *(c.id for c in campaign.configurations if c.role != "baseline"))
    planning = campaign.plan
    sizes = [(3, 1), (4, 1), (6, 1), (3, 2)]
    if planning.blocks is not None and (planning.blocks, planning.runs_per_block) not in sizes:
        sizes[-1] = (planning.blocks, planning.runs_per_block)
    return tuple(Design(ids, b, r, planning.repeat_baseline) for b, r in sorted(sizes))


def planned_runs(
    campaign: Campaign, design: Design, seed: int, issued: dict[str, Any] | None
) -> tuple[PlannedRun, ...]:
    """Return all runs of the plan in the order of driving: those of the plan issued, else those of the file and further blocks."""
    if issued is not None:
        return tuple(_issued(campaign, run) for run in issued["runs"])
    runs = [_of_file(campaign, number) for number in range(len(campaign.runs))]
    blocks = list(dict.fromkeys(run.block for run in runs))
    orders = block_orders(design.configurations, design.blocks, design.repeats, np.random.default_rng(seed))
    closing = design.configurations[:1] if design.closing else ()
    for number in range(len(blocks), design.blocks):
        name = next(n for i in range(number + 1, number + 99) if (n := f"day-{i}") not in blocks)
        blocks.append(name)
        runs += _block(campaign, name, (*orders[number], *closing))
    return tuple(runs)


def _block(campaign: Campaign, block: str, order: Order) -> Iterator[PlannedRun]:
    driven: Counter[str] = Counter()
    for position, configuration in enumerate(order, 1):
        driven[configuration] += 1
        again = f"-{driven[configuration]}" if order.count(configuration) > 1 else ""
        yield replace(_new(campaign, f"{block}-{configuration}{again}", configuration, block), position=position)


def _of_file(campaign: Campaign, number: int) -> PlannedRun:
    run = campaign.runs[number]
    block = run.block or "no-block"
    position = 1 + sum((other.block or "no-block") == block for other in campaign.runs[:number])
    return PlannedRun(run.id, run.configuration, block, position, run.files, done=_there(campaign, run.files))


def _issued(campaign: Campaign, run: dict[str, Any]) -> PlannedRun:
    named = next((r for r in campaign.runs if r.id == run["id"]), None)
    files = tuple(run["files"]) if named is None else named.files
    place = (run["block"], run["position"])
    return PlannedRun(
        run["id"], run["configuration"], *place, files, done=named is not None and _there(campaign, files)
    )


def _there(campaign: Campaign, files: Sequence[str]) -> bool:
    return all((campaign.folder / file).is_file() for file in files)


def with_repeats(
    campaign: Campaign, design: Design, runs: Sequence[PlannedRun], lost: Collection[str]
) -> tuple[PlannedRun, ...]:
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
        again = _new(campaign, f"{run.id}-again", run.configuration, block)
        again = replace(again, files=tuple(beside(file, "again") for file in run.files))
        others = () if under_way else design.configurations[1:] if run.configuration == baseline else (baseline,)
        there = {r.configuration for r in made if r.block == block}
        extra = [_new(campaign, f"{block}-{c}", c, block) for c in others if c not in there]
        if not under_way:  # it may stand there already, as what another is compared with
            made = [r for r in made if r.id != f"{block}-{run.configuration}"]
        last = max((i for i, r in enumerate(made) if r.block == block), default=len(made) - 1)
        made[last + 1 : last + 1] = [again, *extra]
    place: Counter[str] = Counter()
    for i, run in enumerate(made):
        place[run.block] += 1
        made[i] = run if run.done else replace(run, position=place[run.block])
    return tuple(made)


def _new(campaign: Campaign, id: str, configuration: str, block: str) -> PlannedRun:
    suffix = ".csv" if not campaign.runs else "." + campaign.runs[0].files[0].rpartition("/")[2].partition(".")[2]
    return PlannedRun(id, configuration, block, 1, (f"logs/{id}{suffix}",))


def beside(file: str, word: str) -> str:
    """Return the name of another log with `word` added before the suffix."""
    folder, slash, name = file.rpartition("/")
    stem, dot, suffix = name.partition(".")
    return f"{folder}{slash}{stem}-{word}{dot}{suffix}"


def days_ahead(campaign: Campaign, today: dt.date) -> list[dt.date]:
    """Return the days on which may be driven, from tomorrow or the first day on.

    Raises DataError: no day is left.
    """
    planning = campaign.plan
    first = max(today + dt.timedelta(days=1), planning.first_day or today)
    last = planning.last_day or first + dt.timedelta(days=MOST_DAYS)
    days = [first + dt.timedelta(days=n) for n in range(min((last - first).days + 1, MOST_DAYS))]
    days = [day for day in days if not planning.weekdays or WEEK[day.weekday()] in planning.weekdays]
    if not days:
        what = f"no day is left: the last is {last}, and the next that may be driven on would be after it."
        raise DataError(what, file=campaign.given, where="plan.last_day", remedy="Set a later one, or more weekdays.")
    return days


def with_starts(campaign: Campaign, runs: Sequence[PlannedRun], windows: Sequence[DayWindow]) -> tuple[PlannedRun, ...]:
    """Return the runs with planned starts: each block on the next day whose stretches hold it.

    Raises DataError: too few days hold a block.
    """
    planning, made, left = campaign.plan, {}, list(windows)
    blocks = [b for b in dict.fromkeys(run.block for run in runs) if any(not r.done for r in runs if r.block == b)]
    for block in blocks:
        todo = [run for run in runs if run.block == block and not run.done]
        while left:
            starts = place(planning, len(todo), left.pop(0))
            if starts is not None:
                break
        else:
            raise _no_day(campaign, len(todo), blocks.index(block), len(blocks), windows)
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
    most = max((why for why in lost if why != "other hours"), key=lambda why: lost[why], default="the declared hours")
    what = (
        f"{count(blocks, 'block')} of {count(runs, 'run')} need a day each with {need:.1f} h that fit, and of "
        f"{count(len(windows), 'day')} only {held} {'has' if held == 1 else 'have'} them; most is lost to {most}."
    )
    remedy = "Widen plan.hours or the weather limits, set a later plan.last_day, or plan fewer runs in a block."
    return DataError(what, file=campaign.given, where="plan", remedy=remedy)


def order_sentences(runs: Sequence[PlannedRun]) -> tuple[str, ...]:
    """Return what the orders leave open, one sentence each; see `orders.order_notes`."""
    blocks = dict.fromkeys(run.block for run in runs)
    return order_notes([tuple(run.configuration for run in runs if run.block == block) for block in blocks])
