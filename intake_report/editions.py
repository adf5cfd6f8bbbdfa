"""What is made beside an issued report: drafts, and its customer edition in a folder of its own."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

from intake_report import publish
from intake_report.campaign import load_campaign
from intake_report.errors import DataError
from intake_report.provenance import MANIFEST, damages, read_manifest
from intake_report.publish import Progress, Published
from intake_report.render.meta import report_date

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

    from intake_report.render.extract import extract
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
        manifest = {
            "campaign": issued["campaign"], "date": full.date, "revision": full.revision, "edition": meta.edition,
            "made_from": {}, "extract_of": {"folder": full.folder.name, "manifest": issued["sha256"]},
            "outputs": publish.hashes_below(made),
        }  # fmt: skip
        (made / MANIFEST).write_text(json.dumps(manifest, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        publish.put_in_place(made, folder)
    return replace(full, folder=folder, state="published")
