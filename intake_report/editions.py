"""What is made beside an issued report: drafts, and its customer edition in a folder of its own, without what is internal."""

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from intake_report import publish
from intake_report.campaign import Campaign, load_campaign
from intake_report.errors import DataError
from intake_report.provenance import damages, read_manifest
from intake_report.publish import Progress, Published
from intake_report.render.blocks import Figure, Heading, Table, plain, texts
from intake_report.render.document import Document, Item, report_date

DRAFT = "DRAFT.txt"  # marks a folder that may be overwritten


def publish_draft(
    campaign_path: Path | str, out: Path | str, date: str, progress: Progress = lambda _: None, debug: bool = False
) -> Published:
    """Render one campaign to `<out>/<campaign id>/`, without a revision number and in place of the draft before.

    Takes what `publish` takes. Raises DataError too where the folder holds something that is no draft.
    """
    progress("reading the campaign")
    campaign = load_campaign(campaign_path)
    date = report_date(campaign, date)
    folder = Path(out).resolve() / campaign.about.id
    if folder.exists() and not (folder / DRAFT).is_file():
        raise DataError("this is no draft and will not be overwritten.", file=folder, remedy="Name another --out.")
    with publish.scratch_folder(folder.parent) as scratch:
        meta, cache = publish.meta_of(campaign, date, 0), folder.parent.with_name("cache")
        publish.make_report(campaign, scratch, meta, None, progress, debug, cache=cache)
        (scratch / "report" / DRAFT).write_text("Not issued; the next draft takes its place.\n", encoding="utf-8")
        if folder.exists():
            os.rename(folder, scratch / "before")
        publish.put_in_place(scratch / "report", folder)
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
    folder = full.folder.with_name(f"{full.folder.name}{publish.EXTRACT}")
    issued = read_manifest(full.folder)
    if folder.exists():
        for sentence in damages(folder):
            raise DataError(f"{sentence} Move it away to make the extract again.")
        return replace(full, folder=folder, state="unchanged")
    progress("writing the customer edition")
    campaign = load_campaign(campaign_path)
    notice = (
        f"This is an extract for customers. Internal notes, names, file names, data quality log and provenance are in the "
        f"full report: campaign {issued['campaign']}, {issued['date']}, revision {issued['revision']}, SHA-256 of its "
        f"manifest {issued['sha256']}."
    )
    meta = replace(publish.meta_of(campaign, full.date, full.revision), edition="customer", notice=notice)
    executed = nbformat.reads((full.folder / "executed.ipynb").read_text("utf-8"), as_version=4)  # type: ignore[no-untyped-call]
    document = extract(read_document(executed), campaign)
    with publish.scratch_folder(full.folder.parent) as scratch:
        made = scratch / "report"
        made.mkdir()
        publish.export(document, meta, (), made, scratch)
        publish.write_manifest(made, {
            "campaign": issued["campaign"], "date": full.date, "revision": full.revision, "edition": meta.edition,
            "made_from": {}, "extract_of": {"folder": full.folder.name, "manifest": issued["sha256"]},
            "outputs": publish.hashes_below(made),
        })  # fmt: skip
        publish.put_in_place(made, folder)
    return replace(full, folder=folder, state="published")


SHORTEST = 3  # characters: a shorter name, an initial, is found in any text


def extract(document: Document, campaign: Campaign) -> Document:
    """Return a report without sections, tables and columns that are internal.

    Numbers of sections, tables and figures stay those of the full report; a reference to what is left out names it there. Raises
    DataError: a name of a person, a file name or a note of `campaign` would still be printed.
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
        yield replace(item, block=_open_columns(block)) if isinstance(block, Table) else item


def _open_columns(table: Table) -> Table:
    kept = [i for i, column in enumerate(table.columns) if not column.internal]
    widths = tuple(table.widths[i] for i in kept) if table.widths else None
    rows = tuple(tuple(row[i] for i in kept) for row in table.rows)
    return replace(table, columns=tuple(table.columns[i] for i in kept), rows=rows, widths=widths, values=None)


def _check(document: Document, campaign: Campaign) -> None:
    """Refuse an extract in which something internal is left, wherever it came from."""
    secrets = sorted((word for word in _internal(campaign) if len(word) >= SHORTEST), key=len, reverse=True)
    if not secrets:
        return
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(word)}(?!\w)" for word in secrets))
    blocks = [item.block for item in (*document.items, *document.annex)]
    for block in [*([document.cover] if document.cover else []), *blocks]:
        more = [block.alt] if isinstance(block, Figure) else []
        for text in (*texts(block), *more):
            if found := pattern.search(plain(text)):
                raise DataError(
                    f"the customer edition would print “{found[0]}”, a name of a person or file or an internal note, in: "
                    f"{plain(text)[:120]}",
                    file=campaign.file,
                    remedy="Say it otherwise in the campaign file, for instance with a role in place of a name.",
                )


def _internal(campaign: Campaign) -> Iterator[str]:
    about = campaign.about
    yield from (about.prepared_by, about.reviewed_by, about.approved_by, campaign.vehicle.notes)
    for run in campaign.runs:
        yield from (run.driver, run.notes)
    for pull in campaign.pulls:
        yield pull.notes
    for trial in campaign.exposures:
        yield trial.inspector
    for path in campaign.input_paths():
        yield from (path, path.rsplit("/", 1)[-1])
