"""The 30 real laps as a campaign folder: one car, nothing changed between laps, so whatever is found is chance."""

import pickle
import shutil
from pathlib import Path

import pytest
from conftest import Chain, made_once, run_chain

HEAD = """
schema = 1
[campaign]
id = "loop"
title = "One car, one loop, nothing changed"
question = "Does random assignment find differences that are not there?"
units = "si"
timezone = "UTC"
[vehicle]
description = "one car"
[[configuration]]
id = "a"
name = "A"
role = "baseline"
[[configuration]]
id = "b"
name = "B"
role = "candidate"
[instrument]
logger = "phone, a row every 5 s"
[log]
format = "delimited"
time = "time"
[log.columns]
"longitude [deg]" = "longitude [deg]"
"latitude [deg]" = "latitude [deg]"
"GPS Speed [km/h]" = "gps_speed [km/h]"
"Speed [km/h]" = "speed [km/h]"
"Intake Temperature [c]" = "iat [degC]"
[metrics]
alarm_limit = "40 degC"
"""
# a constant stands in for ambient, which the laps have not; differences within sessions do not see it
WEATHER = """
[[weather]]
id = "constant"
kind = "handheld"
accuracy = "0.5 degC"
max_age = "400 h"
readings = [
  { time = 2017-03-28T00:00:00Z, temperature = "10 degC" },
  { time = 2017-04-07T00:00:00Z, temperature = "10 degC" },
]
[[route.phase]]
id = "all"
name = "Whole loop"
kind = "highway"
start = "1500 m"
end = "16000 m"
"""


def session_of(name: str) -> str:
    """Return day and half of day of a lap: laps of one session follow each other within minutes."""
    day, clock = name.split("_")
    return f"{day}-{'am' if int(clock) < 1200 else 'pm'}"


def loop_chain(factory: pytest.TempPathFactory, drives: Path) -> Chain:
    """Return the chain of all laps as they are, with a constant for ambient; computed once for all test processes."""

    def make(folder: Path) -> None:
        (folder / "chain").write_bytes(pickle.dumps(run_chain(write_loop(drives, folder / "loop", WEATHER))))

    return pickle.loads((made_once(factory, "loop", make) / "chain").read_bytes())


def write_loop(drives: Path, folder: Path, more: str = "", names: dict[str, str] | None = None) -> Path:
    """Write a campaign of all laps in which blocks are sessions; configurations by lap, or assigned later."""
    (folder / "logs").mkdir(parents=True)
    parts = [HEAD + more]
    for i, file in enumerate(sorted(drives.glob("loop/*.csv"))):
        shutil.copy(file, folder / "logs" / file.name)
        name = names[file.stem] if names else "ab"[i % 2]
        parts.append(
            f'[[run]]\nid = "{file.stem}"\nconfiguration = "{name}"\nblock = "{session_of(file.stem)}"\n'
            f'files = ["logs/{file.name}"]\n'
        )
    target = folder / "campaign.toml"
    target.write_text("\n".join(parts), encoding="utf-8")
    return target
