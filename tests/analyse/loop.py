"""The 30 real laps as a campaign folder: one car, nothing changed between laps, so whatever is found is chance."""

from __future__ import annotations

import shutil
from pathlib import Path

LIMIT = "40 degC"

HEAD = f"""
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
alarm_limit = "{LIMIT}"
"""


def session_of(name: str) -> str:
    """Return day and half of day of a lap: laps of one session follow each other within minutes."""
    day, clock = name.split("_")
    return f"{day}-{'am' if int(clock) < 1200 else 'pm'}"


def write_loop(drives: Path, folder: Path) -> Path:
    """Write a campaign of all laps in which blocks are sessions; the configurations are assigned later."""
    (folder / "logs").mkdir(parents=True)
    parts = [HEAD]
    for i, file in enumerate(sorted(drives.glob("loop/*.csv"))):
        shutil.copy(file, folder / "logs" / file.name)
        parts.append(
            f'[[run]]\nid = "{file.stem}"\nconfiguration = "{"ab"[i % 2]}"\nblock = "{session_of(file.stem)}"\n'
            f'files = ["logs/{file.name}"]\n'
        )
    target = folder / "campaign.toml"
    target.write_text("\n".join(parts), encoding="utf-8")
    return target
