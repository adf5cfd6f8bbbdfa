"""Vehicle speed against GPS speed: scale, lag, distance by both, and the drift between two clocks.

Checks flag; they alter nothing.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from intake_report.clean.model import CleanRun, CrossCheck, FloatArray, interpolate, not_possible

_MOST = 20_000  # points compared
_SEARCH = 15.0  # s; longer lags are a wrong start time, not a lag
_SCALE_LIMIT = 0.05  # common practice: speedometers read high, the diagnostic speed within a few per cent
_LAG_LIMIT = 2.0  # s
_T95 = {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571}  # two-sided 95 % of Student's t, GUM table G.2
_DRIFT_LIMIT = 100.0  # parts per million; a quartz clock keeps some tens (common practice)


def lag_and_scale(
    time: FloatArray, speed: FloatArray, reference_time: FloatArray, reference: FloatArray
) -> tuple[float, float, float]:
    """Lag and scale of `speed` against a reference speed, by least squares.

    Parameters
    ----------
    time, speed : ndarray, (n,)
        Samples [s, km/h].
    reference_time, reference : ndarray, (m,)
        Samples [s, km/h].

    Returns
    -------
    lag, scale, residual
        `speed(t + lag) = scale * reference(t)`: a positive lag means that `speed` comes later [s]; root mean square
        residual [km/h]. NaN with fewer than 30 common samples or without change of speed.
    """
    stride = max(1, time.size // _MOST)
    t, v = time[::stride], speed[::stride]
    nothing = (float("nan"), float("nan"), float("nan"))
    if t.size < 30 or reference.size < 30 or np.ptp(v) < 10.0 or np.ptp(reference) < 10.0:
        return nothing
    # One set of samples for all lags, or the best lag would be the one with the fewest samples.
    inside = (t - _SEARCH >= reference_time[0]) & (t + _SEARCH <= reference_time[-1])
    if np.count_nonzero(inside) < 30:
        return nothing
    t, v = t[inside], v[inside]

    def residual(lag: float) -> tuple[float, float]:
        g = np.interp(t - lag, reference_time, reference)
        scale = float(v @ g) / max(float(g @ g), 1e-12)
        return float(np.sqrt(np.mean((v - scale * g) ** 2))), scale

    step = 0.25
    lags = np.arange(-_SEARCH, _SEARCH + step / 2, step)
    errors = np.array([residual(float(lag))[0] for lag in lags])
    k = int(np.argmin(errors))
    lag = float(lags[k])
    if 0 < k < lags.size - 1:
        # The square of the residual is a parabola near its least value.
        a, b, c = errors[k - 1 : k + 2] ** 2
        bend = a - 2.0 * b + c
        lag += step * float(0.5 * (a - c) / bend) if bend > 0 else 0.0
    error, scale = residual(lag)
    return lag, scale, error


def speed_against_gps(run: CleanRun) -> CrossCheck:
    """Compare vehicle speed with GPS speed: scale, lag, residual."""
    name, channels = "speed-against-gps", ("speed", "gps_speed")
    if not all(run.has(c) for c in channels):
        return not_possible(name, channels, "the run has not both vehicle speed and GPS speed")
    speed, gps = run.good("speed"), run.good("gps_speed")
    lag, scale, error = lag_and_scale(_times(speed), speed.to_numpy(), _times(gps), gps.to_numpy())
    if not np.isfinite(scale):
        return not_possible(name, channels, "too few common samples, or the speed hardly changes")
    # Two channels cannot be timed against each other to much better than their sampling.
    limit = max(_LAG_LIMIT, run.sampling["speed"].interval, run.sampling["gps_speed"].interval)
    flagged = abs(scale - 1.0) > _SCALE_LIMIT or abs(lag) > limit
    extra = ""
    for factor, unit in ((1.609344, "km/h labelled mph"), (1 / 1.609344, "mph labelled km/h"), (3.6, "km/h for m/s")):
        if abs(scale / factor - 1.0) < 0.05:
            extra = f"; the ratio is that of {unit}"
    return CrossCheck(
        name,
        channels,
        "flagged" if flagged else "agrees",
        {"scale": scale, "lag_s": lag, "residual_kmh": error},
        f"vehicle speed reads {100 * (scale - 1):+.1f} % of GPS speed and comes {lag:+.1f} s later (residual"
        f" {error:.1f} km/h){extra}",
    )


def distance(run: CleanRun, channel: str) -> float:
    """Integrate a speed channel by trapezoids, leaving out pauses longer than its limit [m]."""
    speed = run.good(channel)
    if speed.size < 2:
        return float("nan")
    t, v = _times(speed), speed.to_numpy()
    steps = np.diff(t)
    middle = 0.5 * (v[1:] + v[:-1]) / 3.6
    bridged = steps <= run.gap_limit(channel)
    return float(np.sum((steps * middle)[bridged]))


def distance_by_both(run: CleanRun) -> CrossCheck:
    """Compare the distance from vehicle speed with that from GPS speed, over the time that both cover."""
    name, channels = "distance-by-both", ("speed", "gps_speed")
    if not all(run.has(c) for c in channels):
        return not_possible(name, channels, "the run has not both vehicle speed and GPS speed")
    speed, gps = run.good("speed"), run.good("gps_speed")
    t = np.union1d(_times(speed), _times(gps))
    v = interpolate(_times(speed), speed.to_numpy(), t, run.gap_limit("speed"))
    g = interpolate(_times(gps), gps.to_numpy(), t, run.gap_limit("gps_speed"))
    both = np.isfinite(v) & np.isfinite(g)
    pair = both[1:] & both[:-1]
    steps = np.diff(t)
    by_speed = float(np.sum((steps * 0.5 * (v[1:] + v[:-1]))[pair])) / 3.6
    by_gps = float(np.sum((steps * 0.5 * (g[1:] + g[:-1]))[pair])) / 3.6
    if by_gps < 500.0:
        return not_possible(name, channels, f"only {by_gps:.0f} m are covered by both")
    ratio = by_speed / by_gps
    return CrossCheck(
        name,
        channels,
        "flagged" if abs(ratio - 1.0) > _SCALE_LIMIT else "agrees",
        {"speed_m": by_speed, "gps_m": by_gps, "ratio": ratio},
        f"{by_speed / 1000:.2f} km by vehicle speed, {by_gps / 1000:.2f} km by GPS speed over the same time"
        f" ({100 * (ratio - 1):+.1f} %)",
    )


def clock_drift(log_clock: FloatArray, gps_clock: FloatArray) -> tuple[float, float, float]:
    """Offset and drift of a log's own clock against GPS time, by a robust line.

    Parameters
    ----------
    log_clock, gps_clock : ndarray, (n,)
        The same instants by both clocks [s].

    Returns
    -------
    offset, drift, spread
        `log - gps` at the first instant [s]; drift [parts per million, positive: the log's clock is fast]; median
        absolute deviation from the line [s]. NaN with fewer than three instants. Theil-Sen slope: up to 29 % of
        wrong stamps (late writes) leave it alone.
    """
    both = np.isfinite(log_clock) & np.isfinite(gps_clock)
    x, y = gps_clock[both], (log_clock - gps_clock)[both]
    if x.size < 3 or np.ptp(x) == 0.0:
        return float("nan"), float("nan"), float("nan")
    at = np.unique(np.linspace(0, x.size - 1, min(x.size, 400)).astype(int))
    xs, ys = x[at] - x[0], y[at]
    i, j = np.triu_indices(xs.size, 1)
    apart = xs[j] != xs[i]
    slope = float(np.median((ys[j] - ys[i])[apart] / (xs[j] - xs[i])[apart]))
    offset = float(np.median(ys - slope * xs))
    spread = float(np.median(np.abs(ys - slope * xs - offset)))
    return offset, slope * 1e6, spread


def drift_from_speed(run: CleanRun, parts: int = 4) -> CrossCheck:
    """Drift between the clocks behind vehicle speed and GPS speed: change of the lag from part to part of the run."""
    name, channels = "clock-drift", ("speed", "gps_speed")
    if not all(run.has(c) for c in channels):
        return not_possible(name, channels, "the run has not both vehicle speed and GPS speed")
    speed, gps = run.good("speed"), run.good("gps_speed")
    t, v = _times(speed), speed.to_numpy()
    edges = np.linspace(t[0], t[-1], parts + 1)
    middles, lags = [], []
    for begin, end in pairwise(edges.tolist()):
        part = slice(*np.searchsorted(t, (begin, end)))
        lag = lag_and_scale(t[part], v[part], _times(gps), gps.to_numpy())[0]
        if np.isfinite(lag):
            middles.append(0.5 * (begin + end))
            lags.append(lag)
    if len(lags) < 3:
        return not_possible(name, channels, "fewer than three parts of the run show a lag")
    x, y = np.array(middles), np.array(lags)
    slope, offset = np.polyfit(x, y, 1)
    scatter = float(np.sqrt(np.sum((y - slope * x - offset) ** 2) / (len(lags) - 2)))
    error = scatter / float(np.sqrt(np.sum((x - x.mean()) ** 2)))
    drift = float(slope) * 1e6
    # A drift is flagged when it exceeds what a quartz clock may do by more than its own uncertainty.
    flagged = abs(drift) - _T95.get(len(lags) - 2, 2.5) * error * 1e6 > _DRIFT_LIMIT
    return CrossCheck(
        name,
        channels,
        "flagged" if flagged else "agrees",
        {"drift_ppm": drift, "standard_error_ppm": error * 1e6, "first_lag_s": float(y[0]), "last_lag_s": float(y[-1])},
        f"the lag between vehicle and GPS speed goes from {y[0]:+.1f} s to {y[-1]:+.1f} s over the run: drift"
        f" {drift:+.0f} ± {error * 1e6:.0f} parts per million",
    )


def _times(series: pd.Series) -> FloatArray:
    """Return the index of a series as seconds."""
    return np.asarray(series.index, dtype=np.float64)


DRIFT = 100.0  # ppm; a quartz clock keeps 50 ppm (common practice), and 100 ppm are 0.15 s in 25 minutes
JUMP = 1.0  # s; scatter of the difference beyond which the stamps were not taken together


def clock_against_gps(run: CleanRun) -> CrossCheck:
    """Drift of the log's own clock against GPS time, where the log holds both."""
    name, channels = "clock-against-gps", ("gps_time",)
    if not run.has("gps_time"):
        return not_possible(name, channels, "the log has no GPS time")
    stamps = run.good("gps_time")
    _, drift, spread = clock_drift(_times(stamps), stamps.to_numpy(dtype=np.float64))
    if not np.isfinite(drift):
        return not_possible(name, channels, "fewer than three GPS times")
    gained = drift * 1e-6 * float(np.ptp(stamps.to_numpy(dtype=np.float64)))
    flagged = abs(drift) > DRIFT or spread > JUMP
    evidence = (
        f"the log's clock gains {gained:+.2f} s on GPS time over the run ({drift:+.0f} ppm), "
        f"with a scatter of {spread:.2f} s about that"
    )
    numbers = {"drift_ppm": drift, "gained_s": gained, "spread_s": spread}
    return CrossCheck(name, channels, "flagged" if flagged else "agrees", numbers, evidence)
