"""The report template: no logic, no stored output, and the same result from the notebook, papermill and `analyse`."""

import ast
import json
import os
import re
import subprocess
import sys
from types import FunctionType

import nbformat
import pytest
from conftest import DATE, ROOT

from intake_report.analyse import analyse
from intake_report.campaign import load_campaign
from intake_report.errors import DataError
from intake_report.provenance import template_path
from intake_report.render import sections
from intake_report.render.notebook import read_document
from intake_report.results.text import results_json


@pytest.fixture(scope="module")
def template():
    return nbformat.read(template_path(), as_version=4)


@pytest.fixture(scope="module")
def code(template):
    return [cell for cell in template.cells if cell.cell_type == "code"]


def test_template_is_a_valid_notebook_of_the_source_tree_without_stored_output(template, code):
    nbformat.validate(template)
    assert template_path().samefile(ROOT / "notebooks" / "campaign_report.ipynb")
    assert template.metadata.kernelspec.name == "python3"
    assert all((cell.outputs, cell.execution_count) == ([], None) for cell in code)


def test_first_cell_holds_the_parameters_and_nothing_else(code):
    assert code[0].metadata.get("tags") == ["parameters"]
    assert all("parameters" not in cell.metadata.get("tags", []) for cell in code[1:])
    statements = ast.parse(code[0].source).body
    assert all(isinstance(s, ast.Assign) and isinstance(s.value, ast.Constant) for s in statements)
    values = {statement.targets[0].id: statement.value.value for statement in statements}
    assert list(values) == ["campaign_file", "date", "revision", "previous", "cache"]
    default = (ROOT / "notebooks" / values["campaign_file"]).resolve()
    assert default == ROOT / "data" / "ramp-trial" / "campaign.toml"


def test_cells_are_short_only_import_and_call_and_hold_no_logic(code):
    logic = (
        ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.For, ast.While, ast.If, ast.IfExp, ast.With,
        ast.Try, ast.ListComp, ast.SetComp, ast.DictComp, ast.GeneratorExp, ast.Compare, ast.BinOp, ast.BoolOp,
        ast.Subscript,
    )  # fmt: skip
    for cell in code:
        assert len(cell.source.splitlines()) <= 8
        assert not cell.source.lstrip().startswith(("%", "!"))
        tree = ast.parse(cell.source)
        assert all(isinstance(one, ast.Import | ast.ImportFrom | ast.Assign | ast.Expr) for one in tree.body)
        for node in ast.walk(tree):
            assert not isinstance(node, logic), (type(node).__name__, cell.source)
            if cell is not code[0]:  # a number outside the parameters would be a threshold
                assert not (isinstance(node, ast.Constant) and isinstance(node.value, int | float)), cell.source


def test_headings_lead_through_the_steps_and_stay_out_of_the_report(template):
    guidance = [cell for cell in template.cells if cell.cell_type == "markdown"]
    headings = [cell.source.splitlines()[0] for cell in guidance]
    assert headings[0].startswith("# ") and all(line.startswith("## ") for line in headings[1:])
    assert headings[1:6] == ["## Load", "## Clean", "## Align", "## Measure", "## Conclude"]
    with pytest.raises(DataError, match="no report blocks"):
        read_document(template)


def test_every_section_of_the_package_is_shown(code):
    source = "\n".join(cell.source for cell in code)
    order = [re.search(rf"sections\.{name}[(,]", source).start() for name in (
        "cover", "decision", "method", "articles", "conditions", "results", "limitations", "cautions", "Begins", "changes",
        "methodology", "instrumentation", "weather", "run_log", "data_quality", "details", "places", "uncertainty",
        "limitation_table", "definitions", "all_values", "provenance", "data",
    )]  # fmt: skip
    assert order == sorted(order) and order[0] > 0
    shown = [name for name, made in vars(sections).items() if isinstance(made, FunctionType)]
    assert len(shown) > 25
    assert all(re.search(rf"sections\.{name}[(,]", source) for name in shown)


def test_steps_of_the_notebook_are_analyse(small):
    campaign = load_campaign(small.file)
    assert results_json(analyse(campaign), DATE, 1) == (small.report.folder / "results.json").read_text("utf-8")


def test_published_results_of_the_demo_are_those_of_the_chain(report, demo):
    assert results_json(demo.chain.result, DATE, 1) == (report.folder / "results.json").read_text("utf-8")


@pytest.mark.slow
def test_bare_papermill_carries_the_same_results(small, tmp_path):
    """`papermill notebooks/campaign_report.ipynb out.ipynb -p campaign_file …`, as a scheduler may call it."""
    done = subprocess.run(
        [
            sys.executable, "-m", "papermill", "notebooks/campaign_report.ipynb", tmp_path / "out.ipynb",
            "-p", "campaign_file", small.file, "-p", "date", DATE, "--no-progress-bar",
        ],
        cwd=ROOT, capture_output=True, text=True, timeout=180, env={**os.environ, "JUPYTER_RUNTIME_DIR": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    executed = nbformat.read(tmp_path / "out.ipynb", as_version=4)
    assert read_document(executed).data[0].text == (small.report.folder / "results.json").read_text("utf-8")
    shown = [out for cell in executed.cells for out in cell.get("outputs", [])]
    assert all(out.output_type == "display_data" for out in shown)
    # what an analyst sees in the same notebook, inline
    drawn = [out for out in shown if {"text/html", "image/svg+xml"} & set(out.data)]
    assert len(drawn) == len(shown) - 2  # all but the data that travel with it and the mark of the annex
    # JupyterLab strips a drawing inside HTML where it trusts nobody
    assert not any("<svg" in out.data.get("text/html", "") for out in drawn)
    assert any("image/svg+xml" in out.data for out in shown)


def test_executed_notebook_of_a_report_can_be_read_again(report):
    executed = nbformat.read(report.folder / "executed.ipynb", as_version=4)
    nbformat.validate(executed)
    assert json.loads(read_document(executed).data[0].text) == report.results
    assert "papermill" not in executed.metadata
