"""True samples: which rows of a log carry a fresh reading, and which repeat the last one, as loggers that poll write.

The evidence is the pattern of the changes: where a channel is refreshed every tenth row, all its changes fall on one
row in ten, also when it changes rarely.
"""

from collections.abc import Container, Mapping
from typing import NamedTuple

import numpy as np

from intake_report.clean.model import Columns, FloatArray, IntArray
from intake_report.messages import Count, Message, message

# Every limit below is a choice of this package, settled on polled, held and free-running logs made for its tests (exact
# reduction in tests/clean/test_sampling.py) and on 49 real drives of two loggers.

# How a channel is written
_SPARSE = 0.2  # share of empty places between first and last sample: the reader gave the channel its own times
# Which rows are examined
_FULL_SCAN = 400_000  # rows up to which every row is examined; longer logs are examined in windows
_WINDOWS, _WINDOW = 16, 8_000  # number of them, rows of each
_LONGEST = 2_000  # rows; longer periods are not looked for
_FOLLOWED = 3  # channels that change most, followed over every row of a long log, since a slip may lie between windows
# A channel's own period
_FREQUENT = 20  # changes from which a channel can show its own period
_USUAL, _USUAL_SHARE = 3, 0.05  # a spacing is usual when it occurs so often, and makes up such a share of all
_LEAST_SHARE = 0.15  # share of the shortest usual spacing itself: else it is chance
_EXACT, _STRAYS = 0.97, 2  # share of spacings that are multiples of an exact period; so many may span lost rows anyhow
_EVERY_ROW_SHARE = 0.02  # share of spacings of one or two rows that only a channel refreshed in every row has
_BIG_STEP, _SMALL = 1.5, 0.05  # a change is a leap beyond so many times the smallest usual one, the 5 % quantile
_LEAPS = 0.3  # share of leaps from which spacings tell of refreshes, not of a ramp
_VARIOUS, _MULTIPLES, _SEEN_TWICE = 50, 3, 2  # spacings, and different multiples seen twice, that no ramp has by chance
# A period that is not locked to the rows
_JITTER_LEAST = 8  # rows; shorter periods with one row of jitter cannot be told from every-row sampling
_JITTER_SHARE = 0.9  # share of change spacings near a multiple of it
_JITTER_ROWS, _JITTER_PART = 1.5, 0.1  # tolerance: rows, and part of the period times the root of the multiple
_NEXT, _NEXT_SHARE = 1.5, 0.3  # spacings below so many times the shortest span one period; their least share of all
# The polling cycle
_ALONE = 0.95  # share of changes that are alone in their row: a polling log refreshes one channel a row
_ONE_PLACE = 0.9  # share of spacings that are multiples of the cycle: the channel has one place in it
_NOISE_SHARE = 0.02  # share of a channel's changes below which a place in the cycle is not its own
_PLACE, _PLACE_PART = 3, 0.2  # changes that make a place sure, also as part of those on the busiest place
_LASTING = 5  # changes in a row that agree on a displacement of the cycle: a slip; fewer are stray
# Channels without evidence of their own, beside others
_KEPT_TO, _OWNED = 6, 0.97  # spacings, and the share of them that keep to a period, which chance rarely gives


class Decision(NamedTuple):
    """How a channel's true samples were told from repeats."""

    reason: Message  # with its code
    period: int = 1  # rows of the polling cycle, or, without places, about which the samples lie apart
    places: tuple[int, ...] = ()  # in the cycle at which they lie


OWN_TIMES = Decision(message("the channel has sample times of its own; every value counts as one sample", "own-times"))
_NO_SLIPS = np.zeros((0, 2), dtype=np.intp)


class _Changes(NamedTuple):
    """Changes of one channel inside the examined windows."""

    rows: IntArray  # absolute row of each change
    spacings: IntArray  # rows between changes of one window
    leaps: float  # share of leaps


def row_groups(columns: Columns, whole: Container[str]) -> list[tuple[list[str], IntArray | None]]:
    """Group the channels that are written in the same rows, with those rows (None: every row).

    A log can hold the rows of several sources between each other (a polling logger and a position receiver). Channels
    of `whole` have a sample in every row; those that are alone in their rows come without a group: they have own sample
    times.
    """
    full = [name for name in columns if name in whole]
    dense: list[str] = []
    alike: dict[bytes, list[str]] = {}
    present = {name: ~np.isnan(values) for name, values in columns.items() if name not in whole}
    for name, mask in present.items():
        at = np.flatnonzero(mask)
        if at.size and at.size >= (1.0 - _SPARSE) * (at[-1] - at[0] + 1):
            dense.append(name)
        elif at.size:
            quarter = mask.size // 4  # Beginnings and ends differ where channels appear one after another.
            alike.setdefault(np.packbits(mask[quarter : mask.size - quarter]).tobytes(), []).append(name)
    groups: list[tuple[list[str], IntArray | None]] = [(full + dense, None)] if full else []
    for names in ([dense] if dense and not full else []) + [names for names in alike.values() if len(names) > 1]:
        some = np.logical_or.reduce([present[name] for name in names])
        groups.append((names, None if some.all() else np.flatnonzero(some)))
    return groups


def find_pattern(columns: Columns) -> tuple[dict[str, Decision], IntArray]:
    """Tell how each channel of one row group (n,), NaN = no sample, is refreshed, and where its polling cycle slips.

    Slips (k, 2): rows from which the cycle is displaced, and by how many rows in all (lost or repeated rows).
    """
    changes = {name: _changes(values) for name, values in columns.items()}
    periods = {name: _own_period(own) for name, own in changes.items()}
    cycle = _polling_cycle(changes, periods)
    if cycle == 1:
        return _period_decisions(changes, periods), _NO_SLIPS
    slips, places = _follow(columns, changes, cycle)
    return _cycle_decisions(columns, changes, cycle, slips, places), slips


def _changes(values: FloatArray, whole: bool = False) -> _Changes:
    windows = [(0, values.size)]
    if values.size > _FULL_SCAN and not whole:
        windows = [(int(a), int(a) + _WINDOW) for a in np.linspace(0, values.size - _WINDOW, _WINDOWS).astype(int)]
    rows, spacings, sizes = [], [], []
    for start, stop in windows:
        part = values[start:stop]
        present = np.flatnonzero(~np.isnan(part))
        step = np.diff(part[present])
        at = np.flatnonzero(step)
        rows.append(present[at + 1] + start)
        spacings.append(np.diff(present[at + 1]))
        sizes.append(np.abs(step[at]))
    size = np.concatenate(sizes)
    leaps = float(np.mean(size > _BIG_STEP * np.quantile(size, _SMALL))) if size.size else 0.0
    return _Changes(np.concatenate(rows), np.concatenate(spacings), leaps)


def _own_period(changes: _Changes) -> tuple[int, bool]:
    """Return the refresh period that a channel's own changes show [rows] (0: none), and whether it is locked to rows."""
    spacing = changes.spacings
    if spacing.size < _FREQUENT:
        return 0, False
    counts = np.bincount(np.minimum(spacing, _LONGEST + 1))[: _LONGEST + 1]
    usual = np.flatnonzero(counts >= max(_USUAL, _USUAL_SHARE * spacing.size))
    if usual.size == 0:
        return 0, False
    least = int(usual[0])
    if least == 1:
        return 1, True
    if _multiples(spacing, least) and counts[least] >= _LEAST_SHARE * spacing.size:
        return least, True
    if least >= _JITTER_LEAST and changes.leaps >= _LEAPS:
        near = spacing[spacing <= _NEXT * least]
        period = float(np.mean(near))
        off = np.abs(spacing - np.round(spacing / period) * period)
        tolerance = np.maximum(_JITTER_ROWS, _JITTER_PART * period * np.sqrt(np.maximum(spacing / period, 1.0)))
        if np.mean(off <= tolerance) >= _JITTER_SHARE and near.size >= _NEXT_SHARE * spacing.size:
            return round(period), False
    return (1, True) if counts[:3].sum() >= _EVERY_ROW_SHARE * spacing.size else (0, False)


def _multiples(spacings: IntArray, period: int) -> bool:
    """Whether the spacings are multiples of `period`, but for a few that span lost rows."""
    return bool(np.count_nonzero(spacings % period) <= max(_STRAYS, (1.0 - _EXACT) * spacings.size))


def _polling_cycle(changes: Mapping[str, _Changes], periods: Mapping[str, tuple[int, bool]]) -> int:
    """Length of the polling cycle [rows] when each row refreshes at most one channel; 1 when there is none."""
    exact = [(p, changes[name].rows.size) for name, (p, locked) in periods.items() if locked and p > 1]
    if not exact or len(changes) < 2:
        return 1
    # A row that refreshes two channels shows as two changes; a polling log has none or nearly none.
    if np.mean(np.unique(np.concatenate([own.rows for own in changes.values()]), return_counts=True)[1] == 1) < _ALONE:
        return 1
    for cycle in sorted({p for p, _ in exact}, key=lambda p: (-sum(n for q, n in exact if q == p), p)):
        if all(_confined(own, cycle) for own in changes.values() if own.rows.size >= _FREQUENT):
            return cycle
    return 1


def _confined(changes: _Changes, cycle: int) -> bool:
    """Whether its spacings (one lost row displaces all later rows) show that a channel changes at some places of the cycle only."""
    if _multiples(changes.spacings, cycle):
        return changes.spacings.size > 0
    # Several places in the cycle: the differences between k places leave remainders unused, or its changes do.
    place = np.bincount(changes.rows % cycle, minlength=cycle) / changes.rows.size
    return bool(np.count_nonzero(place > _NOISE_SHARE) <= max(1, cycle // 2))


def _follow(columns: Columns, changes: Mapping[str, _Changes], cycle: int) -> tuple[IntArray, dict[str, int]]:
    """Find where the cycle slips and the place in it of each channel that has one.

    Changes of these channels vote, in order of rows; a displacement that holds for a whole run of votes is a slip.
    """
    several = ((name, own) for name, own in changes.items() if own.spacings.size >= 2)
    single = {name: own.rows for name, own in several if np.mean(own.spacings % cycle == 0) >= _ONE_PLACE}
    if not single:
        return _NO_SLIPS, {}
    if any(values.size > _FULL_SCAN for values in columns.values()):
        for name in sorted(single, key=lambda name: -single[name].size)[:_FOLLOWED]:
            single[name] = _changes(columns[name], whole=True).rows
    # Places from the start of the log, before any slip: the first changes of each channel, by majority.
    lead = single[max(single, key=lambda name: single[name].size)]
    base = _settle(lead % cycle, lead, cycle)
    phases = {name: (rows - shift_at(base, rows)) % cycle for name, rows in single.items()}
    place = {name: int(np.bincount(phase, minlength=cycle).argmax()) for name, phase in phases.items()}
    rows = np.concatenate(list(single.values()))
    expected = np.repeat(list(place.values()), [own.size for own in single.values()])
    order = np.argsort(rows, kind="stable")
    return _settle((rows - expected)[order] % cycle, rows[order], cycle), place


def _settle(phase: IntArray, rows: IntArray, cycle: int) -> IntArray:
    """Turn a sequence of phases into (row, displacement) from the first lasting phase on."""
    starts = np.concatenate(([0], np.flatnonzero(np.diff(phase)) + 1))
    starts = starts[np.diff(np.append(starts, phase.size)) >= _LASTING]
    values = phase[starts]
    slips = np.flatnonzero(np.diff(values)) + 1
    return _NO_SLIPS if slips.size == 0 else np.column_stack((rows[starts[slips]], (values[slips] - values[0]) % cycle))


def shift_at(slips: IntArray, rows: IntArray) -> IntArray:
    """Displacement of the polling cycle at `rows` (m,) [rows]."""
    return np.append(0, slips[:, 1])[np.searchsorted(slips[:, 0], rows, side="right")]


def _cycle_decisions(
    columns: Columns, changes: Mapping[str, _Changes], cycle: int, slips: IntArray, places: Mapping[str, int]
) -> dict[str, Decision]:
    result: dict[str, Decision] = {}
    taken = {place for name, place in places.items() if changes[name].rows.size >= _FREQUENT}
    owned: set[int] = set(taken)
    for name, own in changes.items():
        n = own.rows.size
        first = int(np.flatnonzero(~np.isnan(columns[name]))[0])
        evidence = own.rows if first == 0 else np.append(first, own.rows)
        at: tuple[int, ...] = (places.get(name, -1),)
        if name not in places or n < _FREQUENT:
            at = _places((evidence - shift_at(slips, evidence)) % cycle, cycle, taken)
        owned.update(at)
        if at:
            text = "rows repeat the last value: {how} {rows} in {cycle}; those rows are its samples"
            how = message("its {n} changes fall on", n=n) if n else "it first appears on"
            count = "one row" if len(at) == 1 else Count(len(at), "row")
            result[name] = Decision(message(text, "cycle", how=how, rows=count, cycle=cycle), cycle, at)
    free = [k for k in range(cycle) if k not in owned]
    text = "it never changes; one row in {cycle} is kept, the polling cycle of the other channels"
    reason = message(text, "cycle-assumed", cycle=cycle)
    rest = (name for name in changes if name not in result)
    return result | {name: Decision(reason, cycle, (free.pop(0) if free else 0,)) for name in rest}


def _places(phases: IntArray, cycle: int, taken: set[int]) -> tuple[int, ...]:
    """Return the places in the cycle that a channel's changes show, the earliest evidence first.

    One change can lie beside a lost row and show the wrong place, so a place needs several, or is the best there is.
    """
    counts = np.bincount(phases, minlength=cycle)
    if counts.sum() > counts[sorted(taken)].sum():
        counts[sorted(taken)] = 0
    if not counts.any():
        return ()
    sure = counts >= max(_PLACE, _PLACE_PART * counts.max(), _NOISE_SHARE * counts.sum())
    if sure.any():
        return tuple(np.flatnonzero(sure).tolist())
    return (next(p for p in phases.tolist() if counts[p] == counts.max()),)


def _period_decisions(changes: Mapping[str, _Changes], periods: Mapping[str, tuple[int, bool]]) -> dict[str, Decision]:
    own: dict[str, int] = {}
    for name, (period, locked) in periods.items():
        # A slow reading that ramps changes at even spacings too, but always by one step and not by many different multiples.
        multiples = np.bincount(np.minimum(changes[name].spacings // max(period, 1), _LONGEST))
        various = changes[name].spacings.size >= _VARIOUS and np.count_nonzero(multiples >= _SEEN_TWICE) >= _MULTIPLES
        own[name] = period if period == 1 or changes[name].leaps >= _LEAPS or (locked and various) else 0
    known = {p for p in own.values() if p > 0}
    result: dict[str, Decision] = {}
    for name, period in own.items():
        spacings, held = changes[name].spacings, known - {1}
        if 1 in known and spacings.size >= _KEPT_TO:
            # Changes of a channel that is refreshed in every row fall anywhere; chance rarely keeps them on one place.
            held = {p for p in held if np.mean(spacings % p == 0) >= _OWNED}
        code, rows = "every-row", max(period, 1)
        if period == 1:
            text = "its value changes from row to row; every row is a sample"
        elif period > 1:
            code = "period"
            text = (
                "rows repeat the last value: changes lie multiples of {period} rows apart; one sample per change and "
                "per such interval without a change"
            )
        elif not known:
            code, text = "unseen", "no channel changes often enough to show how rows are refreshed; rows kept"
        elif known == {1}:
            code = "every-row-assumed"
            text = "it changes too seldom to show its refreshes; every row is kept, as for the other channels"
        elif not held:
            text = "its changes keep to no refresh interval of the other channels"
        else:
            code, rows = "period-assumed", max(held)
            text = (
                "it changes too seldom to show its refreshes; one sample per change and per {period} rows is kept, "
                "the longest refresh interval seen in this log"
            )
        result[name] = Decision(message(text, code, period=rows) if rows > 1 else message(text, code), rows)
    return result


def true_samples(values: FloatArray, decision: Decision, slips: IntArray) -> IntArray | None:
    """Return the rows of `values` (n,), not all NaN, that carry a true sample; None where every value is one."""
    if decision.period <= 1:
        return None
    # the least is faster than asking each
    present = np.flatnonzero(~np.isnan(values)) if np.isnan(np.min(values)) else None
    known = values if present is None else values[present]
    changed = np.flatnonzero(known[1:] != known[:-1]) + 1
    first, last = 0, values.size - 1
    if present is not None:
        first, last, changed = int(present[0]), int(present[-1]), present[changed]
    # A change is a refresh wherever it falls; the first row is one only when the channel appears there.
    anchors = changed if first == 0 and changed.size else np.concatenate(([first], changed))
    keep = np.zeros(values.size, dtype=np.bool_)
    keep[changed if decision.places and first == 0 else anchors] = True
    if decision.places:
        edges = [0, *slips[:, 0].tolist(), values.size]
        for begin, end, shift in zip(edges[:-1], edges[1:], [0, *slips[:, 1].tolist()], strict=True):
            for place in decision.places:
                keep[begin + (place + shift - begin) % decision.period : end : decision.period] = True
    else:
        keep[_between(anchors, first, last, decision.period)] = True
    if present is not None:
        keep &= ~np.isnan(values)
    keep[first] |= not keep.any()
    return np.flatnonzero(keep)


def _between(anchors: IntArray, first: int, last: int, period: int) -> IntArray:
    """Rows of the refreshes that brought no change: evenly between the anchors, at the period before and after them."""
    gaps = np.diff(anchors)
    missing = np.maximum(np.round(gaps / period).astype(np.intp) - 1, 0)
    index = np.arange(int(missing.sum())) - np.repeat(np.cumsum(missing) - missing, missing) + 1
    share = index / (np.repeat(missing, missing) + 1)
    inner = np.repeat(anchors[:-1], missing) + np.round(share * np.repeat(gaps, missing)).astype(np.intp)
    before = np.arange(anchors[0] - period, first - 1, -period)[::-1]
    return np.concatenate((before, inner, np.arange(anchors[-1] + period, last + 1, period))).astype(np.intp)
