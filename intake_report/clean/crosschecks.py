"""Cross checks of a cleaned run: one channel against another, a weather record, or physics. They flag, never alter."""

from __future__ import annotations

import numpy as np
import pandas as pd

from intake_report.clean.clocks import clock_against_gps, distance_by_both, drift_from_speed, speed_against_gps
from intake_report.clean.model import (
    BoolArray,
    CleanRun,
    CleanSettings,
    CrossCheck,
    FloatArray,
    interpolate,
    not_possible,
)

_AMBIENT_LIMIT = 3.0  # K, sensor against a record at speed (common practice)
_REST_LIMIT = 2.0  # K, further rise while standing
_SOAK_SPREAD = 5.0  # K, coolant against ambient after a soak long enough to compare sensors
_SOAK_LIMIT = 3.0  # K, sensor pair
_PRESSURE_LIMIT = 3.0  # kPa
_AIR = 287.058  # J/(kg K), dry air
# Airflow labels seen in logs, in g/s per unit at 1.2 kg/m³ where the label is a volume flow.
_AIRFLOW_UNITS = {"g/s": 1.0, "kg/h": 1.0 / 3.6, "lb/min": 7.559872833, "l/s": 1.2, "m³/h": 1.2 / 3.6, "cfm": 0.566337}
_FILLING = (
    0.35,
    1.15,
)  # airflow over manifold density x displacement, warm; exhaust recirculation halves it (practice)
_PETROL = (745.0, 14.7)  # g/l and stoichiometric air-fuel ratio, as commonly used by logging software


def cross_checks(
    run: CleanRun,
    *,
    weather: pd.Series | None = None,
    station_pressure: float | None = None,
    displacement: float | None = None,
    soaked: bool | None = None,
    airflow_label: str = "g/s",
    settings: CleanSettings | None = None,
) -> tuple[CrossCheck, ...]:
    """Run every cross check that the run's channels allow.

    Parameters
    ----------
    run : CleanRun
        Cleaned run.
    weather : Series, optional
        Air temperature of a weather record [°C], index elapsed time of the run [s].
    station_pressure : float, optional
        Barometric pressure at the place [kPa].
    displacement : float, optional
        Engine displacement [l].
    soaked : bool, optional
        Whether the vehicle stood overnight; None: judged by the coolant.
    airflow_label : str
        Unit that the log gave the airflow before conversion.
    settings : CleanSettings, optional
        Limits of cleaning.

    Returns
    -------
    tuple of CrossCheck
        One per check, also those that are not possible, with the reason.
    """
    settings = settings or CleanSettings()
    return (
        speed_against_gps(run),
        distance_by_both(run),
        drift_from_speed(run),
        clock_against_gps(run),
        ambient_against_record(run, weather),
        intake_against_ambient(run, soaked=soaked, running=settings.running),
        manifold_against_barometer(run, station_pressure),
        airflow_unit(run, label=airflow_label, displacement=displacement),
        coolant_unit(run),
    )


def ambient_against_record(run: CleanRun, record: pd.Series | None) -> CrossCheck:
    """Compare the ambient sensor with a weather record, at speed (> 60 km/h) and at rest (standing for over 30 s).

    The vehicle's own sensor reads high when it stands still, so both are given.
    """
    name, channels = "ambient-against-record", ("ambient",)
    if not run.has("ambient"):
        return not_possible(name, channels, "the run has no ambient temperature")
    if record is None or record.empty:
        return not_possible(name, channels, "no weather record was given")
    ambient = run.good("ambient")
    t = _times(ambient)
    # Station reports are half an hour or an hour apart.
    expected = interpolate(_times(record), record.to_numpy(dtype=np.float64), t, 2.0 * 3600.0)
    excess = ambient.to_numpy() - expected
    speed = run.at("speed", t)
    known = np.isfinite(excess)
    moving = known & (np.nan_to_num(speed) > 60.0)
    rest = known & _standing(t, speed, 30.0)
    if not known.any():
        return not_possible(name, channels, "the weather record does not cover the run")
    values = {"all_K": float(np.median(excess[known]))}
    parts = [f"ambient sensor minus record: {values['all_K']:+.1f} K over the run"]
    for key, where, words in (("at_speed_K", moving, "above 60 km/h"), ("at_rest_K", rest, "after 30 s at rest")):
        if np.count_nonzero(where) >= 5:
            values[key] = float(np.median(excess[where]))
            parts.append(f"{values[key]:+.1f} K {words}")
    level = values.get("at_speed_K", values["all_K"])
    rise = values.get("at_rest_K", level) - level
    flagged = abs(level) > _AMBIENT_LIMIT or rise > _REST_LIMIT
    return CrossCheck(name, channels, "flagged" if flagged else "agrees", values, ", ".join(parts))


def intake_against_ambient(run: CleanRun, *, soaked: bool | None = None, running: float = 400.0) -> CrossCheck:
    """Offset of the sensor pair: intake minus ambient before the first start after an overnight soak.

    Raw readings before the start are used: the engine-off mask keeps them out of metrics, but after a soak every sensor
    has the temperature of the air around it.
    """
    name, channels = "intake-against-ambient", ("iat", "ambient")
    if not all(c in run.frame.columns for c in channels):
        return not_possible(name, channels, "the run has not both intake and ambient temperature")
    rpm = run.good("rpm")
    started = _times(rpm)[rpm.to_numpy() >= running]
    until = float(started[0]) if started.size else np.inf
    first: dict[str, float] = {}
    for channel in ("iat", "ambient", "coolant"):
        if channel in run.frame.columns:
            values = run.frame[channel].dropna()
            values = values[_times(values) < until]
            values = values[(values > -39.5).to_numpy()]
            if len(values):
                first[channel] = float(np.median(values.to_numpy()[:5]))
    if "iat" not in first or "ambient" not in first:
        return not_possible(name, channels, "no readings before the engine first runs")
    if soaked is None:
        if "coolant" not in first:
            return not_possible(name, channels, "no coolant temperature shows whether the vehicle had soaked")
        if abs(first["coolant"] - first["ambient"]) > _SOAK_SPREAD:
            return not_possible(
                name,
                channels,
                f"not soaked: coolant {first['coolant']:.0f} °C, ambient {first['ambient']:.0f} °C before the start",
            )
    elif not soaked:
        return not_possible(name, channels, "the vehicle had not soaked")
    offset = first["iat"] - first["ambient"]
    return CrossCheck(
        name,
        channels,
        "flagged" if abs(offset) > _SOAK_LIMIT else "agrees",
        {"offset_K": offset} | {f"{k}_C": v for k, v in first.items()},
        f"before the first start the intake reads {offset:+.1f} K against ambient ({first['iat']:.1f} and"
        f" {first['ambient']:.1f} °C): offset of the sensor pair",
    )


def manifold_against_barometer(run: CleanRun, station_pressure: float | None = None) -> CrossCheck:
    """Compare manifold pressure with the engine stopped for over 2 s with barometric pressure."""
    name, channels = "manifold-against-barometer", ("map", "baro")
    if not (run.has("map") and run.has("rpm")):
        return not_possible(name, channels, "the run has not both manifold pressure and engine speed")
    reference = station_pressure
    if run.has("baro"):
        reference = float(np.median(run.good("baro").to_numpy()))
    if reference is None:
        return not_possible(name, channels, "neither a barometric channel nor a station pressure is known")
    manifold, rpm = run.good("map"), run.good("rpm")
    t = _times(manifold)
    stopped = _standing(t, interpolate(_times(rpm), rpm.to_numpy(), t, run.gap_limit("rpm")), 2.0)
    if np.count_nonzero(stopped) < 3:
        return not_possible(name, channels, "the engine never stands for more than 2 s in this run")
    still = float(np.median(manifold.to_numpy()[stopped]))
    off = still - reference
    return CrossCheck(
        name,
        channels,
        "flagged" if abs(off) > _PRESSURE_LIMIT else "agrees",
        {"manifold_kPa": still, "barometer_kPa": reference, "difference_kPa": off},
        f"engine stopped: manifold {still:.1f} kPa, barometer {reference:.1f} kPa, difference {off:+.1f} kPa",
    )


def airflow_unit(run: CleanRun, *, label: str = "g/s", displacement: float | None = None) -> CrossCheck:
    """Test whether the unit that the log gave its airflow can be right.

    The filling of the cylinders (airflow over what the displacement would draw at manifold density) and, for petrol,
    the air-fuel ratio against the fuel rate are computed for the label and for the other units seen in logs.
    """
    name, channels = "airflow-unit", ("maf", "rpm", "map", "iat")
    if not (run.has("maf") and label in _AIRFLOW_UNITS):
        return not_possible(name, channels, "the run has no airflow, or its label is unknown")
    maf = run.good("maf")
    t = _times(maf)
    number = maf.to_numpy() / _AIRFLOW_UNITS[label]
    tests: list[tuple[str, FloatArray, float, float]] = []
    if displacement and all(run.has(c) for c in ("rpm", "map", "iat")):
        rpm = run.at("rpm", t)
        with np.errstate(invalid="ignore", divide="ignore"):
            density = run.at("map", t) * 1000.0 / (_AIR * (run.at("iat", t) + 273.15))  # kg/m³ = g/l
            drawn = displacement * rpm / 120.0 * density
            use = np.isfinite(drawn) & (rpm > 1000.0) & (number > 0.0)
        tests.append(("filling", number[use] / drawn[use], *_FILLING))
    if run.has("fuel_rate"):
        fuel = run.at("fuel_rate", t) * _PETROL[0] / 3600.0
        with np.errstate(invalid="ignore"):
            use = np.isfinite(fuel) & (fuel > 0.05) & (number > 0.0)
        tests.append(("air-fuel ratio", number[use] / fuel[use], 0.9 * _PETROL[1], 1.1 * _PETROL[1]))
    tests = [test for test in tests if test[1].size >= 20]
    if not tests:
        return not_possible(
            name,
            channels,
            "neither the displacement with engine speed, pressure and temperature nor a fuel rate is known",
        )
    values: dict[str, float] = {}
    plausible = dict.fromkeys(_AIRFLOW_UNITS, True)
    evidence = []
    for what, ratio, low, high in tests:
        middle = float(np.median(ratio))
        values[what.replace("-", "_").replace(" ", "_")] = middle * _AIRFLOW_UNITS[label]
        evidence.append(f"{what} {middle * _AIRFLOW_UNITS[label]:.2f} as {label} (plausible {low:.3g} to {high:.3g})")
        for unit, factor in _AIRFLOW_UNITS.items():
            plausible[unit] &= low <= middle * factor <= high
    others = [unit for unit, fits in plausible.items() if fits and unit != label]
    if plausible[label]:
        return CrossCheck(name, channels, "agrees", values, "; ".join(evidence))
    way = f"; plausible only in {' or '.join(others)}" if others else "; no usual unit makes it plausible"
    return CrossCheck(name, channels, "flagged", values, "; ".join(evidence) + way)


def coolant_unit(run: CleanRun) -> CrossCheck:
    """Test whether coolant temperature can be in °C: a warm engine settles near 80 to 110 °C, that is 176 to 230 °F."""
    name, channels = "coolant-unit", ("coolant",)
    if "coolant" not in run.frame.columns:
        return not_possible(name, channels, "the run has no coolant temperature")
    raw = run.frame["coolant"].dropna().to_numpy()
    raw = raw[raw > -39.5]
    if raw.size < 10:
        return not_possible(name, channels, "too few samples")
    warm = float(np.quantile(raw, 0.95))
    values = {"warm_C": warm}
    if warm > 140.0:
        also = f"; in °F it would be {(warm - 32) / 1.8:.0f} °C" if 140.0 < warm < 260.0 else ""
        return CrossCheck(
            name, channels, "flagged", values, f"coolant settles at {warm:.0f} °C, which no engine does{also}"
        )
    return CrossCheck(name, channels, "agrees", values, f"coolant settles at {warm:.0f} °C")


def _standing(t: FloatArray, value: FloatArray, least: float) -> BoolArray:
    """Mark the times at which `value` has been below 1 for more than `least` seconds."""
    with np.errstate(invalid="ignore"):
        low = value < 1.0
    starts = np.flatnonzero(low & ~np.concatenate(([False], low[:-1])))
    begin = np.full(t.size, np.inf)
    if starts.size:
        which = np.searchsorted(starts, np.arange(t.size), side="right") - 1
        begin = np.where(which >= 0, t[starts[np.maximum(which, 0)]], np.inf)
    return np.asarray(low & (t - begin > least), dtype=np.bool_)


def _times(series: pd.Series) -> FloatArray:
    """Return the index of a series as seconds."""
    return np.asarray(series.index, dtype=np.float64)
