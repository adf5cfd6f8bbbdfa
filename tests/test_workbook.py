"""What a notebook calls: the README's recipes as printed, variations, tables that agree with the results."""

import re
import tomllib

import nbformat
import numpy as np
import pytest
from conftest import ROOT, demo_campaign
from nbclient import NotebookClient

import intake_report as ir
from intake_report.errors import CampaignError, DataError
from intake_report.metrics import REGISTRY
from intake_report.render.blocks import Figure, Heading, Paragraph
from intake_report.render.html import caption, mime_bundle

RECIPES = re.findall(r"<!-- recipe -->\n```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)


@pytest.fixture(scope="module")
def notebook(tmp_path_factory):
    """The names of a notebook in which all recipes of the README have run, one after the other; with fewer draws."""
    names: dict[str, object] = {}
    folder = tmp_path_factory.mktemp("workbook")
    file = demo_campaign("three-days", folder / "data")
    file.write_text(file.read_text("utf-8").replace("[metrics]\n", "[metrics]\ndraws = 200\n"), "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for recipe in RECIPES:
            exec(compile(recipe, "README.md", "exec"), names)
    yield names
    del REGISTRY["warmest_tenth"]


def test_the_readme_has_a_recipe_for_each_of_the_six_things():
    assert len(RECIPES) == 6  # the steps, data, tables, a change of a key, a metric, thermal models


def test_a_metric_of_the_notebook_is_measured_in_every_run(notebook):
    values = ir.values(ir.conclude(notebook["campaign"], notebook["measured"])).loc["warmest_tenth"]
    for series in notebook["measured"].series:
        assert values[series.run] == pytest.approx(1.8 * np.quantile(series.over, 0.9))  # °F, as its readers have it


def test_tables_hold_what_the_results_hold(notebook):
    result = notebook["result"]
    frame = ir.values(result)
    for value in result.values:
        if value.value is not None and result.metric(value.key).spec.quantity == "temperature_difference":
            assert frame.loc[value.key, value.run] == pytest.approx(1.8 * value.value)
    assert list(ir.comparisons(result)["verdict"]) == [c.verdict for c in result.comparisons]


def test_a_run_as_a_table_has_no_holes_between_its_samples(notebook):
    measured = notebook["measured"]
    run = measured.cleaned[0].run
    frame = ir.run_frame(measured, run)
    times, values = measured.cleaned[run].samples("iat")
    inside = (frame.index >= times[0]) & (frame.index <= times[-1])
    assert frame["iat"][inside].notna().mean() > 0.95
    on_second = times == np.floor(times)
    np.testing.assert_allclose(frame["iat"].loc[times[on_second]], values[on_second])
    fahrenheit = ir.run_frame(measured, run, "us")
    np.testing.assert_allclose(fahrenheit["iat"], frame["iat"] * 1.8 + 32.0)
    assert fahrenheit.attrs["units"]["iat"] == "°F"
    assert set(frame["phase"]) <= {"", *(phase.id for phase in notebook["result"].phases)}


def test_names_that_do_not_exist_are_answered_with_those_that_do(notebook):
    measured, result = notebook["measured"], notebook["result"]
    with pytest.raises(DataError, match="There is: stock-run"):
        notebook["logs"]["monday"]
    with pytest.raises(DataError, match="Did you mean “iat”"):
        ir.overlay(measured, result, "iatt")
    with pytest.raises(DataError, match="No run passes “nowhere”"):
        ir.overlay(measured, result, phase="nowhere")
    with pytest.raises(AttributeError, match="dir"):
        _ = ir.nothing


def test_a_variation_is_checked_as_the_file_is_and_leaves_it_alone(notebook):
    campaign = notebook["campaign"]
    source, first = campaign.source, campaign.runs[0].id
    changes = {f"run.{first}.exclude": "fog", "metrics.recovery_margins": ["2 K", "3 K"], "claim": None}
    varied = ir.vary(campaign, changes)
    assert varied.runs[0].exclude == "fog" and varied.metrics.recovery_margins == (2.0, 3.0) and varied.claims == ()
    back = ir.vary(varied, {f"run.{first}.exclude": None})
    assert back.runs[0].exclude is None and back.metrics.recovery_margins == (2.0, 3.0)
    assert back.varied[0] == tuple(changes)
    assert campaign.varied is None and campaign.source == source == campaign.file.read_bytes()
    claim = tomllib.loads(source.decode())["claim"][0]
    assert [each.id for each in ir.vary(back, {"claim.warm": claim}).claims] == ["warm"]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"metrics.recovery_margin": ["2 K"]}, "Did you mean “recovery_margins”"),
        ({"run.friday.exclude": "x"}, "there is no entry “friday”. There is: stock-run"),
        ({"run.stock-run": "x"}, "Write the path down to the key"),
        ({"metrics.recovery_margins": ["2 K"], "metrics.recovery_margins.x": {}}, "Write the path down to the key"),
        (
            {"metrics.recovery_margins": ["2 K"], "metrics.recovery_margins.x": None},
            "there is no entry “x”. There is: 1",
        ),
        ({"metrics.confidence": 2.0}, "metrics.confidence: 2.0 must be less than 1"),
        ({"ambient.reference": "moon"}, "there is no ambient reference “moon”"),
    ],
)
def test_a_variation_that_breaks_a_rule_is_refused(notebook, changes, sentence):
    with pytest.raises(CampaignError, match=re.escape(sentence)):
        ir.vary(notebook["campaign"], changes)


def test_an_exclusion_and_a_changed_claim_are_found_in_the_difference(notebook):
    changes = {"run.stock-run.exclude": "road works", "claim.one-minute.value": "90 s"}
    varied = ir.vary(notebook["campaign"], changes)
    moved = ir.difference(notebook["result"], ir.conclude(varied, notebook["measured"])).set_index("subject")
    assert tuple(moved.loc["Run: stock-run"]) == ("accepted with limitation", "excluded")
    (claim,) = (row for row in moved.itertuples() if row.Index.startswith("Claim: With the sealed"))
    assert (claim.before, claim.now) == tuple(f"indication only (judged: at most {n}\u00a0s)" for n in (60, 90))
    assert ir.difference(notebook["result"], notebook["result"]).empty


def test_outputs_of_a_notebook_are_numbered_as_the_report_is_and_keep_their_numbers(monkeypatch):
    monkeypatch.setattr("intake_report.render.html._SHOWN", {})
    figure = Figure("fig-first", "A line.", "A line", "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 1 1'/>")
    mime_bundle(Heading(1, "One", "sec-one"))
    text = mime_bundle(Paragraph("See [[sec-one]], [[fig-first]] and [[sec-limitations]]."))["text/html"]
    assert "Section 1" in text and "Section “limitations”" in text and "Figure “first”" in text
    for _ in range(2):
        mime_bundle(figure)
        assert "Figure 1" in caption(figure)["text/html"]
    assert "Figure 1" in mime_bundle(Paragraph("See [[fig-first]]."))["text/html"]


@pytest.mark.slow
def test_the_second_notebook_runs_from_top_to_bottom(tmp_path):
    explore = nbformat.read(ROOT / "notebooks" / "explore.ipynb", as_version=4)
    assert all(cell.outputs == [] for cell in explore.cells if cell.cell_type == "code")
    assert next(c.source.splitlines()[0] for c in explore.cells if c.cell_type == "markdown").startswith("# ")
    NotebookClient(explore, timeout=300, resources={"metadata": {"path": str(ROOT / "notebooks")}}).execute()
    errors = [out for cell in explore.cells for out in cell.get("outputs", []) if out.output_type == "error"]
    assert errors == []
