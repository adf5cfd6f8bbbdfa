"""Pull the path of one run to where all runs drove."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from intake_report.align.centreline import centreline
from intake_report.align.fixes import fixes_of, has_position
from intake_report.align.model import RoutePath, Run
from intake_report.align.path import build_path, spaced
from intake_report.align.position import locate
from intake_report.align.settings import ChannelNames, RouteSettings


def refine(
    path: RoutePath, runs: Sequence[Run], settings: RouteSettings, channels: ChannelNames, most: int = 40
) -> tuple[RoutePath, int]:
    """Return the path through the fixes of all runs pooled by route distance, and the number of runs used.

    A path from one run cuts the bends between its fixes and follows its lane changes; the runs together do not. With fewer than
    three runs the path is returned unchanged; of more than `most`, as many spread over them are used.
    """
    step = max(1, math.ceil(len(runs) / most))
    s, x, y = [], [], []
    for run in runs[::step]:
        if not has_position(run, channels):
            continue
        located = locate(run, path, settings, channels)
        if any(finding.hard for finding in located.findings) or not located.on_route.any():
            continue
        fixes = fixes_of(run, channels, (path.latitude, path.longitude))
        time = located.distance.index.to_numpy(dtype=np.float64)
        at = np.interp(fixes.time, time, located.distance.to_numpy(dtype=np.float64))
        known = np.isfinite(at)
        s.append(at[known])
        x.append(fixes.x[known])
        y.append(fixes.y[known])
    if len(s) < 3:
        return path, len(s)
    px, py = centreline(
        np.concatenate(s), np.concatenate(x), np.concatenate(y), lap=path.length if path.closed else None
    )
    keep = spaced(px, py, settings.spacing)
    return build_path(px[keep], py[keep], (path.latitude, path.longitude), settings, closed=path.closed), len(s)
