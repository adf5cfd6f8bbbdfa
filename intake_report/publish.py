"""Put the finished report of a campaign in place in one move: issued, as a draft, or as an extract without what is internal."""

import errno
import fcntl
import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from intake_report import provenance
from intake_report.campaign import Campaign, load_campaign, refuse
from intake_report.errors import CampaignError, DataError, MachineError
from intake_report.kernel import SpareKernel, load_once, run_notebook
from intake_report.provenance import MANIFEST, damages, hash_file, issued_reports, made_from, sha256
from intake_report.render.blocks import Figure, Heading, Table, plain, texts
from intake_report.render.document import Attachment, Document, Item, ReportMeta, report_date

SCRATCH_PREFIX = ".unfinished-"
DRAFT = "DRAFT.txt"  # marks a folder that may be overwritten
ORIGIN = ".campaign.json"  # in the folder of a campaign's reports: which campaign they are of, on this machine
NO_SPACE = errno.ENOSPC, errno.EDQUOT
SHORTEST = 3  # characters: a shorter name, an initial, is found in any text
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
    they are; `spare`: the process that becomes the kernel. CampaignError, DataError: nothing is published.
    """
    progress("reading the campaign")
    campaign = load_campaign(campaign_path)
    any_day, date = not date, report_date(campaign, date)
    home = Path(out).resolve() / campaign.about.id
    fingerprint = made_from(campaign)
    issued, notes = issued_reports(home)
    if not moved:
        _check_identity(campaign, home, fingerprint, issued)
    for report in reversed(issued):
        if report["made_from"] == fingerprint and (any_day or report["date"] == date):
            folder = home / report["folder"]
            return Published(campaign.about.id, folder, report["date"], report["revision"], "unchanged", tuple(notes))
    revision = 1 + provenance.last_revision(home, date)
    earlier = [report for report in issued if (report["date"], report["revision"]) < (date, revision)]
    before = earlier[-1] if earlier else None
    previous, note = comparable_results(home, earlier)
    folder = provenance.folder_of(home, date, revision)
    with scratch_folder(home) as scratch:
        make_report(campaign, scratch, meta_of(campaign, date, revision), previous, progress, debug, spare)
        for path, digest in fingerprint["inputs"].items():  # a report could be of neither state
            file = campaign.folder / path
            if not file.is_file() or hash_file(file) != digest:
                what = f"the file {'changed' if file.is_file() else 'vanished'} while the report was made."
                raise MachineError(what, file=file, remedy="Render again once it rests.")
        # the key of a campaign is made from the inputs of its first report and handed on from manifest to manifest
        key = sha256(json.dumps(fingerprint["inputs"], sort_keys=True).encode())
        _write_manifest(scratch / "report", {
            "campaign": campaign.about.id, "campaign_key": before.get("campaign_key", key) if before else key,
            "date": date, "revision": revision, "made_from": fingerprint,
            "predecessor": before and {"folder": before["folder"], "manifest": before["sha256"]},
            "command": provenance.repeat_command(campaign, date),
        })  # fmt: skip
        progress("putting the report in place")
        put_in_place(scratch / "report", folder)
        (scratch / ORIGIN).write_text(json.dumps({"folder": str(campaign.folder)}) + "\n", encoding="utf-8")
        (scratch / ORIGIN).replace(home / ORIGIN)
    return Published(campaign.about.id, folder, date, revision, "published", (*notes, *note))


def _check_identity(campaign: Campaign, home: Path, fingerprint: dict[str, Any], issued: list[dict[str, Any]]) -> None:
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


def comparable_results(home: Path, earlier: list[dict[str, Any]]) -> tuple[bytes | None, tuple[str, ...]]:
    """Return results.json of the report before, if it is as it was issued; else a note that stands in its place.

    A damaged predecessor never keeps a report from being made: report and user are told what could not be compared.
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


def meta_of(campaign: Campaign, date: str, revision: int) -> ReportMeta:
    """Return the identity of a report of this campaign; revision 0 is a draft."""
    notice = "" if revision else "A draft: not issued, without a revision number; the next draft takes its place."
    about = campaign.about
    paper = about.paper or ("letter" if about.units == "us" else "a4")  # US Letter for readers of US units
    return ReportMeta(about.id, about.title, date, revision, paper, notice=notice)


# ---- the folder that is moved into place -------------------------------------------------------------------------


@contextmanager
def scratch_folder(home: Path) -> Iterator[Path]:
    """Give a folder on the same disk as the reports, so that the last step is one rename; removed in any case.

    The folder is locked while its process lives; what a killed process left behind is not, and is cleared away here.
    """
    with ExitStack() as held:
        try:
            home.mkdir(parents=True, exist_ok=True)
            with _locked(home):  # nobody clears away a folder between its making and its lock
                for folder in home.glob(f"{SCRATCH_PREFIX}*/"):
                    with suppress(OSError), _locked(folder, fcntl.LOCK_NB):
                        shutil.rmtree(folder)
                scratch = Path(tempfile.mkdtemp(prefix=SCRATCH_PREFIX, dir=home))
                held.enter_context(_locked(scratch))
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
            with suppress(OSError):  # not empty: it holds reports, or another process works in it
                home.rmdir()


@contextmanager
def _locked(folder: Path, how: int = 0) -> Iterator[None]:
    lock = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | how)
        yield
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
        _export(document, meta, attachments, folder, scratch)
        assets.result()
    for name, rows in notebooks.record_tables(json.loads(results)).items():
        columns = list(dict.fromkeys(column for row in rows for column in row))
        text = notebooks.csv_text([columns, *([row.get(column) for column in columns] for row in rows)])
        (tables / f"{name}.csv").write_bytes(text.encode())
    notebooks.add_pictures(notebook, folder)
    (folder / "executed.ipynb").write_bytes((str(nbformat.writes(notebook)) + "\n").encode())


def _export(
    document: Document, meta: ReportMeta, attached: tuple[Attachment, ...], folder: Path, scratch: Path
) -> None:
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


def _write_manifest(folder: Path, manifest: dict[str, Any]) -> None:
    """Write what a report was made from and followed, every file by hash, and how to make it again."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    outputs = {path.relative_to(folder).as_posix(): hash_file(path) for path in files}
    text = json.dumps({**manifest, "outputs": outputs}, indent=1, ensure_ascii=False)
    (folder / MANIFEST).write_text(text + "\n", encoding="utf-8")


def publish_draft(
    campaign_path: Path | str, out: Path | str, date: str, progress: Progress = lambda _: None, debug: bool = False
) -> Published:
    """Render one campaign to `<out>/<campaign id>/` in place of the draft before; DataError: something else is there."""
    progress("reading the campaign")
    campaign = load_campaign(campaign_path)
    date = report_date(campaign, date)
    folder = Path(out).resolve() / campaign.about.id
    if folder.exists() and not (folder / DRAFT).is_file():
        raise DataError("this is no draft and will not be overwritten.", file=folder, remedy="Name another --out.")
    with scratch_folder(folder.parent) as scratch:
        meta, cache = meta_of(campaign, date, 0), folder.parent.with_name("cache")
        make_report(campaign, scratch, meta, None, progress, debug, cache=cache)
        (scratch / "report" / DRAFT).write_text("Not issued; the next draft takes its place.\n", encoding="utf-8")
        if folder.exists():
            os.rename(folder, scratch / "before")
        put_in_place(scratch / "report", folder)
    return Published(campaign.about.id, folder, date, 0, "draft")


def publish_extract(full: Published, campaign_path: Path | str, progress: Progress = lambda _: None) -> Published:
    """Make the customer edition of a report that was issued, from its executed notebook alone.

    It goes to `<folder of the report>-customer`, is no revision, and its manifest names that of the full report by hash.
    DataError: the full report or the extract is not as it was issued, or the extract would print something internal.
    """
    import nbformat

    from intake_report.render.notebook import read_document

    for sentence in damages(full.folder):
        raise DataError(f"{sentence} No extract is made of it.")
    folder = full.folder.with_name(f"{full.folder.name}{provenance.EXTRACT}")
    issued = provenance.read_manifest(full.folder)
    if folder.exists():
        for sentence in damages(folder):
            raise DataError(f"{sentence} Move it away to make the extract again.")
        return replace(full, folder=folder, state="unchanged")
    progress("writing the customer edition")
    campaign = load_campaign(campaign_path)
    where = f"campaign {issued['campaign']}, {issued['date']}, revision {issued['revision']}"
    notice = (
        f"This is an extract for customers. Internal notes, names, file names, data quality log and provenance are in the "
        f"full report: {where}, SHA-256 of its manifest {issued['sha256']}."
    )
    meta = replace(meta_of(campaign, full.date, full.revision), edition="customer", notice=notice)
    executed = nbformat.reads((full.folder / "executed.ipynb").read_text("utf-8"), as_version=4)
    document = extract(read_document(executed), campaign)
    with scratch_folder(full.folder.parent) as scratch:
        made = scratch / "report"
        made.mkdir()
        _export(document, meta, (), made, scratch)
        _write_manifest(made, {
            "campaign": issued["campaign"], "date": full.date, "revision": full.revision, "edition": meta.edition,
            "made_from": {}, "extract_of": {"folder": full.folder.name, "manifest": issued["sha256"]},
        })  # fmt: skip
        put_in_place(made, folder)
    return replace(full, folder=folder, state="published")


def extract(document: Document, campaign: Campaign) -> Document:
    """Return a report without sections, tables and columns that are internal.

    Numbers stay those of the full report; a reference to what is left out names it there. DataError: a name of a person, a file
    name or a note of `campaign` would still be printed.
    """
    items, annex = tuple(_kept(document.items)), tuple(_kept(document.annex))
    left = {item.target.label for item in (*items, *annex) if item.target}
    made = replace(document, items=items, annex=annex, data=(), withheld=frozenset(document.targets) - left)
    _check(made, campaign)
    return made


def _kept(items: Sequence[Item]) -> Iterator[Item]:
    closed = 0  # level of the internal section that is being passed over
    for item in items:
        block = item.block
        if isinstance(block, Heading) and (not closed or item.level <= closed):
            closed = item.level if block.internal else 0
        if closed or getattr(block, "internal", False):
            continue
        if isinstance(block, Table):
            kept = [i for i, column in enumerate(block.columns) if not column.internal]
            widths = tuple(block.widths[i] for i in kept) if block.widths else None
            rows = tuple(tuple(row[i] for i in kept) for row in block.rows)
            block = replace(block, columns=tuple(block.columns[i] for i in kept), rows=rows, widths=widths, values=None)
        yield replace(item, block=block)


def _check(document: Document, campaign: Campaign) -> None:
    """Refuse an extract in which something internal is left, wherever it came from."""
    about, runs, paths = campaign.about, campaign.runs, campaign.input_paths()
    words = {
        about.prepared_by, about.reviewed_by, about.approved_by, campaign.vehicle.notes,
        *(run.driver for run in runs), *(run.notes for run in runs), *(pull.notes for pull in campaign.pulls),
        *(trial.inspector for trial in campaign.exposures), *paths, *(path.rsplit("/", 1)[-1] for path in paths),
    }  # fmt: skip
    secrets = sorted((word for word in words if len(word) >= SHORTEST), key=lambda word: (-len(word), word))
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(word)}(?!\w)" for word in secrets))
    blocks = [item.block for item in (*document.items, *document.annex)]
    for block in [*([document.cover] if document.cover else []), *blocks]:
        more = [block.alt] if isinstance(block, Figure) else []
        for text in (*texts(block), *more):
            if secrets and (found := pattern.search(plain(text))):
                what = "a name of a person or file or an internal note"
                raise DataError(
                    f"the customer edition would print “{found[0]}”, {what}, in: {plain(text)[:120]}",
                    file=campaign.file,
                    remedy="Say it otherwise in the campaign file, for instance with a role in place of a name.",
                )
