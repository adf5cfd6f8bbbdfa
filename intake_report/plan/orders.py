"""Which configuration is driven when.

Orders are Williams designs (each configuration once at every position, each follows each other equally often) or, with
several runs of a configuration in one block, a sequence and its mirror image (a linear drift cancels).
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from intake_report.errors import DataError

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
