"""Limitations of layout and of differences: each predicate fires on what it is about, says its numbers, and is quiet else."""

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analyse.studies import MARGINS, PHASES
from analyse.studies import campaign as make_campaign
from analyse.test_compare import CITY, GRID, PAIRS, RECOVERY, VALUES, Drawn, Shifts, rows
from intake_report.align import CRITERIA
from intake_report.analyse.compare import compare, compare_pair, judge
from intake_report.analyse.limitations import KINDS, Findings, derive_limitations, limitation
from intake_report.analyse.limitations.comparisons import MATERIAL, blocks_for, floor_of, forecast
from intake_report.analyse.limitations.layout import read_issued
from intake_report.campaign import Planning
from intake_report.demo.scenario import OPEN, SEALED, STOCK
from intake_report.errors import CampaignError
from intake_report.messages import said
from intake_report.metrics import keys
from intake_report.render.sections.answer import gravest
from intake_report.results import ControlEffect, ModelCheck, RunResult
from intake_report.results.compared import LAST
from intake_report.results.text import difference_interval

CAMPAIGN = make_campaign((STOCK, OPEN, SEALED))
PEAK = next(k for k in keys(MARGINS, PHASES, None) if k.key == "peak_over_ambient")
NOTHING = SimpleNamespace(series={}, choice=SimpleNamespace(source=None, uncertainty=None))  # recorded of ambient


def findings(key, layout, numbers, *, starts=None, draws=None, campaign=CAMPAIGN, checks=(), control=(), **changes):
    values = rows(key, layout, numbers)
    driven = {
        "start": None, "duration": 1300.0, "length": 18500.0, "method": "position", "stops": 9, "stopped_time": 300.0,
        "highway_entry": 900.0, "decision": "accepted", "reasons": (), "files": (),
    }  # fmt: skip
    of_run = {v.run: driven | ({"start": starts[i]} if starts else {}) for i, v in enumerate(values)}
    runs = tuple(RunResult(v.run, v.configuration, v.block, **of_run[v.run] | changes.get(v.run, {})) for v in values)
    entries = tuple(SimpleNamespace(id=r.id, control=()) for r in runs)
    return Findings(
        campaign.model_copy(update={"runs": entries}), (), runs, NOTHING, (), (), (key,), values,
        compare(campaign, (key,), values, draws), checks, control,
    )  # fmt: skip


def found(f: Findings) -> dict[str, SimpleNamespace]:
    """Limitations by code, as a reader of SI units sees them."""
    return {
        x.code: SimpleNamespace(code=x.code, text=said(x.text, "si"), remedy=said(x.remedy, "si"), keys=x.keys)
        for x in derive_limitations(f)
    }


def not_shown(f: Findings) -> SimpleNamespace:
    """What is said of the sealed box's differences that are not shown."""
    only = tuple(c for c in f.comparisons if c.configuration == SEALED.id)
    return found(replace(f, comparisons=only))["not-shown"]


def sealed(f: Findings):
    return next(c for c in f.comparisons if c.configuration == SEALED.id)


SIX = (9.0, 5.0, 8.8, 5.2, 9.1, 5.3)


def each_day(*hours: str) -> list[str]:
    """Starts of three days with a run at each of these hours."""
    return [f"2026-06-{day:02d}T{hour}+00:00" for day in (9, 10, 11) for hour in hours]


def test_every_limitation_has_words_for_the_cover_and_a_place():
    """All codes, the alignment's and the acceptance's included: 26 of 53 once had none."""
    assert {"one-run", "placed", "detour", *(f"acceptance-{code}" for code in CRITERIA)} <= set(KINDS)
    for k in KINDS.values():
        assert 0 < k.rank < LAST and k.cover[0].islower() and not k.cover.endswith("."), k.code
        assert len(k.cover.split()) <= 15 and k.text.endswith((".", "}")), k.code
    assert KINDS["no-ambient"].rank < KINDS["one-run"].rank < KINDS["slow-sampling"].rank


def test_the_cover_names_the_gravest_and_of_those_alike_one(demo):
    one, mixed, no_ambient, slow = map(limitation, ("one-run", "confounded", "no-ambient", "slow-sampling"))
    limited = replace(demo.chain.result, limitations=(slow, mixed, one))
    assert gravest(replace(limited, limitations=(*limited.limitations, no_ambient)), 2) == (no_ambient, one)
    assert gravest(limited, 5) == (one, slow)
    assert gravest(replace(limited, comparisons=()), 5) == (slow,)


def test_one_run_says_what_three_would_give():
    text = found(findings(CITY, "s1 o1 e1 s2", (9.0, 12.0, 5.0, 8.8)))["one-run"]
    assert OPEN.name in text.text and SEALED.name in text.text and STOCK.name not in text.text
    # paired t of 3 and 2 pairs: 4.303·√(2/3) and 12.706·√(2/2) (t quantiles: any table)
    assert "± 3.5 times" in text.remedy and "± 12.7 times" in text.remedy


def test_baseline_without_runs_and_one_configuration_only():
    texts = {said(x.text, "si"): x.code for x in derive_limitations(findings(CITY, "e1 e2", (5.0, 5.2)))}
    assert "one-configuration" in texts.values()
    assert any(code == "no-run" and "baseline" in text and STOCK.name in text for text, code in texts.items())


@pytest.mark.parametrize(
    ("code", "layout"),
    [("confounded", "s1 s1 e2 e2"), ("confounded", "s1 e2 s3 e4"), ("one-block", "s1 e1 s1 e1"), ("no-blocks", "s- e- s- e-")],
)  # fmt: skip
def test_blocks_that_tell_little(code, layout):
    starts = each_day("09:00", "10:00", "11:00", "12:00")
    limits = found(findings(CITY, layout, (9.0, 8.0, 5.0, 5.2), starts=starts))
    assert code in limits and ("independence-untested" in limits) <= (layout != "s1 e2 s3 e4")


def test_a_good_layout_has_none_of_these():
    layout = {"confounded", "no-common-block", "one-block", "no-blocks", "one-run", "no-run"}
    assert not (layout | {"control-partial", "traffic-unlike"}) & set(found(findings(CITY, GRID, VALUES)))


def test_a_configuration_that_shares_no_block_with_the_baseline():
    f = findings(CITY, "s1 o1 o2 e2 s3 o3", (9.0, 12.0, 11.0, 5.0, 8.0, 12.1))
    text = found(f)["no-common-block"].text
    assert SEALED.name in text and OPEN.name not in text.split("shares")[0]


def test_mornings_against_afternoons():
    starts = each_day("08:30", "14:10")
    text = found(findings(CITY, PAIRS, SIX, starts=starts))["time-of-day"].text
    assert "08:30" in text and "14:10" in text and text.index(STOCK.name) < text.index(SEALED.name)
    turned = [starts[i] for i in (0, 1, 3, 2, 4, 5)]
    assert "time-of-day" not in found(findings(CITY, PAIRS, SIX, starts=turned))


def test_mostly_mornings_against_mostly_afternoons():
    """Nine of ten pairs of runs, not all: mixed in all the same, and the share is said."""
    hours = {"s": ["08:00", "08:10", "08:20", "08:30", "15:30"], "e": ["14:00", "14:10", "14:20", "14:30", "15:40"]}
    layout = " ".join(f"{who}{i}" for i in range(5) for who in "se")
    starts = [f"2026-06-{9 + i:02d}T{hours[who][i]}+00:00" for i in range(5) for who in "se"]
    numbers = [*SIX, 9.2, 5.4, 8.9, 5.1]
    # 21 of 25 pairs: below nine of ten
    assert "time-of-day" not in found(findings(CITY, layout, numbers, starts=starts))
    starts[8] = "2026-06-13T14:15+00:00"  # now 23 of 25
    assert "92\u00a0%" in found(findings(CITY, layout, numbers, starts=starts))["time-of-day"].text


def test_the_same_order_in_every_block():
    starts = each_day("13:00", "13:40")
    text = found(findings(CITY, PAIRS, SIX, starts=starts))["order"]
    assert f"{STOCK.name} was driven before {SEALED.name}" in text.text and text.remedy.startswith(SEALED.name)
    assert "order" not in found(findings(CITY, "s1 e1 e2 s2 s3 e3", SIX, starts=starts))


def test_permutation_floor_says_what_would_reach_it():
    text = found(findings(CITY, GRID, VALUES))["permutation-floor"]
    # smallest attainable p (shared check values 5.18): three pairs 0.25, six pairs 0.03125, 4 + 4 runs 0.0286
    assert "0.250" in text.remedy and text.remedy.startswith("6 blocks") and "4 runs of each" in text.remedy
    many = "s- s- s- s- e- e- e- e-"
    assert "permutation-floor" not in found(findings(CITY, many, (9.0, 9.1, 8.9, 9.3, 5.0, 5.1, 4.9, 5.5)))


def test_control_beside_some_runs_only():
    f = findings(CITY, "s1 e1 s2 e2", (9.0, 5.0, 8.8, 5.2))
    entries = tuple(SimpleNamespace(id=e.id, control=("x.csv",) if i else ()) for i, e in enumerate(f.campaign.runs))
    f = replace(f, campaign=f.campaign.model_copy(update={"runs": entries}))
    assert "r0" in found(f)["control-partial"].text


def stopped(layout: str, times, **more) -> Findings:
    """Findings with these stopped times [s]."""
    n = len(layout.split())
    return findings(CITY, layout, SIX[:n], **{f"r{i}": {"stopped_time": t} for i, t in enumerate(times)} | more)


def test_one_configuration_that_always_stood_longer():
    """Differences far below half of the limit of 120 s, but the same way in every block."""
    text = found(stopped(PAIRS, (320, 300, 530, 500, 250, 240)))["traffic-unlike"]
    # means over blocks: (320 + 530 + 250)/3 and (300 + 500 + 240)/3
    assert "stood for 367\u00a0s" in text.text and "347\u00a0s" in text.text and "each of the 3 blocks" in text.text
    assert text.text.index(STOCK.name) < text.text.index(SEALED.name) and "stopped" not in text.text
    assert "stops are alike" in text.remedy
    assert "traffic-unlike" not in found(stopped(PAIRS, (320, 300, 530, 500, 240, 250)))


def test_means_that_are_half_a_limit_apart():
    layout = "s1 e1 s2 e2"
    apart = found(stopped(layout, (400, 270, 300, 305)))["traffic-unlike"].text  # 62.5 s
    assert "350\u00a0s on average" in apart and "in each of" not in apart
    assert "traffic-unlike" not in found(stopped(layout, (400, 285, 300, 305)))  # 55 s
    single = found(stopped("s1 e2", (400, 300)))["traffic-unlike"].text
    assert "stood for 400\u00a0s, " in single  # one run each: nothing averages traffic out
    assert "traffic-unlike" not in found(stopped("s1 e1", (330, 300)))  # one block: one of two always stands longer
    tight = CAMPAIGN.model_copy(update={"acceptance": {"stop-time": "40 s"}})
    f = stopped(layout, (400, 285, 300, 305))
    assert "traffic-unlike" in found(replace(f, campaign=tight.model_copy(update={"runs": f.campaign.runs})))


def test_stops_by_number_and_a_run_left_out():
    more = {"r0": {"stops": 14}, "r2": {"stops": 15}}
    text = found(stopped("s1 e1 s2 e2", (300,) * 4, **more))["traffic-unlike"].text
    assert "stopped 14.5 times" in text and " 9.0 times" in text and "stood" not in text
    out = {"r0": {"decision": "excluded"}, "r2": {"decision": "excluded"}}
    assert "traffic-unlike" not in found(stopped("s1 e1 s2 e2", (900, 300, 900, 300), **out))


def test_both_weightings_are_quoted_where_traffic_was_unlike():
    placed = next(k for k in keys(MARGINS, PHASES, None) if k.key == "distance_mean_over_ambient:city")
    f = stopped(PAIRS, (320, 300, 530, 500, 250, 240))
    less = rows(placed, PAIRS, (8.0, 5.0, 7.8, 5.2, 8.1, 5.3))
    both = (*f.comparisons, *compare(CAMPAIGN, (placed,), less))
    text = found(replace(f, metrics=(CITY, placed), comparisons=both))["traffic-unlike"].text
    assert "−3.8\u00a0K (" in text and "over time and −2.8\u00a0K (" in text and text.endswith("over distance.")


# --- differences --------------------------------------------------------------------------------------------------

WIDE = (9.0, 12.0, 8.4, 8.1, 9.0, 9.0, 9.6, 12.2, 8.3)
SLOW = [10.0 * v for v in WIDE]  # as recovery times


def test_not_shown_says_what_one_more_run_gives():
    f = findings(CITY, GRID, WIDE)
    row, remedy = sealed(f), not_shown(f).remedy
    one = forecast(f, row, 1)
    assert f"± {one:.1f}" in remedy and "One more block with" in remedy
    assert not row.shown and one < 0.5 * (row.high - row.low)


def test_not_shown_quotes_the_interval_of_the_table_not_half_of_its_width():
    """A bias with a floor makes the interval one-sided: a ± of half its width would name limits that nothing says."""
    numbers = (40.0, 45.0, 28.0, 44.0, 47.0, 24.0, 38.0, 42.0, 33.0)
    values = rows(RECOVERY, GRID, numbers)
    bias = np.random.default_rng(2).uniform(-60.0, 60.0, 2000)
    gain = {SEALED.id: 2.0}
    draws = {v.run: np.maximum(v.value + gain.get(v.configuration, 1.0) * bias, 0.0) for v in values}
    f = findings(RECOVERY, GRID, numbers, draws=Drawn(draws))
    row = sealed(f)
    assert abs(0.5 * (row.low + row.high) - row.difference) > 5.0  # not symmetric
    text = not_shown(f).text
    assert difference_interval(row, RECOVERY, "si") in text and "±" not in text
    assert difference_interval(row, RECOVERY, "si") in found(f)["shared-bias"].text


def test_what_holm_takes_back_is_suggested_not_unseen():
    f = findings(CITY, GRID, VALUES)
    taken = [replace(c, p_adjusted=0.2) if c.configuration == SEALED.id else c for c in f.comparisons]
    f = replace(f, comparisons=tuple(judge(CITY, c) for c in taken))
    text = not_shown(f).text
    assert "suggested, not confirmed in" in text and "no difference is shown" not in text and "(Holm)" in text


def test_an_interval_that_is_not_bounded_is_a_limitation():
    values = rows(RECOVERY, GRID, SLOW)
    draws = Shifts(values, {v.run: 1.0 for v in values}, 1.0)
    draws._draws["r2"][:400] = np.inf  # a run of the sealed box
    f = findings(RECOVERY, GRID, SLOW, draws=draws)
    row = sealed(f)
    assert row.high is None and row.low is not None
    limit = found(f)["not-bounded"]
    assert SEALED.name in limit.text and OPEN.name not in limit.text and "above" in limit.text
    remedy = not_shown(f).remedy
    assert "more runs do not bound" in remedy.lower() and "about ±" not in remedy


def test_forecast_is_what_the_comparison_gives_for_that_scatter():
    """Simulated: the mean squared half-width of campaigns with one more block is near the forecast."""
    f = findings(CITY, PAIRS, (9.0, 5.0, 8.0, 5.2, 9.5, 5.6))
    row, rng, widths = sealed(f), np.random.default_rng(8), []
    for _ in range(300):
        values = rows(CITY, "s1 e1 s2 e2 s3 e3 s4 e4", rng.normal(0.0, row.scatter, 8).tolist())
        widths.append(compare_pair(CAMPAIGN, CITY, values, SEALED.id, STOCK.id).half_width)
    assert np.sqrt(np.mean(np.square(widths))) == pytest.approx(forecast(f, row, 1), rel=0.06)
    f = findings(CITY, PAIRS.translate(dict.fromkeys(b"123", "-")), (9.0, 5.0, 8.0, 5.2, 9.5, 5.6))  # without blocks
    # four runs of each, t(0.975, 6) = 2.4469 (any t table)
    assert forecast(f, sealed(f), 1) == pytest.approx(2.4469 * sealed(f).scatter * np.sqrt(2.0 / 4.0), rel=1e-4)


def test_more_runs_do_not_help_against_shared_biases():
    values = rows(RECOVERY, GRID, SLOW)
    gain = {v.run: 40.0 if v.configuration == SEALED.id else 10.0 for v in values}
    f = findings(RECOVERY, GRID, SLOW, draws=Shifts(values, gain, 0.6))
    row = sealed(f)
    assert floor_of(row) == pytest.approx(1.96 * 18.0, rel=0.05)
    assert blocks_for(f, row, abs(row.difference)) is None
    assert "more runs do not show" in not_shown(f).remedy.lower()
    shared = found(f)["shared-bias"]
    assert f"± {floor_of(row):.0f}" in shared.text and "Soak checks" in shared.remedy
    assert "shared-bias" not in found(findings(RECOVERY, GRID, SLOW))


def test_a_shared_part_is_said_from_a_third_of_the_uncertainty_on():
    """A third adds 6 % to the whole (1/√(1 − 1/9) = 1.06); the limitation names it from there on, and not below."""
    assert pytest.approx(1.06, abs=0.002) == 1.0 / np.sqrt(1.0 - MATERIAL**2)
    f = findings(RECOVERY, GRID, SLOW)

    def with_share(share):
        return found(replace(f, comparisons=[replace(c, instrument=share * c.standard_error) for c in f.comparisons]))

    assert "shared-bias" in with_share(0.35) and "shared-bias" not in with_share(0.31)


def test_assumptions_in_doubt_are_said():
    def checked(*numbers):
        return found(findings(CITY, GRID, VALUES, checks=(ModelCheck(CITY.key, *numbers),)))

    doubt = checked(0.71, 0.012, 20, 0.004, "interaction")
    assert "+0.71" in doubt["related-runs"].text
    assert doubt["interaction"].keys == (CITY.key,)
    assert "0.004" not in doubt["interaction"].text  # p stands in the annex
    assert not {"related-runs", "interaction"} & set(checked(0.1, 0.5, 6, 0.4, "one degree"))
    assert "Runs of a block are" in checked(None, None, 2, None, "none", "too few")["independence-untested"].text


@pytest.mark.parametrize(
    ("key", "layout", "numbers", "code", "words"),
    [
        (CITY, GRID, (9.0, 12.0, 5.4, 8.1, 11.9, None, 9.6, 12.2, 6.3), "value-missing", ("1 run (r5)", "no such channel")),
        (PEAK, GRID, (9.0, 12.0, -5.4, 8.1, 11.9, -2.0, 9.6, 12.2, -23.4), "below-ambient", ("In 2 runs", "23.4\u00a0K")),
        (RECOVERY, PAIRS, (110.0, 60.0, (300.0,), 71.0, 130.0, 64.0), "not-reached", ("r2", "300", "“longer than”")),
        (RECOVERY, "s1 e1 s2 e2", [(200.0,)] * 4, "not-reached", ("too few runs reached it",)),
        (CITY, PAIRS, (9.0, 5.0) * 3, "no-scatter", ("unknown, not zero",)),
    ],
)  # fmt: skip
def test_what_values_lack_is_said(key, layout, numbers, code, words):
    text = found(findings(key, layout, numbers))[code].text
    assert all(word in text for word in words)


def test_intake_air_a_step_below_ambient_is_nothing():
    assert "below-ambient" not in found(findings(PEAK, GRID, (9.0, 12.0, -1.9, 8.1, 11.9, 0.0, 9.6, 12.2, 6.3)))


def test_ambient_that_differs_between_days_only_is_a_remark_where_differences_are_within_blocks():
    f = findings(PEAK, GRID, (9.0, 12.0, 5.4, 8.1, 11.9, 7.0, 9.6, 12.2, 6.3))
    warm = {run.id: 20.0 + 3.0 * int(run.block[-1]) for run in f.used.values()}

    def codes(means):
        air = pd.DataFrame([{"run": run, "ambient_mean": mean} for run, mean in means.items()])
        return {code for code in found(replace(f, conditions=air)) if code in ("ambient-days", "ambient-spread")}

    assert codes(warm) == {"ambient-days"}
    first = next(iter(warm))
    assert codes(warm | {first: warm[first] + 2.0}) == {"ambient-spread"}
    f = findings(PEAK, "s1 o2 e3", (9.0, 12.0, 5.4))  # each day one configuration: nothing is compared within it
    assert codes({run.id: 20.0 + 3.0 * i for i, run in enumerate(f.used.values())}) == {"ambient-spread"}


def test_a_control_that_widens_is_said():
    effect = ControlEffect(CITY.key, SEALED.id, STOCK.id, -3.0, 2.0, 0.8, -3.1, 1.0, 0.4, 6)
    assert "half-width 2.0" in found(findings(CITY, GRID, VALUES, control=(effect,)))["control-widens"].text
    assert "control-widens" not in found(findings(CITY, GRID, VALUES, control=(replace(effect, half_width=0.5),)))


def test_nothing_left_after_exclusion():
    excluded = {f"r{i}": {"decision": "excluded", "reasons": ("engine fault",)} for i in range(9)}
    f = replace(findings(CITY, GRID, VALUES, **excluded), values=(), comparisons=compare(CAMPAIGN, (CITY,), ()))
    codes = [x.code for x in derive_limitations(f)]
    assert codes.count("excluded") == 9 and codes.count("no-run") == 3


@pytest.mark.parametrize("layout", [GRID, "s1 e1", "s1 s1 e2 e2", "s- e- s- e-"])
def test_texts_are_sentences_with_numbers(layout):
    for limited in found(findings(CITY, layout, VALUES[: len(layout.split())])).values():
        assert re.fullmatch(r"[a-z][a-z-]+", limited.code)
        assert limited.text.endswith(".") and limited.text[0].isupper()
        assert "None" not in limited.text + limited.remedy and "nan" not in limited.text


def test_plan_and_deed_are_compared(tmp_path):
    starts = [f"2026-06-0{n}T09:00+02:00" for n in (2, 1, 3, 4)]
    plan = [
        {"files": [], "id": id, "configuration": who, "block": block, "position": position}
        for id, who, block, position in (
            ("r0", "stock", "day-1", 1), ("r1", "open-cone", "day-1", 2), ("r2", "stock", "day-2", 1),
            ("r3", "open-cone", "day-2", 2), ("r9", "stock", "day-4", 1),
        )
    ]  # fmt: skip
    (tmp_path / "plan.json").write_text(json.dumps({"campaign": CAMPAIGN.about.id, "runs": plan}))
    one = CAMPAIGN.model_copy(update={"plan": Planning(issued="plan.json", looks=1)})
    one._file = tmp_path / "campaign.toml"
    layout, numbers = "s1 o1 s2 o3", [1.0, 2.0, 3.0, 4.0]
    texts = {code: x.text for code, x in found(findings(CITY, layout, numbers, starts=starts, campaign=one)).items()}
    assert "not kept in day-1:" in texts["plan-order"] and "(r9) is not" in texts["plan-left-out"]
    assert "1 run (r3) is not as the plan has it" in texts["plan-added"] and "seen 1 time" in texts["plan-looks"]
    assert not any(code.startswith("plan-") for code in found(findings(CITY, layout, numbers)))
    (tmp_path / "plan.json").write_text("{}")
    with pytest.raises(CampaignError, match="this is no plan of a campaign"):
        read_issued(one)
