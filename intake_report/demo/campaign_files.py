"""Write a simulated campaign as a folder, without its truth; the invented station stands outside the warm city."""

import io
import json
from collections.abc import Iterable, Mapping
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from jinja2 import Environment, StrictUndefined
from numpy.random import Generator

from intake_report.demo.logger import column_mapping, log_run, packed, quantise, start_time
from intake_report.demo.route import control_plan, demo_route, draw_plan, gpx
from intake_report.demo.scenario import CONTROL, SEED, STOCK, ZONE, Array, Day, Intake, Scenario, generator
from intake_report.demo.simulate import SimulatedRun, friction_power, full_airflow, pressure_drop, simulate_runs

Files = dict[str, str | bytes]
TEMPLATE = Path(__file__).with_name("campaign.toml.j2")


def write_campaign(scenario: Scenario, folder: Path, seed: int = SEED) -> Path:
    """Write the campaign and return its file, replacing files of the same names; equal arguments give equal bytes."""
    files: Files = {"route.gpx": gpx(demo_route())}
    if scenario.bench:
        files |= {f"photos/{c.id}.png": drawing(c.id) for c in scenario.configurations}
    values = globals() | {  # the template names constants of this module too
        "scenario": scenario, "ids": [c.id for c in scenario.configurations],
        "station": scenario.reference == "station", "zone": ZONE, "columns": column_mapping(scenario.units),
        "route": demo_route(), "runs": _runs(scenario, seed, files),
        "stands": _stands(scenario, seed, files), **_weather(scenario, seed, files), **_bench(scenario, seed, files),
    }  # fmt: skip
    language = Environment(undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True)
    language.filters |= {"local": lambda moment: moment.astimezone(ZoneInfo(ZONE)).isoformat(), "inline": _inline}
    files["campaign.toml"] = language.from_string(TEMPLATE.read_text("utf-8")).render(values)
    for name, content in files.items():
        path = Path(folder) / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return Path(folder) / "campaign.toml"


def _inline(mapping: Mapping[str, str | None]) -> str:
    """Return an inline table of TOML; what is mapped to None is left out."""
    pairs = (f"{json.dumps(key, ensure_ascii=False)} = {json.dumps(value)}" for key, value in mapping.items() if value)
    return f"{{ {', '.join(pairs)} }}"


@lru_cache(maxsize=4)
def scenario_runs(scenario: Scenario, seed: int = SEED) -> dict[str, SimulatedRun]:
    """Return the full simulation of each run of the campaign, and of its control vehicle (the run's id and `CONTROL`)."""
    runs = {}
    for planned in scenario.schedule:
        day = scenario.days[planned.day]
        plan = draw_plan(demo_route(), day, planned.start, generator(scenario, seed, planned.run, "plan"))
        runs[planned.run] = (planned.configuration, day, plan)
        if scenario.control:  # the unmodified vehicle beside it
            beside = control_plan(plan, generator(scenario, seed, planned.run, "control"))
            runs[f"{planned.run}{CONTROL}"] = (STOCK, day, beside)
    return dict(zip(runs, simulate_runs([*runs.values()], scenario.vehicle), strict=True))


def _runs(scenario: Scenario, seed: int, files: Files) -> list[dict[str, Any]]:
    drives = scenario_runs(scenario, seed)
    clock = ZoneInfo(ZONE) if scenario.clock else None
    for planned in scenario.schedule:
        for suffix in ("", CONTROL) if scenario.control else ("",):
            rng = generator(scenario, seed, planned.run, "log", suffix)
            how: dict[str, Any] = {"units": scenario.units, "rounding": scenario.rounding, "clock": clock}
            files[f"logs/{planned.run}{suffix}.csv.gz"] = packed(log_run(drives[planned.run + suffix], rng, **how))
    return [
        {"id": p.run, "configuration": p.configuration.id, "day": scenario.days[p.day], "log": f"logs/{p.run}.csv.gz",
         "control": f"logs/{p.run}{CONTROL}.csv.gz", "start": start_time(drives[p.run])}
        for p in scenario.schedule
    ]  # fmt: skip


def _weather(scenario: Scenario, seed: int, files: Files) -> dict[str, list[Any]]:
    rng, guess, read = (generator(scenario, seed, name) for name in ("weather", "forecast", "handheld"))
    metars, rows, forecasts, readings = [], [",".join(TABLE_COLUMNS)], [], []
    for index, day in enumerate(scenario.days):
        starts = [p.start for p in scenario.schedule if p.day == index]
        if starts:
            first, last = min(starts), max(starts)
            metars += reports(day, first, last, rng, us=scenario.units == "us")
            # every five minutes from half an hour before the first start to an hour after the last
            for step in range(int(np.floor((first - 0.5) * 12)), int(np.ceil((last + 1.0) * 12)) + 1):
                moment = day.date + timedelta(minutes=5 * step)
                air = float(day.temperature(step / 12.0)) + STATION_BIAS + rng.normal(0.0, 0.08)
                direction = round(day.wind_from + rng.normal(0.0, 12.0)) % 360
                speed = max(0.3, day.wind_speed + rng.normal(0.0, 0.5))
                pressure = day.pressure * 10.0 + rng.normal(0.0, 0.05)
                reading = f"{air:.1f},{_humidity(day, air):.0f},{pressure:.1f},{speed:.1f},{direction}"
                rows.append(f"{moment:%Y-%m-%dT%H:%M:%SZ},{reading}")
            # hourly, as recorded the evening before: time, temperature [°C], wind [m/s]
            error, wind = guess.normal(0.0, FORECAST_ERROR), max(0.5, day.wind_speed + guess.normal(0.0, 1.0))
            for hour in range(int(first), int(last) + 3):
                told = round(float(day.temperature(float(hour))) + error)
                forecasts.append((day.date + timedelta(hours=hour), told, wind))
            # in the shade of the yard before each run and after the last: time, temperature [°C], humidity [%]
            for at in (*(start - 3.0 / 60.0 for start in starts), starts[-1] + 0.6):
                air = float(day.temperature(at)) + HANDHELD_BIAS + read.normal(0.0, 0.2)
                readings.append((day.date + timedelta(minutes=round(at * 60.0)), air, _humidity(day, air)))
    if scenario.reference == "station":
        files["weather/reports.txt"] = "\n".join(metars) + "\n"
        files["weather/station.csv"] = "\n".join(rows) + "\n"
    return {"reports": metars, "forecasts": forecasts, "readings": readings}


def _stands(scenario: Scenario, seed: int, files: Files) -> list[tuple[Any, ...]]:
    """Return a soak check at each dawn: on the first day a log while the air warms, on the others what was read."""
    if not scenario.bench:
        return []
    rng = generator(scenario, seed, "soak")
    wrong = float(rng.normal(0.0, THERMOMETER))
    seen: list[tuple[Any, ...]] = []
    for day in scenario.days:
        time = np.arange(0.0, 1.0 if seen else 5401.0, 10.0)
        air = day.temperature(DAWN + time / 3600.0)
        sent = {name: quantise(air + left, scenario.rounding) for name, left in _STAND_LEFT.items()}
        read = np.round(air + wrong + rng.normal(0.0, 0.02, time.size), 1)
        seen.append((day, day.date + timedelta(hours=DAWN), {"time": time, **sent, "reference": read}))
    files["soak/dawn.csv"] = delimited(STAND_COLUMNS, seen[0][2].values(), "%.0f %.0f %.0f %.0f %.1f")
    return seen


def _bench(scenario: Scenario, seed: int, files: Files) -> dict[str, Any]:
    if not scenario.bench:
        return {}
    rng = generator(scenario, seed, "bench")
    begin = scenario.days[-1].date + timedelta(days=5, hours=12)
    order = [(scenario.configurations[0], 0)] + [(c, n) for c in scenario.configurations for n in range(1, PULLS + 1)]
    pulls = []
    for place, (configuration, number) in enumerate(order):
        source = rng if number else generator(scenario, seed, "bench", "cold")
        name = f"{configuration.id}-{number}"
        files[f"dyno/{name}.csv"], air, humidity = dyno_pull(scenario, configuration, number, source)
        minutes = 9 * place + 25 * (place - 1) // PULLS
        pulls.append({"id": name, "configuration": configuration.id, "file": f"dyno/{name}.csv",
                      "time": begin + timedelta(minutes=minutes), "temperature": air, "humidity": humidity})  # fmt: skip
    flows, restrictions = np.arange(100.0, 351.0, 50.0), {}  # [m³/h]; bench air 1.19 kg/m³, 1 % noise of the drop [kPa]
    for c in scenario.configurations:
        drops = pressure_drop(c, flows / 3600.0 * 1.19 * 1000.0) * (1.0 + rng.normal(0.0, 0.01, flows.size))
        restrictions[c.id] = list(zip(flows.tolist(), drops.tolist(), strict=True))
    return {"pulls": pulls, "restrictions": restrictions}


ELEVATION = 24.0  # height of the station above sea level [m]
STATION_BIAS = 0.1  # what the station reads too high [K]
HANDHELD_BIAS = 0.3  # what the handheld reads too high [K]
FORECAST_ERROR = 0.8  # standard deviation of a day's forecast temperature [K] (invented)


def _humidity(day: Day, air: float) -> float:
    """Return relative humidity [%] at an air temperature [°C] (Magnus form over water, common practice)."""
    return 100.0 * float(np.exp(17.62 * day.dew_point / (243.12 + day.dew_point) - 17.62 * air / (243.12 + air)))


def reports(day: Day, first: float, last: float, rng: Generator, *, us: bool) -> list[str]:
    """Return hourly METAR reports that cover `first` to `last` [h after midnight UTC] with an hour on either side.

    Statute miles and inches of mercury with `us`, as stations in the United States write; otherwise metres and hPa. The
    altimeter setting uses the exponent of the standard atmosphere (from memory); no temperature is below zero.
    """
    minute = 53 if us else 50
    setting = ((day.pressure * 10.0) ** 0.190263 + 8.417286e-5 * ELEVATION) ** (1.0 / 0.190263)
    pressure = f"A{round(setting / 33.86388640341 * 100.0):04d}" if us else f"Q{round(setting):04d}"
    sight, sky, station = ("10SM" if us else "9999"), ("FEW035" if day.sunny else "SCT040"), ("AO2 " if us else "")
    out = []
    for hour in range(int(first) - 1, int(last) + 3):
        moment = day.date + timedelta(hours=hour, minutes=minute)
        air = float(day.temperature(hour + minute / 60.0)) + STATION_BIAS + rng.normal(0.0, 0.08)
        dew = day.dew_point + rng.normal(0.0, 0.15)
        direction = int(round((day.wind_from + rng.normal(0.0, 10.0)) / 10.0) * 10) % 360 or 360
        knots = max(3, round((day.wind_speed + rng.normal(0.0, 0.4)) * 3600.0 / 1852.0))
        tenths = [round(celsius * 10.0) for celsius in (air, dew)]
        whole = "/".join(f"{int(np.floor(tenth / 10.0 + 0.5)):02d}" for tenth in tenths)
        exact = "".join(f"{tenth:04d}" for tenth in tenths)
        wind = f"{direction:03d}{knots:02d}KT"
        out.append(f"METAR XXXX {moment:%d%H%M}Z {wind} {sight} {sky} {whole} {pressure} RMK {station}T{exact}")
    return out


TABLE_COLUMNS = {
    "Time (UTC)": "time",
    "Air Temperature (°C)": "temperature [degC]",
    "Relative Humidity (%)": "humidity [%]",
    "Station Pressure (hPa)": "station_pressure [hPa]",
    "Wind Speed (m/s)": "wind_speed [m/s]",
    "Wind Direction (°)": "wind_direction [deg]",
}


def delimited(headers: Iterable[str], columns: Iterable[Array], formats: str) -> str:
    """Return a delimited table; `formats` has one for each column."""
    file = io.StringIO()
    np.savetxt(file, np.transpose([*columns]), formats.split(), ",", header=",".join(headers), comments="")
    return file.getvalue()


STAND_COLUMNS = {
    "Time (s)": None,
    "Intake Air Temperature (°C)": "iat [degC]",
    "Ambient Air Temperature (°C)": "ambient [degC]",
    "Coolant Temperature (°C)": "coolant [degC]",
    "Thermometer (°C)": "reference [degC]",
}
THERMOMETER = 0.1  # standard deviation of what a thermometer reads wrong, the same on all days [K]
DAWN, STOOD = 7.0, 11.0  # begin of a stand read [h after midnight UTC]; its length till then [h]
_STAND_LEFT = {"iat": 0.006, "ambient": 0.003, "coolant": 0.06}  # what is left of the engine's warmth after it [K]


PULLS = 3
DRIVELINE = 0.86  # wheel power over engine power, assumed for the simulated rollers
CELL_PRESSURE = 101.1  # [kPa]
PULL_COLUMNS = {
    "Engine Speed (rpm)": "rpm [rpm]",
    "Wheel Torque (N·m)": "torque [N*m]",
    "Wheel Power (kW)": "power [kW]",
    "Intake Air Temperature (°C)": "iat [degC]",
    "Coolant Temperature (°C)": "coolant [degC]",
}


def dyno_pull(scenario: Scenario, configuration: Intake, order: int, rng: Generator) -> tuple[str, float, float]:
    """Return one pull: text of its file, temperature [°C] and humidity [%] of the cell.

    The intake warms from pull to pull, the more the more under-hood air it draws. Restriction lowers the inlet density;
    heat gained on the way to the valve softens the effect of intake temperature (about the power 0.7 of the absolute).
    Order 0 is a first pull on cold rollers: coolant below its working temperature, more drag.
    """
    cold, order = not order, order or 1
    rpm = np.arange(2000.0, 6401.0, 50.0)
    cell = 23.0 + 0.25 * order + rng.normal(0.0, 0.1)
    soak = 4.0 + 14.0 * configuration.draw_idle + 0.8 * order
    air = cell + soak * (0.55 + 0.45 * np.exp(-(rpm - 2000.0) / 1500.0))
    drift = 1.0 + rng.normal(0.0, 0.004)
    wobble = np.convolve(rng.standard_normal(len(rpm) + 8), np.ones(9) / 9.0, mode="valid") * 0.9
    density = CELL_PRESSURE * 1000.0 / (287.05 * 298.15) * (298.15 / (air + 273.15)) ** 0.7
    airflow = full_airflow(scenario.vehicle, rpm, density)
    airflow = airflow * (1.0 - pressure_drop(configuration, airflow) / CELL_PRESSURE)
    torque = (airflow / 12.8 * 43.0e3 * 0.355 - friction_power(scenario.vehicle, rpm)) / (rpm * np.pi / 30.0)
    wheel = torque * DRIVELINE * drift + wobble
    power = wheel * rpm * np.pi / 30.0 / 1000.0
    coolant = np.floor(88.0 + 0.6 * order + 4.0 * (rpm - 2000.0) / 4400.0)
    if cold:
        wheel, power, coolant = 0.97 * np.round(wheel, 1), 0.97 * np.round(power, 2), coolant - 17.0
    text = delimited(PULL_COLUMNS, (rpm, wheel, power, np.floor(air), coolant), "%.0f %.1f %.2f %.0f %.0f")
    return text, cell, 44.0 + rng.normal(0.0, 1.0)


# Exposure trials: configuration, condition, minutes, observation, mass of the filter before and after [g].
TRIALS = (
    *[("sealed-snorkel", "wet", 30, "element dry to the touch, no drops in the box", None, None)] * 6,
    *[("open-cone", "wet", 30, "element dry on the engine side", None, None)] * 4,
    ("open-cone", "wet", 30, "moisture on the engine side of the element", None, None),
    ("open-cone", "wet", 30, "outer pleats wet, engine side dry", None, None),
    ("sealed-snorkel", "dusty", 45, "no dust past the element", 412.0, 415.1),
    ("open-cone", "dusty", 45, "no dust past the element", 268.0, 272.6),
    ("stock", "dusty", 45, "no dust past the element", 231.0, 233.8),
    ("sealed-snorkel", "hot", 60, "no softening of the box or its gasket", None, None),
)
ELEMENT_CHANGES = {"stock": (3.1, 2.7, 2.9), "open-cone": (4.8, 4.1, 4.4), "sealed-snorkel": (5.9, 5.2, 5.0)}  # [min]


_SIZE, _FINE = (600, 400), 3  # drawn three times as fine and reduced, for smooth edges
_EDGE, _BODY, _DUCT, _CONE, _ELEMENT = "#333333", "#b9c4cd", "#dfe5ea", "#d9c9a3", "#8a7440"
_Shape = tuple[str, tuple[float, ...], str]  # kind, points (x, y, x, y …), colour, or the text of a label

_BAY: tuple[_Shape, ...] = (
    ("area", (14, 46, 586, 46, 586, 354, 14, 354), "#f7f7f5"),
    ("area", (70, 120, 88, 120, 88, 340, 70, 340), "#c9c9c9"),
    ("area", (440, 90, 570, 90, 570, 330, 440, 330), "#a5a5a5"),
    ("label", (505, 205), "engine"),
    ("label", (300, 378), "drawing, demo (front of the vehicle: left)"),
)
_ARTICLES: dict[str, tuple[_Shape, ...]] = {
    "stock": (
        ("tube", (360, 190, 440, 190), _DUCT),
        ("tube", (30, 82, 190, 82, 190, 140), _DUCT),
        ("area", (150, 130, 360, 130, 360, 290, 150, 290), _BODY),
        ("line", (255, 140, 255, 280), _ELEMENT),
        ("label", (255, 312), "closed airbox"),
        ("label", (315, 82), "short inlet"),
    ),
    "open-cone": (
        ("tube", (330, 190, 440, 190), "#eeeeee"),
        ("area", (190, 168, 330, 130, 330, 250, 190, 212), _CONE),
        ("line", (205, 176, 318, 150), _ELEMENT),
        ("line", (205, 190, 318, 190), _ELEMENT),
        ("line", (205, 204, 318, 230), _ELEMENT),
        ("label", (262, 284), "cone element, no shield"),
        ("label", (380, 146), "tube"),
    ),
    "sealed-snorkel": (
        ("tube", (360, 190, 440, 190), _DUCT),
        ("tube", (30, 320, 190, 320, 190, 260), _DUCT),
        ("area", (150, 120, 360, 120, 360, 270, 150, 270), _BODY),
        ("frame", (164, 134, 346, 134, 346, 256, 164, 256), _EDGE),
        ("line", (255, 150, 255, 242), _ELEMENT),
        ("label", (275, 92), "sealed box, gasketed lid"),
        ("label", (315, 302), "external"),
        ("label", (315, 330), "snorkel"),
    ),
}


def drawing(article: str) -> bytes:
    """Return the drawing of a configuration, by its id, as PNG."""
    from PIL import Image, ImageDraw, ImageFont

    picture = Image.new("RGB", (_FINE * _SIZE[0], _FINE * _SIZE[1]), "white")
    pen, font = ImageDraw.Draw(picture), ImageFont.load_default(28 * _FINE)
    for kind, points, colour in _BAY + _ARTICLES[article]:
        at = [_FINE * value for value in points]
        if kind == "label":
            pen.text((at[0], at[1]), colour, fill="black", font=font, anchor="mm")
        elif kind == "area":
            pen.polygon(at, fill=colour, outline=_EDGE, width=3 * _FINE)
        elif kind == "frame":
            pen.polygon(at, outline=colour, width=2 * _FINE)
        elif kind == "line":
            pen.line(at, fill=colour, width=10 * _FINE)
        else:
            pen.line(at, fill=_EDGE, width=46 * _FINE, joint="curve")
            pen.line(at, fill=colour, width=40 * _FINE, joint="curve")
    file = io.BytesIO()
    picture.resize(_SIZE, Image.Resampling.LANCZOS).quantize(32).save(file, "PNG", optimize=True)
    return file.getvalue()
