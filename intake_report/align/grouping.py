"""Groups of points on a line, none wider than a given width."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from intake_report.align.model import Floats


def group(at: Floats, width: float) -> NDArray[np.intp]:
    """Return the group of each point, numbered along the line.

    Parameters
    ----------
    at : ndarray, shape (n,)
        Positions [m].
    width : float
        Largest extent of a group [m].

    Notes
    -----
    The window that holds most points is a group, then the fullest of the rest, and so on: a queue along a street does not chain
    two junctions together, and a junction is not cut where its stops are densest. Of windows equally full the narrowest
    counts. Time grows with points times groups.
    """
    label = np.full(len(at), -1, dtype=np.intp)
    order = np.argsort(at, kind="stable")
    rest = order
    begins: list[tuple[float, int]] = []
    while len(rest):
        s = at[rest]
        last = np.searchsorted(s, s + width, side="right")
        count = last - np.arange(len(s))
        full = np.flatnonzero(count == count.max())
        i = int(full[np.argmin(s[last[full] - 1] - s[full])])
        label[rest[i : last[i]]] = len(begins)
        begins.append((float(s[i]), len(begins)))
        rest = np.concatenate([rest[:i], rest[last[i] :]])
    rank = np.empty(len(begins), dtype=np.intp)
    for place, (_, which) in enumerate(sorted(begins)):
        rank[which] = place
    return rank[label] if len(at) else label
