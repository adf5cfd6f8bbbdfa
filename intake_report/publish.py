"""Put the finished report of a campaign in place in one move."""

import errno
import fcntl
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from intake_report.campaign import Campaign, load_campaign, refuse
from intake_report.errors import CampaignError, DataError, MachineError
from intake_report.kernel import SpareKernel, load_once, run_notebook
from intake_report.provenance import MANIFEST, hash_file, made_from, read_manifest, repeat_command, sha256
from intake_report.render.document import Attachment, Document, ReportMeta, report_date

SCRATCH_PREFIX = ".unfinished-"
EXTRACT = "-customer"  # ends the name of the folder of a customer edition
ORIGIN = ".campaign.json"  # in the folder of a campaign's reports: which campaign they are of, on this machine
NO_SPACE = errno.ENOSPC, errno.EDQUOT
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Published:
    """One report that is there, complete."""

    campaign: str  # its id
    folder: Path
    date: str  # ISO
    revision: int  # on that date, from 1; 0 is a draft
    state: Literal["published", "unchanged", "draft"]  # "unchanged": the same inputs had been reported already
    notes: tuple[str, ...] = ()  # what the user must know: an earlier report that is damaged


def publish(
    campaign_path: Path | str,
    out: Path | str = Path("build/reports"),
    date: str = "",
    progress: Progress = lambda _: None,
    debug: bool = False,
    moved: bool = False,
    spare: SpareKernel | None = None,
) -> Published:
    """Render one campaign to `<out>/<campaign id>/<date>[-rN]/` and return where the report is.

    `campaign_path`: campaign folder or file; `out`: folder of all reports; `date`: ISO, empty for today in the campaign's
    time zone, unless the same inputs were reported on any day; `progress`: called with what is being done; `debug`: let
    errors of the notebook through with their traceback; `moved`: the campaign folder was moved, its reports go on where
    they are; `spare`: the process that becomes the kernel, None starts one. Raises CampaignError, DataError: if the
    campaign or a log cannot be used; nothing is published and an earlier report is untouched.
    """
    progress("reading the campaign")
    campaign = load_campaign(campaign_path)
    any_day, date = not date, report_date(campaign, date)
    home = Path(out).resolve() / campaign.about.id
    fingerprint = made_from(campaign)
    issued, notes = issued_reports(home)
    if not moved:
        check_identity(campaign, home, fingerprint, issued)
    for report in reversed(issued):
        if report["made_from"] == fingerprint and (any_day or report["date"] == date):
            folder = home / report["folder"]
            return Published(campaign.about.id, folder, report["date"], report["revision"], "unchanged", tuple(notes))
    revision = 1 + max(map(revision_of, folders_of(home, date)), default=0)
    earlier = [report for report in issued if (report["date"], report["revision"]) < (date, revision)]
    before = earlier[-1] if earlier else None
    previous, note = comparable_results(home, earlier)
    folder, meta = home / (date if revision == 1 else f"{date}-r{revision}"), meta_of(campaign, date, revision)
    with scratch_folder(home) as scratch:
        make_report(campaign, scratch, meta, previous, progress, debug, spare)
        check_inputs(campaign, fingerprint)
        # the key of a campaign is made from the inputs of its first report and handed on from manifest to manifest
        key = sha256(json.dumps(fingerprint["inputs"], sort_keys=True).encode())
        write_manifest(scratch / "report", {
            "campaign": campaign.about.id, "campaign_key": before.get("campaign_key", key) if before else key,
            "date": date, "revision": revision, "made_from": fingerprint,
            "predecessor": before and {"folder": before["folder"], "manifest": before["sha256"]},
            "outputs": hashes_below(scratch / "report"), "command": repeat_command(campaign, date),
        })  # fmt: skip
        progress("putting the report in place")
        put_in_place(scratch / "report", folder)
        new = scratch / ORIGIN
        new.write_text(json.dumps({"folder": str(campaign.folder)}) + "\n", encoding="utf-8")
        new.replace(home / ORIGIN)
    return Published(campaign.about.id, folder, date, revision, "published", (*notes, *note))


def meta_of(campaign: Campaign, date: str, revision: int) -> ReportMeta:
    """Return the identity of a report of this campaign; revision 0 is a draft."""
    notice = "" if revision else "A draft: not issued, without a revision number; the next draft takes its place."
    about = campaign.about
    paper = about.paper or ("letter" if about.units == "us" else "a4")  # US Letter for readers of US units
    return ReportMeta(about.id, about.title, date, revision, paper, notice=notice)


# ---- which campaign, which revision ------------------------------------------------------------------------------


def issued_reports(home: Path) -> tuple[list[dict[str, Any]], list[str]]:
    """Return the manifests of the reports in `home` in the order of issue, and a sentence for each that is damaged."""
    reports, notes = [], []
    for folder in sorted(home.glob("[!.]*/")):
        try:
            reports.append(read_manifest(folder))
        except DataError as error:
            notes.append(f"{error} What it said cannot be compared with.")
    reports = [report for report in reports if "extract_of" not in report]
    return sorted(reports, key=lambda report: (report["date"], report["revision"])), notes


def folders_of(home: Path, date: str) -> list[str]:
    """Return the names of the report folders of one date, damaged ones included."""
    return [folder.name for folder in home.glob(f"{date}*/") if not folder.name.endswith(EXTRACT)]


def revision_of(folder: str) -> int:
    """Return the revision that a folder's name states: 1 for "2026-07-31", 3 for "2026-07-31-r3"."""
    _, _, number = folder.partition("-r")
    return int(number) if number.isdigit() else 1


def check_identity(campaign: Campaign, home: Path, fingerprint: dict[str, Any], issued: list[dict[str, Any]]) -> None:
    """Refuse a campaign whose id is that of another one: its report would pass for the next revision of the other's."""
    try:
        origin = json.loads((home / ORIGIN).read_text(encoding="utf-8"))["folder"]
    except (OSError, ValueError, KeyError, TypeError):
        return  # reports without a record, copied from elsewhere, are taken as this campaign's
    same_inputs = any(report["made_from"]["inputs"] == fingerprint["inputs"] for report in issued)
    if origin != str(campaign.folder) and not same_inputs:
        what = f"the reports in {home} are of the campaign in {origin}, which has the id “{campaign.about.id}” too."
        remedy = "Give each campaign its own id; if this is the same campaign in a new place, render it with --moved."
        raise CampaignError(what, file=campaign.file, where="campaign.id", remedy=remedy)


def check_inputs(campaign: Campaign, fingerprint: dict[str, Any]) -> None:
    """Refuse a report during whose making an input changed: it could be of neither state."""
    for path, digest in fingerprint["inputs"].items():
        file = campaign.folder / path
        if not file.is_file() or hash_file(file) != digest:
            what = f"the file {'changed' if file.is_file() else 'vanished'} while the report was made."
            raise MachineError(what, file=file, remedy="Render again once it rests.")


def comparable_results(home: Path, earlier: list[dict[str, Any]]) -> tuple[bytes | None, tuple[str, ...]]:
    """Return results.json of the report before, if it is as it was issued; else a note that stands in its place.

    A damaged predecessor never keeps a report from being made: the comparison is left out, and both the report and the
    user are told.
    """
    if not earlier:
        return None, ()
    before = earlier[-1]
    path = home / before["folder"] / "results.json"
    data = path.read_bytes() if path.is_file() else b""
    if sha256(data) == before["outputs"].get("results.json"):
        return data, ()
    why = "are missing or were changed after it was issued; what changed since is left out of the new report."
    return json.dumps({"damaged": before["folder"]}).encode(), (f"{path}: the results of the report before {why}",)


# ---- the folder that is moved into place -------------------------------------------------------------------------


@contextmanager
def scratch_folder(home: Path) -> Iterator[Path]:
    """Give a folder on the same disk as the reports, so that the last step is one rename; removed in any case.

    The folder is locked while its process lives; what a killed process left behind is not, and is cleared away here.
    """
    try:
        home.mkdir(parents=True, exist_ok=True)
        for folder in home.glob(f"{SCRATCH_PREFIX}*/"):
            _clear_abandoned(folder)
        scratch, lock = _locked_folder(home)
    except OSError as error:
        what = f"the report folder cannot be written ({error.strerror})."
        raise MachineError(what, file=home, remedy="Name a folder that you may write to: --out FOLDER.") from None
    try:
        yield scratch
    except OSError as error:
        if error.errno not in NO_SPACE:
            raise
        written = sum(p.stat().st_size for p in scratch.rglob("*") if p.is_file() and not p.is_symlink())
        what = f"the disk is full; {written / 1e6:.1f} MB of the report were written."
        remedy = "Free some ten megabytes more than that, or name another folder: --out FOLDER."
        raise MachineError(what, file=home, remedy=remedy) from None
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


def _clear_abandoned(folder: Path) -> None:
    with suppress(OSError):
        lock = os.open(folder, os.O_RDONLY)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder)
        finally:
            os.close(lock)


def put_in_place(report: Path, target: Path) -> None:
    """Move a finished report to its place; an issued report is never overwritten."""
    try:
        os.rename(report, target)
    except OSError as error:
        if error.errno in NO_SPACE:
            raise
        raise MachineError("a report is there already and will not be overwritten.", file=target) from None


# ---- its content -------------------------------------------------------------------------------------------------


def make_report(
    campaign: Campaign,
    scratch: Path,
    meta: ReportMeta,
    previous: bytes | None,
    progress: Progress,
    debug: bool,
    spare: SpareKernel | None = None,
    cache: Path | None = None,
) -> None:
    """Write every file of a report except its manifest into `scratch/report`."""
    progress("loading")
    forks = spare is None and not debug and load_once()
    import nbformat

    from intake_report.analyse.claim_check import campaign_mistakes
    from intake_report.render import notebook as notebooks

    refuse(campaign_mistakes(campaign))
    spare = SpareKernel(quiet=True) if forks else spare
    progress("running the notebook")
    executed = run_notebook(campaign, scratch, meta, previous, debug=debug, spare=spare, cache=cache)

    notebook, folder = notebooks.normalise_notebook(executed), scratch / "report"
    document = notebooks.read_document(notebook)
    tables = folder / "tables" / "results"
    tables.mkdir(parents=True)
    results = next(block.text for block in document.data if block.name == "results.json").encode()
    (folder / "results.json").write_bytes(results)
    attachments = (
        Attachment("results.json", results, "application/json", "All numbers of the report, in internal units"),
        Attachment("campaign.toml", campaign.source, "application/toml", "The campaign file", "source"),
    )
    progress("writing HTML, PDF, slides, figures and tables")
    with ThreadPoolExecutor(1) as beside:  # the compiler of pages and pictures lets others run
        assets = beside.submit(notebooks.write_assets, document, folder)
        export(document, meta, attachments, folder, scratch)
        assets.result()
    for name, rows in notebooks.record_tables(json.loads(results)).items():
        columns = list(dict.fromkeys(column for row in rows for column in row))
        text = notebooks.csv_text([columns, *([row.get(column) for column in columns] for row in rows)])
        (tables / f"{name}.csv").write_bytes(text.encode())
    notebooks.add_pictures(notebook, folder)
    (folder / "executed.ipynb").write_bytes((str(nbformat.writes(notebook)) + "\n").encode())


def export(document: Document, meta: ReportMeta, attached: tuple[Attachment, ...], folder: Path, scratch: Path) -> None:
    """Write what is read: report and annex as HTML and PDF, the summary, the slides."""
    from intake_report.render.html import export_html
    from intake_report.render.notebook import summary, write_slides
    from intake_report.render.typst import export_pdf

    parts = {"report": (document, attached), "annex": (document.of_annex(), ())}
    with ThreadPoolExecutor(1) as beside:  # the compiler of pages lets others run
        pages = {
            name: beside.submit(export_pdf, part, meta, carried, scratch / f"{name}-pdf")
            for name, (part, carried) in parts.items()
        }
        for name, (part, _) in parts.items():
            (folder / f"{name}.html").write_bytes(export_html(part, meta).encode())
        (folder / "summary.md").write_text(summary(document, meta), encoding="utf-8")
        write_slides(document, meta, folder / "slides", scratch / "slides")
        for name, page in pages.items():
            (folder / f"{name}.pdf").write_bytes(page.result())


def write_manifest(folder: Path, manifest: dict[str, Any]) -> None:
    """Write the manifest of a report: what it was made from and followed, every file by hash, how to make it again."""
    (folder / MANIFEST).write_text(json.dumps(manifest, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def hashes_below(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file below a folder, in order, by relative path."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): hash_file(path) for path in files}
