"""Limitations of layout and of differences: each predicate fires on what it is about, says its numbers, and is quiet else."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analyse.studies import MARGINS, PHASES
from analyse.studies import campaign as make_campaign
from analyse.test_compare import CITY, GRID, RECOVERY, VALUES, Shifts, rows
from intake_report.align import CRITERIA
from intake_report.analyse.compare import compare, compare_pair, judge
from intake_report.analyse.limitations import Findings, comparisons, conditions, derive_limitations, kept, kinds
from intake_report.analyse.limitations import layout as layouts
from intake_report.analyse.limitations.comparisons import MATERIAL, blocks_for, floor_of, forecast
from intake_report.campaign import Planning
from intake_report.demo.articles import OPEN, SEALED, STOCK
from intake_report.errors import CampaignError
from intake_report.messages import said
from intake_report.metrics import keys
from intake_report.render.sections.answer import gravest
from intake_report.results import ControlEffect, ModelCheck, RunResult
from intake_report.results.compared import LAST
from intake_report.results.text import difference_interval

CAMPAIGN = make_campaign((STOCK, OPEN, SEALED))
PEAK = next(k for k in keys(MARGINS, PHASES, None) if k.key == "peak_over_ambient")


def run(id: str, configuration: str, block: str | None, start: str | None, **more) -> RunResult:
    given = {
        "id": id, "configuration": configuration, "block": block, "start": start, "duration": 1300.0, "length": 18500.0,
        "method": "position", "stops": 9, "stopped_time": 300.0, "highway_entry": 900.0, "decision": "accepted",
        "reasons": (), "files": (),
    }  # fmt: skip
    return RunResult(**(given | more))


def findings(
    key, layout, numbers, *, starts=None, draws=None, campaign=CAMPAIGN, checks=(), control=(), **changes
) -> Findings:
    values = rows(key, layout, numbers)
    runs = tuple(
        run(v.run, v.configuration, v.block, None if starts is None else starts[i], **changes.get(v.run, {}))
        for i, v in enumerate(values)
    )
    nothing = SimpleNamespace(series={}, choice=SimpleNamespace(source=None, uncertainty=None))
    entries = tuple(SimpleNamespace(id=r.id, control=()) for r in runs)
    return Findings(
        campaign.model_copy(update={"runs": entries}), (), runs, nothing, (), (), (key,), values,
        compare(campaign, (key,), values, draws), checks, control,
    )  # fmt: skip


def found(predicate, f: Findings) -> dict[str, SimpleNamespace]:
    """Limitations by code, as a reader of SI units sees them."""
    return {x.code: x for x in printed(predicate(f))}


def printed(limitations) -> list[SimpleNamespace]:
    return [SimpleNamespace(code=x.code, text=said(x.text, "si"), remedy=said(x.remedy, "si")) for x in limitations]


DAYS = ["2026-06-09", "2026-06-10", "2026-06-11", "2026-06-12"]


def test_every_limitation_has_words_for_the_cover_and_a_place():
    """All codes, the alignment's and the acceptance's included: 26 of 53 once had none."""
    declared = kinds()
    codes = {k.code for k in declared}
    assert {"one-run", "placed", "detour", "acceptance-stop-time", "acceptance-cross-track"} <= codes
    assert codes >= {f"acceptance-{code}" for code in CRITERIA}
    assert len({k.code for k in declared}) == len(declared)
    for k in declared:
        assert (
            0 < k.rank < LAST
            and k.cover
            and not k.cover.endswith(".")
            and k.cover[0].islower()
            and len(k.cover.split()) <= 15
        ), k.code
        assert k.text.endswith((".", "}")), k.code
    nothing, mixed = (min(k.rank for k in declared if k.code == code) for code in ("no-ambient", "one-run"))
    assert nothing < mixed < next(k.rank for k in declared if k.code == "slow-sampling")


def test_the_cover_names_the_gravest_and_of_those_alike_one():
    one, mixed, no_ambient = layouts.ONE_RUN(), layouts.CONFOUNDED(), conditions.NO_AMBIENT()
    slow = conditions.SLOW()
    assert gravest((slow, mixed, one, no_ambient), (), 2) == (no_ambient, one)
    assert gravest((slow, mixed, one), (), 5) == (one, slow)
    assert gravest((slow, mixed, one), (), 5, compared=False) == (slow,)


def test_one_run_says_what_three_would_give():
    f = findings(CITY, "s1 o1 e1 s2", (9.0, 12.0, 5.0, 8.8))
    text = found(layouts.no_replication, f)["one-run"]
    assert OPEN.name in text.text and SEALED.name in text.text and STOCK.name not in text.text
    # paired t of 3 and 2 pairs: 4.303·√(2/3) and 12.706·√(2/2) (t quantiles: any table)
    assert "± 3.5 times" in text.remedy and "± 12.7 times" in text.remedy
    assert not found(layouts.no_replication, findings(CITY, GRID, VALUES))


def test_baseline_without_runs_and_one_configuration_only():
    codes = found(layouts.configuration_absent, findings(CITY, "e1 e2", (5.0, 5.2)))
    assert "one-configuration" in codes and "no-run" in codes
    texts = [x.text for x in printed(layouts.configuration_absent(findings(CITY, "e1 e2", (5.0, 5.2))))]
    assert any("baseline" in t and STOCK.name in t for t in texts)


@pytest.mark.parametrize("layout", ["s1 s1 e2 e2", "s1 e2 s3 e4"])
def test_blocks_with_one_configuration_are_confounded(layout):
    assert "confounded" in found(layouts.confounded, findings(CITY, layout, (9.0, 8.0, 5.0, 5.2)))
    assert not found(layouts.confounded, findings(CITY, GRID, VALUES))


def test_a_configuration_that_shares_no_block_with_the_baseline():
    f = findings(CITY, "s1 o1 o2 e2 s3 o3", (9.0, 12.0, 11.0, 5.0, 8.0, 12.1))
    text = found(layouts.confounded, f)["no-common-block"].text
    assert SEALED.name in text and OPEN.name not in text.split("shares")[0]


def test_mornings_against_afternoons():
    starts = [f"{day}T{hour}" for day in DAYS[:3] for hour in ("08:30+00:00", "14:10+00:00")]
    f = findings(CITY, "s1 e1 s2 e2 s3 e3", (9.0, 5.0, 8.8, 5.2, 9.1, 5.3), starts=starts)
    text = found(layouts.time_of_day, f)["time-of-day"].text
    assert "08:30" in text and "14:10" in text and text.index(STOCK.name) < text.index(SEALED.name)
    turned = [starts[i] for i in (0, 1, 3, 2, 4, 5)]
    assert not found(
        layouts.time_of_day, findings(CITY, "s1 e1 s2 e2 s3 e3", (9.0, 5.0, 8.8, 5.2, 9.1, 5.3), starts=turned)
    )


def test_mostly_mornings_against_mostly_afternoons():
    """Nine of ten pairs of runs, not all: mixed in all the same, and the share is said."""
    hours = {"s": ["08:00", "08:10", "08:20", "08:30", "15:30"], "e": ["14:00", "14:10", "14:20", "14:30", "15:40"]}
    layout, starts = [], []
    for i in range(5):
        for who in "se":
            layout.append(f"{who}{i}")
            starts.append(f"2026-06-{9 + i:02d}T{hours[who][i]}+00:00")
    numbers = [9.0, 5.0, 8.8, 5.2, 9.1, 5.3, 9.2, 5.4, 8.9, 5.1]
    # 21 of 25 pairs: below nine of ten
    assert not found(layouts.time_of_day, findings(CITY, " ".join(layout), numbers, starts=starts))
    starts[8] = "2026-06-13T14:15+00:00"  # now 23 of 25
    assert (
        "92\u00a0%"
        in found(layouts.time_of_day, findings(CITY, " ".join(layout), numbers, starts=starts))["time-of-day"].text
    )


def test_the_same_order_in_every_block():
    starts = [f"{day}T{hour}" for day in DAYS[:3] for hour in ("13:00+00:00", "13:40+00:00")]
    f = findings(CITY, "s1 e1 s2 e2 s3 e3", (9.0, 5.0, 8.8, 5.2, 9.1, 5.3), starts=starts)
    text = found(layouts.order, f)["order"]
    assert f"{STOCK.name} was driven before {SEALED.name}" in text.text and text.remedy.startswith(SEALED.name)
    assert not found(layouts.order, findings(CITY, "s1 e1 e2 s2 s3 e3", (9.0, 5.0, 5.2, 8.8, 9.1, 5.3), starts=starts))


def test_one_block_and_blocks_not_named():
    assert "one-block" in found(layouts.one_block, findings(CITY, "s1 e1 s1 e1", (9.0, 5.0, 8.8, 5.2)))
    starts = [f"{DAYS[0]}T{h:02d}:00+00:00" for h in (9, 10, 11, 12)]
    assert "no-blocks" in found(
        layouts.blocks_unknown, findings(CITY, "s- e- s- e-", (9.0, 5.0, 8.8, 5.2), starts=starts)
    )


def test_permutation_floor_says_what_would_reach_it():
    text = found(layouts.permutation_floor, findings(CITY, GRID, VALUES))["permutation-floor"]
    # smallest attainable p (shared check values 5.18): three pairs 0.25, six pairs 0.03125, 4 + 4 runs 0.0286
    assert "0.250" in text.remedy and text.remedy.startswith("6 blocks") and "4 runs of each" in text.remedy
    many = "s- " * 4 + "e- " * 4
    assert not found(layouts.permutation_floor, findings(CITY, many.strip(), (9.0, 9.1, 8.9, 9.3, 5.0, 5.1, 4.9, 5.5)))


def test_control_beside_some_runs_only():
    f = findings(CITY, "s1 e1 s2 e2", (9.0, 5.0, 8.8, 5.2))
    entries = tuple(SimpleNamespace(id=e.id, control=("x.csv",) if i else ()) for i, e in enumerate(f.campaign.runs))
    f = replace(f, campaign=f.campaign.model_copy(update={"runs": entries}))
    assert "r0" in found(layouts.control_partial, f)["control-partial"].text
    none = replace(
        f, campaign=f.campaign.model_copy(update={"runs": tuple(SimpleNamespace(id=e.id, control=()) for e in entries)})
    )
    assert not found(layouts.control_partial, none)


# --- traffic ------------------------------------------------------------------------------------------------------


def stopped(layout: str, times, **more) -> Findings:
    """Findings with these stopped times [s]."""
    n = len(layout.split())
    changes = {f"r{i}": {"stopped_time": t} for i, t in enumerate(times)} | more
    return findings(CITY, layout, (9.0, 5.0, 8.8, 5.2, 9.1, 5.3)[:n], **changes)


def test_one_configuration_that_always_stood_longer():
    """Differences far below half of the limit of 120 s, but the same way in every block."""
    text = found(layouts.traffic_unlike, stopped("s1 e1 s2 e2 s3 e3", (320, 300, 530, 500, 250, 240)))["traffic-unlike"]
    # means over blocks: (320 + 530 + 250)/3 and (300 + 500 + 240)/3
    assert "stood for 367\u00a0s" in text.text and "347\u00a0s" in text.text and "each of the 3 blocks" in text.text
    assert text.text.index(STOCK.name) < text.text.index(SEALED.name) and "stopped" not in text.text
    assert "stops are alike" in text.remedy
    assert not found(layouts.traffic_unlike, stopped("s1 e1 s2 e2 s3 e3", (320, 300, 530, 500, 240, 250)))


def test_means_that_are_half_a_limit_apart():
    layout = "s1 e1 s2 e2"
    apart = found(layouts.traffic_unlike, stopped(layout, (400, 270, 300, 305)))["traffic-unlike"].text  # 62.5 s
    assert "350\u00a0s on average" in apart and "in each of" not in apart
    assert not found(layouts.traffic_unlike, stopped(layout, (400, 285, 300, 305)))  # 55 s
    single = found(layouts.traffic_unlike, stopped("s1 e2", (400, 300)))["traffic-unlike"].text
    assert "stood for 400\u00a0s, " in single  # one run each: nothing averages traffic out
    assert not found(layouts.traffic_unlike, stopped("s1 e1", (330, 300)))  # one block: one of two always stands longer
    tight = CAMPAIGN.model_copy(update={"acceptance": {"stop-time": "40 s"}})
    f = stopped(layout, (400, 285, 300, 305))
    assert found(layouts.traffic_unlike, replace(f, campaign=tight.model_copy(update={"runs": f.campaign.runs})))


def test_stops_by_number_and_a_run_left_out():
    more = {"r0": {"stops": 14}, "r2": {"stops": 15}}
    text = found(layouts.traffic_unlike, stopped("s1 e1 s2 e2", (300,) * 4, **more))["traffic-unlike"].text
    assert "stopped 14.5 times" in text and " 9.0 times" in text and "stood" not in text
    out = {"r0": {"decision": "excluded"}, "r2": {"decision": "excluded"}}
    assert not found(layouts.traffic_unlike, stopped("s1 e1 s2 e2", (900, 300, 900, 300), **out))


def test_both_weightings_are_quoted_where_traffic_was_unlike():
    placed = next(k for k in keys(MARGINS, PHASES, None) if k.key == "distance_mean_over_ambient:city")
    f = stopped("s1 e1 s2 e2 s3 e3", (320, 300, 530, 500, 250, 240))
    less = rows(placed, "s1 e1 s2 e2 s3 e3", (8.0, 5.0, 7.8, 5.2, 8.1, 5.3))
    both = (*f.comparisons, *compare(CAMPAIGN, (placed,), less))
    text = found(layouts.traffic_unlike, replace(f, metrics=(CITY, placed), comparisons=both))["traffic-unlike"].text
    assert "−3.8\u00a0K (" in text and "over time and −2.8\u00a0K (" in text and text.endswith("over distance.")


# --- differences --------------------------------------------------------------------------------------------------

WIDE = (9.0, 12.0, 8.4, 8.1, 9.0, 9.0, 9.6, 12.2, 8.3)


def test_not_shown_says_what_one_more_run_gives():
    f = findings(CITY, GRID, WIDE)
    (row,) = [c for c in f.comparisons if c.configuration == SEALED.id]
    assert not row.shown
    (text,) = [x for x in printed(comparisons.not_shown(f)) if x.text.startswith(SEALED.name)]
    one = forecast(f, row, 1)
    assert f"± {one:.1f}" in text.remedy and "One more block with" in text.remedy
    assert one < 0.5 * (row.high - row.low)


def test_not_shown_quotes_the_interval_of_the_table_not_half_of_its_width():
    """A bias with a floor makes the interval one-sided: a ± of half its width would name limits that nothing says."""
    numbers = (40.0, 45.0, 28.0, 44.0, 47.0, 24.0, 38.0, 42.0, 33.0)
    values = rows(RECOVERY, GRID, numbers)
    bias = np.random.default_rng(2).uniform(-60.0, 60.0, 2000)
    draws = Shifts(values, {v.run: 1.0 for v in values}, 1.0, 2000)
    draws._draws = {
        v.run: np.maximum(v.value + (2.0 if v.configuration == SEALED.id else 1.0) * bias, 0.0) for v in values
    }
    f = findings(RECOVERY, GRID, numbers, draws=draws)
    (row,) = [c for c in f.comparisons if c.configuration == SEALED.id]
    assert abs(0.5 * (row.low + row.high) - row.difference) > 5.0  # not symmetric
    (text,) = [x for x in printed(comparisons.not_shown(f)) if x.text.startswith(SEALED.name)]
    assert difference_interval(row, RECOVERY, "si") in text.text and "±" not in text.text
    assert difference_interval(row, RECOVERY, "si") in found(comparisons.shared_biases, f)["shared-bias"].text


def test_what_holm_takes_back_is_suggested_not_unseen():
    f = findings(CITY, GRID, VALUES)
    taken = [replace(c, p_adjusted=0.2) if c.configuration == SEALED.id else c for c in f.comparisons]
    f = replace(f, comparisons=tuple(judge(CITY, c) for c in taken))
    (text,) = [x.text for x in printed(comparisons.not_shown(f)) if x.text.startswith(SEALED.name)]
    assert "suggested, not confirmed in" in text and "no difference is shown" not in text and "(Holm)" in text


def test_an_interval_that_is_not_bounded_is_a_limitation():
    values = rows(RECOVERY, GRID, [10.0 * v for v in WIDE])
    draws = Shifts(values, {v.run: 1.0 for v in values}, 1.0)
    draws._draws["r2"][:400] = np.inf  # a run of the sealed box
    f = findings(RECOVERY, GRID, [10.0 * v for v in WIDE], draws=draws)
    (row,) = [c for c in f.comparisons if c.configuration == SEALED.id]
    assert row.high is None and row.low is not None
    limit = found(comparisons.shared_biases, f)["not-bounded"]
    assert SEALED.name in limit.text and OPEN.name not in limit.text and "above" in limit.text
    (text,) = [x for x in printed(comparisons.not_shown(f)) if x.text.startswith(SEALED.name)]
    assert "more runs do not bound" in text.remedy.lower() and "about ±" not in text.remedy


def test_forecast_is_what_the_comparison_gives_for_that_scatter():
    """Simulated: the mean squared half-width of campaigns with one more block is near the forecast."""
    f = findings(CITY, "s1 e1 s2 e2 s3 e3", (9.0, 5.0, 8.0, 5.2, 9.5, 5.6))
    (row,) = [c for c in f.comparisons if c.configuration == SEALED.id]
    ahead = forecast(f, row, 1)
    rng = np.random.default_rng(8)
    layout = "s1 e1 s2 e2 s3 e3 s4 e4"
    widths = []
    for _ in range(300):
        d = compare_pair(
            CAMPAIGN, CITY, rows(CITY, layout, rng.normal(0.0, row.scatter, 8).tolist()), SEALED.id, STOCK.id
        )
        widths.append((0.5 * (d.high - d.low)) ** 2)
    assert np.sqrt(np.mean(widths)) == pytest.approx(ahead, rel=0.06)


def test_more_runs_do_not_help_against_shared_biases():
    values = rows(RECOVERY, GRID, [10.0 * v for v in WIDE])
    gain = {v.run: 40.0 if v.configuration == SEALED.id else 10.0 for v in values}
    f = findings(RECOVERY, GRID, [10.0 * v for v in WIDE], draws=Shifts(values, gain, 0.6))
    (row,) = [c for c in f.comparisons if c.configuration == SEALED.id]
    assert floor_of(row) == pytest.approx(1.96 * 18.0, rel=0.05)
    assert blocks_for(f, row, abs(row.difference)) is None
    (text,) = [x for x in printed(comparisons.not_shown(f)) if x.text.startswith(SEALED.name)]
    assert "more runs do not show" in text.remedy.lower()
    shared = found(comparisons.shared_biases, f)["shared-bias"]
    assert f"± {floor_of(row):.0f}" in shared.text and "Soak checks" in shared.remedy
    assert not found(comparisons.shared_biases, findings(RECOVERY, GRID, [10.0 * v for v in WIDE]))


def test_a_shared_part_is_said_from_a_third_of_the_uncertainty_on():
    """A third adds 6 % to the whole (1/√(1 − 1/9) = 1.06); the limitation names it from there on, and not below."""
    assert pytest.approx(1.06, abs=0.002) == 1.0 / np.sqrt(1.0 - MATERIAL**2)
    f = findings(RECOVERY, GRID, [10.0 * v for v in WIDE])

    def with_share(share):
        rows = tuple(replace(c, instrument=share * c.standard_error) for c in f.comparisons)
        return found(comparisons.shared_biases, replace(f, comparisons=rows))

    assert "shared-bias" in with_share(0.35) and "shared-bias" not in with_share(0.31)


def test_assumptions_in_doubt_are_said():
    check = ModelCheck(CITY.key, 0.71, 0.012, 20, 0.004, "interaction")
    f = findings(CITY, GRID, VALUES, checks=(check,))
    assert "+0.71" in found(comparisons.independence, f)["related-runs"].text
    (doubt,) = comparisons.interaction(f)
    assert doubt.keys == (CITY.key,) and "0.004" not in said(doubt.text, "si")  # p-values stand in the annex
    fine = findings(CITY, GRID, VALUES, checks=(ModelCheck(CITY.key, 0.1, 0.5, 6, 0.4, "one degree"),))
    assert not found(comparisons.independence, fine) and not found(comparisons.interaction, fine)
    none = findings(CITY, GRID, VALUES, checks=(ModelCheck(CITY.key, None, None, 2, None, "none", "too few"),))
    assert "independence-untested" in found(comparisons.independence, none)


def test_values_missing_in_some_runs():
    f = findings(CITY, GRID, (9.0, 12.0, 5.4, 8.1, 11.9, None, 9.6, 12.2, 6.3))
    text = found(comparisons.partial, f)["value-missing"].text
    assert "1 run (r5)" in text and "no such channel" in text


def test_intake_air_below_ambient_is_the_first_thing_said():
    f = findings(PEAK, GRID, (9.0, 12.0, -5.4, 8.1, 11.9, -2.0, 9.6, 12.2, -23.4))
    text = found(conditions.below_ambient, f)["below-ambient"].text
    assert "In 2 runs" in text and "23.4\u00a0K" in text
    assert not found(conditions.below_ambient, findings(PEAK, GRID, (9.0, 12.0, -1.9, 8.1, 11.9, 0.0, 9.6, 12.2, 6.3)))


def test_ambient_that_differs_between_days_only_is_a_remark_where_differences_are_within_blocks():
    f = findings(PEAK, GRID, (9.0, 12.0, 5.4, 8.1, 11.9, 7.0, 9.6, 12.2, 6.3))
    warm = {run.id: 20.0 + 3.0 * int(run.block[-1]) for run in f.used}

    def codes(means):
        air = pd.DataFrame([{"run": run, "ambient_mean": mean} for run, mean in means.items()])
        return set(found(conditions.ambient_differs, replace(f, conditions=air)))

    assert codes(warm) == {"ambient-days"}
    first = next(iter(warm))
    assert codes(warm | {first: warm[first] + 2.0}) == {"ambient-spread"}
    f = findings(PEAK, "s1 o2 e3", (9.0, 12.0, 5.4))  # each day one configuration: nothing is compared within it
    assert codes({run.id: 20.0 + 3.0 * i for i, run in enumerate(f.used)}) == {"ambient-spread"}


def test_not_reached_says_how_it_was_compared():
    f = findings(RECOVERY, "s1 e1 s2 e2 s3 e3", (110.0, 60.0, (300.0,), 71.0, 130.0, 64.0))
    text = found(comparisons.not_reached, f)["not-reached"].text
    assert "r2" in text and "300" in text and "“longer than”" in text
    f = findings(RECOVERY, "s1 e1 s2 e2", [(200.0,)] * 4)
    assert "too few runs reached it" in found(comparisons.not_reached, f)["not-reached"].text


def test_no_scatter_at_the_resolution():
    f = findings(CITY, "s1 e1 s2 e2 s3 e3", (9.0, 5.0) * 3)
    assert "unknown, not zero" in found(comparisons.no_scatter, f)["no-scatter"].text


def test_a_control_that_widens_is_said():
    effect = ControlEffect(CITY.key, SEALED.id, STOCK.id, -3.0, 2.0, 0.8, -3.1, 1.0, 0.4, 6)
    f = findings(CITY, GRID, VALUES, control=(effect,))
    assert "half-width 2.0" in found(comparisons.control_widens, f)["control-widens"].text
    assert not found(
        comparisons.control_widens, findings(CITY, GRID, VALUES, control=(replace(effect, half_width=0.5),))
    )


def test_nothing_left_after_exclusion():
    excluded = {f"r{i}": {"decision": "excluded", "reasons": ("engine fault",)} for i in range(9)}
    f = replace(findings(CITY, GRID, VALUES, **excluded), values=(), comparisons=compare(CAMPAIGN, (CITY,), ()))
    codes = [x.code for x in derive_limitations(f)]
    assert codes.count("excluded") == 9 and codes.count("no-run") == 3


@pytest.mark.parametrize("layout", [GRID, "s1 e1", "s1 s1 e2 e2", "s- e- s- e-"])
def test_texts_are_sentences_with_numbers(layout):
    numbers = VALUES[: len(layout.split())]
    for limitation in printed(derive_limitations(findings(CITY, layout, numbers))):
        assert re.fullmatch(r"[a-z][a-z-]+", limitation.code)
        assert limitation.text.endswith(".") and limitation.text[0].isupper()
        assert "None" not in limitation.text + limitation.remedy and "nan" not in limitation.text


def test_plan_and_deed_are_compared(tmp_path):
    layout = "s1 o1 s2 o3"
    starts = [f"2026-06-0{n}T09:00+02:00" for n in (2, 1, 3, 4)]
    entry = {"files": []}
    plan = [
        entry | {"id": id, "configuration": who, "block": block, "position": position}
        for id, who, block, position in (
            ("r0", "stock", "day-1", 1), ("r1", "open-cone", "day-1", 2), ("r2", "stock", "day-2", 1),
            ("r3", "open-cone", "day-2", 2), ("r9", "stock", "day-4", 1),
        )
    ]  # fmt: skip
    (tmp_path / "plan.json").write_text(json.dumps({"campaign": CAMPAIGN.about.id, "runs": plan}))
    about = Planning(issued="plan.json", looks=1)
    one = CAMPAIGN.model_copy(update={"plan": about})
    one._file = tmp_path / "campaign.toml"
    f = findings(CITY, layout, [1.0, 2.0, 3.0, 4.0], starts=starts, campaign=one)
    f = replace(f, runs=tuple(replace(r, id=f"r{n}") for n, r in enumerate(f.runs)))
    said_of = found(kept.plan_kept, f)
    assert set(said_of) == {"plan-order", "plan-left-out", "plan-added", "plan-looks"}
    assert "not kept in day-1:" in said_of["plan-order"].text and "(r9) is not" in said_of["plan-left-out"].text
    assert (
        "1 run (r3) is not as the plan has it" in said_of["plan-added"].text
        and "seen 1 time" in said_of["plan-looks"].text
    )
    assert not found(kept.plan_kept, findings(CITY, layout, [1.0, 2.0, 3.0, 4.0]))
    (tmp_path / "plan.json").write_text("{}")
    with pytest.raises(CampaignError, match="this is no plan of a campaign"):
        kept.read_issued(one)
