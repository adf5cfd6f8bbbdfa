"""Write a simulated campaign as a folder: campaign.toml, logs, route, weather, bench files. The truth stays out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, StrictUndefined

from intake_report.demo import records
from intake_report.demo.articles import drawing
from intake_report.demo.logger import column_mapping, log_run, start_time
from intake_report.demo.route import demo_route, gpx
from intake_report.demo.scenario import CONTROL, SEED, ZONE, Scenario, generator, scenario_runs

Files = dict[str, str | bytes]
TEMPLATE = Path(__file__).with_name("campaign.toml.j2")


def write_campaign(scenario: Scenario, folder: Path, seed: int = SEED) -> Path:
    """Write the campaign and return its file; equal arguments give equal bytes.

    The folder is made if absent, and files of the same names are replaced; `seed` is that of everything random.
    """
    files: Files = {"route.gpx": gpx(demo_route())}
    if scenario.bench:
        files |= {f"photos/{c.id}.png": drawing(c.id) for c in scenario.configurations}
    values = {
        "scenario": scenario, "ids": [c.id for c in scenario.configurations],
        "station": scenario.reference == "station", "zone": ZONE, "columns": column_mapping(scenario.units),
        "route": demo_route(), "records": records, "runs": _runs(scenario, seed, files),
        "stands": _stands(scenario, seed, files), **_weather(scenario, seed, files), **_bench(scenario, seed, files),
    }  # fmt: skip
    language = Environment(undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True)
    language.filters |= {"local": _local, "inline": _inline}
    files["campaign.toml"] = language.from_string(TEMPLATE.read_text("utf-8")).render(values)
    for name, content in files.items():
        path = Path(folder) / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return Path(folder) / "campaign.toml"


def _local(moment: datetime) -> str:
    return moment.astimezone(ZoneInfo(ZONE)).isoformat()


def _inline(mapping: Mapping[str, str | None]) -> str:
    """Return an inline table of TOML; what is mapped to None is left out."""
    pairs = (f"{json.dumps(key, ensure_ascii=False)} = {json.dumps(value)}" for key, value in mapping.items() if value)
    return f"{{ {', '.join(pairs)} }}"


def _runs(scenario: Scenario, seed: int, files: Files) -> list[dict[str, Any]]:
    drives = scenario_runs(scenario, seed)
    clock = ZoneInfo(ZONE) if scenario.clock else None
    for planned in scenario.schedule:
        for suffix in ("", CONTROL) if scenario.control else ("",):
            rng = generator(scenario, seed, planned.run, "log", suffix)
            run = drives[planned.run + suffix]
            log = log_run(run, rng, units=scenario.units, rounding=scenario.rounding, clock=clock)
            files[f"logs/{planned.run}{suffix}.csv.gz"] = log.packed()
    return [
        {"id": p.run, "configuration": p.configuration.id, "day": scenario.days[p.day], "log": f"logs/{p.run}.csv.gz",
         "control": f"logs/{p.run}{CONTROL}.csv.gz", "start": start_time(drives[p.run])}
        for p in scenario.schedule
    ]  # fmt: skip


def _weather(scenario: Scenario, seed: int, files: Files) -> dict[str, list[Any]]:
    """Return station reports, the forecast of the evening before, and the readings of a handheld."""
    rng, guess, read = (generator(scenario, seed, name) for name in ("weather", "forecast", "handheld"))
    reports, rows, forecasts, readings = [], [",".join(records.TABLE_COLUMNS)], [], []
    for index, day in enumerate(scenario.days):
        starts = [p.start for p in scenario.schedule if p.day == index]
        if starts:
            first, last = min(starts), max(starts)
            reports += records.reports(day, first, last, rng, us=scenario.units == "us")
            rows += records.table_rows(day, first, last, rng)
            forecasts += records.forecast(day, first, last, guess)
            readings += records.handheld_readings(day, starts, read)
    if scenario.reference == "station":
        files["weather/reports.txt"] = "\n".join(reports) + "\n"
        files["weather/station.csv"] = "\n".join(rows) + "\n"
    return {"reports": reports, "forecasts": forecasts, "readings": readings}


def _stands(scenario: Scenario, seed: int, files: Files) -> list[tuple[Any, ...]]:
    """Return a soak check at each dawn: on the first day a log while the air warms, on the others what was read."""
    if not scenario.bench:
        return []
    rng = generator(scenario, seed, "soak")
    wrong = float(rng.normal(0.0, records.THERMOMETER))
    seen = [
        records.stand(day, 7.0, 0.0 if index else 90.0, scenario.rounding, wrong, rng)
        for index, day in enumerate(scenario.days)
    ]
    files["soak/dawn.csv"] = records.delimited(records.STAND_COLUMNS, seen[0].values(), "%.0f %.0f %.0f %.0f %.1f")
    return [(day, day.date + timedelta(hours=7), it) for day, it in zip(scenario.days, seen, strict=True)]


def _bench(scenario: Scenario, seed: int, files: Files) -> dict[str, Any]:
    if not scenario.bench:
        return {}
    rng = generator(scenario, seed, "bench")
    begin = scenario.days[-1].date + timedelta(days=5, hours=12)
    first = scenario.configurations[0]
    order = [(first, 0)] + [(c, number) for c in scenario.configurations for number in range(1, records.PULLS + 1)]
    pulls = []
    for place, (configuration, number) in enumerate(order):
        source = rng if number else generator(scenario, seed, "bench", "cold")
        pull = records.dyno_pull(scenario.vehicle, configuration, number, source)
        name = f"{configuration.id}-{number}"
        files[f"dyno/{name}.csv"] = pull.text
        minutes = 9 * place + 25 * (place - 1) // records.PULLS
        pulls.append({"id": name, "configuration": configuration.id, "file": f"dyno/{name}.csv",
                      "time": begin + timedelta(minutes=minutes), "temperature": pull.cell_temperature,
                      "humidity": pull.cell_humidity})  # fmt: skip
    return {"pulls": pulls, "restrictions": {c.id: records.restriction_points(c, rng) for c in scenario.configurations}}
