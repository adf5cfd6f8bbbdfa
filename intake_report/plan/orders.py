"""Planning a campaign: which configuration is driven when, and what the planned runs can show.

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

_SEARCHED = 20_000  # subsets of sequences that are compared before a plain cycle is taken instead


@dataclass(frozen=True)
class OrderBalance:
    """How even an order is.

    Parameters
    ----------
    mean_position : tuple of (str, float)
        Configuration and the mean of its positions within blocks; equal means cancel a linear drift.
    positions : tuple of (str, tuple of int)
        Configuration and how often it is driven first, second …
    follows : tuple of (str, str, int)
        How often the second comes directly after the first within a block.
    drift_cancels, position_balanced, carry_over_balanced : bool
        Equal mean positions; equal counts at every position; every ordered pair of different configurations equally
        often.
    repeats : int
        How often a configuration directly follows itself, so that nothing is refitted between two runs.
    """

    mean_position: tuple[tuple[str, float], ...]
    positions: tuple[tuple[str, tuple[int, ...]], ...]
    follows: tuple[tuple[str, str, int], ...]
    drift_cancels: bool
    position_balanced: bool
    carry_over_balanced: bool
    repeats: int


def williams(configurations: Sequence[str]) -> tuple[Order, ...]:
    """Return the sequences of a Williams design.

    Parameters
    ----------
    configurations : sequence of str, shape (k,)
        Two or more, all different.

    Returns
    -------
    tuple of tuple of str
        k sequences for even k, 2k for odd k. Each configuration stands equally often at every position, and directly
        follows each other one equally often (once for even k, twice for odd k).

    Raises
    ------
    DataError
        If there are fewer than two, or one is named twice.

    Notes
    -----
    E. J. Williams, Australian Journal of Scientific Research A 2 (1949) 149: first row 0, 1, k−1, 2, k−2 …, the others
    by adding 1 modulo k; for odd k also the mirror images.
    """
    _check_configurations(configurations)
    k = len(configurations)
    # 0, 1, k-1, 2, k-2 …
    first = [(step + 1) // 2 if step % 2 else (k - step // 2) % k for step in range(k)]
    rows = [tuple(configurations[(index + shift) % k] for index in first) for shift in range(k)]
    if k % 2:
        rows += [row[::-1] for row in rows]
    return tuple(rows)


def _check_configurations(configurations: Sequence[str]) -> None:
    if len(configurations) < 2:
        raise DataError("a comparison needs two configurations or more.", remedy="Name the baseline and a candidate.")
    twice = [name for name, count in Counter(configurations).items() if count > 1]
    if twice:
        raise DataError(f"the configuration “{twice[0]}” is named twice.", remedy="Name each once.")


def order_balance(blocks: Sequence[Order]) -> OrderBalance:
    """Return how even the orders of `blocks` are.

    Parameters
    ----------
    blocks : sequence of tuple of str
        Configurations of each block in the order of driving.
    """
    names = list(dict.fromkeys(itertools.chain.from_iterable(blocks)))
    longest = max((len(block) for block in blocks), default=0)
    positions = {name: [0] * longest for name in names}
    follows = Counter({(a, b): 0 for a in names for b in names if a != b})
    repeats = 0
    for block in blocks:
        for index, name in enumerate(block):
            positions[name][index] += 1
        for pair in itertools.pairwise(block):
            if pair[0] == pair[1]:
                repeats += 1
            else:
                follows[pair] += 1
    mean = {
        name: sum((index + 1) * count for index, count in enumerate(counts)) / sum(counts)
        for name, counts in positions.items()
    }
    return OrderBalance(
        mean_position=tuple(mean.items()),
        positions=tuple((name, tuple(counts)) for name, counts in positions.items()),
        follows=tuple((a, b, count) for (a, b), count in follows.items()),
        drift_cancels=max(mean.values(), default=0.0) - min(mean.values(), default=0.0) < 1e-9,
        position_balanced=len({tuple(counts) for counts in positions.values()}) <= 1
        and all(len(set(counts)) == 1 for counts in positions.values()),
        carry_over_balanced=len(set(follows.values())) <= 1,
        repeats=repeats,
    )


def block_orders(
    configurations: Sequence[str], blocks: int, repeats: int = 1, rng: np.random.Generator | None = None
) -> tuple[Order, ...]:
    """Return the order of each block.

    Parameters
    ----------
    configurations : sequence of str
        All are driven in every block.
    blocks : int
        Days or sessions, 1 or more.
    repeats : int
        Runs of each configuration in a block.
    rng : numpy.random.Generator, optional
        Draws which configuration takes which place of the design and which block which sequence; without it the orders
        are the systematic ones.

    Returns
    -------
    tuple of tuple of str
        With one run each: sequences of the Williams design, the subset that is best balanced by position and then by
        what follows what. With several: a sequence and its mirror image in turn, so ABBA for two.

    Raises
    ------
    DataError
        If a number is below 1 or the configurations are not right.
    """
    for number, what in ((blocks, "blocks"), (repeats, "runs of each configuration in a block")):
        if number < 1:
            raise DataError(f"{number} {what} are too few.", remedy="Plan at least one.")
    _check_configurations(configurations)
    names = list(configurations)
    if rng is not None:
        names = [names[index] for index in rng.permutation(len(names))]
    sequences = williams(names)
    chosen = list(sequences) * (blocks // len(sequences)) + list(_best_subset(sequences, blocks % len(sequences)))
    if rng is not None:
        chosen = [chosen[index] for index in rng.permutation(len(chosen))]
    return tuple(
        tuple(itertools.chain.from_iterable(row[:: 1 if turn % 2 == 0 else -1] for turn in range(repeats)))
        for row in chosen
    )


def _best_subset(sequences: tuple[Order, ...], size: int) -> tuple[Order, ...]:
    if size == 0:
        return ()
    if math.comb(len(sequences), size) > _SEARCHED:
        return sequences[:size]
    return min(itertools.combinations(sequences, size), key=_unevenness)


def _unevenness(blocks: Sequence[Order]) -> tuple[float, float, float]:
    """Return drift, position and carry-over unevenness; the sums of squares are least when counts are equal."""
    balance = order_balance(blocks)
    means = [mean for _, mean in balance.mean_position]
    return (
        round(max(means) - min(means), 9),
        float(sum(count**2 for _, counts in balance.positions for count in counts)),
        float(sum(count**2 for _, _, count in balance.follows)),
    )
