"""Small campaigns made by code: short drives with known physics, written as a campaign folder in a moment."""

import copy
import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

HEADERS = {"speed": "Speed (km/h)", "iat": "Intake (C)", "ambient": "Outside (C)"}
UNITS = {"speed": "km/h", "iat": "degC", "ambient": "degC"}
CITY, RAMP = 1100.0, 1500.0  # m; ends of the phases


@dataclass(frozen=True)
class Intake:
    """What a configuration does to the air: heat soak [K/min], recovery time constant [s], what stays on the road [K]."""

    soak: float = 6.0
    tau: float = 40.0
    rest: float = 0.5


STOCK, SEALED = Intake(), Intake(soak=3.0, tau=25.0)


def speed_profile(stops: tuple[int, ...] = (25, 35, 30), highway: int = 200) -> np.ndarray:
    """Return speed [km/h] at 1 Hz: standstills between short city hops, then a ramp and the highway."""
    hop = [*np.linspace(0, 50, 9)[1:], *[50.0] * 16, *np.linspace(50, 0, 9)[1:]]
    city = [speed for seconds in stops for speed in [0.0] * seconds + hop]
    return np.array([*city, *[0.0] * 15, *np.linspace(0, 105, 22)[1:], *[105.0] * highway])


def drive(intake: Intake, ambient: float, stops: tuple[int, ...] = (25, 35, 30), highway: int = 200) -> dict[str, Any]:
    """Return time and channels at 1 Hz; intake air temperature before the control unit rounds it."""
    speed = speed_profile(stops, highway)
    iat = np.empty(speed.size)
    value = ambient + 4.0
    for i, v in enumerate(speed):
        iat[i] = value
        value += intake.soak / 60.0 if v == 0 else -(value - ambient - intake.rest) / intake.tau
    return {"time": np.arange(float(speed.size)), "speed": speed, "iat": iat, "ambient": np.full(speed.size, ambient)}


def log_text(channels: dict[str, Any], left_out: tuple[str, ...] = ()) -> str:
    """Return the drive as a CSV text, temperatures in whole degrees as a diagnostic port sends them."""
    names = [name for name in HEADERS if name not in left_out]
    lines = [",".join(["Elapsed (s)", *(HEADERS[name] for name in names)])]
    for i, t in enumerate(channels["time"]):
        lines.append(",".join([f"{t:.0f}", *(f"{channels[name][i]:.0f}" for name in names)]))
    return "\n".join(lines) + "\n"


def campaign(*, blocks: int = 2, units: str = "si", left_out: tuple[str, ...] = ()) -> dict[str, Any]:
    """Return the campaign file as data; edit it and write it with `write`."""
    columns = {HEADERS[name]: f"{name} [{UNITS[name]}]" for name in HEADERS if name not in left_out}
    runs = []
    for block in range(1, blocks + 1):
        for place, name in enumerate(("stock", "sealed") if block % 2 else ("sealed", "stock")):
            start = dt.datetime(2026, 5, 10 + block, 9 + place, tzinfo=dt.UTC)
            log = {"files": [f"logs/b{block}-{name}.csv"], "start": start}
            runs.append({"id": f"b{block}-{name}", "configuration": name, "block": f"block-{block}"} | log)
    return {
        "schema": 1,
        "campaign": {"id": "small-trial", "title": "Small trial", "question": "Is it closer to ambient?", "units": units},
        "vehicle": {"description": "Small car (made by code)"},
        "configuration": [
            {"id": "stock", "name": "As-sold airbox", "role": "baseline"},
            {"id": "sealed", "name": "Sealed box", "role": "candidate", "deviations": ["inlet moved outside"]},
        ],
        "instrument": {"logger": "adapter", "channels": {"iat": {"resolution": "1 degC", "accuracy": "1 degC"}}},
        "log": {"time": "Elapsed (s)", "columns": columns},
        "route": {
            "phase": [
                {"id": "city", "name": "City", "kind": "city", "start": "0 m", "end": f"{CITY:.0f} m"},
                {"id": "ramp", "name": "On-ramp", "kind": "ramp", "start": f"{CITY:.0f} m", "end": f"{RAMP:.0f} m"},
                {"id": "highway", "name": "Highway", "kind": "highway", "start": f"{RAMP:.0f} m", "end": "6000 m"},
            ],
        },
        "run": runs,
        "metrics": {"recovery_margins": ["3 degF", "5 degF"], "alarm_limit": "30 degC", "draws": 200},
    }  # fmt: skip


def write(folder: Path, data: dict[str, Any] | None = None, *, left_out: tuple[str, ...] = ()) -> Path:
    """Write logs and campaign file of a small campaign and return the campaign file."""
    data = campaign(left_out=left_out) if data is None else data
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    for number, run in enumerate(data["run"]):
        intake = STOCK if run["configuration"] == "stock" else SEALED
        stops = tuple(seconds + number for seconds in (25, 35, 30))
        text = log_text(drive(intake, 20.0 + 0.4 * number, stops), left_out)
        (folder / run["files"][0]).write_text(text, "utf-8")
    file = folder / "campaign.toml"
    file.write_text(toml(data), "utf-8")
    return file


def changed(data: dict[str, Any], key: str, value: Any) -> dict[str, Any]:
    """Return a copy with the value at a dotted key replaced ("run.0.configuration"); None removes it."""
    data = copy.deepcopy(data)
    *path, last = key.split(".")
    place: Any = data
    for part in path:
        place = place[int(part)] if isinstance(place, list) else place.setdefault(part, {})
    index: Any = int(last) if isinstance(place, list) else last
    if value is None:
        del place[index]
    elif isinstance(place, list) and index == len(place):
        place.append(value)
    else:
        place[index] = value
    return data


def toml(data: dict[str, Any]) -> str:
    """Return plain data as TOML: top-level scalars, then tables in order."""
    return "".join(_table((), data)) or "\n"


def _table(path: tuple[str, ...], data: dict[str, Any]) -> list[str]:
    scalars = {k: v for k, v in data.items() if not _is_table(v)}
    lines = [f"{_key(k)} = {_value(v)}\n" for k, v in scalars.items()]
    for key, value in data.items():
        if not _is_table(value):
            continue
        name = ".".join(_key(part) for part in (*path, key))
        for item in value if isinstance(value, list) else [value]:
            lines.append(f"\n[[{name}]]\n" if isinstance(value, list) else f"\n[{name}]\n")
            lines += _table((*path, key), item)
    return lines


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


def _key(key: str) -> str:
    bare = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if bare else _value(key)


def _value(value: Any) -> str:
    if isinstance(value, dt.datetime | dt.date):
        return value.isoformat()
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False)
