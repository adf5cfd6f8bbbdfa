"""The chain on small campaigns: what is missing is named, claims are judged by intervals, limitations follow the data."""

import json
from typing import Any

import pytest
import roadlog
from conftest import Chain, run_chain

from intake_report.analyse import analyse, conclude
from intake_report.analyse.compare.estimate import gather_covariates
from intake_report.campaign import load_campaign
from intake_report.errors import CampaignError
from intake_report.messages import said
from intake_report.render.blocks import Table
from intake_report.render.sections.comparisons import basis_of_differences
from intake_report.results.text import difference_interval, results_json


def chain(folder, *changes: tuple[str, Any], blocks: int = 3, left_out: tuple[str, ...] = ()) -> Chain:
    data = roadlog.campaign(blocks=blocks, left_out=left_out)
    for key, value in changes:
        data = roadlog.changed(data, key, value)
    return run_chain(roadlog.write(folder, data, left_out=left_out))


def codes(found: Chain) -> set[str]:
    return {limitation.code for limitation in found.result.limitations}


def difference(found: Chain, key: str = "mean_over_ambient:city"):
    (row,) = [c for c in found.result.comparisons if c.key == key]
    return row


def claim(**more: Any) -> dict[str, Any]:
    return {
        "id": "c", "text": "The sealed box stays closer to ambient.", "metric": "mean_over_ambient", "phase": "city",
        "configuration": "sealed", "versus": "stock", "relation": "lower",
    } | more  # fmt: skip


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> Chain:
    return chain(tmp_path_factory.mktemp("plain"), ("claim", [claim()]))


def test_known_physics_comes_out(plain):
    """Heat soak of 6 and 3 K/min was driven: the readings of whole degrees at 1 Hz give it back."""
    for value in plain.result.of("heat_soak_rate"):
        truth = roadlog.STOCK.soak if value.configuration == "stock" else roadlog.SEALED.soak
        # stops of 25 s and more that show 1 to 4 steps: three times q·√12/(D·√2) over the median of three stops
        assert value.value == pytest.approx(truth, abs=1.5)
    assert difference(plain).difference < -1.0


def test_chain_has_no_memory(plain):
    assert results_json(analyse(plain.campaign), "2026-07-01", 1) == results_json(plain.result, "2026-07-01", 1)


def test_what_conclude_is_given_takes_effect_without_measuring_again(plain, tmp_path):
    """Excluding a run, another level, baseline or claim: what is concluded is what a whole run of that file concludes."""
    data = roadlog.changed(roadlog.campaign(blocks=3), "claim", [claim(id="other", relation="higher")])
    data = roadlog.changed(data, "run.0.exclude", "window open")
    data["metrics"] = {**data.get("metrics", {}), "confidence": 0.9}
    for configuration, role in zip(data["configuration"], ("candidate", "baseline"), strict=True):
        configuration["role"] = role
    whole = run_chain(roadlog.write(tmp_path, data))
    result = conclude(whole.campaign, plain.measured)
    assert (result.runs[0].decision, result.runs[0].reasons) == ("excluded", ("window open",))
    assert result.level == 0.9 and {c.level for c in result.comparisons} == {0.9} and result.uncertainty.level == 0.9
    assert {c.versus for c in result.comparisons} == {"sealed"} and result.claims[0].id == "other"
    assert any(v.run == result.runs[0].id and v.value is not None for v in result.values)  # still measured
    assert "excluded" in {limitation.code for limitation in result.limitations}
    assert results_json(result, "2026-07-01", 1) == results_json(whole.result, "2026-07-01", 1)


@pytest.mark.parametrize(
    ("key", "value", "table"),
    [
        ("metrics.recovery_margins", ["4 degC"], "metrics"),
        ("run.0.block", "another", "run"),
        ("route.highway_entry", {"speed": "70 km/h"}, "route"),
        ("acceptance", {"coverage": "50 %"}, "acceptance"),
        ("instrument.channels", {"iat": {"accuracy": "0.5 degC"}}, "instrument"),
    ],
)
def test_a_campaign_that_was_not_measured_is_refused(plain, tmp_path, key, value, table):
    another = load_campaign(roadlog.write(tmp_path, roadlog.changed(roadlog.campaign(blocks=3), key, value)))
    expected = f"another .{table}. than the one that was measured.*measure_runs"
    with pytest.raises(CampaignError, match=expected) as caught:
        conclude(another, plain.measured)
    assert caught.value.where == table


def test_order_of_the_runs_in_the_file_changes_no_number(plain, tmp_path):
    data = roadlog.campaign(blocks=3)
    file = roadlog.write(tmp_path, data)  # logs are written for this order
    data["run"] = data["run"][::-1]
    file.write_text(roadlog.toml(data))
    values = {(v.key, v.run): v.value for v in run_chain(file).result.values}
    for value in plain.result.values:
        # without a position the first run is the reference whose metres all runs are measured in
        assert values[value.key, value.run] == pytest.approx(value.value, abs=0.05)


def test_difference_that_was_driven_is_found_and_supported(plain):
    ((judged,), found) = plain.result.claims, difference(plain)
    assert found.high is not None and found.high < 0.0
    # several headline comparisons are made at once
    assert judged.verdict == ("supported" if found.shown else "not shown")


def test_without_an_ambient_channel_absolute_metrics_remain(tmp_path):
    found = chain(tmp_path, left_out=("ambient",))
    assert "no-ambient" in codes(found)
    assert found.result.ambient_reference == "none"
    for value in found.result.values:
        if "ambient" in value.key or value.key.startswith(("recovery", "charge_density")):
            assert value.status == "not computed" and "ambient" in said(value.reason, "si"), value
    assert all(v.value is not None for key in ("peak_iat", "heat_soak_rate") for v in found.result.of(key))
    assert {c.key for c in found.result.comparisons if c.difference is not None} >= {"peak_iat", "heat_soak_rate"}
    known = gather_covariates((), tuple(found.measured.series))
    assert known.start.keys() == {"start_iat", "start_coolant"}  # the name is that of what is used


def test_without_intake_air_temperature_every_run_is_excluded_and_says_so(tmp_path):
    found = chain(tmp_path, left_out=("iat",))
    assert {run.decision for run in found.result.runs} == {"excluded"}
    for run in found.result.runs:
        assert any("no valid intake air temperature" in said(reason, "si") for reason in run.reasons)
    assert {"excluded", "no-run"} <= codes(found)
    assert all(c.difference is None for c in found.result.comparisons)


@pytest.mark.parametrize(
    ("changes", "code", "help"),
    [
        (("route.highway_entry", {"speed": "130 km/h"}), "no-entry", "another entry speed"),
        (("route.highway_entry", {"speed": "1 km/h"}), "entry-above", "a higher entry speed"),
        (("route", {"phase": []}), "no-entry", "[[route.phase]]"),
        (("route", {"phase": [roadlog.campaign()["route"]["phase"][0]]}), "", ""),  # no highway that could be entered
    ],
)
def test_why_no_run_has_a_highway_entry(tmp_path, changes, code, help):
    found = chain(tmp_path, changes)
    missing = [one for one in found.result.limitations if one.code in ("no-entry", "entry-above")]
    assert [one.code for one in missing] == [code] * bool(code)
    for one in missing:
        assert help in said(one.remedy, "si") and all(
            key.startswith(("recovery", "first", "final")) for key in one.keys
        )
    for value in found.result.values:
        if value.key.startswith("recovery_time"):
            assert (value.status, value.reason.code) == ("not computed", "no-entry")


def test_ambient_reference_of_another_name_is_refused(tmp_path):
    file = roadlog.write(tmp_path, roadlog.changed(roadlog.campaign(), "ambient", {"reference": "statoin"}))
    with pytest.raises(CampaignError, match="statoin"):
        analyse(load_campaign(file))


SOON = {"id": "soon", "text": "Within 3 °F of ambient in 60 s.", "metric": "recovery_time", "margin": "3 degF",
        "configuration": "sealed", "relation": "at most", "value": "60 s"}  # fmt: skip


@pytest.mark.parametrize(("left", "code"), [((), "no-run"), (("sealed",), "one-configuration")])
def test_runs_of_no_or_one_configuration_left(tmp_path, left, code):
    runs = enumerate(roadlog.campaign(blocks=2)["run"])
    out = [(f"run.{i}.exclude", "trial of the wiring") for i, run in runs if run["configuration"] not in left]
    found = chain(tmp_path, ("claim", [claim(), SOON]), *out, blocks=2)
    assert {code, "excluded"} <= codes(found)
    assert all(c.verdict == "not compared" and c.difference is None for c in found.result.comparisons)
    verdicts = {c.id: c.verdict for c in found.result.claims}
    assert verdicts["c"] == "cannot be tested" and (left or verdicts["soon"] == "cannot be tested")
    json.loads(results_json(found.result, "2026-07-01", 1))  # refuses anything that is not finite


def test_one_configuration_in_the_file(tmp_path):
    data = roadlog.campaign(blocks=1)
    data["configuration"] = data["configuration"][:1]
    data["run"] = [run for run in data["run"] if run["configuration"] == "stock"]
    found = run_chain(roadlog.write(tmp_path, data))
    assert found.result.comparisons == () and "one-configuration" in codes(found)


def test_margins_that_nothing_reaches(tmp_path):
    found = chain(tmp_path, ("claim", [SOON]), ("metrics.recovery_margins", ["3 degF", "0.2 degF"]), blocks=2)
    row = difference(found, "recovery_time:0.11K")
    assert row.difference is None and row.verdict == "not compared" and row.note
    assert row.not_reached + row.not_reached_versus > 0
    # allowed, with a limitation that says what it costs
    costs = [x for x in found.result.limitations if x.code == "margin-resolution"]
    texts = [said(x.text, "si").replace("\u00a0", " ") for x in costs]
    assert any("the margin of 0.1 K (0.2 °F) is smaller than one step" in text for text in texts)
    assert all("a margin of at least" in said(x.remedy, "si") for x in costs) and "not-reached" in codes(found)


def test_tables_print_what_the_comparisons_hold(tmp_path):
    """A claim between others than the baseline gets its own table; numbers come from the one formatter."""
    other = claim(configuration="stock", versus="sealed", relation="higher")
    margin = ("metrics.equivalence", {"mean_over_ambient": "0.1 delta_degC"})
    result = chain(tmp_path, ("claim", [other]), margin).result
    tables = {b.label: b for b in basis_of_differences(result) if isinstance(b, Table)}
    (direct,) = result.direct
    (judged,) = result.claims
    assert judged.estimate == direct.difference and judged.verdict == "supported"
    (row,) = tables["tab-direct"].rows
    assert row[1] == "As-sold airbox against Sealed box"
    assert row[3] == difference_interval(direct, result.metric(direct.key), result.units)
    head, *rows = tables["tab-basis"].values
    basis = {row[:2]: dict(zip(head, row, strict=True)) for row in rows}
    for c in result.comparisons:
        if result.metric(c.key).spec.headline and c.basis != "none":
            row = basis[c.key, c.configuration]
            assert (row["scatter"], row["smallest"]) == (c.scatter, c.smallest)
    assert any("0.1\u00a0K" in row[7] for row in tables["tab-basis"].rows)
    assert len(tables["tab-basis"].columns) == len(tables["tab-basis"].rows[0]) == len(tables["tab-basis"].widths)
