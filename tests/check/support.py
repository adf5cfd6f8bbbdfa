"""Logs and small campaigns for the tests of the check."""

import json
from pathlib import Path
from typing import Any

import pytest
import roadlog

from intake_report import cli

ROOT = Path(__file__).resolve().parents[2]
PLANNED = {"id": "b3-stock", "configuration": "stock", "block": "block-3", "files": ["logs/b3-stock.csv"]}


def planned_campaign(folder: Path, **changes: Any) -> Path:
    """A small campaign of four runs with a fifth that is planned but not driven."""
    file = roadlog.write(folder)
    data = roadlog.changed(roadlog.campaign(), "run.4", PLANNED)
    for key, value in changes.items():
        data = roadlog.changed(data, key.replace("__", "."), value)
    file.write_text(roadlog.toml(data), "utf-8")
    return file


def log(path: Path, ambient: float = 21.0, rows: slice = slice(None), **more: Any) -> Path:
    """A drive of the small campaign's route, or some rows of it."""
    head, *lines = roadlog.log_text(roadlog.drive(roadlog.STOCK, ambient, **more)).splitlines()
    path.write_text("\n".join([head, *lines[rows]]) + "\n", "utf-8")
    return path


def plain_log(path: Path, **more: Any) -> Path:
    """The same with headers that say what they are, for a log without a campaign."""
    text = log(path, **more).read_text("utf-8")
    path.write_text(text.replace("Intake (C)", "Intake Temp (C)").replace("Outside (C)", "Ambient (C)"), "utf-8")
    return path


def check_json(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, list[dict[str, Any]]]:
    """Run `check --json`; return exit status and objects."""
    capsys.readouterr()
    status = cli.main(["check", "--json", *map(str, arguments)])
    return status, [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def criterion(check: dict[str, Any], code: str) -> dict[str, Any]:
    return next(c for c in check["criteria"] if c["code"] == code)
