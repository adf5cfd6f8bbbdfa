"""A campaign folder is data, and the user's surroundings change no byte of a report."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest
from conftest import COMMAND, DATE, Report, start_command

# modules that the program, the kernel or their libraries import by name
WORDS = """
ipykernel_launcher ipykernel IPython numpy pandas scipy matplotlib metar gpxpy pyproj shapely pint pydantic jinja2
nbformat traitlets tornado zmq jupyter_client papermill typst json csv random decimal statistics calendar token code
codecs copy site sitecustomize usercustomize intake_report campaign logs plots six dateutil rich lmfit statsmodels
can asammdf fontTools pyarrow comm debugpy psutil packaging
"""
SPY = "import pathlib\npathlib.Path({marker!r}).touch()\nraise ImportError('a file of the campaign was run')\n"


HOME = {
    ".config/matplotlib/matplotlibrc": "axes.facecolor: red\nfont.size: 30\n",
    ".ipython/profile_default/startup/00-first.py": SPY,
    ".ipython/profile_default/ipython_config.py": "c.InteractiveShellApp.exec_lines = ['raise SystemExit']\n",
    ".jupyter/jupyter_config.py": "raise SystemExit\n",
    ".local/share/jupyter/kernels/python3/kernel.json": '{"argv": ["false"], "display_name": "x", "language": "python"}',
    ".local/share/jupyter/nbconvert/templates/base/null.j2": "{{ 1 / 0 }}",
}


def plant(files: dict[str, str], folder: Path, marker: Path) -> None:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text.replace("{marker!r}", repr(str(marker))))


def test_nothing_in_a_campaign_folder_or_around_the_command_runs_or_changes_a_byte(small, tmp_path):
    """The folder, which is called data, the search path and the home are full of modules and settings that would show."""
    folder, home, path, marker = (tmp_path / name for name in ("data/small", "home", "path", "was-run"))
    shutil.copytree(small.file.parent, folder)
    modules = {f"{name}.py": SPY for name in WORDS.split()}
    plant(modules | {"matplotlibrc": HOME[".config/matplotlib/matplotlibrc"]}, folder, marker)
    for name in ("site", "sitecustomize", "usercustomize", "codecs"):  # imported before any program
        del modules[f"{name}.py"]
    plant(modules, path, marker)
    plant(HOME, home, marker)
    hostile = os.environ | {
        "HOME": str(home), "PYTHONPATH": str(path), "PYTHONSTARTUP": str(path / "numpy.py"), "MPLBACKEND": "template",
        "MPLCONFIGDIR": str(home / ".config/matplotlib"), "TZ": "Pacific/Kiritimati", "LC_ALL": "C", "PYTHONHASHSEED": "7",
        "IPYTHONDIR": str(home / ".ipython"), "JUPYTER_CONFIG_DIR": str(home / ".jupyter"),
    }  # fmt: skip
    render = "render", folder / "campaign.toml", "--date", DATE, "--out", tmp_path / "out"
    for command, codes in ((render, {0}), (("check", "logs/b1-stock.csv", "--campaign", "."), {0, 1})):
        run = start_command(*command, cwd=folder, env=hostile)
        _, err = run.communicate(timeout=300)
        assert run.returncode in codes, err
    assert not marker.exists()
    files, expected = Report(tmp_path / "out" / "small-trial" / DATE).files(), small.report.files()
    assert list(files) == list(expected)
    assert [name for name, data in files.items() if expected[name] != data] == []


# as somebody without rights; to read an interpreter in root's home is the one that it gets
AS_NOBODY = (
    "setpriv --reuid 65534 --regid 65534 --clear-groups --inh-caps +dac_read_search --ambient-caps +dac_read_search"
)


@pytest.mark.slow
@pytest.mark.skipif(os.geteuid() != 0 or not shutil.which("setpriv"), reason="only root can start as somebody else")
def test_somebody_without_rights_and_with_a_home_that_cannot_be_written(small):
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        place.chmod(0o755)
        (place / "home").mkdir(mode=0o555)
        shutil.copytree(small.file.parent, place / "campaign")
        (place / "out").mkdir()
        os.chown(place / "out", 65534, 65534)
        environment = {"HOME": str(place / "home"), "PATH": os.environ["PATH"]}
        touch = [*AS_NOBODY.split(), "touch", place / "home" / "file"]
        who = subprocess.run(touch, env=environment, capture_output=True)
        assert who.returncode != 0, "the home cannot be written"
        command = [*AS_NOBODY.split(), *COMMAND, "render", place / "campaign", "--date", DATE, "--out", place / "out"]
        run = subprocess.run(command, env=environment, capture_output=True, encoding="utf-8", timeout=300)
        assert run.returncode == 0, run.stderr
        assert Report(place / "out" / "small-trial" / DATE).files() == small.report.files()
