"""Write a simulated campaign as a folder: campaign.toml, logs, route, weather, bench files. The truth stays out."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from intake_report.demo import bench
from intake_report.demo.campaign_text import (
    array,
    claims,
    head,
    inline,
    instrument_tables,
    key_values,
    route_tables,
    text,
)
from intake_report.demo.logger import CLOCK_HEADER, ELAPSED_HEADER, column_mapping, log_run, start_time, write_log
from intake_report.demo.route import demo_route, gpx
from intake_report.demo.scenario import SEED, ZONE, Scenario, generator, scenario_control, scenario_run
from intake_report.demo.station import ELEVATION, TABLE_COLUMNS, forecast, handheld_readings, reports, table_rows

__all__ = ["write_campaign"]


def write_campaign(scenario: Scenario, folder: Path, seed: int = SEED) -> Path:
    """Write the campaign; equal arguments give equal bytes.

    Parameters
    ----------
    scenario
        Which campaign.
    folder : Path
        Where; made if absent, files of the same names are replaced.
    seed : int
        Seed of everything random. `scenario.truth` recomputes the truth from it.

    Returns
    -------
    Path
        The campaign file.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    parts = [head(scenario), instrument_tables(), _log_table(scenario), route_tables()]
    _write(folder / "route.gpx", gpx(demo_route()))
    parts += [*_runs(scenario, folder, seed), *_weather(scenario, folder, seed)]
    parts.append(key_values("ambient", {"reference": text(scenario.reference)}))
    parts.append(
        key_values(
            "metrics",
            {
                "recovery_margins": array(["3 degF", "5 degF"]),
                "alarm_limit": text(f"{scenario.alarm:g} degC"),
                "minimum_stop": text("10 s"),
            },
        )
    )
    # traffic of a city differs more from day to day than the default limits allow; the rest are the defaults
    parts.append(key_values("acceptance", {"stop-time": text("180 s"), "phase-duration": text("30 %")}))
    parts.append(claims(scenario))
    if scenario.bench:
        parts += _bench(scenario, folder, seed)
    file = folder / "campaign.toml"
    _write(file, "\n".join(p.strip("\n") + "\n" for p in parts if p.strip()))
    return file


def _write(path: Path, content: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode("utf-8"))


def _log_table(scenario: Scenario) -> str:
    values = {"format": text("delimited"), "time": text(CLOCK_HEADER if scenario.clock else ELAPSED_HEADER)}
    if scenario.clock:
        values["timezone"] = text(ZONE)
    mapping = {json.dumps(h, ensure_ascii=False): text(t) for h, t in column_mapping(scenario.units).items()}
    return key_values("log", values) + "\n" + key_values("log.columns", mapping)


def _runs(scenario: Scenario, folder: Path, seed: int) -> Iterable[str]:
    clock = ZoneInfo(ZONE) if scenario.clock else None
    for planned in scenario.schedule:
        run = scenario_run(scenario, planned, seed)
        drives = {"": run}
        if scenario.control:
            drives["-control"] = scenario_control(scenario, planned, seed)
        names = []
        for suffix, drive in drives.items():
            name = f"logs/{planned.run}{suffix}.csv.gz"
            rng = generator(scenario, seed, planned.run, "log", suffix)
            table = log_run(drive, rng, units=scenario.units, rounding=scenario.rounding, clock=clock)
            write_log(table, folder / name)
            names.append(name)
        day = scenario.days[planned.day]
        values = {
            "id": text(planned.run),
            "configuration": text(planned.configuration.id),
            "block": text(day.name),
            "files": array(names[:1]),
        }
        if scenario.control:
            values["control"] = array(names[1:])
        if not scenario.clock:
            values["start"] = start_time(run).astimezone(ZoneInfo(ZONE)).isoformat()
        values |= {
            "start_condition": text("engine warm, idling in the yard after a 20 min stand"),
            "road": text("dry"),
            "sky": text("clear" if day.sun > 0.65 else "partly cloudy"),
            "sun": text("full sun" if day.sun > 0.65 else "sun and cloud in turn"),
            "rain": text("none"),
            "driver": text("driver A"),
        }
        yield key_values("run", values, many=True)


def _weather(scenario: Scenario, folder: Path, seed: int) -> Iterable[str]:
    rng = generator(scenario, seed, "weather")
    us = scenario.units == "us"
    lines: list[str] = []
    rows = [",".join(TABLE_COLUMNS)]
    for index, day in enumerate(scenario.days):
        starts = [p.start for p in scenario.schedule if p.day == index]
        if not starts:
            continue
        lines += reports(day, min(starts), max(starts), rng, us=us)
        rows += table_rows(day, min(starts), max(starts), rng)
    month = text(f"{scenario.days[0].date:%Y-%m}")
    elevation = text(f"{ELEVATION:g} m")
    if scenario.reference == "station":
        _write(folder / "weather" / "reports.txt", "\n".join(lines) + "\n")
        _write(folder / "weather" / "station.csv", "\n".join(rows) + "\n")
        mapping = inline({json.dumps(h, ensure_ascii=False): text(t) for h, t in TABLE_COLUMNS.items()})
        yield key_values(
            "weather",
            {
                "id": text("station"),
                "kind": text("station"),
                "elevation": elevation,
                "file": text("weather/station.csv"),
                "columns": mapping,
                "timezone": text("UTC"),
                "accuracy": text("0.3 degC"),
            },
            many=True,
        )
        source = {"file": text("weather/reports.txt")}
    else:
        source = {"reports": array(lines)}
    metar = {"id": text("airfield"), "kind": text("metar"), "elevation": elevation, **source, "month": month}
    yield key_values("weather", {**metar, "accuracy": text("0.5 degC")}, many=True)
    yield from _hand_written(scenario, seed, elevation)


def _hand_written(scenario: Scenario, seed: int, elevation: str) -> Iterable[str]:
    """Return what somebody wrote down: the forecast the evening before, and the readings of a handheld."""
    said, read = generator(scenario, seed, "forecast"), generator(scenario, seed, "handheld")
    us, zone = scenario.units == "us", ZoneInfo(ZONE)
    forecasts: list[str] = []
    readings: list[str] = []
    for index, day in enumerate(scenario.days):
        starts = [p.start for p in scenario.schedule if p.day == index]
        if not starts:
            continue
        for time, air, wind in forecast(day, min(starts), max(starts), said):
            values = (
                (f"{air * 1.8 + 32.0:.0f} degF", f"{wind * 3.6 / 1.609344:.0f} mph")
                if us
                else (f"{air:.0f} degC", f"{wind * 3.6:.0f} km/h")
            )
            entry = dict(zip(("temperature", "wind_speed"), map(text, values), strict=True))
            forecasts.append(inline({"time": time.astimezone(zone).isoformat(), **entry}))
        for time, air, humidity in handheld_readings(day, starts, read):
            entry = {"temperature": text(f"{air:.1f} degC"), "humidity": text(f"{humidity:.0f} %")}
            readings.append(inline({"time": time.astimezone(zone).isoformat(), **entry}))
    if scenario.reference == "station":
        yield key_values(
            "weather",
            {
                "id": text("yard"),
                "kind": text("handheld"),
                "elevation": elevation,
                "accuracy": text("0.5 degC"),
                "resolution": text("0.1 degC"),
                "readings": _lines(readings),
            },
            many=True,
        )
    yield key_values(
        "weather", {"id": text("forecast"), "kind": text("forecast"), "readings": _lines(forecasts)}, many=True
    )


def _lines(items: list[str]) -> str:
    return "[\n  " + ",\n  ".join(items) + ",\n]"


def _bench(scenario: Scenario, folder: Path, seed: int) -> Iterable[str]:
    rng = generator(scenario, seed, "bench")
    header = ",".join(bench.PULL_COLUMNS)
    mapping = inline({json.dumps(h, ensure_ascii=False): text(t) for h, t in bench.PULL_COLUMNS.items()})
    day = scenario.days[-1].date + timedelta(days=5, hours=12)
    order = 0
    yield key_values(
        "dyno",
        {
            "correction": text("sae-j1349-2004"),
            "aspiration": text("natural"),
            "elevation": text(f"{ELEVATION:g} m"),
            "smoothing": text("200 rpm"),
            "grid": text("100 rpm"),
            "least_coolant": text("80 degC"),
        },
    )
    yield key_values("bench", {"depression": text("2.5 kPa")})
    cold = bench.warm_up_pull(scenario.vehicle, scenario.configurations[0], generator(scenario, seed, "bench", "cold"))
    for configuration in scenario.configurations:
        first = configuration is scenario.configurations[0]
        for number in range(0 if first else 1, bench.PULLS + 1):
            order += 1
            pull = cold if number == 0 else bench.dyno_pull(scenario.vehicle, configuration, number, rng)
            name = f"dyno/{configuration.id}-{number}.csv"
            _write(folder / name, "\n".join([header, *pull.rows]) + "\n")
            moment = (day + timedelta(minutes=9 * (order - 1) + 25 * (order - 2) // bench.PULLS)).astimezone(
                ZoneInfo(ZONE)
            )
            yield key_values(
                "pull",
                {
                    "id": text(f"{configuration.id}-{number}"),
                    "configuration": text(configuration.id),
                    "file": text(name),
                    "columns": mapping,
                    "measured_at": text("wheel"),
                    "order": str(order),
                    "time": moment.isoformat(),
                    "session": text("rollers-1"),
                    "cell_temperature": text(f"{pull.cell_temperature:.1f} degC"),
                    "cell_pressure": text(f"{pull.cell_pressure:.2f} kPa"),
                    "cell_humidity": text(f"{pull.cell_humidity:.0f} %"),
                },
                many=True,
            )
    for configuration in scenario.configurations:
        points = [
            inline({"airflow": text(f"{flow:g} m^3/h"), "drop": text(f"{drop:.3f} kPa")})
            for flow, drop in bench.restriction_points(configuration, rng)
        ]
        values = {
            "configuration": text(configuration.id),
            "source": text("flow bench, air at 1.19 kg/m³"),
            "points": "[\n  " + ",\n  ".join(points) + ",\n]",
        }
        yield key_values("restriction", values, many=True)
    yield from _trials({c.id for c in scenario.configurations})


def _trials(there: set[str]) -> Iterable[str]:
    for trial in bench.TRIALS:
        if trial.configuration not in there:
            continue
        values = {
            "configuration": text(trial.configuration),
            "condition": text(trial.condition),
            "duration": text(f"{trial.minutes} min"),
            "observation": text(trial.observation),
            "adverse": "true" if trial.adverse else "false",
            "inspector": text("workshop inspector"),
        }
        if trial.before is not None and trial.after is not None:
            values["filter_mass_before"] = text(f"{trial.before:.1f} g")
            values["filter_mass_after"] = text(f"{trial.after:.1f} g")
        yield key_values("exposure", values, many=True)
    for configuration, task, times in bench.TASKS:
        for minutes in times if configuration in there else ():
            values = {"configuration": text(configuration), "task": text(task), "time": text(f"{minutes:g} min")}
            yield key_values("observation", values, many=True)
