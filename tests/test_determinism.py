"""Same inputs, same environment, same date: the same bytes, wherever the report is written."""

import hashlib
import json

import pytest
from conftest import DATE, Report, start_command


@pytest.mark.slow
def test_two_cold_renders_into_two_folders_are_byte_identical(report, demo, tmp_path):
    """In the fast suite `test_isolation` shows the same of the small campaign, so that no path is in a report either."""
    run = start_command("render", demo.file, "--date", DATE, "--out", tmp_path / "second-with-a-longer-name")
    assert run.wait(timeout=300) == 0, run.stderr.read()
    first, second = report.files(), Report(tmp_path / "second-with-a-longer-name" / "ramp-trial" / DATE).files()
    assert {"report.html", "report.pdf", "results.json", "executed.ipynb", "manifest.json"} <= set(first)
    assert list(first) == list(second)
    assert [name for name in first if first[name] != second[name]] == []


def test_manifest_hashes_every_file_and_every_input(report, demo):
    manifest = json.loads((report.folder / "manifest.json").read_text("utf-8"))
    files = report.files()
    del files["manifest.json"]
    assert manifest["outputs"] == {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    inputs = manifest["made_from"]["inputs"]
    assert len(inputs) == 1 + len(demo.campaign.input_paths()) > 10
    for name, digest in inputs.items():
        assert digest == hashlib.sha256((demo.file.parent / name).read_bytes()).hexdigest(), name
    assert {"Python", "numpy", "pandas", "typst", "intake-report"} <= set(manifest["made_from"]["packages"])
    assert manifest["command"] == "intake-report render PATH/TO/ramp-trial --date 2026-07-01"


def test_rendering_leaves_the_inputs_alone(report, demo):
    rendered = report.folder.parents[1] / "inputs" / "ramp-trial"
    there = {str(p.relative_to(rendered)) for p in rendered.rglob("*") if p.is_file()}
    assert there == {"campaign.toml", *demo.campaign.input_paths()}
