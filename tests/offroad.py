"""A small campaign with evidence beside the road whose answers are known: pulls, restriction, trials, times, weather."""

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import roadlog

COLUMNS = {"n": "rpm [rpm]", "tq": "torque [N*m]", "kw": "power [kW]", "in": "iat [degC]", "cool": "coolant [degC]"}
TORQUE = {"stock": (150.0, 150.3, 149.7), "sealed": (153.0, 153.3, 152.7)}  # N·m, constant over the sweep
IAT = {"stock": 40.0, "sealed": 30.0}  # °C during the pulls
ELEVATION = 500.0  # m
REPORTS = [f"METAR XXXX {11 + day:02d}{hour:02d}50Z 24008KT 9999 SCT040 20/10 A2992 RMK AO2 T02000100"
           for day in range(2) for hour in range(7, 13)]  # fmt: skip


def campaign(units: str = "si") -> dict[str, Any]:
    """Return the campaign file as data; `write` puts the pulls beside it."""
    data = roadlog.campaign(units=units)
    data["vehicle"] |= {"displacement": "2.0 L", "aspiration": "natural"}
    for run in data["run"]:
        run |= {"road": "dry", "sky": "clear", "sun": "full sun", "rain": "none"}
    times = [run["start"] for run in data["run"]]
    data["weather"] = [
        {"id": "airfield", "kind": "metar", "elevation": f"{ELEVATION:g} m", "month": "2026-05", "reports": list(REPORTS)},
        {
            "id": "yard", "kind": "handheld", "elevation": "510 m", "resolution": "0.1 degC",
            "readings": [{"time": time, "temperature": "20.5 degC", "humidity": "50 %"} for time in times],
        },
        {
            "id": "forecast", "kind": "forecast",
            "readings": [{"time": time, "temperature": "23 degC", "wind_speed": "10 km/h"} for time in times],
        },
    ]  # fmt: skip
    data["ambient"] = {"reference": "airfield"}
    data["dyno"] = {"correction": "sae-j1349-2004", "smoothing": "200 rpm"}
    data["dyno"] |= {"elevation": "500 m", "least_coolant": "80 degC"}
    data["bench"] = {"depression": "4 kPa"}
    data["pull"] = [pull("cold", "stock", 1)]
    for order, name in enumerate(("stock", "sealed") * 3, 2):
        data["pull"].append(pull(f"{name}-{order // 2 - 1}", name, order))
    data["restriction"] = [curve("stock", 300.0), curve("sealed", 200.0)]
    trial = {"configuration": "sealed", "condition": "wet", "duration": "30 min"}
    trial |= {"observation": "dry", "adverse": False}
    data["exposure"] = [
        trial | {"trials": 6},
        trial | {"configuration": "stock", "adverse": True, "observation": "drops in the box"},
        trial | {"condition": "dusty", "filter_mass_before": "400.0 g", "filter_mass_after": "403.5 g"},
    ]
    timed = {"configuration": "stock", "task": "change the element"}
    data["observation"] = [timed | {"time": time} for time in ("3 min", "4 min", "5 min")]
    data["observation"].append({"configuration": "sealed", "task": "lid", "note": "needs **two** hands [[sec-claims]]"})
    return data


def pull(id: str, configuration: str, order: int) -> dict[str, Any]:
    """Return the entry of one pull; its file is written by `write` from its id."""
    return {
        "id": id, "configuration": configuration, "file": f"pulls/{id}.csv", "columns": dict(COLUMNS),
        "measured_at": "wheel", "order": order, "time": dt.datetime(2026, 5, 20, 9, order, tzinfo=dt.UTC),
        "session": "rollers", "cell_temperature": "25 degC", "cell_pressure": "92.0 kPa", "cell_humidity": "40 %",
    }  # fmt: skip


def curve(configuration: str, coefficient: float) -> dict[str, Any]:
    """Return a restriction curve on the exact law drop = coefficient · airflow² [kPa, m³/s]."""
    flows = (0.02, 0.04, 0.06, 0.08, 0.10)
    points = [{"airflow": f"{q} m^3/s", "drop": f"{coefficient * q * q:.9f} kPa"} for q in flows]
    return {"configuration": configuration, "source": "bench", "points": points}


def pull_text(configuration: str, number: int, coolant: float = 90.0) -> str:
    """Return the rows of one pull: constant torque from 2000 to 6000 rpm."""
    speed = np.arange(2000.0, 6001.0, 50.0)
    torque = TORQUE[configuration][number]
    lines = ["n,tq,kw,in,cool"]
    end = f"{IAT[configuration]:.1f},{coolant:.0f}"
    lines += [f"{n:.0f},{torque:.2f},{torque * n * np.pi / 30000.0:.4f},{end}" for n in speed]
    return "\n".join(lines) + "\n"


def write(folder: Path, data: dict[str, Any] | None = None) -> Path:
    """Write logs, pulls and campaign file; return the campaign file."""
    data = campaign() if data is None else data
    (folder / "pulls").mkdir(parents=True, exist_ok=True)
    for entry in (e for e in data.get("pull", []) if "file" in e):
        name, _, number = entry["id"].partition("-")
        text = pull_text("stock", 0, coolant=60.0) if name == "cold" else pull_text(name, int(number))
        (folder / entry["file"]).write_text(text, "utf-8")
    return roadlog.write(folder, data)
