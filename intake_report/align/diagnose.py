"""Why a run does not cover the route: reversed, half a route, another route."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from intake_report.align.fixes import fixes_of
from intake_report.align.match import match
from intake_report.align.model import Finding, RoutePath, Run
from intake_report.align.position import Located
from intake_report.align.settings import AlignSettings


def reverse(path: RoutePath) -> RoutePath:
    """Return the path driven the other way."""
    return replace(path, x=path.x[::-1].copy(), y=path.y[::-1].copy(), s=path.length - path.s[::-1])


def diagnose(run: Run, located: Located, path: RoutePath, settings: AlignSettings) -> Located:
    """Return the located run with the reason why it covers less of the route than it should, if it does.

    A run that drove the route backwards or another route is named and taken off the route; one that covers part of the
    route keeps that part.
    """
    located = _beside(located)
    route = settings.route
    covered = sum(b - a for a, b in located.covered) / path.length
    if covered >= route.least_coverage or any(finding.hard for finding in located.findings):
        return located
    fixes = fixes_of(run, settings.channels, (path.latitude, path.longitude))
    way = float(fixes.driven[-1] - fixes.driven[0])
    backward = match(fixes, reverse(path), route)
    node_way = fixes.driven[backward.node]
    on = np.isfinite(backward.s)
    both = on[1:] & on[:-1]
    against = float(np.diff(node_way)[both].sum())
    along = sum(b - a for a, b in located.covered)
    if against > 0.5 * way and against > 2 * along:
        text = f"The run drove the route in reverse: {against:.0f} m of {way:.0f} m against its direction."
        return _off(located, Finding("reversed", text, hard=True))
    if along < 0.2 * way:
        text = f"The run is on another route: {along:.0f} m of the {way:.0f} m driven lie on this one."
        return _off(located, Finding("wrong-route", text, hard=True))
    parts = ", ".join(f"{a:.0f}–{b:.0f} m" for a, b in located.covered)
    text = f"The run covers {covered:.0%} of the route ({parts} of {path.length:.0f} m)."
    return replace(located, findings=(*located.findings, Finding("part-of-route", text, hard=False)))


def _beside(located: Located) -> Located:
    """Name a run that lies to one side of the path throughout; a lane is about 3.5 m wide (common practice)."""
    if len(located.cross_track) < 20:
        return located
    low, middle, high = np.quantile(located.cross_track.to_numpy(dtype=np.float64), [0.25, 0.5, 0.75])
    if min(abs(low), abs(high)) < 4.0 or abs(middle) < 6.0 or low * high < 0:
        return located
    side = "left" if middle > 0 else "right"
    text = f"The run lies {abs(middle):.0f} m to the {side} of the path: another carriageway, or the route in reverse."
    return replace(located, findings=(*located.findings, Finding("beside-path", text, hard=False)))


def _off(located: Located, finding: Finding) -> Located:
    return replace(
        located,
        distance=located.distance * np.nan,
        on_route=np.zeros_like(located.on_route),
        cross_track=located.cross_track.iloc[:0],
        covered=(),
        detours=(),
        findings=(finding,),
        notes=(),
    )
