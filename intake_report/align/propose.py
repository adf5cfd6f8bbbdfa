"""Propose phases from the speed that the runs share, in the form of the campaign file."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from intake_report.align.grid import grid_by_place
from intake_report.align.model import Alignment
from intake_report.align.settings import PhaseKind, PhaseSettings

STEP = 50.0  # m


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
    The speed of a place is the median over runs of the mean speed through its cell. A ramp is the rise from the last place slower
    than `city` to the first highway place, at most 1500 m. The thresholds are choices of this package: look at the
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
        entry = float(grid.edges[i])
        slow = np.flatnonzero(smooth[:i] < city)
        ramp = float(grid.edges[slow[-1] + 1]) if len(slow) else begin
        ramp = min(max(ramp, entry - 1500.0, begin), entry)
        if i > 0 and entry - ramp < 2 * STEP:
            ramp = max(entry - 300.0, begin)
        if ramp > begin:
            out.append(_phase(out, "city", begin, ramp))
        if entry > ramp:
            out.append(_phase(out, "ramp", ramp, entry))
        begin = float(grid.edges[j])
        out.append(_phase(out, "highway", entry, begin))
    if begin < grid.edges[-1]:
        out.append(_phase(out, "city", begin, float(grid.edges[-1])))
    return tuple(out)


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
