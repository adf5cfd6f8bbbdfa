"""What many tests share: the demo campaign and a small campaign, each written, analysed and rendered once a session."""

import fcntl
import functools
import gc
import json
import os
import pickle
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any
from unittest import mock

# before numpy is loaded: threads for systems of a few dozen unknowns wait for each other, ten times as long as they compute
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import psutil
import pypdf
import pytest
import roadlog
from bs4 import BeautifulSoup
from hypothesis import settings
from nights import Nights, plain_campaign
from simulated import RunTruth, truth

from intake_report.align import speed_only
from intake_report.align.speed_only import register
from intake_report.analyse import Measured, align_logs, clean_logs, conclude, load_logs, measure_runs
from intake_report.campaign import Campaign, load_campaign
from intake_report.demo.scenario import SCENARIOS, Scenario
from intake_report.publish import Published, publish
from intake_report.results import ReportResult

ROOT = Path(__file__).resolve().parents[1]
DATE = "2026-07-01"
# a change passes or fails by itself; --hypothesis-profile=search looks for cases that nobody has seen yet
settings.register_profile("same", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None)
settings.load_profile("same")


def pytest_collection_finish() -> None:
    """What is imported stays: collections of garbage (a reference library forces one a call) need not look at it again."""
    gc.collect()
    gc.freeze()


COMMAND = (sys.executable, str(ROOT / "intake_report" / "__main__.py"))


def start_command(*arguments: object, **more: Any) -> subprocess.Popen[str]:
    """Start the command line in a fresh process, with its output in pipes."""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "encoding": "utf-8"}
    return subprocess.Popen([*COMMAND, *map(str, arguments)], **{**pipes, **more})


@dataclass(frozen=True)
class Pages:
    """One part of a published report, body or annex, as a reader sees it."""

    folder: Path
    name: str = "annex"

    @cached_property
    def html(self) -> str:
        return (self.folder / f"{self.name}.html").read_text("utf-8")

    @cached_property
    def page(self) -> BeautifulSoup:
        return BeautifulSoup(self.html, "html.parser")

    @cached_property
    def html_text(self) -> str:
        return plain(self.page.get_text(" "))

    @cached_property
    def pdf(self) -> pypdf.PdfReader:
        return pypdf.PdfReader(self.folder / f"{self.name}.pdf")

    @cached_property
    def sheets(self) -> list[str]:
        """Text of each page of the PDF."""
        return [page.extract_text() for page in self.pdf.pages]

    @cached_property
    def pdf_text(self) -> str:
        return plain("\n".join(self.sheets))


@dataclass(frozen=True)
class Report(Pages):
    """A published report: its body, its annex, its numbers and files."""

    name: str = "report"

    @cached_property
    def annex(self) -> Pages:
        return Pages(self.folder)

    @cached_property
    def all_html(self) -> str:
        return self.html_text + self.annex.html_text

    @cached_property
    def all_pdf(self) -> str:
        return self.pdf_text + self.annex.pdf_text

    @cached_property
    def results(self) -> dict[str, Any]:
        return json.loads((self.folder / "results.json").read_text("utf-8"))

    def files(self) -> dict[str, bytes]:
        return {str(p.relative_to(self.folder)): p.read_bytes() for p in sorted(self.folder.rglob("*")) if p.is_file()}


def plain(text: str) -> str:
    """Return text without what only serves the line breaks: kinds of blanks, invisible break marks."""
    return re.sub(r"[\s\u00a0\u202f]+", " ", re.sub("[\u200b\u00ad\u2060]", "", text))


def bookmarks(outline: Any) -> list[str]:
    """Return the titles of the bookmarks of a PDF at all depths."""
    return [title for item in outline for title in (bookmarks(item) if isinstance(item, list) else [item.title])]


@dataclass(frozen=True)
class Chain:
    """A campaign through every step of the notebook."""

    campaign: Campaign
    measured: Measured
    result: ReportResult


@functools.cache
def _registered(given: bytes) -> Any:
    """Most small campaigns have the same runs, and where these lie on one road takes half the time of a chain."""
    return register(*pickle.loads(given))


def run_chain(file: Path) -> Chain:
    campaign = load_campaign(file)
    cleaned = clean_logs(campaign, load_logs(campaign))
    with mock.patch.object(speed_only, "register", lambda *given: _registered(pickle.dumps(given))):
        measured = measure_runs(campaign, cleaned, align_logs(campaign, cleaned))
    return Chain(campaign, measured, conclude(campaign, measured))


@dataclass(frozen=True)
class Demo:
    """A simulated campaign with its truth."""

    scenario: Scenario
    file: Path

    @cached_property
    def campaign(self) -> Campaign:
        return load_campaign(self.file)

    @cached_property
    def chain(self) -> Chain:
        """The same in all test processes, computed by the first that asks."""

        def make(folder: Path) -> None:
            (folder / "chain").write_bytes(pickle.dumps(run_chain(self.file)))

        return pickle.loads((once(self.file.parent.with_name("chain"), make) / "chain").read_bytes())

    @cached_property
    def truth(self) -> dict[str, RunTruth]:
        return truth(self.scenario)


def demo_campaign(id: str, folder: Path) -> Path:
    """Return the file of a copy of a demo campaign: `write_campaign` makes the same one, in a longer time."""
    return shutil.copytree(ROOT / "data" / id, folder / id) / "campaign.toml"


def once(folder: Path, make: Callable[[Path], object]) -> Path:
    """Return a folder that the first of all test processes fills, while the others wait."""
    done = folder.with_suffix(".done")
    with folder.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not done.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            make(folder)
            done.touch()
    return folder


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Return a folder of this name, as `once` does, below that of all test processes, or where several test runs keep theirs."""
    base = factory.getbasetemp().parent if "PYTEST_XDIST_WORKER" in os.environ else factory.getbasetemp()
    return once(Path(os.environ.get("INTAKE_REPORT_MADE", base)) / f"once-{name}", make)


def shared_demo(id: str, factory: pytest.TempPathFactory) -> Demo:
    folder = made_once(factory, f"inputs-{id}", lambda made: demo_campaign(id, made))
    return Demo(SCENARIOS[id], folder / id / "campaign.toml")


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The well-designed demo campaign: 3 configurations in 3 blocks, reading cut off to whole degrees."""
    return shared_demo("ramp-trial", tmp_path_factory)


@pytest.fixture(scope="session")
def badly_designed(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo campaign as the trade often does it: one run each on three days, reading rounded."""
    return shared_demo("three-days", tmp_path_factory)


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory) -> Report:
    """The demo rendered by the command, once for all test processes."""

    def make(folder: Path) -> None:
        file = demo_campaign("ramp-trial", folder / "inputs")
        run = start_command("render", file, "--date", DATE, "--out", ".", cwd=folder)
        out, err = run.communicate(timeout=300)
        assert run.returncode == 0, err
        assert out.startswith("published: ")
        assert err == ""  # quiet in a pipe

    return Report(made_once(tmp_path_factory, "demo", make) / "ramp-trial" / DATE)


@dataclass(frozen=True)
class Small:
    """The small campaign with its report."""

    file: Path
    out: Path
    published: Published

    @cached_property
    def report(self) -> Report:
        return Report(self.published.folder)


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Small:
    """A small campaign in US units, rendered once; tests that change files take copies."""

    def make(folder: Path) -> None:
        publish(roadlog.write(folder / "campaign", roadlog.campaign(units="us")), folder / "out", DATE)

    folder = made_once(tmp_path_factory, "small", make)
    published = Published("small-trial", folder / "out" / "small-trial" / DATE, DATE, 1, "published")
    return Small(folder / "campaign" / "campaign.toml", folder / "out", published)


@pytest.fixture
def finished(small: Small, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, bytes | None]]:
    """Take the finished report of the small campaign in place of making one; which were asked for, after what results."""
    asked = []

    def make(campaign: Campaign, scratch: Path, meta: object, previous: bytes | None, *_: object, **__: object) -> None:
        asked.append((campaign.about.id, previous))
        shutil.copytree(small.report.folder, scratch / "report", ignore=shutil.ignore_patterns("manifest.json"))

    monkeypatch.setattr("intake_report.publish.make_report", make)
    return asked


@pytest.fixture
def executed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take a notebook that shows a few blocks of every kind in place of running one; everything is exported from it."""
    from render import samples

    from intake_report.render.blocks import Begins, Heading

    monkeypatch.setattr("intake_report.render.html._SHOWN", {})
    notebook = samples.notebook(*samples.sample_blocks(), Begins("annex"), Heading(1, "All values"))
    monkeypatch.setattr("intake_report.publish.run_notebook", lambda *a, **more: notebook)


def kernels_below(pid: int) -> list[psutil.Process]:
    """Return the processes below one that lead their own group: each kernel once it runs, and each attempt of a night."""
    try:
        return [p for p in psutil.Process(pid).children(recursive=True) if os.getpgid(p.pid) == p.pid]
    except (psutil.Error, ProcessLookupError):
        return []


def ended(process: psutil.Process) -> bool:
    return not process.is_running() or process.status() == psutil.STATUS_ZOMBIE


def wait_for(found: Callable[[], Any], seconds: float = 60.0) -> Any:
    """Return what `found` finds as soon as it finds something."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if result := found():
            return result
        time.sleep(0.05)
    raise AssertionError("it did not happen in time")


@pytest.fixture
def nights(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Nights:
    """Nights over three campaigns, with a cheap stand-in for the render."""
    from intake_report.nightly import night

    # looking for all of them takes half a second
    monkeypatch.setattr(night, "package_versions", lambda: {"numpy": "2"})
    monkeypatch.setattr(night, "source_hash", lambda: "")
    for number in range(3):
        plain_campaign(tmp_path / "root" / f"c{number}", f"trial-{number}")
    return Nights(tmp_path / "root", tmp_path / "out")


DRIVES = (ROOT / os.environ.get("INTAKE_REPORT_DRIVES", "../shared/drives")).resolve()


@pytest.fixture(scope="session")
def drives() -> Path:
    """The real drives; not part of the project."""
    if not DRIVES.is_dir():
        pytest.skip(f"the real drives are not at {DRIVES}")
    return DRIVES


@pytest.fixture(scope="session")
def real_logs(drives: Path) -> list[Path]:
    """The logs of the real drives, without the speed cycles."""
    return sorted([*drives.glob("loop/*.csv"), *drives.glob("commute/*.csv.gz")])


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where the real drives are, a test on them that skips has failed; with CI=true any other test too."""
    report = yield
    on_drives = "drives" in getattr(item, "fixturenames", ())
    if report.skipped and (DRIVES.is_dir() if on_drives else os.environ.get("CI") == "true"):
        what = f"although the real drives are at {DRIVES}" if on_drives else f"although CI=true: {report.longrepr}"
        report.outcome, report.longrepr = "failed", f"skipped {what}"
    return report


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--sample", action="store_true", help="of each slow test one case, with a part of its simulations")


# Seconds rather than parts of one: begun first, so that two processes end together.
LONG = (
    "test_many.py", "test_aa_real.py", "test_report_texts.py", "test_publish.py", "test_accessible.py", "test_landmarks.py",
    "test_kills.py", "test_placement.py", "test_work.py", "test_determinism.py", "test_isolation.py", "test_real_drives.py",
    "test_cache.py", "test_campaign.py", "test_real_laps.py", "test_common_drive.py", "test_coverage.py", "test_truth.py",
)  # fmt: skip


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give each file, but of all slow tests whole, to one process, which shares what it renders and reads; `LONG` ones begin."""
    from xdist.scheduler import LoadFileScheduling

    if not (config.option.sample or config.option.markexpr.startswith("not slow")):
        return None
    config.option.loadscopereorder = False
    return LoadFileScheduling(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: LONG.index(item.path.name) if item.path.name in LONG else len(LONG))
    if not config.getoption("--sample"):
        return
    first: dict[str, pytest.Item] = {}
    for item in items:
        if item.get_closest_marker("slow"):
            first.setdefault(item.nodeid.partition("[")[0], item)
    items[:] = first.values()


@pytest.fixture(scope="session")
def part(request: pytest.FixtureRequest) -> Callable[[int, int], int]:
    """Return how many simulations a slow test makes: all, or the fewer where only a sample is run."""
    return lambda all_of_them, fewer: fewer if request.config.getoption("--sample") else all_of_them


@pytest.fixture(autouse=True)
def _where_it_started(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test may leave the process in another folder."""
    before = Path.cwd()
    yield
    assert Path.cwd() == before
