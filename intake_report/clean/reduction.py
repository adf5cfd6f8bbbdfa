"""Reduction of repeated rows to true samples, once it is known how a channel is refreshed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from intake_report.clean.faults import has_gaps
from intake_report.clean.model import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Decision:
    """How a channel's true samples were told from repeats.

    Parameters
    ----------
    kind : str
        "own-times", "every-row", "cycle" (a place in a polling cycle of rows), "period" (refreshed about every `period`
        rows, not locked to them), "unseen" (no evidence: rows kept as they are).
    period : int
        Rows from one refresh to the next cycle; 1 for every row.
    places : tuple of int
        Places in the cycle (kind "cycle").
    reason : str
        One sentence.
    """

    kind: str
    period: int
    places: tuple[int, ...]
    reason: str


def shift_at(slips: IntArray, rows: IntArray) -> IntArray:
    """Displacement of the polling cycle at `rows` (m,) [rows]."""
    if slips.shape[0] == 0:
        return np.zeros(rows.size, dtype=np.intp)
    shifts = np.concatenate(([0], slips[:, 1]))
    return shifts[np.searchsorted(slips[:, 0], rows, side="right")]


def true_samples(values: FloatArray, decision: Decision, slips: IntArray) -> BoolArray | None:
    """Mark the rows that carry a true sample.

    Parameters
    ----------
    values : ndarray, (n,)
        Values in file order.
    decision : Decision
        How the channel is refreshed.
    slips : ndarray, (k, 2)
        Slips of the polling cycle.

    Returns
    -------
    ndarray of bool, (n,), or None
        None: every value is a sample.
    """
    if decision.period <= 1 or decision.kind not in ("cycle", "period"):
        return None
    gaps = has_gaps(values)
    present = np.flatnonzero(~np.isnan(values)) if gaps else None
    known = values if present is None else values[present]
    changed = np.flatnonzero(known[1:] != known[:-1]) + 1
    first, last = (0, values.size - 1) if present is None else (int(present[0]), int(present[-1]))
    if present is not None:
        changed = present[changed]
    # A change is a refresh wherever it falls; the first row is one only when the channel appears there.
    anchors = changed if first == 0 and changed.size else np.concatenate(([first], changed))
    keep = np.zeros(values.size, dtype=np.bool_)
    if decision.kind == "cycle":
        edges = [0, *(int(row) for row in slips[:, 0]), values.size]
        shifts = [0, *(int(by) for by in slips[:, 1])]
        for begin, end, shift in zip(edges[:-1], edges[1:], shifts, strict=True):
            for place in decision.places:
                keep[begin + (place + shift - begin) % decision.period : end : decision.period] = True
        keep[changed if first == 0 else anchors] = True
    else:
        keep[anchors] = True
        keep[fill_in(anchors, first, last, decision.period)] = True
    if gaps:
        keep &= ~np.isnan(values)
    if not keep.any():
        keep[first] = True
    return keep


def fill_in(anchors: IntArray, first: int, last: int, period: int) -> IntArray:
    """Rows of the refreshes that brought no change: evenly between the anchors, at the period before and after them."""
    gaps = np.diff(anchors)
    missing = np.maximum(np.round(gaps / period).astype(np.intp) - 1, 0)
    total = int(missing.sum())
    index = np.arange(total) - np.repeat(np.cumsum(missing) - missing, missing) + 1
    share = index / (np.repeat(missing, missing) + 1)
    between = np.repeat(anchors[:-1], missing) + np.round(share * np.repeat(gaps, missing)).astype(np.intp)
    before = np.arange(anchors[0] - period, first - 1, -period)[::-1]
    after = np.arange(anchors[-1] + period, last + 1, period)
    return np.concatenate((before, between, after)).astype(np.intp)
