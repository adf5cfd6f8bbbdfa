"""Run the notebook, export it, and put the finished report in place in one move."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from intake_report.campaign import Campaign, load_campaign
from intake_report.errors import CampaignError, DataError, IntakeReportError
from intake_report.provenance import hash_file, input_hashes, package_versions, repeat_command
from intake_report.render.dates import report_date
from intake_report.render.meta import Attachment, ReportMeta

if TYPE_CHECKING:
    from nbformat import NotebookNode

MANIFEST = "manifest.json"
TEMPLATE = "campaign_report.ipynb"
SCRATCH_PREFIX = ".unfinished-"
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Published:
    """One issued report.

    Parameters
    ----------
    campaign : str
        Campaign id.
    folder : Path
        Its folder, complete.
    date : str
        ISO date.
    revision : int
        Revision on that date, from 1.
    state : {"published", "unchanged"}
        "unchanged" when the same inputs had been reported on this date already; nothing is written then.
    """

    campaign: str
    folder: Path
    date: str
    revision: int
    state: Literal["published", "unchanged"]


def template_path() -> Path:
    """Return the report template: the one installed with the package, else the one of the source tree."""
    package = Path(__file__).parent
    for path in (package / "template" / TEMPLATE, package.parent / "notebooks" / TEMPLATE):
        if path.is_file():
            return path
    raise DataError(f"the report template {TEMPLATE} is not installed.", remedy="Install the package again.")


def publish(
    campaign_path: Path | str,
    out: Path | str = Path("build/reports"),
    date: str = "",
    progress: Progress = lambda _: None,
    debug: bool = False,
) -> Published:
    """Render one campaign to a report folder.

    Parameters
    ----------
    campaign_path : Path or str
        Campaign folder or file.
    out : Path or str
        Folder of all reports; the report goes to `<out>/<campaign id>/<date>[-rN]/`.
    date : str
        ISO date of the report; today in the campaign's time zone when empty.
    progress : callable
        Called with what is being done.
    debug : bool
        Let errors of the notebook through with their traceback.

    Returns
    -------
    Published
        Where the report is.

    Raises
    ------
    CampaignError, DataError
        If the campaign or a log cannot be used; nothing is published and an earlier report is untouched.
    """
    progress("reading the campaign")
    campaign = load_campaign(campaign_path)
    date = report_date(campaign, date)
    home = Path(out).resolve() / campaign.about.id
    fingerprint = inputs_of(campaign)
    issued = issued_reports(home)
    same_day = [report for report in issued if report["date"] == date]
    if same_day and same_day[-1]["made_from"] == fingerprint:
        last = same_day[-1]
        return Published(campaign.about.id, home / last["folder"], date, last["revision"], "unchanged")
    revision = 1 + max((report["revision"] for report in same_day), default=0)
    earlier = [report for report in issued if (report["date"], report["revision"]) < (date, revision)]
    previous = home / earlier[-1]["folder"] / "results.json" if earlier else None
    folder = date if revision == 1 else f"{date}-r{revision}"
    with scratch_folder(home) as scratch:
        make_report(campaign, scratch / "report", scratch, date, revision, previous, progress, debug)
        write_manifest(scratch / "report", campaign, date, revision, fingerprint)
        progress("putting the report in place")
        put_in_place(scratch / "report", home / folder)
    return Published(campaign.about.id, home / folder, date, revision, "published")


def inputs_of(campaign: Campaign) -> dict[str, Any]:
    """Return what decides the content of a report: inputs, template and software, by hash and version."""
    return {
        "inputs": {item.path: item.sha256 for item in input_hashes(campaign)},
        "template": hash_file(template_path(), TEMPLATE).sha256,
        "packages": package_versions(),
    }


def issued_reports(home: Path) -> list[dict[str, Any]]:
    """Return the manifests of the reports in `home` in the order of issue, each with the name of its folder."""
    reports = []
    for path in sorted(home.glob(f"*/{MANIFEST}")) if home.is_dir() else []:
        if path.parent.name.startswith("."):
            continue
        try:
            manifest = json.loads(path.read_text(encoding="utf-8"))
            place = {"date": str(manifest["date"]), "revision": int(manifest["revision"]), "folder": path.parent.name}
            reports.append({**manifest, "made_from": manifest["made_from"], **place})
        except (ValueError, TypeError, KeyError):
            raise DataError(
                "the manifest of an earlier report is damaged.", file=path, remedy="Move it away."
            ) from None
    return sorted(reports, key=lambda report: (report["date"], report["revision"]))


@contextmanager
def scratch_folder(home: Path) -> Iterator[Path]:
    """Give a folder on the same disk as the reports, so that the last step is one rename; removed in any case.

    The folder is locked while its process lives; what a killed process left behind is not, and is cleared away here.
    """
    try:
        home.mkdir(parents=True, exist_ok=True)
        _clear_abandoned(home)
        scratch, lock = _locked_folder(home)
    except OSError as error:
        what = f"the report folder cannot be written ({error.strerror})."
        remedy = "Name a folder that you may write to: --out FOLDER."
        raise DataError(what, file=home, remedy=remedy) from None
    try:
        yield scratch
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
        os.close(lock)
        with suppress(OSError):  # not empty: it holds reports, or another process works in it
            home.rmdir()


def _locked_folder(home: Path) -> tuple[Path, int]:
    while True:
        scratch = Path(tempfile.mkdtemp(prefix=SCRATCH_PREFIX, dir=home))
        lock = os.open(scratch, os.O_RDONLY)
        fcntl.flock(lock, fcntl.LOCK_EX)
        if scratch.is_dir():  # else it was cleared away between the two lines above
            return scratch, lock
        os.close(lock)


def _clear_abandoned(home: Path) -> None:
    for folder in home.glob(f"{SCRATCH_PREFIX}*"):
        with suppress(OSError):
            lock = os.open(folder, os.O_RDONLY)
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(folder, ignore_errors=True)
            finally:
                os.close(lock)


def put_in_place(report: Path, target: Path) -> None:
    """Move a finished report to its place; an issued report is never overwritten."""
    report.chmod(0o755)
    try:
        os.rename(report, target)
    except OSError:
        raise DataError("a report is there already and will not be overwritten.", file=target) from None


def make_report(
    campaign: Campaign,
    folder: Path,
    scratch: Path,
    date: str,
    revision: int,
    previous: Path | None,
    progress: Progress,
    debug: bool,
) -> None:
    """Write every file of a report except its manifest into `folder`."""
    if previous is not None:
        shutil.copy(previous, scratch / "previous.json")
    progress("running the notebook")
    loading = threading.Thread(target=_load_exporters)  # while this process waits for the kernel
    loading.start()
    executed = run_notebook(campaign, scratch, date, revision, previous is not None, debug)
    loading.join()
    write_report(
        executed,
        campaign,
        folder,
        scratch,
        ReportMeta(campaign.about.id, campaign.about.title, date, revision),
        progress,
    )


def _load_exporters() -> None:
    import intake_report.render.html
    import intake_report.render.typst  # noqa: F401


def write_report(
    executed: NotebookNode, campaign: Campaign, folder: Path, scratch: Path, meta: ReportMeta, progress: Progress
) -> None:
    """Export an executed notebook: HTML, PDF with its attachments, results, figures, tables, the notebook itself."""
    import nbformat

    from intake_report.render.html import export_html
    from intake_report.render.notebook import extract_data, normalise_notebook, write_assets
    from intake_report.render.typst import export_pdf

    notebook = normalise_notebook(executed)
    folder.mkdir()
    results = extract_data(notebook)["results.json"].encode()
    (folder / "results.json").write_bytes(results)
    progress("writing the HTML")
    (folder / "report.html").write_bytes(export_html(notebook, meta).encode())
    progress("writing the PDF")
    attachments = (
        Attachment("results.json", results, "application/json", "All numbers of the report, in internal units"),
        Attachment("campaign.toml", campaign.source, "application/toml", "The campaign file", "source"),
    )
    (folder / "report.pdf").write_bytes(export_pdf(notebook, meta, attachments, scratch / "pdf"))
    progress("writing figures and tables")
    write_assets(notebook, folder)
    (folder / "executed.ipynb").write_bytes((str(nbformat.writes(notebook)) + "\n").encode())


def run_notebook(
    campaign: Campaign, scratch: Path, date: str, revision: int, has_previous: bool, debug: bool
) -> NotebookNode:
    """Run the template for one campaign in a fresh kernel and return the executed notebook.

    Paths in the notebook are relative to the campaign folder, so that the executed notebook does not depend on where
    it was run.
    """
    import nbformat
    import papermill
    from papermill.exceptions import PapermillExecutionError
    from traitlets.config import Config

    parameters: dict[str, Any] = {"campaign_file": campaign.file.name, "date": date, "revision": revision}
    if has_previous:
        parameters["previous"] = os.path.relpath(scratch / "previous.json", campaign.folder)
    # Kernels over TCP race for ports when several run at once; sockets with a prefix of their own do not.
    with _socket_prefix(scratch) as prefix:
        try:
            ran = papermill.execute_notebook(
                template_path(),
                None,  # a path would be written twice per cell, all figures so far each time
                parameters=parameters,
                cwd=campaign.folder,
                kernel_name="python3",
                progress_bar=False,
                log_output=False,
                config=Config({"KernelManager": {"transport": "ipc", "ip": str(prefix)}}),
                **({} if debug else {"kernel_manager_class": _silent_kernels(scratch / "kernel.log")}),
            )
        except PapermillExecutionError as error:
            if debug:
                raise
            raise as_user_error(error.ename, error.evalue) from None
    executed: NotebookNode = nbformat.reads(nbformat.writes(ran), as_version=4)  # as a file would give it back
    for cell in executed.cells if has_previous else []:
        if "injected-parameters" in cell.metadata.get("tags", []):  # the scratch folder's name is never the same
            cell.source = cell.source.replace(parameters["previous"], "previous.json")
    return executed


def _silent_kernels(log: Path) -> type:
    """Return a kernel manager whose kernels write what they say besides their answers to `log`.

    A kernel that is told to stop may complain on standard error, which is not the user's business.
    """
    from jupyter_client.manager import AsyncKernelManager

    class SilentKernels(AsyncKernelManager):
        async def _async_launch_kernel(self, kernel_cmd: list[str], **more: Any) -> None:
            with log.open("ab") as file:
                await super()._async_launch_kernel(kernel_cmd, stdout=file, stderr=file, **more)

    return SilentKernels


@contextmanager
def _socket_prefix(scratch: Path) -> Iterator[Path]:
    """Give a short path for the kernel's sockets; a Unix socket's path may have about 100 characters."""
    prefix = scratch / "k"
    if len(str(prefix)) < 80:
        yield prefix
        return
    with tempfile.TemporaryDirectory(prefix="irk-", ignore_cleanup_errors=True) as folder:
        yield Path(folder) / "k"


def as_user_error(name: str, text: str) -> IntakeReportError:
    """Return an error of the notebook as the error that its code raised; others are named as what they are."""
    if name in ("CampaignError", "CampaignErrors"):
        return CampaignError(text)
    if name == "DataError":
        return DataError(text)
    return DataError(
        f"the report could not be computed ({name}: {text}).",
        remedy="This is a fault of the program; run again with --debug and report what it prints.",
    )


def write_manifest(folder: Path, campaign: Campaign, date: str, revision: int, made_from: dict[str, Any]) -> None:
    """Write the manifest: what the report was made from, every file in it by hash, and how to make it again."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    outputs = {str(path.relative_to(folder).as_posix()): hash_file(path, path.name).sha256 for path in files}
    manifest = {
        "campaign": campaign.about.id,
        "date": date,
        "revision": revision,
        "made_from": made_from,
        "outputs": outputs,
        "command": repeat_command(campaign, date),
    }
    text = json.dumps(manifest, indent=1, ensure_ascii=False) + "\n"
    (folder / MANIFEST).write_text(text, encoding="utf-8")
