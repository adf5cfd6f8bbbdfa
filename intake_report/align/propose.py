"""Propose phases from the speed that the runs share, in the form of the campaign file."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from intake_report.align.grid import grid_by_place
from intake_report.align.model import Alignment, Floats
from intake_report.align.settings import PhaseKind, PhaseSettings

STEP = 50.0  # m
REACH = 1000.0  # m about the shared beginning of the highway in which each run's rise is sought


def propose_phases(
    alignment: Alignment, highway: float = 80.0, city: float = 50.0, least: float = 1000.0
) -> tuple[PhaseSettings, ...]:
    """Return city, ramp and highway stretches that cover the route.

    Parameters
    ----------
    alignment : Alignment
        Aligned runs.
    highway : float
        Speed at or above which the runs' median speed is highway driving [km/h].
    city : float
        Speed below which a rise towards the highway begins [km/h].
    least : float
        Shortest highway or city stretch [m]; a shorter one joins its neighbours.

    Notes
    -----
    The speed of a place is the median over runs of the mean speed through its cell. A ramp is where the runs rise from below
    `city` to `highway`: it begins where nine runs in ten have not yet begun to, and ends 200 m after nine in ten have
    arrived, so that each run's highway entry lies in it. The thresholds are choices of this package: look at the
    proposal before using it.
    """
    from scipy.ndimage import median_filter

    grid = grid_by_place(alignment, step=STEP)
    speed = grid.speed()
    some = np.isfinite(speed).any(axis=0)
    if not some.any():
        return ()
    shared = np.full(speed.shape[1], np.nan)
    shared[some] = np.nanmedian(speed[:, some], axis=0)
    shared = np.interp(grid.centres, grid.centres[some], shared[some])
    smooth = median_filter(shared, size=7, mode="nearest")
    fast = _drop_short(smooth >= highway, int(least / STEP))
    edges = [0, *(np.flatnonzero(np.diff(fast.astype(int))) + 1).tolist(), len(fast)]
    out: list[PhaseSettings] = []
    begin = 0.0
    for i, j in pairwise(edges):
        if not fast[i]:
            continue
        ramp, entry = _ramp(speed, grid.edges, i, highway, city)
        ramp, entry = max(ramp, begin), min(entry, float(grid.edges[j]))
        if ramp > begin:
            out.append(_phase(out, "city", begin, ramp))
        if entry > ramp:
            out.append(_phase(out, "ramp", ramp, entry))
        begin = float(grid.edges[j])
        if begin > entry:
            out.append(_phase(out, "highway", entry, begin))
    if begin < grid.edges[-1]:
        out.append(_phase(out, "city", begin, float(grid.edges[-1])))
    return tuple(out)


def _ramp(speed: Floats, edges: Floats, i: int, highway: float, city: float) -> tuple[float, float]:
    """Return where the ramp towards the highway cell `i` begins and ends [m], from speed (runs, cells)."""
    if i == 0:
        return 0.0, 0.0
    reach = int(REACH / STEP)
    begins, ends = [], []
    for row in speed:
        part = row[max(i - reach, 0) : i + reach]
        slow, fast = part < city, part >= highway
        held = fast[:-2] & fast[1:-1] & fast[2:]
        arrived = np.flatnonzero(held[1:] & ~fast[:-3]) + 1
        if len(arrived) == 0:
            continue
        before = np.flatnonzero(slow[: arrived[0]])
        begins.append((before[-1] + 1 if len(before) else 0) + max(i - reach, 0))
        ends.append(arrived[0] + max(i - reach, 0))
    if not begins:
        return float(edges[max(i - 6, 0)]), float(edges[i])
    begin, end = (int(np.quantile(cells, share)) for cells, share in ((begins, 0.1), (ends, 0.9)))
    return float(edges[begin]), float(min(edges[end] + 200.0, edges[-1]))


def _drop_short(mask: np.ndarray, least: int) -> np.ndarray:
    """Return the mask with runs of either kind shorter than `least` cells joined to their neighbours, highway first."""
    mask = mask.copy()
    for kind in (False, True):
        edges = [0, *(np.flatnonzero(np.diff(mask.astype(int))) + 1).tolist(), len(mask)]
        for i, j in pairwise(edges):
            inner = i > 0 and j < len(mask)
            if mask[i] == kind and j - i < least and (inner or kind):
                mask[i:j] = not kind
    return mask


def _phase(before: Sequence[PhaseSettings], kind: PhaseKind, start: float, end: float) -> PhaseSettings:
    count = sum(phase.kind == kind for phase in before) + 1
    return PhaseSettings(kind if count == 1 else f"{kind}-{count}", kind, start, end)


def phases_as_text(phases: Sequence[PhaseSettings]) -> str:
    """Return phases as entries of the campaign file (TOML)."""
    blocks = [
        f'[[route.phase]]\nid = "{phase.name}"\nkind = "{phase.kind}"\n'
        f'start = "{phase.from_m:.0f} m"\nend = "{phase.to_m:.0f} m"\n'
        for phase in phases
    ]
    return "\n".join(blocks)
