"""What a change costs in the notebook: all steps and sections again, after the first run, against the sections that change."""

import time
from pathlib import Path

import nbformat
import pytest

import intake_report as ir
from intake_report.provenance import template_path

DATA = Path(__file__).parents[2] / "data"
CHANGES = {
    "margin": {"metrics.recovery_margins": ["3 degF", "4 degF"]},
    "limit": {"metrics.alarm_limit": "44 degC", "acceptance.stop-time": "170 s"},
    "claim": {"campaign.question": "Another question?"},
}


def run(names, cells):
    """Processor time of each cell [s]; what is shown goes nowhere."""
    seconds = []
    for cell in cells:
        start = time.process_time()
        exec(compile(cell.source, "template", "exec"), names)
        seconds.append(time.process_time() - start)
    return seconds


@pytest.mark.bench
def test_a_change_in_the_notebook(tmp_path, monkeypatch):
    """Print seconds (the aims: all within 3 times the sections that change, one section below 2 s)."""
    monkeypatch.setattr("IPython.display.display", lambda *a, **k: None)
    template = nbformat.read(template_path(), as_version=4)
    parameters, imports, load, *rest = [cell for cell in template.cells if cell.cell_type == "code"]
    names: dict[str, object] = {}
    exec(parameters.source, names)
    names |= {"campaign_file": str(DATA / "ramp-trial" / "campaign.toml"), "cache": str(tmp_path / "cache")}
    print(f"\nfirst run {sum(run(names, [imports, load, *rest])):.1f} s")
    first = names["campaign"]
    ids = [run.id for run in first.runs]
    CHANGES["exclusion"] = {f"run.{ids[-1]}.exclude": "a stop that no other run has"}
    for name, changes in CHANGES.items():
        names["campaign"] = ir.vary(first, changes)
        every = run(names, rest)
        steps = [i for i, cell in enumerate(rest) if "show(" not in cell.source]
        one = next(i for i, cell in enumerate(rest) if "sections.results" in cell.source)
        drawn = [s for i, s in enumerate(every) if i not in steps and s > 0.05]
        print(
            f"{name}: all {sum(every):.1f} s, sections that change {sum(drawn):.1f} s, "
            f"one section with its steps {sum(every[i] for i in steps) + every[one]:.1f} s"
        )
        assert names["result"].campaign == first.about.id
