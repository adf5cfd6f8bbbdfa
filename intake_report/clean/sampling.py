"""True samples: which rows of a log carry a fresh reading and which repeat the last one.

Loggers that poll one channel at a time often write a full row each time, with the last value of every other channel.
Counting rows as samples would then overstate what is known by the length of the polling cycle. The evidence is the
pattern of the changes: where a channel is refreshed every tenth row, all its changes fall on one row in ten, also
when it changes rarely.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from intake_report.clean.model import BoolArray, FloatArray, IntArray
from intake_report.clean.reduction import Decision, shift_at

_SPARSE = 0.2  # share of empty places between first and last sample: the reader gave the channel its own times
_FREQUENT = 20  # changes from which a channel can show its own period
_EXACT = 0.97  # share of change spacings that are multiples of an exact period
_JITTER_SHARE = 0.9  # share of change spacings near a multiple of a period that is not locked to the rows
_JITTER_LEAST = 8  # rows; shorter periods with one row of jitter cannot be told from every-row sampling
_LEAPS = 0.3  # share of changes by more than one step from which spacings tell of refreshes, not of a ramp
_OWNED = 0.97  # share of a channel's changes that must fall on its own places in the polling cycle
_FULL_SCAN = 400_000  # rows up to which every row is examined; longer logs are examined in windows
_WINDOWS = 16
_WINDOW = 8_000  # rows
_LONGEST = 2_000  # rows; longer periods are not looked for


@dataclass(frozen=True)
class Pattern:
    """What the changes of all channels say about the log.

    Parameters
    ----------
    decisions : dict
        By channel.
    slips : ndarray, (k, 2)
        Rows from which the polling cycle is displaced, and by how many rows in all (lost or repeated rows).
    """

    decisions: dict[str, Decision]
    slips: IntArray = field(default_factory=lambda: np.zeros((0, 2), dtype=np.intp))


@dataclass(frozen=True)
class _Seen:
    """Changes of one channel inside the examined windows."""

    rows: IntArray  # absolute row of each change
    spacings: IntArray  # rows between changes of one window
    leaps: float  # share of changes larger than 1.5 times the smallest usual one
    interior: int  # examined rows between first and last sample


def find_pattern(columns: Mapping[str, FloatArray]) -> Pattern:
    """Tell from the pattern of changes how each channel is refreshed.

    Parameters
    ----------
    columns : mapping of str to ndarray, (n,)
        Values of one row group in file order, NaN = no sample; each has a sample.

    Returns
    -------
    Pattern
        One decision per channel, and the rows where the polling cycle slips.
    """
    seen = {name: _changes(values) for name, values in columns.items()}
    periods = {name: _own_period(changes) for name, changes in seen.items()}
    cycle = _polling_cycle(seen, periods)
    if cycle > 1:
        slips, decisions = _cycle_decisions(columns, seen, cycle)
        return Pattern(decisions, slips)
    return Pattern(_period_decisions(seen, periods))


def row_groups(columns: Mapping[str, FloatArray], whole: Container[str]) -> list[tuple[list[str], IntArray | None]]:
    """Group the channels that are written in the same rows; their pattern is sought in those rows only.

    A log can hold the rows of several sources between each other (a polling logger and a position receiver); counting
    all rows would hide the polling cycle of one behind the rows of the other.

    Parameters
    ----------
    columns : mapping of str to ndarray, (n,)
        Values, NaN = no sample.
    whole : container of str
        Names of the channels that have a sample in every row.

    Returns
    -------
    list of (names, rows)
        `rows` None: every row. Channels that are alone in their rows come without a group: they have own sample times.
    """
    full: list[str] = []
    dense: list[str] = []
    alike: dict[bytes, list[str]] = {}
    present: dict[str, BoolArray] = {}
    for name, values in columns.items():
        if name in whole:
            full.append(name)
            continue
        mask = ~np.isnan(values)
        at = np.flatnonzero(mask)
        present[name] = mask
        if at.size == 0:
            continue
        if at.size >= (1.0 - _SPARSE) * (at[-1] - at[0] + 1):
            dense.append(name)
        else:
            # Beginnings and ends differ where channels appear one after another.
            quarter = values.size // 4
            key = np.packbits(mask[quarter : values.size - quarter]).tobytes()
            alike.setdefault(key, []).append(name)
    groups: list[tuple[list[str], IntArray | None]] = []
    if full:
        groups.append((full + dense, None))
    elif dense:
        some = np.logical_or.reduce([present[name] for name in dense])
        groups.append((dense, None if some.all() else np.flatnonzero(some)))
    groups += [
        (names, np.flatnonzero(np.logical_or.reduce([present[name] for name in names])))
        for names in alike.values()
        if len(names) > 1
    ]
    return groups


OWN_TIMES = Decision("own-times", 1, (), "the channel has sample times of its own; every value counts as one sample")


def _windows(rows: int) -> list[tuple[int, int]]:
    """Row ranges that are examined."""
    if rows <= _FULL_SCAN:
        return [(0, rows)]
    starts = np.linspace(0, rows - _WINDOW, _WINDOWS).astype(int)
    return [(int(a), int(a) + _WINDOW) for a in starts]


def _changes(values: FloatArray, whole: bool = False) -> _Seen:
    """Collect the rows where a value differs from the row before (empty places carry the last value on)."""
    rows: list[IntArray] = []
    spacings: list[IntArray] = []
    sizes: list[FloatArray] = []
    interior = 0
    for start, stop in [(0, values.size)] if whole else _windows(values.size):
        part = values[start:stop]
        present = np.flatnonzero(~np.isnan(part))
        if present.size < 2:
            continue
        step = np.diff(part[present])
        at = np.flatnonzero(step)
        rows.append(present[at + 1] + start)
        spacings.append(np.diff(present[at + 1]))
        sizes.append(np.abs(step[at]))
        interior += int(present[-1] - present[0])
    size = np.concatenate(sizes) if sizes else np.zeros(0)
    leaps = float(np.mean(size > 1.5 * np.quantile(size, 0.05))) if size.size else 0.0
    empty = np.zeros(0, dtype=np.intp)
    return _Seen(
        np.concatenate(rows) if rows else empty, np.concatenate(spacings) if spacings else empty, leaps, interior
    )


def _own_period(changes: _Seen) -> tuple[int, bool]:
    """Refresh period that a channel's own changes show.

    Returns
    -------
    period, exact
        Period [rows] (0 = cannot be seen) and whether the changes are locked to it.
    """
    spacing = changes.spacings
    if spacing.size < _FREQUENT:
        return 0, False
    counts = np.bincount(np.minimum(spacing, _LONGEST + 1))[: _LONGEST + 1]
    usual = np.flatnonzero(counts >= max(3.0, 0.05 * spacing.size))
    if usual.size == 0:
        return 0, False
    least = int(usual[0])
    if least == 1:
        return 1, True
    if _multiples(spacing, least) and counts[least] >= 0.15 * spacing.size:
        return least, True
    if least >= _JITTER_LEAST and changes.leaps >= _LEAPS:
        near = spacing[spacing <= 1.5 * least]
        period = float(np.mean(near))
        off = np.abs(spacing - np.round(spacing / period) * period)
        tolerance = np.maximum(1.5, 0.1 * period * np.sqrt(np.maximum(spacing / period, 1.0)))
        if np.mean(off <= tolerance) >= _JITTER_SHARE and near.size >= 0.3 * spacing.size:
            return round(period), False
    return (1, True) if counts[:3].sum() >= 0.02 * spacing.size else (0, False)


def _multiples(spacings: IntArray, period: int) -> bool:
    """Whether the spacings are multiples of `period`, but for a few that span lost rows."""
    return bool(np.count_nonzero(spacings % period) <= max(2.0, (1.0 - _EXACT) * spacings.size))


def _various(spacings: IntArray, period: int) -> bool:
    """Whether many spacings are different multiples of `period`: no ramp does that by chance."""
    counts = np.bincount(np.minimum(spacings // period, 100))
    return bool(spacings.size >= 50 and np.count_nonzero(counts >= 2) >= 3)


def _polling_cycle(seen: Mapping[str, _Seen], periods: Mapping[str, tuple[int, bool]]) -> int:
    """Length of the polling cycle [rows] when each row refreshes at most one channel; 1 when there is none."""
    exact = [(p, seen[name].rows.size) for name, (p, locked) in periods.items() if locked and p > 1]
    if not exact or len(seen) < 2:
        return 1
    candidates = sorted({p for p, _ in exact}, key=lambda p: (-sum(n for q, n in exact if q == p), p))
    # A row that refreshes two channels shows as two changes; a polling log has none or nearly none.
    rows = np.concatenate([changes.rows for changes in seen.values()])
    alone = np.unique(rows, return_counts=True)[1]
    if np.mean(alone == 1) < 0.95:
        return 1
    for cycle in candidates:
        if all(_confined(changes, cycle) for changes in seen.values() if changes.rows.size >= _FREQUENT):
            return cycle
    return 1


def _confined(changes: _Seen, cycle: int) -> bool:
    """Whether the spacings of a channel show that its changes keep to some places of the cycle only.

    Spacings rather than rows are tested, since one lost row displaces all later rows.
    """
    if cycle < 2 or changes.spacings.size == 0:
        return False
    if _multiples(changes.spacings, cycle):
        return True
    # Several places in the cycle: the differences between k places leave remainders unused, or its changes do.
    place = np.bincount(changes.rows % cycle, minlength=cycle) / changes.rows.size
    return bool(np.count_nonzero(place > 0.02) <= max(1, cycle // 2))


def _cycle_decisions(
    columns: Mapping[str, FloatArray], seen: Mapping[str, _Seen], cycle: int
) -> tuple[IntArray, dict[str, Decision]]:
    """Place every channel in the polling cycle, following the cycle over lost rows."""
    single = {
        name: changes
        for name, changes in seen.items()
        if changes.spacings.size >= 2 and np.mean(changes.spacings % cycle == 0) >= 0.9
    }
    # A slip can lie between two examined windows: the channels that change most often are then followed all the way.
    if any(values.size > _FULL_SCAN for values in columns.values()):
        busiest = sorted(single, key=lambda name: -single[name].rows.size)[:3]
        single |= {name: _changes(columns[name], whole=True) for name in busiest}
    slips, places = _follow(single, cycle)
    result: dict[str, Decision] = {}
    taken = {place for name, place in places.items() if seen[name].rows.size >= _FREQUENT}
    owned: set[int] = set(taken)
    for name, changes in seen.items():
        first = int(np.flatnonzero(~np.isnan(columns[name]))[0])
        evidence = changes.rows if first == 0 else np.append(first, changes.rows)
        if name in places and changes.rows.size >= _FREQUENT:
            own: tuple[int, ...] = (places[name],)
        else:
            own = _places((evidence - shift_at(slips, evidence)) % cycle, cycle, taken)
        owned.update(own)
        if not own:
            continue
        count = changes.rows.size
        how = f"its {count} changes fall on" if count else "it first appears on"
        where = "one row" if len(own) == 1 else f"{len(own)} rows"
        result[name] = Decision(
            "cycle", cycle, own, f"rows repeat the last value: {how} {where} in {cycle}; those rows are its samples"
        )
    free = [k for k in range(cycle) if k not in owned]
    for name in seen:
        if name not in result:
            place = free.pop(0) if free else 0
            result[name] = Decision(
                "cycle",
                cycle,
                (place,),
                f"it never changes, so its refreshes cannot be seen; one row in {cycle} is kept,"
                " the polling cycle of the other channels",
            )
    return slips, result


def _places(phases: IntArray, cycle: int, taken: set[int]) -> tuple[int, ...]:
    """Places in the cycle that the phases of a channel's changes show, the earliest evidence first.

    One change can lie beside a lost row and show the wrong place, so a place needs three, or is the best there is.
    """
    counts = np.bincount(phases, minlength=cycle)
    if counts.sum() > counts[sorted(taken)].sum():
        counts[sorted(taken)] = 0
    if not counts.any():
        return ()
    sure = np.flatnonzero((counts >= 3) & (counts >= 0.2 * counts.max()) & (counts >= 0.02 * counts.sum()))
    if sure.size:
        return tuple(int(k) for k in sure)
    best = np.flatnonzero(counts == counts.max())
    return (int(next(p for p in phases if p in best)),)


def _follow(single: Mapping[str, _Seen], cycle: int) -> tuple[IntArray, dict[str, int]]:
    """Find where the cycle slips and the place of each channel in it.

    Changes of the channels with one place each vote, in order of rows, for the displacement of the cycle; a
    displacement that holds for a whole run of votes is a slip, a lone vote is not.
    """
    none = np.zeros((0, 2), dtype=np.intp)
    if not single:
        return none, {}
    # Places from the start of the log, before any slip: the first changes of each channel, by majority.
    names = list(single)
    rows = np.concatenate([single[name].rows for name in names])
    who = np.repeat(np.arange(len(names)), [single[name].rows.size for name in names])
    order = np.argsort(rows, kind="stable")
    rows, who = rows[order], who[order]
    lead = max(names, key=lambda name: single[name].rows.size)
    base = _settle(single[lead].rows % cycle, single[lead].rows, cycle)
    place: dict[str, int] = {}
    for name in names:
        phase = (single[name].rows - shift_at(base, single[name].rows)) % cycle
        place[name] = int(np.bincount(phase, minlength=cycle).argmax())
    expected = np.array([place[name] for name in names])
    displaced = (rows - expected[who]) % cycle
    slips = _settle(displaced, rows, cycle)
    return slips, place


def _settle(phase: IntArray, rows: IntArray, cycle: int) -> IntArray:
    """Turn a sequence of phases into (row, displacement) from the first lasting phase on."""
    edges = np.flatnonzero(np.diff(phase)) + 1
    starts = np.concatenate(([0], edges))
    lengths = np.diff(np.append(starts, phase.size))
    lasting = lengths >= 5
    if not lasting.any():
        return np.zeros((0, 2), dtype=np.intp)
    slips: list[tuple[int, int]] = []
    current = first = int(phase[starts[lasting][0]])
    for start in starts[lasting]:
        value = int(phase[start])
        if value != current:
            slips.append((int(rows[start]), (value - first) % cycle))
            current = value
    return np.array(slips, dtype=np.intp).reshape(-1, 2)


def _period_decisions(seen: Mapping[str, _Seen], periods: Mapping[str, tuple[int, bool]]) -> dict[str, Decision]:
    """Decide for logs without a polling cycle, channel by channel."""
    # A slow reading that ramps changes at even spacings too, but always by one step: only leaps show a refresh.
    own = {
        name: p if p == 1 or seen[name].leaps >= _LEAPS or (locked and _various(seen[name].spacings, p)) else 0
        for name, (p, locked) in periods.items()
    }
    known = [p for p in own.values() if p > 0]
    result: dict[str, Decision] = {}
    for name, changes in seen.items():
        period = own[name]
        if period == 1:
            result[name] = Decision("every-row", 1, (), "its value changes from row to row; every row is a sample")
        elif period > 1:
            result[name] = Decision(
                "period",
                period,
                (),
                f"rows repeat the last value: changes lie multiples of {period} rows apart; one sample"
                " per change and per such interval without a change",
            )
        else:
            result[name] = _unseen(changes, known)
    return result


def _unseen(changes: _Seen, known: Sequence[int]) -> Decision:
    """Decide for a channel that changes too seldom to show its refreshes."""
    if not known:
        return Decision("unseen", 1, (), "no channel changes often enough to show how rows are refreshed; rows kept")
    longest = max(known)
    if longest == 1:
        return Decision(
            "every-row",
            1,
            (),
            "it changes too seldom to show its refreshes; every row is kept, as for the other channels",
        )
    held = [p for p in set(known) if p > 1]
    if 1 in known and changes.spacings.size >= 6:
        # Changes of a channel that is refreshed in every row fall anywhere; chance alone rarely keeps them on one
        # place.
        if not any(np.mean(changes.spacings % p == 0) >= _OWNED for p in held):
            return Decision("every-row", 1, (), "its changes keep to no refresh interval of the other channels")
        longest = max(p for p in held if np.mean(changes.spacings % p == 0) >= _OWNED)
    return Decision(
        "period",
        longest,
        (),
        f"it changes too seldom to show its refreshes; one sample per change and per {longest} rows is"
        " kept, the longest refresh interval seen in this log",
    )
