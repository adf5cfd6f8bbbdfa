"""The runs of a planned campaign, in the order of driving and in the form of the campaign file."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from intake_report.errors import DataError
from intake_report.plan.orders import Order, OrderBalance, block_orders, order_balance

_IDENTIFIER = re.compile(r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")


@dataclass(frozen=True)
class PlannedRun:
    """One run to be driven: its id, what is fitted, in which block, and at which position of it (from 1)."""

    id: str
    configuration: str
    block: str
    position: int


@dataclass(frozen=True)
class CampaignPlan:
    """Blocks with their orders, the runs in the order of driving, the balance and the method in words."""

    baseline: str
    blocks: tuple[Order, ...]
    runs: tuple[PlannedRun, ...]
    balance: OrderBalance
    method: str
    notes: tuple[str, ...]


def plan_campaign(
    configurations: Sequence[str],
    baseline: str,
    blocks: int,
    *,
    repeats: int = 1,
    block_names: Sequence[str] | None = None,
    rng: np.random.Generator | None = None,
) -> CampaignPlan:
    """Plan the runs of a campaign.

    Parameters
    ----------
    configurations : sequence of str
        Ids; all are driven in every block.
    baseline : str
        One of them.
    blocks, repeats, rng
        As in `block_orders`.
    block_names : sequence of str, optional
        Ids of the blocks; "block-1", "block-2" … when not given.

    Returns
    -------
    CampaignPlan

    Raises
    ------
    DataError
        If an id cannot stand in a campaign file, the baseline is not among the configurations, or numbers disagree.
    """
    names = tuple(block_names) if block_names is not None else tuple(f"block-{k + 1}" for k in range(blocks))
    for what, ids in (("configuration", configurations), ("block", names)):
        for id in ids:
            if not _IDENTIFIER.match(id):
                raise DataError(
                    f"“{id}” cannot be the id of a {what}.",
                    remedy="Use letters, digits, “_”, “.” and “-”, beginning with a letter or digit.",
                )
    if len(names) != blocks or len(set(names)) != len(names):
        raise DataError(
            f"{len(set(names))} different block names for {blocks} blocks.", remedy="Name every block once."
        )
    if baseline not in configurations:
        raise DataError(
            f"the baseline “{baseline}” is not among the configurations.",
            remedy=f"They are {', '.join(configurations)}.",
        )
    orders = block_orders(configurations, blocks, repeats, rng)
    runs = []
    for name, order in zip(names, orders, strict=True):
        counts: Counter[str] = Counter()
        for position, configuration in enumerate(order, start=1):
            counts[configuration] += 1
            suffix = f"-{counts[configuration]}" if repeats > 1 else ""
            runs.append(PlannedRun(f"{name}-{configuration}{suffix}", configuration, name, position))
    balance = order_balance(orders)
    method = "Williams design" if repeats == 1 else "sequences of a Williams design, each followed by its mirror image"
    if rng is not None:
        method += ", places and blocks drawn at random"
    return CampaignPlan(baseline, orders, tuple(runs), balance, method, _notes(orders, balance, repeats))


def _notes(orders: Sequence[Order], balance: OrderBalance, repeats: int) -> tuple[str, ...]:
    notes = []
    if len(orders) == 1:
        notes.append(
            "One block only: the result holds for that day, and nothing says how far it repeats on another one."
        )
    if not balance.drift_cancels:
        means = ", ".join(f"{name} {mean:.2f}" for name, mean in balance.mean_position)
        notes.append(f"A drift within the day does not cancel: mean positions are {means}.")
    elif not balance.position_balanced and repeats == 1:
        notes.append("A linear drift within the day cancels, one that bends does not.")
    if not balance.carry_over_balanced:
        notes.append("Some configurations follow each other more often than others: let the vehicle cool between runs.")
    if balance.repeats:
        notes.append(
            f"{balance.repeats} times a configuration follows itself: take it off and fit it again, or the scatter of "
            "fitting is missing from the runs."
        )
    return tuple(notes)


def plan_text(plan: CampaignPlan, *, folder: str = "logs", suffix: str = ".csv") -> str:
    """Return the runs of a plan in the form of the campaign file, in the order of driving.

    Parameters
    ----------
    plan : CampaignPlan
        Planned runs.
    folder, suffix : str
        Where the logs will be, relative to the campaign file, and how their names end.

    Returns
    -------
    str
        `[[run]]` tables with id, configuration, block and files, to be pasted.
    """
    lines = [f"# {plan.method}; drive in this order."]
    lines += [f"# {note}" for note in plan.notes]
    for run in plan.runs:
        values = (
            ("id", run.id),
            ("configuration", run.configuration),
            ("block", run.block),
        )
        lines += ["", "[[run]]", *(f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in values)]
        lines.append(f"files = [{json.dumps(f'{folder}/{run.id}{suffix}', ensure_ascii=False)}]")
    return "\n".join(lines) + "\n"
