"""Write a simulated campaign as a folder: campaign.toml, logs, route, weather, bench files. The truth stays out."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from intake_report.demo import records
from intake_report.demo.drawings import drawing
from intake_report.demo.logger import CLOCK_HEADER, ELAPSED_HEADER, column_mapping, log_run, start_time
from intake_report.demo.route import demo_route, gpx
from intake_report.demo.scenario import CONTROL, SEED, ZONE, Scenario, generator, scenario_runs


@dataclass(frozen=True)
class _Toml:
    """A ready piece of TOML; a plain string is written as a string of the file."""

    text: str


Written = str | bool | _Toml | list[str] | list[_Toml]


def _written(value: Written) -> str:
    """Return a value as TOML (JSON's escapes are a subset of TOML's), one item a line where there are many."""
    if isinstance(value, _Toml):
        return value.text
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    items = [_written(item) for item in value]
    short = len(items) < 4 and not any(isinstance(item, _Toml) for item in value)
    return f"[{', '.join(items)}]" if short else "[\n  " + ",\n  ".join(items) + ",\n]"


def _inline(values: Mapping[str, Written]) -> _Toml:
    return _Toml("{ " + ", ".join(f"{k} = {_written(v)}" for k, v in values.items()) + " }")


def _quoted(mapping: Mapping[str, str]) -> dict[str, Written]:
    """Return a mapping whose keys hold blanks and signs, ready for a table."""
    return {json.dumps(key, ensure_ascii=False): value for key, value in mapping.items()}


def _table(name: str, /, **values: Written) -> str:
    """Return a TOML table; a name in brackets makes an entry of an array of tables."""
    return "\n".join([f"[{name}]", *(f"{k} = {_written(v)}" for k, v in values.items())]) + "\n"


def write_campaign(scenario: Scenario, folder: Path, seed: int = SEED) -> Path:
    """Write the campaign; equal arguments give equal bytes.

    Parameters
    ----------
    scenario
        Which campaign.
    folder : Path
        Where; made if absent, files of the same names are replaced.
    seed : int
        Seed of everything random.

    Returns
    -------
    Path
        The campaign file.
    """
    folder = Path(folder)
    _write(folder / "route.gpx", gpx(demo_route()))
    parts = [*_head(scenario, folder), *_instrument(), *_log(scenario), *_route(), *_runs(scenario, folder, seed)]
    parts += _weather(scenario, folder, seed)
    if scenario.soak:
        parts += _soak_checks(scenario, folder, seed)
    parts.append(_table("ambient", reference=scenario.reference))
    margins = ["3 degF", "5 degF"]
    parts.append(
        _table("metrics", recovery_margins=margins, alarm_limit=f"{scenario.alarm:g} degC", minimum_stop="10 s")
    )
    # traffic of a city differs more from day to day than the default limits allow; the rest are the defaults
    parts.append(_table("acceptance", **{"stop-time": "180 s", "phase-duration": "30 %"}))
    there = {c.id for c in scenario.configurations}
    parts += [_table("[claim]", **claim) for claim in _CLAIMS[scenario.id] if claim["configuration"] in there]
    if scenario.bench:
        parts += [*_dyno(scenario, folder, seed), *_bench(scenario)]
    file = folder / "campaign.toml"
    _write(file, "\n".join(parts))
    return file


def _write(path: Path, content: str | bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


def _head(scenario: Scenario, folder: Path) -> Iterator[str]:
    yield "# Simulated demo campaign. Vehicle, route, configurations, weather and readings are invented.\nschema = 1\n"
    yield _table(
        "campaign",
        id=scenario.id,
        title=scenario.title,
        question=scenario.question,
        units=scenario.units,
        timezone=ZONE,
        prepared_by="test engineer",
        reviewed_by="design review",
    )
    vehicle = scenario.vehicle
    yield _table(
        "vehicle",
        description=vehicle.name[0].upper() + vehicle.name[1:] + " (simulated)",
        mass=f"{vehicle.mass:.0f} kg",
        displacement=f"{vehicle.displacement * 1000:.3f} L",
        aspiration="natural",
        transmission="six-speed",
        fuel="petrol",
    )
    for c in scenario.configurations:
        more: dict[str, Written] = {"deviations": list(c.deviations)} if c.deviations else {}
        if scenario.photos:
            photo = f"photos/{c.id}.png"
            _write(folder / photo, drawing(c.id))
            more["photo"] = photo
        yield _table("[configuration]", id=c.id, name=c.name, role=c.role, description=c.description, **more)


def _instrument() -> Iterator[str]:
    """Return [instrument] and what is known about its channels: data-sheet style figures (common practice)."""
    logger = "diagnostic-port adapter with a phone, ten channels in turn"
    yield _table("instrument", logger=logger, clock_accuracy="1 s")
    yield _table(
        "instrument.channels.iat",
        resolution="1 degC",
        accuracy="1 degC",
        rounding="unknown",
        time_constant="5 s",
        location="airflow meter housing, behind the element",
    )
    place = "behind the front bumper"
    yield _table("instrument.channels.ambient", resolution="1 degC", accuracy="1 degC", location=place)
    yield _table("instrument.channels.speed", resolution="1 km/h", accuracy="2 km/h")


def _log(scenario: Scenario) -> Iterator[str]:
    zone: dict[str, Written] = {"timezone": ZONE} if scenario.clock else {}
    yield _table("log", format="delimited", time=CLOCK_HEADER if scenario.clock else ELAPSED_HEADER, **zone)
    yield _table("log.columns", **_quoted(column_mapping(scenario.units)))


def _route() -> Iterator[str]:
    route = demo_route()
    description = "City with signal-controlled junctions, loop on-ramp with a metered light, highway; invented place"
    ramp, highway, end = (f"{edge:.0f} m" for edge in (route.ramp_start, route.highway_start, route.length))
    yield _table("route", description=description, reference="route.gpx")
    for id, name, kind, start, stop in (
        ("city", "City", "city", "0 m", ramp),
        ("on-ramp", "On-ramp", "ramp", ramp, highway),
        ("highway", "Highway", "highway", highway, end),
    ):
        yield _table("[route.phase]", id=id, name=name, kind=kind, start=start, end=stop)
    yield _table("route.highway_entry", speed="80 km/h", hold="10 s")


def _runs(scenario: Scenario, folder: Path, seed: int) -> Iterator[str]:
    drives = scenario_runs(scenario, seed)
    for planned in scenario.schedule:
        run = drives[planned.run]
        names = []
        for suffix in ("", CONTROL) if scenario.control else ("",):
            names.append(f"logs/{planned.run}{suffix}.csv.gz")
            rng = generator(scenario, seed, planned.run, "log", suffix)
            clock = ZoneInfo(ZONE) if scenario.clock else None
            log = log_run(
                drives[planned.run + suffix], rng, units=scenario.units, rounding=scenario.rounding, clock=clock
            )
            _write(folder / names[-1], log.packed())
        day = scenario.days[planned.day]
        more: dict[str, Written] = {"control": names[1:]} if scenario.control else {}
        if not scenario.clock:
            more["start"] = _Toml(start_time(run).astimezone(ZoneInfo(ZONE)).isoformat())
        yield _table(
            "[run]",
            id=planned.run,
            configuration=planned.configuration.id,
            block=day.name,
            files=names[:1],
            **more,
            start_condition="engine warm, idling in the yard after a 20 min stand",
            road="dry",
            sky="clear" if day.sun > 0.65 else "partly cloudy",
            sun="full sun" if day.sun > 0.65 else "sun and cloud in turn",
            rain="none",
            driver="driver A",
        )


def _weather(scenario: Scenario, folder: Path, seed: int) -> Iterator[str]:
    """Return stations, and what somebody wrote down: the forecast the evening before, and the readings of a handheld."""
    rng, guess, read = (generator(scenario, seed, name) for name in ("weather", "forecast", "handheld"))
    us, zone = scenario.units == "us", ZoneInfo(ZONE)
    reports: list[str] = []
    rows = [",".join(records.TABLE_COLUMNS)]
    forecasts: list[_Toml] = []
    readings: list[_Toml] = []
    for index, day in enumerate(scenario.days):
        starts = [p.start for p in scenario.schedule if p.day == index]
        if not starts:
            continue
        reports += records.reports(day, min(starts), max(starts), rng, us=us)
        rows += records.table_rows(day, min(starts), max(starts), rng)
        for time, air, wind in records.forecast(day, min(starts), max(starts), guess):
            forecasts.append(
                _inline(
                    {
                        "time": _Toml(time.astimezone(zone).isoformat()),
                        "temperature": f"{air * 1.8 + 32.0:.0f} degF" if us else f"{air:.0f} degC",
                        "wind_speed": f"{wind * 3.6 / 1.609344:.0f} mph" if us else f"{wind * 3.6:.0f} km/h",
                    }
                )
            )
        for time, air, humidity in records.handheld_readings(day, starts, read):
            when = _Toml(time.astimezone(zone).isoformat())
            readings.append(_inline({"time": when, "temperature": f"{air:.1f} degC", "humidity": f"{humidity:.0f} %"}))
    station = scenario.reference == "station"
    elevation = f"{records.ELEVATION:g} m"
    source: dict[str, Written] = {"reports": reports}
    if station:
        _write(folder / "weather" / "reports.txt", "\n".join(reports) + "\n")
        _write(folder / "weather" / "station.csv", "\n".join(rows) + "\n")
        source = {"file": "weather/reports.txt"}
        yield _table(
            "[weather]",
            id="station",
            kind="station",
            elevation=elevation,
            file="weather/station.csv",
            columns=_inline(_quoted(records.TABLE_COLUMNS)),
            timezone="UTC",
            accuracy="0.3 degC",
        )
    month = f"{scenario.days[0].date:%Y-%m}"
    metar: dict[str, Written] = {"elevation": elevation, **source, "month": month, "accuracy": "0.5 degC"}
    yield _table("[weather]", id="airfield", kind="metar", **metar)
    if station:
        yard: dict[str, Written] = {"accuracy": "0.5 degC", "resolution": "0.1 degC", "readings": readings}
        yield _table("[weather]", id="yard", kind="handheld", elevation=elevation, **yard)
    yield _table("[weather]", id="forecast", kind="forecast", readings=forecasts)


def _soak_checks(scenario: Scenario, folder: Path, seed: int) -> Iterator[str]:
    """Return a soak check at each dawn: on the first day a log while the air warms, on the others what was read."""
    rng = generator(scenario, seed, "soak")
    wrong = float(rng.normal(0.0, records.THERMOMETER))
    known = {"stood": f"{records.STOOD:g} h", "reference_uncertainty": f"{records.THERMOMETER:g} degC"}
    for index, day in enumerate(scenario.days):
        seen = records.stand(day, 7.0, 0.0 if index else 90.0, scenario.rounding, wrong, rng)
        when = (day.date + timedelta(hours=7)).astimezone(ZoneInfo(ZONE)).isoformat()
        entry: dict[str, Written] = {"id": f"dawn-{day.name}", "time": _Toml(when), **known}
        if index:
            entry["readings"] = _inline({name: f"{seen[name][0]:.0f} degC" for name in ("iat", "ambient", "coolant")})
            yield _table("[soak_check]", **entry, reference=f"{seen['reference'][0]:.1f} degC")
            continue
        name = "soak/dawn.csv"
        rows = zip(*(values.tolist() for values in seen.values()), strict=True)
        lines = [
            ",".join(records.STAND_COLUMNS),
            *(f"{t:.0f},{i:.0f},{a:.0f},{c:.0f},{r:.1f}" for t, i, a, c, r in rows),
        ]
        _write(folder / name, "\n".join(lines) + "\n")
        yield _table("[soak_check]", **entry, file=name)
        columns = {header: target for header, target in records.STAND_COLUMNS.items() if target}
        yield _table("soak_check.log", columns=_inline(_quoted(columns)))


def _dyno(scenario: Scenario, folder: Path, seed: int) -> Iterator[str]:
    rng = generator(scenario, seed, "bench")
    begin = scenario.days[-1].date + timedelta(days=5, hours=12)
    yield _table(
        "dyno",
        correction="sae-j1349-2004",
        aspiration="natural",
        elevation=f"{records.ELEVATION:g} m",
        smoothing="200 rpm",
        grid="100 rpm",
        least_coolant="80 degC",
    )
    yield _table("bench", depression="2.5 kPa")
    first = scenario.configurations[0]
    cold = records.warm_up_pull(scenario.vehicle, first, generator(scenario, seed, "bench", "cold"))
    pulls = [(first, 0)] + [(c, number) for c in scenario.configurations for number in range(1, records.PULLS + 1)]
    for order, (configuration, number) in enumerate(pulls, 1):
        pull = records.dyno_pull(scenario.vehicle, configuration, number, rng) if number else cold
        name = f"dyno/{configuration.id}-{number}.csv"
        _write(folder / name, "\n".join([",".join(records.PULL_COLUMNS), *pull.rows]) + "\n")
        moment = begin + timedelta(minutes=9 * (order - 1) + 25 * (order - 2) // records.PULLS)
        yield _table(
            "[pull]",
            id=f"{configuration.id}-{number}",
            configuration=configuration.id,
            file=name,
            columns=_inline(_quoted(records.PULL_COLUMNS)),
            measured_at="wheel",
            order=_Toml(str(order)),
            time=_Toml(moment.astimezone(ZoneInfo(ZONE)).isoformat()),
            session="rollers-1",
            cell_temperature=f"{pull.cell_temperature:.1f} degC",
            cell_pressure=f"{records.CELL_PRESSURE:.2f} kPa",
            cell_humidity=f"{pull.cell_humidity:.0f} %",
        )
    for configuration in scenario.configurations:
        points = [
            _inline({"airflow": f"{flow:g} m^3/h", "drop": f"{drop:.3f} kPa"})
            for flow, drop in records.restriction_points(configuration, rng)
        ]
        source = "flow bench, air at 1.19 kg/m³"
        yield _table("[restriction]", configuration=configuration.id, source=source, points=points)


def _bench(scenario: Scenario) -> Iterable[str]:
    there = {c.id for c in scenario.configurations}
    for trial in records.TRIALS:
        masses = {"filter_mass_before": trial.before, "filter_mass_after": trial.after}
        if trial.configuration in there:
            yield _table(
                "[exposure]",
                configuration=trial.configuration,
                condition=trial.condition,
                duration=f"{trial.minutes} min",
                observation=trial.observation,
                adverse=trial.adverse,
                inspector="workshop inspector",
                **{key: f"{mass:.1f} g" for key, mass in masses.items() if mass is not None},
            )
    for configuration, task, times in records.TASKS:
        for minutes in times if configuration in there else ():
            yield _table("[observation]", configuration=configuration, task=task, time=f"{minutes:g} min")


def _claim(id: str, sentence: str, metric: str, configuration: str, relation: str, **more: str) -> dict[str, str]:
    about = {"metric": metric, "configuration": configuration, "relation": relation}
    return {"id": id, "text": sentence, **about, **more}


_CITY_CLOSER = _claim(
    "city-closer",
    "In the city the sealed box keeps intake air closer to ambient than the as-sold airbox.",
    "mean_over_ambient",
    "sealed-snorkel",
    "lower",
    versus="stock",
    phase="city",
)
_CLAIMS: dict[str, tuple[dict[str, str], ...]] = {
    "ramp-trial": (
        _CITY_CLOSER,
        _claim(
            "recovery-faster",
            "After joining the highway the sealed box is within 3 °F of ambient sooner than the as-sold airbox.",
            "recovery_time",
            "sealed-snorkel",
            "lower",
            versus="stock",
            margin="3 degF",
        ),
        _claim(
            "open-cooler",
            "The open cone runs cooler than the as-sold airbox in the city.",
            "mean_over_ambient",
            "open-cone",
            "lower",
            versus="stock",
            phase="city",
        ),
    ),
    "three-days": (
        _claim(
            "one-minute",
            "With the sealed box the intake air is within 3 °F of ambient a minute after entry.",
            "recovery_time",
            "sealed-snorkel",
            "at most",
            margin="3 degF",
            value="60 s",
        ),
        _claim(
            "faster-than-stock",
            "The sealed box recovers faster than the as-sold airbox.",
            "recovery_time",
            "sealed-snorkel",
            "lower",
            versus="stock",
            margin="5 degF",
        ),
    ),
    "tandem": (_CITY_CLOSER,),
}
