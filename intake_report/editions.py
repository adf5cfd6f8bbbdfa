"""The customer edition of an issued report, in a folder of its own beside the full report."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from intake_report.campaign import load_campaign
from intake_report.errors import DataError
from intake_report.provenance import MANIFEST, damages, hash_file, read_manifest
from intake_report.publish import EXTRACT, Progress, Published, export, meta_of, put_in_place, scratch_folder


def publish_extract(full: Published, campaign_path: Path | str, progress: Progress = lambda _: None) -> Published:
    """Make the customer edition of a report that was issued, from its executed notebook alone.

    It goes to `<folder of the report>-customer`, is no revision, and its manifest names that of the full report by hash.

    Parameters
    ----------
    full : Published
        The full report.
    campaign_path : Path or str
        Of its campaign.
    progress : callable
        Called with what is being done.

    Returns
    -------
    Published
        "unchanged" where the extract of this very report is there already.

    Raises
    ------
    DataError
        The full report or the extract is not as it was issued, or the extract would print something internal.
    """
    import nbformat

    from intake_report.render.extract import extract
    from intake_report.render.notebook import read_document

    for sentence in damages(full.folder):
        raise DataError(f"{sentence} No extract is made of it.")
    folder = full.folder.with_name(f"{full.folder.name}{EXTRACT}")
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
    meta = replace(meta_of(campaign, full.date, full.revision), edition="customer", notice=notice)
    executed = nbformat.reads((full.folder / "executed.ipynb").read_text("utf-8"), as_version=4)  # type: ignore[no-untyped-call]
    document = extract(read_document(executed), campaign)
    with scratch_folder(full.folder.parent) as scratch:
        made = scratch / "report"
        made.mkdir()
        export(document, meta, (), made, scratch)
        files = sorted(path for path in made.rglob("*") if path.is_file())
        manifest = {
            "campaign": issued["campaign"],
            "date": full.date,
            "revision": full.revision,
            "edition": meta.edition,
            "made_from": {},
            "extract_of": {"folder": full.folder.name, "manifest": issued["sha256"]},
            "outputs": {path.relative_to(made).as_posix(): hash_file(path, path.name).sha256 for path in files},
        }
        (made / MANIFEST).write_text(json.dumps(manifest, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        put_in_place(made, folder)
    return replace(full, folder=folder, state="published")
