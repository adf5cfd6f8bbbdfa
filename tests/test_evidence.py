"""Pulls, restriction, exposure and service entries of a campaign file, from text to results."""

from pathlib import Path

import numpy as np
import pytest

from intake_report.analyse.evidence_limits import dyno_limitations
from intake_report.bench import bench_evidence
from intake_report.campaign import Campaign, load_campaign
from intake_report.dyno import dyno_evidence
from intake_report.errors import DataError, IntakeReportError
from intake_report.messages import said
from intake_report.report_table import rows_of

HEAD = """
schema = 1
[campaign]
id = "bench"
title = "Off the road"
question = "Does the trial intake flow more?"
[vehicle]
description = "a test vehicle"
aspiration = "natural"
[instrument]
logger = "a logger"
[[configuration]]
id = "standard"
name = "as sold"
role = "baseline"
[[configuration]]
id = "trial"
name = "trial intake"
role = "candidate"
[[run]]
id = "r1"
configuration = "standard"
files = ["logs/r1.csv"]
"""

DYNO = """
[dyno]
correction = "{correction}"
smoothing = "200 rpm"
grid = "100 rpm"
warm_up_pulls = 1
{extra}
"""

PULL = """
[[pull]]
id = "p{order}"
configuration = "{configuration}"
file = "pulls/p{order}.csv"
columns = {{ "n" = "rpm [rpm]", "hp" = "power [hp]", "tq" = "torque [lbf*ft]", "intake" = "iat [degF]" }}
measured_at = "{place}"
order = {order}
cell_temperature = "82 degF"
cell_pressure = "29.1 inHg"
cell_humidity = "40 %"
"""

BENCH = """
[[restriction]]
configuration = "standard"
source = "bench"
points = [
  {{ airflow = "150 cfm", drop = "2.1 inH2O" }}, {{ airflow = "250 cfm", drop = "5.6 inH2O" }},
  {{ airflow = "350 cfm", drop = "11.2 inH2O" }}, {{ airflow = "400 cfm", drop = "14.4 inH2O" }} ]
[[restriction]]
configuration = "trial"
source = "bench"
file = "flow.csv"
columns = {{ "cfm" = "airflow [cfm]", "drop" = "drop [inH2O]" }}
[[restriction]]
configuration = "trial"
source = "road"
points = [ {{ airflow = "150 cfm", drop = "1.6 inH2O" }}, {{ airflow = "250 cfm", drop = "4.2 inH2O" }} ]
{extra}
[[observation]]
configuration = "trial"
task = "change the filter"
time = "5 min"
[[observation]]
configuration = "trial"
task = "change the filter"
time = "7 min"
note = "clip stiff"
"""

WET = """
[[exposure]]
configuration = "trial"
condition = "wet"
duration = "20 min"
observation = "box dry"
adverse = false
"""


def write(folder: Path, body: str) -> Campaign:
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
    path = folder / "campaign.toml"
    path.write_text(HEAD + body, encoding="utf-8")
    return load_campaign(path)


def pulls(place: str = "wheel", orders: range = range(1, 8)) -> str:
    return "".join(PULL.format(order=o, configuration="standard" if o % 2 else "trial", place=place) for o in orders)


def test_pulls_of_a_campaign(tmp_path: Path) -> None:
    campaign = write(tmp_path, DYNO.format(correction="STD", extra="") + pulls())
    result = dyno_evidence(campaign)
    assert result is not None
    assert [item.pull for item in result.left_out] == ["p1"]
    assert result.correction == "SAE J607 (STD), dry-air form"
    found = next(row for row in rows_of(result.comparisons) if row.figure == "mean_power")
    assert found.low < 0.02 * found.baseline_mean < found.high
    assert result.expected[0].candidate_iat == pytest.approx(30.0, abs=1e-9)


def test_bench_of_a_campaign(tmp_path: Path) -> None:
    campaign = write(tmp_path, BENCH.format(extra=WET * 6))
    result = bench_evidence(campaign)
    assert result is not None
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


ROAD = """
[[restriction]]
configuration = "{}"
source = "road"
points = [ {{ airflow = "350 cfm", drop = "9 inH2O" }}, {{ airflow = "400 cfm", drop = "12 inH2O" }} ]
"""


def test_curves_of_one_source_and_without_common_airflow_are_told(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="two restriction curves of one source"):
        bench_evidence(write(tmp_path / "a", BENCH.format(extra=ROAD.format("trial"))))
    result = bench_evidence(write(tmp_path / "b", BENCH.format(extra=ROAD.format("standard"))))
    assert result is not None
    road = result.restrictions[1]
    assert road.airflow is None
    assert "no airflow in common" in said(road.reason, "si")


TYPED = """
[[pull]]
id = "p{order}"
configuration = "{configuration}"
measured_at = "wheel"
order = {order}
printed_correction = "{printed}"
{figures}
"""


def figures(order: int, figures: str, printed: str = "none") -> str:
    configuration = "standard" if order % 2 else "trial"
    return TYPED.format(order=order, configuration=configuration, printed=printed, figures=figures)


def typed(printed: str = "SAE, as printed", extra: str = "", orders: range = range(1, 7)) -> str:
    """Return pulls typed by hand: 100, 101, 102 kW against 103, 104, 105 kW, in turn."""
    powers = {o: 100 + (o - 1) // 2 + (0 if o % 2 else 3) for o in orders}
    return "".join(figures(o, f'peak_power = "{power} kW"\n{extra}', printed) for o, power in powers.items())


CELL = 'cell_temperature = "28 degC"\ncell_pressure = "98 kPa"\ncell_humidity = "45 %"\n'


def test_three_numbers_give_a_mean_an_interval_and_a_drift_and_nothing_else(tmp_path: Path) -> None:
    result = dyno_evidence(write(tmp_path, typed()))
    assert result is not None
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
    found = {x.code: said(x.text, "si") for x in dyno_limitations(result, {"standard": "as sold", "trial": "trial"})}
    assert "SAE, as printed" in found["typed-figures"] and "p1, p2" in found["cell-unknown"]
    assert "peak-at-edge" not in found


def test_a_drift_of_typed_figures_is_named_by_its_figure(tmp_path: Path) -> None:
    torques = {o: 200 + 2 * o for o in range(1, 8)} | {8: 215.8}
    body = "".join(figures(o, f'peak_torque = "{torque} N*m"') for o, torque in torques.items())
    result = dyno_evidence(write(tmp_path, body))
    assert result is not None and result.drifts[0].detected
    (text,) = (
        said(x.text, "si")
        for x in dyno_limitations(result, {"standard": "a", "trial": "b"})
        if x.code == "session-drift"
    )
    assert text.startswith("Peak torque changed by +") and "N·m" in text


def test_figures_printed_uncorrected_are_corrected_and_others_never_again(tmp_path: Path) -> None:
    dyno = DYNO.format(correction="iso-1585-si", extra="").replace("warm_up_pulls = 1", "")
    result = dyno_evidence(write(tmp_path / "a", dyno + typed("none", CELL)))
    assert result is not None and result.corrected
    # ISO 1585: (99/p_dry)^1.2·(T/298)^0.6 with p_dry = 98 − 0.45·3.782 kPa (28 °C, steam tables)
    factor = (99.0 / (98.0 - 0.45 * 3.782)) ** 1.2 * (301.0 / 298.0) ** 0.6
    assert result.means["mean"][0] == pytest.approx(101.0 * factor, rel=2e-4)
    with pytest.raises(DataError, match=r"as the dyno printed it \(SAE, as printed\), and is not corrected again"):
        dyno_evidence(write(tmp_path / "b", dyno + typed(extra=CELL)))


def test_what_is_declared_decides_what_is_compared(tmp_path: Path) -> None:
    extra = 'driveline_loss = "15 % (assumed, same for both)"'
    result = dyno_evidence(write(tmp_path / "a", DYNO.format(correction="none", extra=extra) + pulls()))
    assert result.basis == "engine, estimated with a driveline loss of 15 % (assumed, same for both)"
    alone = dyno_evidence(write(tmp_path / "b", pulls(orders=range(2, 3))))  # the baseline has no pull
    assert alone.differences == () and alone.comparisons.empty
    nothing = write(tmp_path / "c", "")
    assert dyno_evidence(nothing) is None and bench_evidence(nothing) is None


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (DYNO.format(correction="SAE J1349", extra="") + pulls(), "several editions"),
        (pulls(orders=range(1, 4)) + pulls("engine", range(4, 8)), "not mixed"),
        (typed(orders=range(1, 3)) + pulls(orders=range(3, 5)), "Curves and figures as printed are not mixed"),
        (typed(orders=range(1, 3)) + typed("DIN", orders=range(3, 5)), "unlike corrections are not mixed"),
    ],
)
def test_unlike_pulls_are_not_mixed(tmp_path: Path, body: str, words: str) -> None:
    with pytest.raises(DataError, match=words):
        dyno_evidence(write(tmp_path, body))


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (figures(1, ""), "give either “file” or figures"),
        (figures(1, 'peak_power = "90 kW"', printed=""), "printed_correction"),
        (figures(1, 'mean_power = "0 kW"'), "greater than zero"),
    ],
)
def test_typed_pulls_say_what_they_rest_on(tmp_path: Path, body: str, words: str) -> None:
    with pytest.raises(IntakeReportError) as caught:
        write(tmp_path, body)
    assert words in str(caught.value) and "pull[1]" in str(caught.value)
