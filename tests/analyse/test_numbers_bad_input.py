"""Campaigns whose runs do not allow what is asked of them: a report comes out, says why, and claims nothing."""

from __future__ import annotations

import json

import roadlog
from conftest import run_chain

from intake_report.messages import said
from intake_report.render.blocks import Table
from intake_report.render.sections.comparisons import basis_of_differences
from intake_report.results.document import results_json
from intake_report.results.text import difference_interval

CLAIMS = [
    {
        "id": "closer", "text": "The sealed box stays closer to ambient in the city.", "metric": "mean_over_ambient",
        "phase": "city", "configuration": "sealed", "relation": "lower",
    },
    {
        "id": "soon", "text": "Within 3 °F of ambient in 60 s.", "metric": "recovery_time", "margin": "3 degF",
        "configuration": "sealed", "relation": "at most", "value": "60 s",
    },
]  # fmt: skip


def outcome(folder, data, **more):
    result = run_chain(roadlog.write(folder, data, **more)).result
    document = json.loads(results_json(result, "2026-07-01", 1))  # refuses anything that is not finite
    assert len(document["comparisons"]) == len(result.comparisons)
    return result, {x.code: x for x in result.limitations}


def with_claims(**more):
    return roadlog.campaign(**more) | {"claim": CLAIMS}


def excluded(data, keep):
    for entry in data["run"]:
        if not keep(entry):
            entry["exclude"] = "trial of the wiring"
    return data


def test_no_run_left(tmp_path):
    result, codes = outcome(tmp_path, excluded(with_claims(), lambda run: False))
    assert all(c.verdict == "not compared" for c in result.comparisons)
    assert all(c.verdict == "cannot be tested" for c in result.claims)
    assert "no-run" in codes and "excluded" in codes


def test_one_configuration_left(tmp_path):
    result, codes = outcome(tmp_path, excluded(with_claims(), lambda run: run["configuration"] == "sealed"))
    assert "one-configuration" in codes and "baseline" in " ".join(said(x.text, "si") for x in result.limitations)
    assert all(c.difference is None for c in result.comparisons)
    assert {c.id: c.verdict for c in result.claims}["closer"] == "cannot be tested"


def test_one_configuration_in_the_file(tmp_path):
    data = with_claims(blocks=1)
    data["configuration"] = data["configuration"][:1]
    data["run"] = [run for run in data["run"] if run["configuration"] == "stock"]
    data["claim"] = []
    result, codes = outcome(tmp_path, data)
    assert result.comparisons == () and "one-configuration" in codes


def test_margins_that_nothing_reaches(tmp_path):
    data = with_claims()
    data["metrics"]["recovery_margins"] = ["3 degF", "0.2 degF"]
    result, codes = outcome(tmp_path, data)
    rows = [c for c in result.comparisons if c.key == "recovery_time:0.11K"]
    assert rows and all(c.difference is None and c.verdict == "not compared" for c in rows)
    assert rows[0].not_reached + rows[0].not_reached_versus > 0 and rows[0].note
    # allowed, with a limitation that says what it costs
    costs = [x for x in result.limitations if x.code == "margin-resolution"]
    assert any(
        "the margin of 0.1 K (0.2 °F) is smaller than one step" in said(x.text, "si").replace("\u00a0", " ")
        for x in costs
    )
    assert all("a margin of at least" in said(x.remedy, "si") for x in costs)
    assert "not-reached" in codes
    means = [s for s in result.summaries if s.key == "recovery_time:0.11K" and s.not_reached]
    assert means and all(s.mean is None and s.reason.code == "not-reached" for s in means)


def test_tables_print_what_the_comparisons_hold(tmp_path):
    """A claim between others than the baseline gets its own table; numbers come from the one formatter."""
    data = with_claims(blocks=3)
    data["claim"] = [{**CLAIMS[0], "configuration": "stock", "versus": "sealed", "relation": "higher"}]
    data["metrics"]["equivalence"] = {"mean_over_ambient": "0.1 delta_degC"}
    result, _ = outcome(tmp_path, data)
    tables = {b.label: b for b in basis_of_differences(result) if isinstance(b, Table)}
    (direct,) = result.direct
    (claim,) = result.claims
    assert claim.estimate == direct.difference and claim.verdict == "supported"
    (row,) = tables["tab-direct"].rows
    assert row[1] == "As-sold airbox against Sealed box"
    key = result.metric(direct.key)
    assert row[3] == difference_interval(direct, key, result.units)
    head, *rows = tables["tab-basis"].values
    basis = {row[:2]: dict(zip(head, row, strict=True)) for row in rows}
    for c in result.comparisons:
        if result.metric(c.key).spec.headline and c.basis != "none":
            row = basis[c.key, c.configuration]
            assert (row["scatter"], row["smallest"]) == (c.scatter, c.smallest)
    assert any("0.1\u00a0K" in row[7] for row in tables["tab-basis"].rows)
    assert len(tables["tab-basis"].columns) == len(tables["tab-basis"].rows[0]) == len(tables["tab-basis"].widths)
