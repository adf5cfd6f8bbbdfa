"""Acceptance criteria per run and per pair."""

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from align.roads import ONE_WAY, drive
from intake_report import align
from intake_report.align import CRITERIA, AcceptanceLimit, Comparability, PhaseSettings, RunSurroundings
from intake_report.messages import Message, said

LIMITS = [(0, 40), (4300, 60), (4600, 75), (4800, 110)]
STOPS = [(1500, 20), (4000, 15)]
DAY = pd.Timestamp("2026-05-04T07:00:00Z")
USUAL = RunSurroundings(ambient=20.0, wind=5.0, rain=False)
SETTINGS = align.AlignSettings(
    run="r0",
    phases=(
        PhaseSettings("city", "city", 0, 4200),
        PhaseSettings("ramp", "ramp", 4200, 5200),
        PhaseSettings("highway", "highway", 5200, 8900),
    ),
    entry_phase="ramp",
)


def like(name: str, iat: float = 25.0, coolant: float = 80.0, *, seed: int = 9, limits=LIMITS, stops=STOPS, **driven):
    """One drive of the route; like the others but for what is stated."""
    run, _ = drive(name, ONE_WAY, limits=limits, stops=stops, seed=seed, **driven)
    return replace(run, frame=run.frame.assign(iat=iat, coolant=coolant), start=DAY)


@cache
def three() -> tuple:
    return tuple(like(f"r{k}", seed=k) for k in range(3))


def campaign(*odd) -> tuple:
    return (*three(), *odd)


def judge(runs, conditions=None, **limits) -> Comparability:
    known = {run.run: USUAL for run in runs} | (conditions or {})
    return align.assess(align.align_runs(runs, SETTINGS), SETTINGS, known, limits)


def codes(comparability: Comparability, run: str, outcome: str) -> set[str]:
    return {check.code for check in comparability.checks if check.runs == (run,) and check.outcome == outcome}


def failures(comparability: Comparability, runs: set[str]) -> set[str]:
    """Criteria that a pair of runs fails."""
    return {check.code for check in comparability.pairs if set(check.runs) == runs and check.outcome == "fail"}


def texts(comparability: Comparability, run: str, outcome: str) -> dict[str, str]:
    checks = [check for check in comparability.checks if check.runs == (run,) and check.outcome == outcome]
    return {check.code: said(check.reason, "si").replace("\N{NO-BREAK SPACE}", " ") for check in checks}


def test_like_runs_pass_everything_that_can_be_known() -> None:
    result = judge(campaign())
    assert not result.excluded()
    for run in result.facts:
        assert codes(result, run, "unknown") == {"placement"} and not codes(result, run, "fail")
        assert {check.code for check in result.checks if check.runs == (run,)} == set(CRITERIA) - {"block-hours"}
    assert {check.outcome for check in result.pairs} == {"pass"}
    assert len(result.pairs) == 3 * sum(spec.scope in ("alike", "within") for spec in CRITERIA.values())
    for check in (*result.checks, *result.pairs):
        assert (check.reason == "") == (check.outcome == "pass")


@pytest.mark.parametrize(
    ("driven", "beyond", "inside", "code"),  # the last that is inside the limit of the criterion, and beyond it
    [
        (lambda x: {"stops": [*STOPS, (2500, x)]}, 125, 115, "stop-time"),
        (lambda x: {"stops": [*STOPS, *((2000 + 300 * k, 5) for k in range(x))]}, 5, 4, "stops"),
        (lambda x: {"limits": [*LIMITS[:3], (4800, x)]}, 99, 100, "highway-speed"),
        (lambda x: {"limits": [(0, 40), (4300, x), (4900, 110)]}, 66, 70, "ramp-speed"),
        (lambda x: {"limits": [(0, x), *LIMITS[1:]]}, 30, 32, "phase-duration"),
    ],
)
def test_a_run_that_was_driven_otherwise_is_found(driven, beyond: int, inside: int, code: str) -> None:
    result, near = (judge(campaign(like("odd", **driven(x)))) for x in (beyond, inside))
    assert code in codes(result, "odd", "fail") and code not in codes(near, "odd", "fail")
    assert not result.excluded()
    assert texts(result, "odd", "fail")[code].startswith(f"{CRITERIA[code].title} differs by ")
    assert code in failures(result, {"odd", "r1"}) and not failures(result, {"r0", "r1"})


@pytest.mark.parametrize(
    ("odd", "code", "limit"),
    [
        (lambda x: ((25, 80), replace(USUAL, ambient=20.0 + x, ambient_start=20.0)), "ambient", 10.0 / 9.0),  # 2 °F
        (lambda x: ((25, 80), replace(USUAL, wind=5.0 + x)), "wind", 15.0),
        (lambda x: ((25, 80), replace(USUAL, rain=x > 0.0)), "rain", 0.0),
        (lambda x: ((25, 80 - x), USUAL), "start-coolant", 8.0),
        (lambda x: ((25 + x, 80), USUAL), "start-over-ambient", 4.0),
        (lambda x: ((25, 80), replace(USUAL, start=DAY + pd.Timedelta(hours=24 + x))), "time-of-day", 2.0),
    ],
)
def test_conditions_that_differ_are_found_alone_from_their_limit_on(odd, code: str, limit: float) -> None:
    for beyond in (True, False):
        run, conditions = odd(limit + (0.02 if beyond else -0.02))
        result = judge(campaign(like("odd", *run)), {"odd": conditions})
        assert codes(result, "odd", "fail") == ({code} if beyond else set())


def test_acceleration_from_a_known_ramp() -> None:
    # 1.5 m/s² everywhere in these drives; with limits in steps the ramp's mean is lower, and alike between runs
    values = [facts.by_code["ramp-acceleration"] for facts in judge(campaign()).facts.values()]
    assert all(0.2 < value < 1.5 for value in values) and np.ptp(values) < 0.1


def test_time_of_day_knows_no_border_at_midnight() -> None:
    starts = ("2026-05-04T23:40:00Z", "2026-05-05T00:20:00Z", "2026-05-05T00:10:00Z")
    conditions = {f"r{k}": RunSurroundings(ambient=20.0, start=pd.Timestamp(start)) for k, start in enumerate(starts)}
    result = judge(campaign(), conditions)
    (check,) = [check for check in result.pairs if check.runs == ("r0", "r1") and check.code == "time-of-day"]
    assert check.value == pytest.approx(40 / 60)
    assert not any("time-of-day" in codes(result, run, "fail") for run in result.facts)


def test_half_a_route_is_excluded_and_does_not_set_the_median() -> None:
    result = judge(campaign(like("odd", 60, 20, end=3000.0)))
    assert list(result.excluded()) == ["odd"]
    assert texts(result, "odd", "fail")["coverage"] == "Route covered is 33 % (limit 95 %)"
    assert not any(codes(result, run, "fail") for run in ("r0", "r1", "r2"))


def test_wrong_route_is_excluded_with_its_reason() -> None:
    odd, _ = drive("odd", ONE_WAY[::-1], seed=9)
    (reason, _) = judge(campaign(odd)).excluded()["odd"]
    assert isinstance(reason, Message) and reason.code == "reversed"


def test_limits_of_the_campaign_replace_the_defaults() -> None:
    odd = like("odd")
    warm = {"odd": RunSurroundings(ambient=23.0, ambient_start=20.0)}
    assert "ambient" in codes(judge(campaign(odd), warm), "odd", "fail")
    assert "ambient" in codes(judge(campaign(odd), warm, ambient=AcceptanceLimit(5.0)), "odd", "pass")
    assert list(judge(campaign(odd), warm, ambient=AcceptanceLimit(1.0, hard=True)).excluded()) == ["odd"]


def of_configurations(*names: str) -> dict[str, RunSurroundings]:
    return {f"r{k}": RunSurroundings(20.0, wind=5.0, rain=False, configuration=name) for k, name in enumerate(names)}


def test_soak_at_the_start_is_compared_within_a_configuration() -> None:
    """What an intake itself does to the first minute is the effect under test and no failure."""
    hot = [like(f"r{k}", 35, seed=k) for k in (3, 4)]
    result = judge(campaign(*hot), of_configurations("a", "a", "a", "b", "b"))
    assert not any("start-over-ambient" in codes(result, run, "fail") for run in result.facts)
    soak = {check.runs: check.outcome for check in result.pairs if check.code == "start-over-ambient"}
    assert ("r0", "r3") not in soak and soak["r3", "r4"] == "pass"
    # the same readings in one configuration do fail, so the criterion still finds a run that was not soaked alike
    result = judge(campaign(*hot), of_configurations("a", "a", "a", "a", "b"))
    assert codes(result, "r3", "fail") == {"start-over-ambient"}
    assert texts(result, "r3", "fail")["start-over-ambient"] == (
        "IAT over ambient at the start differs by 10.0 K from the median of the runs of its configuration (limit 4.0 K)"
    )
    assert "no other run of its configuration" in texts(result, "r4", "unknown")["start-over-ambient"]


def two_seasons(*starts: str) -> tuple[tuple, dict[str, RunSurroundings]]:
    """Six runs, three in summer and three in winter air, of two configurations in each block; their starts."""
    runs, known = [], {}
    for k, start in enumerate(starts):
        block, ambient = ("summer", 25.0 + 0.2 * k) if k < 3 else ("winter", 5.0 + 0.2 * k)
        begun = pd.Timestamp(start, tz="UTC")
        runs.append(like(f"r{k}", 30 if k < 3 else 10, seed=k))
        known[f"r{k}"] = RunSurroundings(ambient=ambient, start=begun, configuration="ab"[k % 2], block=block)
    return tuple(runs), known


DAYS = [f"2026-07-04T{h:02d}:00" for h in (8, 9, 10)] + [f"2026-12-04T{h:02d}:00" for h in (12, 13, 14)]


def test_a_run_is_compared_with_its_block_where_seasons_differ() -> None:
    """Winter air differs by 20 K from the median of all runs, and by nothing from its own block."""
    runs, known = two_seasons(*DAYS)
    result = judge(runs, known)
    for run in result.facts:
        assert not codes(result, run, "fail")
    assert {tuple(sorted(check.runs)) for check in result.pairs} == {
        ("r0", "r1"), ("r0", "r2"), ("r1", "r2"), ("r3", "r4"), ("r3", "r5"), ("r4", "r5"),
    }  # fmt: skip
    versus = {check.versus for check in result.checks if check.code == "ambient"}
    assert versus == {"the median of the runs of its block"}
    # one run out of its block's air still fails, and a block of one configuration is compared with all runs
    odd = judge(runs, known | {"r4": replace(known["r4"], ambient=12.0)})
    assert "ambient" in codes(odd, "r4", "fail") and "of its block" in texts(odd, "r4", "fail")["ambient"]
    alone = judge(runs, {run: replace(one, configuration=one.block) for run, one in known.items()})
    assert all("ambient" in codes(alone, run, "fail") for run in alone.facts)


def test_the_runs_of_a_block_lie_within_hours() -> None:
    runs, known = two_seasons(*DAYS[:5], "2026-12-09T12:30")
    result = judge(runs, known)
    assert codes(result, "r5", "fail") == {"block-hours"}
    assert texts(result, "r5", "fail")["block-hours"] == "Hours from its block is 119.5 h (limit 12.0 h)"
    assert all("block-hours" in codes(result, run, "pass") for run in ("r0", "r1", "r2", "r3", "r4"))
    # two runs of a block can only say that they are far from each other
    pair = judge(runs[:3] + runs[4:], known)
    assert {run for run in ("r4", "r5") if "block-hours" in codes(pair, run, "fail")} == {"r4", "r5"}
    assert not codes(judge(runs, known, **{"block-hours": AcceptanceLimit(150.0)}), "r5", "fail")
    lone = judge(runs, known | {"r0": replace(known["r0"], block="spring"), "r1": replace(known["r1"], block="")})
    assert "no other run of its block" in texts(lone, "r0", "unknown")["block-hours"]
    assert "block-hours" not in {check.code for check in lone.checks if check.runs == ("r1",)}
