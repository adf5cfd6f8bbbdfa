"""Physical junctions of a drive, found from its own turning angle and position: nothing of the alignment is used."""

import math
from functools import cache

import numpy as np

EARTH = 6371008.8  # m, mean radius (IUGG); a sphere will do over a few hundred metres


@cache
def track(run) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Time, east, north and way [m] at fixes that are 15 m and more apart."""
    time = run.frame.index.to_numpy()
    lat, lon = run.frame["latitude"].to_numpy(), run.frame["longitude"].to_numpy()
    x = np.radians(lon - 7.0) * EARTH * np.cos(np.radians(51.57))
    y = np.radians(lat - 51.57) * EARTH
    kept = [0]
    for i in range(1, len(x)):
        if math.hypot(x[i] - x[kept[-1]], y[i] - y[kept[-1]]) > 15.0:
            kept.append(i)
    x, y = x[kept], y[kept]
    return time[kept], x, y, np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])


@cache
def headings(run) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Way, east, north [m] and heading [rad] at the middles of the chords between fixes."""
    _, x, y, way = track(run)
    return (way[1:] + way[:-1]) / 2, (x[1:] + x[:-1]) / 2, (y[1:] + y[:-1]) / 2, np.arctan2(np.diff(x), np.diff(y))


def turns(run, least: float, within: float = 250.0) -> list[tuple[float, float, float, float]]:
    """East, north, middle heading [rad] and angle [°] of every turn by `least` degrees or more within `within` metres."""
    way, x, y, heading = headings(run)
    grid = np.arange(way[0], way[-1], 10.0)
    smooth = np.interp(grid, way, np.unwrap(heading))
    half = int(within / 20)
    turned = np.degrees(smooth[2 * half :] - smooth[: -2 * half])
    size = abs(turned)
    out = []
    for k in range(1, len(turned) - 1):
        if size[k] >= least and size[k] >= size[max(k - half, 0) : k + half + 1].max() and size[k] > size[k - 1]:
            at = grid[k + half]
            middle = (smooth[k] + smooth[k + 2 * half]) / 2
            out.append((np.interp(at, way, x), np.interp(at, way, y), middle, turned[k]))
    return out


def crossing(run, east: float, north: float, middle: float, angle: float, near: float = 150.0) -> float | None:
    """Way at which the run, near a place, turns through a heading in the sense of `angle`; None if it does not."""
    way, x, y, heading = headings(run)
    off = np.degrees(np.angle(np.exp(1j * (heading - middle)))) * np.sign(angle)
    turned = (off[:-1] < 0) & (off[1:] >= 0) & (np.diff(off) < 120) & (np.hypot(x - east, y - north)[:-1] < near)
    if not turned.any():
        return None
    k = int(np.argmax(turned))
    return float(way[k] - off[k] / (off[k + 1] - off[k]) * (way[k + 1] - way[k]))


def junction(runs, place: tuple[float, float, float, float], span: float = 250.0) -> dict[str, float]:
    """Way at which each run passes a junction, by fitting the course of its heading to that of all runs together.

    One crossing rests on two chords of up to 100 m; the fit rests on all chords within `span` metres.
    """
    east, north, middle, angle = place
    data = {}
    for run in runs:
        at = crossing(run, east, north, middle, angle)
        if at is not None:
            way, _, _, heading = headings(run)
            near = abs(way - at) < span
            data[run.run] = (way[near] - at, np.degrees(np.angle(np.exp(1j * (heading[near] - middle)))), at)
    shift = dict.fromkeys(data, 0.0)
    grid = np.arange(-span, span + 1, 25.0)
    tries = np.arange(-80.0, 81.0, 2.0)
    for _ in range(4):
        u = np.concatenate([data[n][0] + shift[n] for n in data])
        turned = np.concatenate([data[n][1] for n in data])
        course = [np.median(turned[abs(u - g) < 25]) if (abs(u - g) < 25).any() else np.nan for g in grid]
        for n, (un, pn, _) in data.items():
            miss = [np.nanmean(np.abs(pn - np.interp(un + move, grid, course))) for move in tries]
            shift[n] = float(tries[int(np.argmin(miss))])
        centre = float(np.median(list(shift.values())))
        shift = {n: d - centre for n, d in shift.items()}
    return {n: at - shift[n] for n, (_, _, at) in data.items()}


def at_way(run, way: float, series) -> float:
    """Value of a series by time where the run has come `way` metres, interpolated by way: time at a stop has none."""
    time, _, _, mine = track(run)
    return float(np.interp(way, mine, np.interp(time, series.index.to_numpy(), series.to_numpy())))
