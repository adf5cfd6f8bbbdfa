"""Offsets after soak checks: against closed forms, and against sensors made here, with another air than the demo's."""

import math

import numpy as np
import pytest
import roadlog
from conftest import run_chain
from scipy.stats import binom

from analyse.studies import campaign
from intake_report.analyse.zeroing import Sight, Stand, draw_offsets, look_at
from intake_report.campaign import load_campaign
from intake_report.demo.scenario import SEALED, STOCK
from intake_report.errors import CampaignError
from intake_report.messages import said

MODES = {"nearest": lambda x: np.floor(x + 0.5), "down": np.floor, "up": np.ceil}
STEP = 1.0


def offsets(*stands: Stand, seed: int = 1, rounding: str = "unknown"):
    model = campaign((STOCK, SEALED), rounding=rounding)
    return draw_offsets(model, stands, lambda _: STEP, np.random.default_rng(seed))


def test_one_reading_against_a_thermometer_leaves_a_step_and_its_uncertainty():
    # 16 read where 15.2 is: rectangular of one step about 0.8, and the thermometer's 0.1 (GUM 4.3.7, 5.1.2)
    found = offsets(Stand((Sight("iat", 0.8, 0.5),), 0.1, 0.0))["iat"]
    assert np.mean(found) == pytest.approx(0.8, abs=0.02)
    assert np.std(found) == pytest.approx(math.sqrt(1.0 / 12.0 + 0.01), rel=0.03)


def test_repeats_at_other_temperatures_leave_what_their_steps_have_in_common():
    # −0.5 … 0.5, −0.2 … 0.8 and 0.1 … 1.1 have 0.1 … 0.5 in common
    found = offsets(*(Stand((Sight("iat", level, 0.5),), 1e-6, 0.0) for level in (0.0, 0.3, 0.6)))["iat"]
    assert (found.min(), found.max()) == (pytest.approx(0.1, abs=0.01), pytest.approx(0.5, abs=0.01))
    # the thermometer's own error is one and the same in all of them: repeats do not make it smaller
    many = offsets(*(Stand((Sight("iat", 0.0, 0.02),), 0.2, 0.0) for _ in range(6)))["iat"]
    assert np.std(many) == pytest.approx(0.2, rel=0.05)
    warming = offsets(Stand((Sight("iat", 0.0, 0.001, 0.01),), 1e-6, 0.0))["iat"]
    assert np.mean(warming) == pytest.approx(0.3, abs=0.02)  # read up to a minute late, and so too low, at 0.01 K/s


def test_what_two_channels_read_tells_their_difference_and_not_their_level():
    # declared ± 1 K, rounded: equal readings leave a triangle of ± 1 step to the difference, cut by what is declared
    model = campaign((STOCK, SEALED), rounding="nearest")
    stand = Stand((Sight("iat", 15.0, 0.5), Sight("ambient", 15.0, 0.5)), None, 0.0)
    found = draw_offsets(model, (stand,), lambda _: STEP, np.random.default_rng(2))
    apart = found["iat"] - found["ambient"]
    assert np.abs(apart).max() <= 1.0 + 1e-9 and np.std(apart) == pytest.approx(1.0 / math.sqrt(6.0), rel=0.05)
    assert 0.45 < np.std(found["iat"]) <= 1.0 / math.sqrt(3.0) + 0.01


def test_warmth_that_is_left_is_the_engines_more_than_the_intakes():
    found = offsets(Stand((Sight("iat", 0.0, 0.01), Sight("coolant", 0.0, 0.01)), 0.01, 2.0))
    assert np.mean(found["coolant"]) == pytest.approx(-1.0, abs=0.03)  # 0 to 2 K of it may be warmth
    assert np.mean(found["iat"]) == pytest.approx(-0.1, abs=0.01)


def test_checks_that_contradict_each_other_give_nothing():
    assert offsets(*(Stand((Sight("iat", level, 0.5),), 0.05, 0.0) for level in (0.0, 4.0))) is None
    apart = Stand((Sight("iat", 15.0, 0.5), Sight("coolant", 24.0, 0.5)), None, 0.5)
    assert offsets(apart) is None  # ± 1 K and ± 2.5 K do not explain 9 K


def coverage(kind: str, trials: int, seed: int) -> tuple[int, float]:
    """Return how many 95 % intervals hold what the readings' edges are off, and the mean standard uncertainty [K].

    Sensor ± 1 K, every way of rounding, thermometer with 0.1 K, stand of 8 to 14 h whose warmth fades with 1 to 2 h, dawn that
    warms along a half sine with a sensor that lags by up to a minute: none of it is the demo's.
    """
    rng, held, spread = np.random.default_rng(seed), 0, []
    for trial in range(trials):
        bias, wrong = rng.uniform(-1.0, 1.0), rng.normal(0.0, 0.1)
        name = rng.choice(list(MODES))
        truth = bias + {"nearest": 0.0, "down": -0.5, "up": 0.5}[name]
        stands = []
        for _ in range(1 if kind == "drift" else int(kind)):
            stood = rng.uniform(8.0, 14.0)
            left = 0.1 * 70.0 * math.exp(-stood / rng.uniform(1.0, 2.0)) * rng.uniform()
            if kind == "drift":
                time, late = np.arange(0.0, 5400.0, 5.0), rng.uniform(0.0, 60.0)
                air = rng.uniform(5.0, 20.0) + 2.0 * np.sin(np.pi * (time - 600.0) / 10800.0)
                reading = MODES[name](np.interp(time - late, time, air) + left + bias)
                changed = np.flatnonzero(np.diff(reading))
                level = np.mean(0.5 * (reading[changed] + reading[changed + 1]) - air[changed] - wrong)
                sight = Sight("iat", float(level), 0.05, float(np.polyfit(time, air, 1)[0]))
            else:
                air = rng.uniform(5.0, 20.0)
                sight = Sight("iat", float(MODES[name](air + left + bias)) - air - wrong, 0.5)
            stands.append(Stand((sight,), 0.1, 70.0 * math.exp(-stood / 2.0)))
        found = offsets(*stands, seed=trial)["iat"]
        low, high = np.quantile(found, [0.025, 0.975])
        held, _ = held + (low <= truth <= high), spread.append(np.std(found))
    return held, float(np.mean(spread))


@pytest.mark.parametrize("kind", ["1", "3", "drift"])
@pytest.mark.parametrize("many", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_offsets_are_held_by_their_intervals(kind, many, part):
    trials = part(500, 60) if many else 40
    held, u = coverage(kind, trials, 6 if many else 5)
    print(f"{kind:6s} {held} of {trials}, u {u:.2f} K")
    assert held >= binom.ppf(0.001, trials, 0.92 if many else 0.95), (kind, held)
    assert many or u < {"1": 0.35, "3": 0.28, "drift": 0.2}[kind]


# ---- whole campaigns ---------------------------------------------------------------------------------------------

NIGHT = {"id": "night", "time": "2026-05-11T04:30:00+00:00", "stood": "12 h"}
THERMOMETER = {"reference": "15.2 degC", "reference_uncertainty": "0.1 degC"}


def readings(iat: int, **others: int) -> dict:
    return {"readings": {name: f"{value} degC" for name, value in {"iat": iat, **others}.items()}}


def chain(folder, *checks):
    data = {**roadlog.campaign(blocks=1), "soak_check": list(checks)}
    channels = {"iat": {"resolution": "1 degC", "accuracy": "1 degC"}, "ambient": {"resolution": "1 degC"}}
    data["instrument"] = {"logger": "adapter", "channels": channels}
    return run_chain(roadlog.write(folder, data))


def notices(found):
    return {n.code: said(n.text, "si") for n in found.result.evidence.notices if n.code.startswith("soak-check")}


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return chain(tmp_path_factory.mktemp("plain"))


@pytest.fixture(scope="module")
def zeroed(tmp_path_factory):
    return chain(tmp_path_factory.mktemp("zeroed"), NIGHT | THERMOMETER | readings(16, ambient=15, coolant=15))


def test_the_offset_is_corrected_and_replaces_the_declared_accuracy(plain, zeroed):
    names = {s.name for s in zeroed.result.uncertainty.sources}
    assert "Offset after soak checks" in names and not names & {"Sensor accuracy", "Rounding mode", "Ambient: accuracy"}
    # 16 where 15.2 is (and a little warmth): about −0.8 K, where a quarter of a step was added before
    for after, before in zip(zeroed.result.of("peak_iat"), plain.result.of("peak_iat"), strict=True):
        assert after.value - before.value == pytest.approx(-0.8 - 0.25, abs=0.05)
        assert after.u_common == pytest.approx(math.sqrt(1.0 / 12.0 + 0.01), rel=0.1) and before.u_common > 0.55
    # the thermometer's error is in both channels and gone from over-ambient: two rectangular steps are left
    for value in zeroed.result.of("mean_over_ambient:city"):
        assert value.u_common == pytest.approx(math.sqrt(2.0 / 12.0), rel=0.1)
    assert "-0.8" in notices(zeroed)["soak-check-applied"].replace("−", "-")
    # 12 h, which fade with 2 h
    assert look_at(zeroed.campaign, 0)[0].warm == pytest.approx(70.0 * math.exp(-12.0 / 2.0))


def test_sensors_beyond_their_accuracy_are_said(tmp_path):
    found = chain(tmp_path, NIGHT | THERMOMETER | readings(18, ambient=15, coolant=21))
    said_ = [said(n.text, "si") for n in found.result.evidence.notices if n.code == "soak-check-disagrees"]
    assert [text.partition(" reads")[0] for text in said_] == ["Coolant temperature", "Intake air temperature"]
    assert "soak-check-disagrees" in {limitation.code for limitation in found.result.limitations}


def test_checks_that_contradict_leave_what_is_declared(tmp_path, plain):
    found = chain(tmp_path, NIGHT | readings(24, coolant=15))
    assert "no offset is taken" in notices(found)["soak-check-contradicts"]
    assert [v.value for v in found.result.of("peak_iat")] == [v.value for v in plain.result.of("peak_iat")]


def drift(folder, mode: str) -> dict:
    time = np.arange(0.0, 3600.0, 10.0)
    air = 14.3 + 1.6 * time / 3600.0
    rows = zip(time, MODES[mode](air + 0.3), MODES[mode](air), np.round(air, 1), strict=True)
    (folder / "soak").mkdir()
    body = "".join(f"{t:.0f},{i:.0f},{a:.0f},{r:.1f}\n" for t, i, a, r in rows)
    (folder / "soak" / "dawn.csv").write_text(f"s,Intake,Outside,Glass\n{body}", "utf-8")
    columns = {"Intake": "iat [degC]", "Outside": "ambient [degC]", "Glass": "reference [degC]"}
    return {"id": "dawn", "stood": "12 h", "reference_uncertainty": "0.1 degC", "file": "soak/dawn.csv",
            "log": {"time": "s", "columns": columns}}  # fmt: skip


@pytest.mark.parametrize("mode", MODES)
def test_a_slow_drift_through_a_step_settles_offset_and_rounding(tmp_path, mode):
    found = chain(tmp_path, drift(tmp_path, mode)).measured.zeroing
    expected = {"nearest": 0.0, "down": 0.5, "up": -0.5}[mode]
    for name, bias in (("iat", 0.3), ("ambient", 0.0)):
        assert np.mean(found.rows[name]) == pytest.approx(expected - bias, abs=0.06)
        assert found.u(name) == pytest.approx(0.105, abs=0.015)
    assert np.std(found.rows["iat"] - found.rows["ambient"]) < 0.06  # the thermometer cancels


def test_a_log_of_a_stand_that_cannot_be_used_is_refused(tmp_path):
    entry = drift(tmp_path, "down")
    del entry["reference_uncertainty"]
    with pytest.raises(CampaignError, match="say its “reference_uncertainty”"):
        chain(tmp_path, entry)
    entry["log"]["columns"] = {"Intake": "iat [degC]"}
    with pytest.raises(CampaignError, match="no two temperature channels"):
        chain(tmp_path, entry)


def test_the_demo_decides_its_question(demo):
    found = demo.chain.measured.zeroing
    assert np.mean(found.rows["iat"]) == pytest.approx(0.5, abs=0.3)  # its control unit cuts off, which no file says
    assert found.u("iat") < 0.2
    assert load_campaign(demo.chain.campaign.file).soak_checks
