"""Which runs are driven when: orders, starts, what a campaign under way still needs."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from intake_report.campaign import Campaign, Planning
from intake_report.errors import DataError
from intake_report.formatting import count
from intake_report.plan.design import Design
from intake_report.plan.orders import Order, block_orders, order_notes
from intake_report.plan.window import DayWindow

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
        again = replace(_new(campaign, f"{run.id}-again", run.configuration, block), files=_again(run.files))
        beside = () if under_way else design.configurations[1:] if run.configuration == baseline else (baseline,)
        there = {r.configuration for r in made if r.block == block}
        extra = [_new(campaign, f"{block}-{c}", c, block) for c in beside if c not in there]
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


def _again(files: Sequence[str]) -> tuple[str, ...]:
    return tuple(beside(file, "again") for file in files)


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
