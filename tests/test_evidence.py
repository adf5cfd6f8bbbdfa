"""Pulls, restriction, exposure and service entries of a campaign file, from text to results."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import roadlog

from intake_report.analyse.evidence_limits import dyno_limitations
from intake_report.bench import bench_evidence
from intake_report.campaign import Campaign, load_campaign
from intake_report.dyno import dyno_evidence
from intake_report.errors import DataError, IntakeReportError
from intake_report.messages import said
from intake_report.report_table import rows_of

CAMPAIGN = {
    "schema": 1,
    "campaign": {"id": "bench", "title": "Off the road", "question": "Does the trial intake flow more?"},
    "vehicle": {"description": "a test vehicle", "aspiration": "natural"},
    "instrument": {"logger": "a logger"},
    "configuration": [
        {"id": "standard", "name": "as sold", "role": "baseline"},
        {"id": "trial", "name": "trial intake", "role": "candidate"},
    ],
    "run": [{"id": "r1", "configuration": "standard", "files": ["logs/r1.csv"]}],
}
DYNO = {"smoothing": "200 rpm", "grid": "100 rpm", "warm_up_pulls": 1}
CELL = {"cell_temperature": "28 degC", "cell_pressure": "98 kPa", "cell_humidity": "45 %"}
COLUMNS = {"n": "rpm [rpm]", "hp": "power [hp]", "tq": "torque [lbf*ft]", "intake": "iat [degF]"}
NAMES = {"standard": "as sold", "trial": "trial"}


def write(folder: Path, **sections: Any) -> Campaign:
    """Return a campaign with these sections; the files that its pulls and curves may name are there."""
    (folder / "logs").mkdir(parents=True)
    (folder / "logs" / "r1.csv").write_text("time,iat\n0,20\n", encoding="utf-8")
    (folder / "pulls").mkdir()
    speed = np.arange(2000.0, 6401.0, 50.0)
    for order in range(1, 8):
        gain = (1.02 if order % 2 == 0 else 1.0) * (1.0 + 0.002 * np.sin(order))
        torque = 180.0 * gain * (1.0 - ((speed - 4200.0) / 3500.0) ** 2)
        power = torque * speed / 5252.113122
        iat = 95.0 if order % 2 else 86.0
        rows = [f"{n:.0f},{p:.4f},{t:.4f},{iat}" for n, p, t in zip(speed, power, torque, strict=True)]
        (folder / "pulls" / f"p{order}.csv").write_text("n,hp,tq,intake\n" + "\n".join(rows), encoding="utf-8")
    (folder / "flow.csv").write_text("cfm,drop\n150,1.55\n250,4.1\n350,7.9\n420,11.3\n", encoding="utf-8")
    (folder / "campaign.toml").write_text(roadlog.toml(CAMPAIGN | sections), encoding="utf-8")
    return load_campaign(folder / "campaign.toml")


def pull(order: int, **more: Any) -> dict[str, Any]:
    """Return a pull of the baseline where its order is odd, of the candidate where it is even."""
    configuration = "standard" if order % 2 else "trial"
    return {"id": f"p{order}", "configuration": configuration, "measured_at": "wheel", "order": order} | more


def pulls(orders: range = range(1, 8)) -> list[dict[str, Any]]:
    return [pull(order, file=f"pulls/p{order}.csv", columns=COLUMNS, **CELL) for order in orders]


def typed(printed: str = "SAE, as printed", orders: range = range(1, 7), **more: str) -> list[dict[str, Any]]:
    """Return pulls typed by hand: 100, 101, 102 kW against 103, 104, 105 kW, in turn."""
    powers = {o: 100 + (o - 1) // 2 + (0 if o % 2 else 3) for o in orders}
    return [pull(o, printed_correction=printed, peak_power=f"{kw} kW", **more) for o, kw in powers.items()]


def curve(configuration: str, source: str, drops: dict[int, float]) -> dict[str, Any]:
    points = [{"airflow": f"{cfm} cfm", "drop": f"{drop} inH2O"} for cfm, drop in drops.items()]
    return {"configuration": configuration, "source": source, "points": points}


CURVES = [
    curve("standard", "bench", {150: 2.1, 250: 5.6, 350: 11.2, 400: 14.4}),
    {"configuration": "trial", "source": "bench", "file": "flow.csv",
     "columns": {"cfm": "airflow [cfm]", "drop": "drop [inH2O]"}},
    curve("trial", "road", {150: 1.6, 250: 4.2}),
]  # fmt: skip


def test_pulls_of_a_campaign(tmp_path: Path) -> None:
    result = dyno_evidence(write(tmp_path, dyno=DYNO | {"correction": "STD"}, pull=pulls()))
    assert [item.pull for item in result.left_out] == ["p1"]
    assert result.correction == "SAE J607 (STD), dry-air form"
    found = next(row for row in rows_of(result.comparisons) if row.figure == "mean_power")
    assert found.low < 0.02 * found.baseline_mean < found.high
    assert result.expected[0].candidate_iat == pytest.approx(30.0, abs=1e-9)


def test_bench_of_a_campaign(tmp_path: Path) -> None:
    wet = {"condition": "wet", "duration": "20 min", "observation": "box dry", "adverse": False}
    service = {"configuration": "trial", "task": "change the filter"}
    timings = [service | {"time": "5 min"}, service | {"time": "7 min", "note": "clip stiff"}]
    trials = [{"configuration": "trial"} | wet] * 6
    result = bench_evidence(write(tmp_path, restriction=CURVES, exposure=trials, observation=timings))
    bench, road = result.restrictions
    assert (bench.source, road.source) == ("bench", "road")
    assert bench.airflow == pytest.approx(400.0 * 4.719474432e-4, rel=1e-9)
    standard, trial = rows_of(bench.rows)
    assert trial.percent_low < trial.percent < trial.percent_high < 0.0
    assert trial.difference == pytest.approx(trial.drop - standard.drop, rel=1e-12)
    assert road.rows["difference"].isna().all() and "standard has no curve" in said(road.reason, "si")
    assert said(result.exposures["sentence"][0], "si").startswith("0 of 6 wet trials showed moisture")
    assert result.services["mean"].tolist() == pytest.approx([360.0])
    assert result.remarks["note"].tolist() == ["clip stiff"]


def test_curves_of_one_source_and_without_common_airflow_are_told(tmp_path: Path) -> None:
    drops = {350: 9, 400: 12}
    with pytest.raises(DataError, match="two restriction curves of one source"):
        bench_evidence(write(tmp_path / "a", restriction=[*CURVES, curve("trial", "road", drops)]))
    told = bench_evidence(write(tmp_path / "b", restriction=[*CURVES, curve("standard", "road", drops)]))
    road = told.restrictions[1]
    assert road.airflow is None and "no airflow in common" in said(road.reason, "si")


def test_three_numbers_give_a_mean_an_interval_and_a_drift_and_nothing_else(tmp_path: Path) -> None:
    result = dyno_evidence(write(tmp_path, pull=typed()))
    base, trial = rows_of(result.means)
    # mean and standard deviation of 100, 101, 102 kW are 101 and 1; t(0.975, 2) = 4.3027 (any t table)
    assert (base.figure, base.n, base.mean) == ("peak_power", 3, pytest.approx(101.0))
    assert base.high == pytest.approx(101.0 + 4.3027 / 3.0**0.5, rel=1e-4)
    (difference,) = rows_of(result.comparisons)
    # Welch with equal scatter and 4 degrees of freedom: t(0.975, 4) = 2.7764 (any t table)
    assert difference.difference == pytest.approx(3.0) and trial.mean == pytest.approx(104.0)
    assert difference.high - 3.0 == pytest.approx(2.7764 * (2.0 / 3.0) ** 0.5, rel=1e-4)
    # both rise by 1 kW every other pull
    assert result.drifts[0].slope == pytest.approx(0.5) and result.drifts[0].figure == "peak power"
    assert result.curves == result.differences == result.speeds == () and result.grid is None
    assert result.printed == "SAE, as printed" and not result.corrected
    found = {x.code: said(x.text, "si") for x in dyno_limitations(result, NAMES)}
    assert "SAE, as printed" in found["typed-figures"] and "p1, p2" in found["cell-unknown"]
    assert "peak-at-edge" not in found


def test_a_drift_of_typed_figures_is_named_by_its_figure(tmp_path: Path) -> None:
    torques = {o: 200 + 2 * o for o in range(1, 8)} | {8: 215.8}
    body = [pull(o, printed_correction="none", peak_torque=f"{torque} N*m") for o, torque in torques.items()]
    result = dyno_evidence(write(tmp_path, pull=body))
    assert result.drifts[0].detected
    (text,) = (said(x.text, "si") for x in dyno_limitations(result, NAMES) if x.code == "session-drift")
    assert text.startswith("Peak torque changed by +") and "N·m" in text


def test_figures_printed_uncorrected_are_corrected_and_others_never_again(tmp_path: Path) -> None:
    dyno = {"correction": "iso-1585-si"}
    result = dyno_evidence(write(tmp_path / "a", dyno=dyno, pull=typed("none", **CELL)))
    # ISO 1585: (99/p_dry)^1.2·(T/298)^0.6 with p_dry = 98 − 0.45·3.782 kPa (28 °C, steam tables)
    factor = (99.0 / (98.0 - 0.45 * 3.782)) ** 1.2 * (301.0 / 298.0) ** 0.6
    assert result.corrected and result.means["mean"][0] == pytest.approx(101.0 * factor, rel=2e-4)
    with pytest.raises(DataError, match=r"as the dyno printed it \(SAE, as printed\), and is not corrected again"):
        dyno_evidence(write(tmp_path / "b", dyno=dyno, pull=typed(**CELL)))


def test_what_is_declared_decides_what_is_compared(tmp_path: Path) -> None:
    loss = {"correction": "none", "driveline_loss": "15 % (assumed, same for both)"}
    result = dyno_evidence(write(tmp_path / "a", dyno=DYNO | loss, pull=pulls()))
    assert result.basis == "engine, estimated with a driveline loss of 15 % (assumed, same for both)"
    nothing = write(tmp_path / "b")
    assert dyno_evidence(nothing) is None and bench_evidence(nothing) is None


@pytest.mark.parametrize(
    ("correction", "found", "words"),
    [
        ("SAE J1349", pulls(), "several editions"),
        ("none", [*pulls(range(1, 4)), *(each | {"measured_at": "engine"} for each in pulls(range(4, 8)))], "not mixed"),
        ("none", typed(orders=range(1, 3)) + pulls(range(3, 5)), "Curves and figures as printed are not mixed"),
        ("none", typed(orders=range(1, 3)) + typed("DIN", range(3, 5)), "unlike corrections are not mixed"),
    ],
)  # fmt: skip
def test_unlike_pulls_are_not_mixed(tmp_path: Path, correction: str, found: list[Any], words: str) -> None:
    with pytest.raises(DataError, match=words):
        dyno_evidence(write(tmp_path, dyno={"correction": correction}, pull=found))


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ({"printed_correction": "none"}, "give either “file” or figures"),
        ({"printed_correction": "", "peak_power": "90 kW"}, "printed_correction"),
        ({"printed_correction": "none", "mean_power": "0 kW"}, "greater than zero"),
    ],
)
def test_typed_pulls_say_what_they_rest_on(tmp_path: Path, figures: dict[str, str], words: str) -> None:
    with pytest.raises(IntakeReportError) as caught:
        write(tmp_path, pull=[pull(1, **figures)])
    assert words in str(caught.value) and "pull[1]" in str(caught.value)
