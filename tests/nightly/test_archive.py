"""A report to keep: deterministic, complete, made again byte for byte; an archive from a stranger is data."""

import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
import roadlog

from intake_report.cli import main
from intake_report.errors import DataError
from intake_report.nightly import archive as module
from intake_report.nightly.archive import moved_numbers, reproduce, write_archive
from intake_report.publish import publish


@pytest.fixture
def kept(small, tmp_path) -> Path:
    return write_archive(small.file, small.out, tmp_path / "kept.zip", None)


def rewritten(kept: Path, tmp_path: Path, change) -> Path:
    """Return the archive with its entries, name → bytes, changed."""
    with zipfile.ZipFile(kept) as file:
        entries = {name: file.read(name) for name in file.namelist()}
    change(entries)
    with zipfile.ZipFile(other := tmp_path / "other.zip", "w") as file:
        for name, data in entries.items():
            file.writestr(name, data)
    return other


def test_same_report_same_bytes(small, kept, tmp_path):
    shutil.copytree(small.file.parent, tmp_path / "elsewhere")
    lock = tmp_path / "a.lock"
    lock.write_text("numpy==2\n")
    other = write_archive(tmp_path / "elsewhere", small.out, tmp_path / "other.zip", None)
    assert other.read_bytes() == kept.read_bytes()
    with zipfile.ZipFile(write_archive(small.file, small.out, other, lock)) as file:
        names = set(file.namelist())
        assert file.read("requirements.lock") == b"numpy==2\n"
    assert {"manifest.json", *(f"report/{name}" for name in small.report.files())} <= names
    assert {"inputs/campaign.toml", "inputs/logs/b1-stock.csv"} <= names
    assert not list(tmp_path.glob(".*.new"))


def test_made_again_and_compared_file_by_file(small, kept, finished, monkeypatch, capsys):
    assert main(["reproduce", str(kept)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert all(line.startswith("same ") for line in lines) and len(lines) == len(small.report.files()) - 1

    def changed(*arguments: object, same: Callable[..., None] = module.publish.make_report) -> None:
        same(*arguments)
        folder = arguments[1] / "report"
        document = json.loads((folder / "results.json").read_text())
        row = next(c for c in document["comparisons"] if c["low"] is not None)
        row["difference"] += 0.1 * (row["high"] - row["low"]) / 2
        (folder / "results.json").write_text(json.dumps(document))
        (folder / "annex.pdf").unlink()

    monkeypatch.setattr(module.publish, "make_report", changed)
    monkeypatch.setattr(module, "made_from", lambda c: {"source": "", "packages": {"numpy": "99"}})
    assert main(["reproduce", str(kept)]) == 1
    told = capsys.readouterr().out
    for line in ("missing  annex.pdf", "differs  results.json", "not as it was: intake-report itself"):
        assert line in told
    assert "0.1 of its uncertainty)" in told and told.count("of its uncertainty") == 1


def test_numbers_are_weighed_by_the_interval_beside_them():
    row = {"key": "x", "configuration": "c", "difference": 2.0, "low": 1.0, "high": 3.0, "n": 3}
    was, now = {"a": [row], "b": 1.0, "c": "yes"}, {"a": [row | {"difference": 1.5}], "b": 2.0, "c": "no"}
    assert list(moved_numbers(was, now)) == [
        "a[x, c].difference: 2 → 1.5 (by -0.5, 0.5 of its uncertainty)", "b: 1 → 2 (by 1)", 'c: "yes" → "no"',
    ]  # fmt: skip


def test_changed_inputs_or_a_changed_report_are_not_archived(small, tmp_path):
    shutil.copytree(small.file.parent, tmp_path / "campaign")
    shutil.copytree(small.out, tmp_path / "out")
    (tmp_path / "out" / "small-trial" / "2026-07-01" / "report.html").write_text("better")
    with pytest.raises(DataError, match=r"not as it was issued: .*report\.html"):
        write_archive(tmp_path / "campaign", tmp_path / "out", tmp_path / "a.zip", None)
    (tmp_path / "campaign" / "logs" / "b1-stock.csv").write_text("")
    with pytest.raises(DataError, match="no report of the present inputs"):
        write_archive(tmp_path / "campaign", tmp_path / "out", tmp_path / "a.zip", None)
    assert not (tmp_path / "a.zip").exists()


def listed(entries: dict[str, bytes], name: str, data: bytes = b"x") -> None:
    """Add a file, with its hash in the index, as someone who means harm would."""
    index = json.loads(entries["manifest.json"])
    index["files"][name] = module.sha256(data)
    entries |= {name: data, "manifest.json": json.dumps(index).encode()}


@pytest.mark.parametrize("name", ["../out.txt", "inputs/../../out.txt", "/tmp/out.txt", "elsewhere/out.txt"])
def test_no_name_leads_out_of_the_folder(kept, tmp_path, name):
    harmful = rewritten(kept, tmp_path, lambda entries: listed(entries, name))
    with pytest.raises(DataError, match="leads out of its folder"):
        reproduce(harmful)
    assert not list(tmp_path.rglob("out.txt"))


def test_damage_size_and_other_files_are_told(kept, tmp_path, monkeypatch):
    for change, told in (
        (lambda e: e.update({"inputs/campaign.toml": b"id = 1"}), "campaign.toml in it is not as it was written"),
        (lambda e: e.pop("manifest.json"), "no archive that intake-report wrote"),
        (lambda e: e.update({"manifest.json": b"[]"}), "no archive that intake-report wrote"),
    ):
        with pytest.raises(DataError, match=told):
            reproduce(rewritten(kept, tmp_path, change))
    with pytest.raises(DataError, match="no archive"):
        reproduce(Path(__file__))
    monkeypatch.setattr(module, "LARGEST", 1000)
    with pytest.raises(DataError, match="more than an archive may hold"):
        reproduce(kept)


@pytest.mark.slow
def test_a_second_revision_is_made_again_with_the_same_bytes(small, tmp_path):
    shutil.copytree(small.file.parent, tmp_path / "campaign")
    shutil.copytree(small.out, tmp_path / "out", ignore=shutil.ignore_patterns(".campaign.json"))
    edited = roadlog.changed(roadlog.campaign(units="us"), "run.3.exclude", "driver error at the second light")
    (tmp_path / "campaign" / "campaign.toml").write_text(roadlog.toml(edited), "utf-8")
    assert publish(tmp_path / "campaign", tmp_path / "out", "2026-07-01").revision == 2
    software, compared = reproduce(write_archive(tmp_path / "campaign", tmp_path / "out", tmp_path / "kept.zip", None))
    assert software == [] and {one.state for one in compared} == {"same"}
