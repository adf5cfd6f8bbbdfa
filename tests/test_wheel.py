"""A built wheel, unpacked elsewhere, renders without the source tree: the template and the export templates are in it."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from conftest import ROOT

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the unpacked wheel, built from a copy of the sources."""
    pytest.importorskip("setuptools", minversion="77", reason="setuptools 77 or newer builds the wheel")
    sources, target = tmp_path_factory.mktemp("sources"), tmp_path_factory.mktemp("elsewhere")
    tracked = (ROOT / name for name in ("pyproject.toml", "README.md", "intake_report", "notebooks"))
    subprocess.run(["cp", "-a", *tracked, sources], check=True)
    build = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation"]
    made = subprocess.run([*build, "--wheel-dir", str(sources), "."], cwd=sources, capture_output=True, text=True)
    assert made.returncode == 0, made.stderr
    (wheel,) = sources.glob("*.whl")
    zipfile.ZipFile(wheel).extractall(target)
    return target


def test_wheel_carries_templates_and_no_tests(installed: Path) -> None:
    names = {path.relative_to(installed).as_posix() for path in installed.rglob("*") if path.is_file()}
    assert "intake_report/template/campaign_report.ipynb" in names
    assert {name.rsplit(".", 1)[-1] for name in names if "/templates/" in name} >= {"j2", "css", "typ"}
    assert not [name for name in names if name.startswith(("tests/", "data/")) or "checkpoint" in name]


def test_wheel_installed_elsewhere_renders(installed: Path, tmp_path: Path) -> None:
    # the unpacked wheel comes before the editable install of the source tree; the kernel inherits the environment
    code = "import sys, intake_report, intake_report.cli as c; print(intake_report.__file__); sys.exit(c.main(sys.argv[1:]))"
    arguments = ["render", str(ROOT / "data" / "three-days"), "--date", "2026-07-31", "--out", str(tmp_path / "out")]
    environment = os.environ | {"PYTHONPATH": str(installed)}
    command = [sys.executable, "-c", code, *arguments]
    ran = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.splitlines()[0].startswith(str(installed))
    assert (tmp_path / "out" / "three-days" / "2026-07-31" / "report.pdf").stat().st_size > 100_000
