"""Restriction and volumetric efficiency from samples at wide-open throttle on the road, on a known law."""

from pathlib import Path
from typing import Any

import numpy as np
import offroad
import pytest
from conftest import Chain, run_chain

from intake_report.messages import said

EFFICIENCY = {"stock": 0.85, "sealed": 0.90}
COEFFICIENT = {"stock": 300.0, "sealed": 200.0}  # kPa per (m³/s)²
PRESSURE, DENSITY = 95.47, 1.1303  # kPa, kg/m³; about what the reports give, so that the law is nearly exact
EXTRA = {"rpm": "rpm [rpm]", "throttle": "throttle [%]", "maf": "maf [g/s]", "map": "map [kPa]"}


def with_engine(text: str, configuration: str, throttle: float) -> str:
    """Return a log with engine channels: `throttle` on the ramp with engine speed rising to 6000 rpm, else part load."""
    lines = text.splitlines()
    last_stop = int(np.flatnonzero(np.array([float(line.split(",")[1]) for line in lines[1:]]) == 0.0)[-1])
    rows = [lines[0] + "," + ",".join(EXTRA)]
    for i, line in enumerate(lines[1:]):
        wide = last_stop < i <= last_stop + 21
        rpm = 2000.0 + 4000.0 * (i - last_stop) / 21.0 if wide else 1500.0
        share = EFFICIENCY[configuration] if wide else 0.3
        flow = share * 0.002 * rpm / 120.0  # m³/s of a four-stroke engine of two litres
        drop = COEFFICIENT[configuration] * flow**2 if wide else 50.0
        engine = f"{throttle if wide else 20.0:.1f},{1000.0 * DENSITY * flow:.4f},{PRESSURE - drop:.4f}"
        rows.append(f"{line},{rpm:.2f},{engine}")
    return "\n".join(rows) + "\n"


def chain(folder: Path, *, throttle: float = 100.0, **vehicle: Any) -> Chain:
    data = offroad.campaign()
    data["vehicle"] |= vehicle
    data["log"]["columns"] = {**data["log"]["columns"], **EXTRA}
    file = offroad.write(folder, data)
    for run in data["run"]:
        path = folder / run["files"][0]
        path.write_text(with_engine(path.read_text("utf-8"), run["configuration"], throttle), "utf-8")
    return run_chain(file)


def test_law_and_efficiency_are_found(tmp_path: Path) -> None:
    found = chain(tmp_path).result.evidence.road
    assert found is not None and not found.reason
    full = {f.configuration: f for f in found.full.itertuples()}
    for id, share in EFFICIENCY.items():
        assert full[id].runs == 2 and full[id].samples >= 2 * 18
        assert full[id].efficiency == pytest.approx(100.0 * share, rel=0.005)
    for fit in found.curves.fits:
        assert fit.exponent == pytest.approx(2.0, abs=0.05)
    # at one airflow the restrictions stand as the coefficients do: 200 is a third less than 300
    assert found.curves.rows["percent"].iloc[1] == pytest.approx(-33.3, abs=1.0)


def test_part_throttle_says_why(tmp_path: Path) -> None:
    found = chain(tmp_path, throttle=60.0).result.evidence.road
    assert found.curves is None and found.full.empty
    reason = said(found.reason, "si")
    assert "never wide open" in reason and "60\N{NO-BREAK SPACE}%" in reason


def test_manifold_of_a_boosted_engine_tells_no_restriction(tmp_path: Path) -> None:
    found = chain(tmp_path, aspiration="boosted").result.evidence.road
    assert found.curves is None and "boosted" in said(found.reason, "si")
    assert found.full["efficiency"].iloc[0] == pytest.approx(100.0 * EFFICIENCY["stock"], rel=0.005)
