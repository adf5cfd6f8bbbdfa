"""The README's example of weather, dyno and bench evidence is a campaign that loads and gives its evidence."""

import re
from pathlib import Path

import offroad
import pytest
import roadlog
from conftest import ROOT, run_chain

from intake_report.campaign import load_campaign
from intake_report.demo.scenario import SCENARIOS

README = (ROOT / "README.md").read_text("utf-8")


def example(name: str) -> str:
    return re.search(rf"<!-- {name} -->\n```toml\n(.*?)```", README, re.DOTALL)[1]


def extended(folder: Path, name: str) -> Path:
    """Return the file of a small campaign with an example of the README below."""
    file = roadlog.write(folder)
    file.write_text(f"{file.read_text('utf-8')}\n{example(name)}", "utf-8")
    return file


def test_example_of_the_readme_works(tmp_path: Path) -> None:
    file = extended(tmp_path, "evidence")
    (tmp_path / "dyno").mkdir()
    rows = offroad.pull_text("stock", 0).replace("n,tq,kw,in,cool", "RPM,Torque (Nm),kW,IAT (C),Coolant")
    (tmp_path / "dyno" / "a1.csv").write_text(rows, "utf-8")
    evidence = run_chain(file).result.evidence
    assert evidence.tested == ("power on a dyno", "restriction", "wet exposure", "time to service")
    assert evidence.weather.runs[0].pressure is not None


def test_example_of_a_soak_check_works(tmp_path: Path) -> None:
    """15 read where 15.4 is, and rounding is not known: 0.4 K are added, within a step of the reading."""
    file = extended(tmp_path, "soak")
    zeroing = run_chain(file).measured.zeroing
    assert zeroing.correction(load_campaign(file), "iat", 1.0) == pytest.approx(0.4, abs=0.05)
    assert {notice.code for notice in zeroing.notices} == {"soak-check-applied"}


def test_shortest_example_of_the_readme_works(tmp_path: Path) -> None:
    (tmp_path / "campaign.toml").write_text(example("shortest"), "utf-8")
    (tmp_path / "logs").mkdir()
    for number, (name, intake) in enumerate({"mon-1": roadlog.STOCK, "mon-2": roadlog.SEALED}.items()):
        drive = roadlog.drive(intake, 20.0 + number)
        rows = ["Elapsed (s),Speed (mph),Intake temp (F),Ambient (F)"]
        for i, time in enumerate(drive["time"]):
            iat, ambient = (round(drive[channel][i]) * 1.8 + 32.0 for channel in ("iat", "ambient"))
            rows.append(f"{time:.0f},{drive['speed'][i] / 1.609344:.1f},{iat:.1f},{ambient:.1f}")
        (tmp_path / "logs" / f"{name}.csv").write_text("\n".join(rows) + "\n", "utf-8")
    result = run_chain(tmp_path / "campaign.toml").result
    assert [run.highway_entry is not None for run in result.runs] == [True, True]
    assert {c.key: c.difference for c in result.comparisons}["mean_over_ambient:ramp"] < -1.0
    # the sealed intake hardly warms, so that it has nothing to recover from
    assert {v.run: v.status for v in result.of("recovery_time:1.67K")} == {"mon-1": "ok", "mon-2": "within at entry"}
    iat = next(row for row in result.sampling.itertuples() if row.channel == "iat")
    assert iat.resolution == pytest.approx(1.0)  # 1.8 °F are 1 K exactly


def test_readme_names_every_demo_and_every_command() -> None:
    assert all(f"data/{id}" in README for id in SCENARIOS)
    assert all(f"intake-report {command}" in README for command in ("render", "check", "schema", "demo"))
