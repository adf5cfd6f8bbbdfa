"""The README's example of weather, dyno and bench evidence is a campaign that loads and gives its evidence."""

from __future__ import annotations

import re
from pathlib import Path

import offroad
import roadlog
from conftest import ROOT, run_chain


def test_example_of_the_readme_works(tmp_path: Path) -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    example = re.search(r"<!-- evidence -->\n```toml\n(.*?)```", text, re.DOTALL)
    assert example is not None
    file = roadlog.write(tmp_path)
    file.write_text(f"{file.read_text('utf-8')}\n{example[1]}", "utf-8")
    (tmp_path / "dyno").mkdir()
    rows = offroad.pull_text("stock", 0).replace("n,tq,kw,in,cool", "RPM,Torque (Nm),kW,IAT (C),Coolant")
    (tmp_path / "dyno" / "a1.csv").write_text(rows, "utf-8")
    evidence = run_chain(file).result.evidence
    assert evidence is not None
    assert evidence.tested == ("power on a dyno", "restriction", "wet exposure", "time to service")
    assert evidence.weather.runs[0].pressure is not None
