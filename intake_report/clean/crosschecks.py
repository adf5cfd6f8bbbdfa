"""Cross checks of a cleaned run: one channel against another, a weather record, or physics. They flag, never alter."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from itertools import pairwise
from types import MappingProxyType

import numpy as np
import pandas as pd

from intake_report.channels import CHANNELS
from intake_report.clean.masks import RUNNING
from intake_report.clean.model import BoolArray, CleanRun, CrossCheck, FloatArray, interpolate
from intake_report.clean.temperatures import temperature_unit
from intake_report.messages import Listing, Message, Value, message

# Limits: common practice of the trade where no other source is given.
_MOST = 20_000  # points compared
_LEAST, _FEW, _FIRST = 30, 5, 5  # common samples of two speeds; samples of a median; readings before the first start
_STILL = 1.0  # km/h or rpm below which the vehicle or the engine stands
_SEARCH, _LAG_STEP = 15.0, 0.25  # s; longer lags are a wrong start time, not a lag
_LEAST_CHANGE = 10.0  # km/h of change without which a speed has no lag
_LEAST_DRIVEN = 500.0  # m covered by both speeds
_SCALE_LIMIT = 0.05  # speedometers read high, the diagnostic speed within a few per cent
_LAG_LIMIT = 2.0  # s
_T95 = {1: 12.706, 2: 4.303}  # two-sided 95 % of Student's t by degrees of freedom, GUM table G.2
_PARTS, _DRIFT_LIMIT = 4, 100.0  # parts of a run whose lags show a drift; ppm: a quartz clock keeps 50
_JUMP_LIMIT = 1.0  # s; scatter of the difference beyond which the stamps were not taken together
_CLOCK_POINTS = 400  # instants of a log that a drift is taken from
_STATION_GAP = 2.0 * 3600.0  # s; station reports are half an hour or an hour apart
_AT_SPEED, _REST = 60.0, 30.0  # km/h, s: above and after these the ambient sensor is at speed, at rest
_AMBIENT_LIMIT, _REST_LIMIT = 3.0, 2.0  # K: sensor against a record at speed, further rise while standing
_SOAK_SPREAD, _SOAK_LIMIT = 5.0, 3.0  # K: coolant against ambient after a soak long enough to compare sensors; the pair
_NO_SENSOR = -39.5  # °C; readings at or below mean that there is no sensor
_PRESSURE_LIMIT, _STOPPED = 3.0, 2.0  # kPa; s with the engine stopped until the manifold is at the air's pressure
_AIR = 287.058  # J/(kg K), dry air
# Airflow labels seen in logs, in g/s per unit at 1.2 kg/m³ where the label is a volume flow.
_AIRFLOW_UNITS = {"g/s": 1.0, "kg/h": 1.0 / 3.6, "lb/min": 7.559872833, "l/s": 1.2, "m³/h": 1.2 / 3.6, "cfm": 0.566337}
_FILLING = (0.35, 1.15)  # airflow over manifold density x displacement, warm; exhaust recirculation halves it
_PETROL = (745.0, 14.7)  # g/l and stoichiometric air-fuel ratio, as commonly used by logging software
_MIXTURE = (0.9, 1.1)  # air-fuel ratio over the stoichiometric one
_DRAWING, _BURNING = 1000.0, 0.05  # rpm and g/s of fuel above which they are: not idle, not on the overrun
_LEAST_RATIOS = 20  # samples that an airflow's unit is judged by
_HOTTEST, _HOTTEST_F = 140.0, 260.0  # °C no coolant settles above; below this it may be °F
_COOLANT_SAMPLES = 10
_SPEED_LABELS = ((1.609344, "km/h labelled mph"), (1 / 1.609344, "mph labelled km/h"), (3.6, "km/h for m/s"))

# Whether the check flags, its numbers, its evidence; or why it is not possible
Outcome = tuple[bool, dict[str, float], Message] | Message


def lag_and_scale(
    time: FloatArray, speed: FloatArray, reference_time: FloatArray, reference: FloatArray
) -> tuple[float, float, float]:
    """Return lag [s], scale and root mean square residual [km/h] of `speed` against a reference speed, by least squares.

    `speed(t + lag) = scale * reference(t)`: a positive lag means that `speed` comes later. NaN with fewer than 30 common
    samples or without change of speed.
    """
    nothing = (np.nan, np.nan, np.nan)
    stride = max(1, time.size // _MOST)
    t, v = time[::stride], speed[::stride]
    if min(t.size, reference.size) < _LEAST or min(np.ptp(v), np.ptp(reference)) < _LEAST_CHANGE:
        return nothing
    # One set of samples for all lags, or the best lag would be the one with the fewest samples.
    inside = (t - _SEARCH >= reference_time[0]) & (t + _SEARCH <= reference_time[-1])
    if np.count_nonzero(inside) < _LEAST:
        return nothing
    t, v = t[inside], v[inside]

    def residual(lag: float) -> tuple[float, float]:
        g = np.interp(t - lag, reference_time, reference)
        scale = float(v @ g) / max(float(g @ g), 1e-12)
        return float(np.sqrt(np.mean((v - scale * g) ** 2))), scale

    lags = np.arange(-_SEARCH, _SEARCH + _LAG_STEP / 2, _LAG_STEP)
    errors = np.array([residual(lag)[0] for lag in lags.tolist()])
    k = int(np.argmin(errors))
    lag = float(lags[k])
    if 0 < k < lags.size - 1:
        a, b, c = errors[k - 1 : k + 2] ** 2  # The square of the residual is a parabola near its least value.
        bend = a - 2.0 * b + c
        lag += _LAG_STEP * float(0.5 * (a - c) / bend) if bend > 0 else 0.0
    error, scale = residual(lag)
    return lag, scale, error


def _percent(ratio: float) -> Value:
    return Value(100.0 * (ratio - 1.0), "ratio", 1, signed=True)


_kelvin = partial(Value, quantity="temperature_difference", decimals=1, signed=True)
_seconds = partial(Value, quantity="time", decimals=1, signed=True)


def speed_against_gps(run: CleanRun) -> Outcome:
    """Compare vehicle speed with GPS speed: scale, lag, residual."""
    lag, scale, error = lag_and_scale(*run.samples("speed"), *run.samples("gps_speed"))
    if not np.isfinite(scale):
        return message("too few common samples, or the speed hardly changes", "nothing-common")
    # Two channels cannot be timed against each other to much better than their sampling.
    limit = max(_LAG_LIMIT, run.sampling["speed"].interval, run.sampling["gps_speed"].interval)
    labels = [label for factor, label in _SPEED_LABELS if abs(scale / factor - 1.0) < _SCALE_LIMIT]
    label = message("; the ratio is that of {label}", label=labels[0]) if labels else ""
    text = "vehicle speed reads {more} of GPS speed and comes {lag} later (residual {error}){label}"
    evidence = message(text, more=_percent(scale), lag=_seconds(lag), error=Value(error, "speed", 1), label=label)
    numbers = {"scale": scale, "lag_s": lag, "residual_kmh": error}
    return abs(scale - 1.0) > _SCALE_LIMIT or abs(lag) > limit, numbers, evidence


def distance_by_both(run: CleanRun) -> Outcome:
    """Compare the distance from vehicle speed with that from GPS speed, over the time that both cover."""
    t = np.union1d(run.samples("speed")[0], run.samples("gps_speed")[0])
    v, g = run.at("speed", t), run.at("gps_speed", t)
    both = np.isfinite(v) & np.isfinite(g)
    steps = np.where(both[1:] & both[:-1], np.diff(t), 0.0)
    by_speed, by_gps = (float(np.nansum(steps * 0.5 * (x[1:] + x[:-1]))) / 3.6 for x in (v, g))
    if by_gps < _LEAST_DRIVEN:
        return message("only {distance} are covered by both", "nothing-common", distance=Value(by_gps, "length", 0))
    text = "{by_speed} by vehicle speed, {by_gps} by GPS speed over the same time ({more})"
    distances = {"by_speed": Value(by_speed, "distance", 2), "by_gps": Value(by_gps, "distance", 2)}
    evidence = message(text, "", **distances, more=_percent(by_speed / by_gps))
    numbers = {"speed_m": by_speed, "gps_m": by_gps, "ratio": by_speed / by_gps}
    return abs(by_speed / by_gps - 1.0) > _SCALE_LIMIT, numbers, evidence


def clock_drift(run: CleanRun) -> Outcome:
    """Drift between the clocks behind vehicle speed and GPS speed: change of the lag from part to part of the run."""
    time, v = run.samples("speed")
    edges = np.linspace(time[0], time[-1], _PARTS + 1)
    parts = [slice(*np.searchsorted(time, ends)) for ends in pairwise(edges)]
    by_part = np.array([lag_and_scale(time[part], v[part], *run.samples("gps_speed"))[0] for part in parts])
    known = np.isfinite(by_part)
    if known.sum() < 3:
        return message("fewer than three parts of the run show a lag", "nothing-common")
    lags = by_part[known].tolist()
    line, spread = np.polyfit((edges[1:] + edges[:-1])[known] / 2, lags, 1, cov=True)
    drift, error = float(line[0]) * 1e6, float(np.sqrt(spread[0, 0])) * 1e6
    text = "the lag between vehicle and GPS speed goes from {first} to {last} over the run: drift {drift} ± {error} ppm"
    ppm = {"drift": Value(drift, "number", 0, signed=True), "error": Value(error, "number", 0)}
    evidence = message(text, "", first=_seconds(lags[0]), last=_seconds(lags[-1]), **ppm)
    numbers = {"drift_ppm": drift, "standard_error_ppm": error, "first_lag_s": lags[0], "last_lag_s": lags[-1]}
    # flagged when it exceeds what a quartz clock may do by more than its own uncertainty
    return abs(drift) - _T95[len(lags) - 2] * error > _DRIFT_LIMIT, numbers, evidence


def clock_against_gps(run: CleanRun) -> Outcome:
    """Drift of the log's own clock against GPS time, where the log holds both: positive where the log's clock is fast.

    Theil-Sen slope: up to 29 % of wrong stamps (late writes) leave it alone; the scatter is the median absolute deviation.
    """
    from scipy.stats import theilslopes

    time, stamps = run.samples("gps_time")
    if stamps.size < 3 or np.ptp(stamps) == 0.0:
        return message("fewer than three GPS times", "nothing-common")
    at = np.unique(np.linspace(0, stamps.size - 1, min(stamps.size, _CLOCK_POINTS)).astype(int))
    slope = float(theilslopes((time - stamps)[at], stamps[at])[0])
    left = (time - stamps - slope * stamps)[at]
    drift, spread = slope * 1e6, float(np.median(np.abs(left - np.median(left))))
    gained = drift * 1e-6 * float(np.ptp(stamps))
    text = "the log's clock gains {gained} on GPS time over the run ({drift} ppm), with a scatter of {spread}"
    ppm = Value(drift, "number", 0, signed=True)
    evidence = message(text, gained=_seconds(gained, decimals=2), drift=ppm, spread=Value(spread, "time", 2))
    numbers = {"drift_ppm": drift, "gained_s": gained, "spread_s": spread}
    return abs(drift) > _DRIFT_LIMIT or spread > _JUMP_LIMIT, numbers, evidence


def ambient_against_record(run: CleanRun, record: pd.Series | None) -> Outcome:
    """Compare the ambient sensor with a weather record, at speed and at rest, where the vehicle's own sensor reads high."""
    if record is None or record.empty:
        return message("no weather record was given", "no-record")
    t, ambient = run.samples("ambient")
    outside = (np.asarray(record.index, dtype=np.float64), record.to_numpy(dtype=np.float64))
    excess = ambient - interpolate(*outside, t, _STATION_GAP)
    speed = run.at("speed", t)
    known = np.isfinite(excess)
    if not known.any():
        return message("the weather record does not cover the run", "no-record")
    numbers = {"all_K": float(np.median(excess[known]))}
    parts: list[Message] = []
    for key, where, words in (
        ("at_speed_K", np.nan_to_num(speed) > _AT_SPEED, "{excess} above {speed}"),
        ("at_rest_K", _standing(t, speed, _REST), "{excess} after {time} at rest"),
    ):
        if np.count_nonzero(known & where) >= _FEW:
            numbers[key] = float(np.median(excess[known & where]))
            limits = {"speed": Value(_AT_SPEED, "speed", 0), "time": Value(_REST, "time", 0)}
            parts.append(message(words, "", excess=_kelvin(numbers[key]), **limits))
    level = numbers.get("at_speed_K", numbers["all_K"])
    rise = numbers.get("at_rest_K", level) - level
    text = "ambient sensor minus record: {all} over the run{more}{parts}"
    more = ", " if parts else ""
    evidence = message(text, all=_kelvin(numbers["all_K"]), more=more, parts=Listing(tuple(parts), "and"))
    return abs(level) > _AMBIENT_LIMIT or rise > _REST_LIMIT, numbers, evidence


def intake_against_ambient(run: CleanRun) -> Outcome:
    """Offset of the sensor pair: intake minus ambient before the first start after an overnight soak, by raw readings.

    After a soak, which the coolant shows, every sensor has the temperature of the air around it.
    """
    time, rpm = run.samples("rpm")
    until = min(time[rpm >= RUNNING], default=np.inf)
    first: dict[str, float] = {}
    for channel in ("iat", "ambient", "coolant"):
        if channel in run.frame.columns:
            values = run.frame[channel].dropna()
            values = values[(values > _NO_SENSOR) & (values.index < until)]
            if len(values):
                first[channel] = float(np.median(values.to_numpy()[:_FIRST]))
    if "iat" not in first or "ambient" not in first:
        return message("no readings of both before the engine first runs", "no-start")
    if "coolant" not in first:
        return message("no coolant temperature shows whether the vehicle had soaked", "soak-unknown")
    readings = {name: Value(value, "temperature", 1) for name, value in first.items()}
    if abs(first["coolant"] - first["ambient"]) > _SOAK_SPREAD:
        return message("not soaked: coolant {coolant}, ambient {ambient} before the start", "not-soaked", **readings)
    offset = first["iat"] - first["ambient"]
    text = "before the first start the intake reads {offset} against ambient ({iat} and {ambient}): offset of the sensor pair"
    evidence = message(text, "", offset=_kelvin(offset), **readings)
    return abs(offset) > _SOAK_LIMIT, {"offset_K": offset} | {f"{k}_C": v for k, v in first.items()}, evidence


def manifold_against_barometer(run: CleanRun, station_pressure: float | None) -> Outcome:
    """Compare manifold pressure with the engine stopped for over 2 s with barometric pressure."""
    reference = float(np.median(run.good("baro"))) if run.has("baro") else station_pressure
    if reference is None:
        return message("neither a barometric channel nor a station pressure is known", "no-record")
    t, manifold = run.samples("map")
    stopped = _standing(t, run.at("rpm", t), _STOPPED)
    if np.count_nonzero(stopped) < 3:
        least = Value(_STOPPED, "time", 0)
        return message("the engine never stands for more than {time} in this run", "no-stop", time=least)
    still = float(np.median(manifold[stopped]))
    text = "engine stopped: manifold {manifold}, barometer {barometer}, difference {off}"
    off = Value(still - reference, "pressure", 1, signed=True)
    pressures = {"manifold": Value(still, "pressure", 1), "barometer": Value(reference, "pressure", 1)}
    evidence = message(text, "", **pressures, off=off)
    numbers = {"manifold_kPa": still, "barometer_kPa": reference, "difference_kPa": still - reference}
    return abs(still - reference) > _PRESSURE_LIMIT, numbers, evidence


def airflow_unit(run: CleanRun, label: str, displacement: float | None) -> Outcome:
    """Test whether the unit that the log gave its airflow can be right, and which of those seen in logs can.

    By filling (airflow over what the displacement draws at manifold density) and, for petrol, by air-fuel ratio.
    """
    if label not in _AIRFLOW_UNITS:
        return message("the unit “{label}” of the airflow is unknown", "unit-unknown", label=label)
    t, maf = run.samples("maf")
    number = maf / _AIRFLOW_UNITS[label]
    tests: list[tuple[str, FloatArray, float, float]] = []
    with np.errstate(invalid="ignore", divide="ignore"):
        if displacement and all(run.has(c) for c in ("rpm", "map", "iat")):
            rpm = run.at("rpm", t)
            density = run.at("map", t) * 1000.0 / (_AIR * (run.at("iat", t) + 273.15))  # kg/m³ = g/l
            drawn = displacement * rpm / 120.0 * density
            use = np.isfinite(drawn) & (rpm > _DRAWING) & (number > 0.0)
            tests.append(("filling", number[use] / drawn[use], *_FILLING))
        if run.has("fuel_rate"):
            fuel = run.at("fuel_rate", t) * _PETROL[0] / 3600.0
            use = np.isfinite(fuel) & (fuel > _BURNING) & (number > 0.0)
            low, high = (part * _PETROL[1] for part in _MIXTURE)
            tests.append(("air-fuel ratio", number[use] / fuel[use], low, high))
    numbers: dict[str, float] = {}
    plausible, parts = list(_AIRFLOW_UNITS), []
    for what, ratio, low, high in tests:
        if ratio.size < _LEAST_RATIOS:
            continue
        middle = float(np.median(ratio))
        numbers[what.replace("-", "_").replace(" ", "_")] = middle * _AIRFLOW_UNITS[label]
        text = "{what} {value} as {label} (plausible {low} to {high})"
        values = {"value": middle * _AIRFLOW_UNITS[label], "low": low, "high": high}
        parts.append(message(text, "", what=what, label=label, **{k: Value(v, "number", 2) for k, v in values.items()}))
        plausible = [unit for unit in plausible if low <= middle * _AIRFLOW_UNITS[unit] <= high]
    if not parts:
        text = "neither the displacement with engine speed, pressure and temperature nor a fuel rate is known"
        return message(text, "no-reference")
    others = tuple(unit for unit in plausible if unit != label)
    text = "{parts}"
    if flagged := label not in plausible:
        text += "; plausible only in {units}" if others else "; no usual unit makes it plausible"
    return flagged, numbers, message(text, parts=Listing(tuple(parts), ";"), units=Listing(others, "or"))


def coolant_unit(run: CleanRun) -> Outcome:
    """Test whether coolant temperature can be in °C: a warm engine settles near 80 to 110 °C, that is 176 to 230 °F."""
    raw = run.frame["coolant"].to_numpy() if "coolant" in run.frame.columns else np.zeros(0)
    raw = raw[raw > _NO_SENSOR]
    if raw.size < _COOLANT_SAMPLES:
        return message("the run has no or too few samples of the coolant temperature", "no-channel")
    warm = float(np.quantile(raw, 0.95))
    flagged = warm > _HOTTEST
    text = "coolant settles at {warm}, which no engine does" if flagged else "coolant settles at {warm}"
    if flagged and warm < _HOTTEST_F:
        text += "; taken for °F it would be {value}"
    as_read, as_fahrenheit = Value(warm, "temperature", 0), Value((warm - 32) / 1.8, "temperature", 0)
    return flagged, {"warm_C": warm}, message(text, warm=as_read, value=as_fahrenheit)


def _standing(t: FloatArray, value: FloatArray, least: float) -> BoolArray:
    """Mark the times at which `value` has been below `_STILL` for more than `least` seconds."""
    low = value < _STILL
    return low & (t - np.maximum.accumulate(np.where(low & ~np.append(False, low[:-1]), t, -np.inf)) > least)


def cross_checks(
    run: CleanRun,
    *,
    weather: pd.Series | None = None,
    station_pressure: float | None = None,
    displacement: float | None = None,
    columns: Mapping[str, tuple[str, str]] = MappingProxyType({}),
    resolution: Mapping[str, float] = MappingProxyType({}),
) -> tuple[CrossCheck, ...]:
    """Run every cross check; one that the run's channels do not allow says so.

    `weather`: air temperature of a weather record [°C] by elapsed time of the run [s]; `station_pressure`: at the place
    [kPa]; `displacement`: of the engine [l]; `columns`: header and unit that each channel was read from and in;
    `resolution`: as declared [internal unit].
    """
    rows: tuple[tuple[Callable[..., Outcome], str, str, tuple[object, ...]], ...] = (
        # check, channels that it is about, channels that it needs, what it takes besides
        (speed_against_gps, "speed gps_speed", "speed gps_speed", ()),
        (distance_by_both, "speed gps_speed", "speed gps_speed", ()),
        (clock_drift, "speed gps_speed", "speed gps_speed", ()),
        (clock_against_gps, "gps_time", "gps_time", ()),
        (ambient_against_record, "ambient", "ambient", (weather,)),
        (intake_against_ambient, "iat ambient", "", ()),
        (manifold_against_barometer, "map baro", "map rpm", (station_pressure,)),
        (airflow_unit, "maf rpm map iat", "maf", (columns.get("maf", ("", "g/s"))[1] or "g/s", displacement)),
        (coolant_unit, "coolant", "", ()),
        (temperature_unit, "iat ambient coolant", "", (columns, resolution, weather)),
    )
    checks = []
    for check, channels, needs, known in rows:
        name, about = check.__name__.replace("_", "-"), tuple(channels.split())
        absent = Listing(tuple(CHANNELS[need].label for need in needs.split() if not run.has(need)))
        why = message("the run lacks a channel: {absent}", "no-channel", absent=absent)
        outcome = why if absent.parts else check(run, *known)
        if isinstance(outcome, Message):
            checks.append(CrossCheck(name, about, "not-possible", {}, outcome))
        else:
            flagged, numbers, evidence = outcome
            evidence = replace(evidence, code=name)
            checks.append(CrossCheck(name, about, "flagged" if flagged else "agrees", numbers, evidence))
    return tuple(checks)
