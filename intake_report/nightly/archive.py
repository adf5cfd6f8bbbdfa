"""A report with its inputs in one file to keep, and that report made again from it, compared file by file."""

import argparse
import json
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple

from intake_report import publish
from intake_report.campaign import load_campaign
from intake_report.errors import DataError, MachineError
from intake_report.provenance import MANIFEST, damages, issued_reports, made_from, read_manifest, sha256

INPUTS, REPORT, LOCK = "inputs", "report", "requirements.lock"
BEFORE = "before.json"  # results.json of the report before, which the report compares itself with
LARGEST, MOST_FILES = 4 << 30, 20_000  # bytes unpacked and files of an archive that is read
_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest that a zip file can state; the same archive has the same bytes


class Compared(NamedTuple):
    """One file of a report against the same one made again."""

    path: str
    state: str  # "same", "differs", "missing" (not made again) or "added"
    moved: tuple[str, ...] = ()  # which numbers did


def run_archive(arguments: argparse.Namespace) -> int:
    """Write the last report of a campaign and its inputs into one zip."""
    usual = Path(".ci/requirements.lock")
    lock = arguments.lock or (usual if usual.is_file() else None)
    print(write_archive(arguments.campaign, arguments.out, arguments.to, lock))
    return 0


def run_reproduce(arguments: argparse.Namespace) -> int:
    """Make the report of an archive again and say, file by file, whether it is the same."""
    software, compared = reproduce(arguments.archive)
    for line in software:
        print(f"not as it was: {line}")
    for one in compared:
        print(f"{one.state:<8} {one.path}")
        for line in one.moved:
            print(f"         {line}")
    return int(any(one.state != "same" for one in compared))


def write_archive(campaign_path: Path, reports: Path, target: Path | None, lock: Path | None) -> Path:
    """Write the last report of a campaign with its inputs into one zip and return its path.

    `reports` is the folder of all reports; the zip is by default `<id>-<date>[-rN].zip` here; `lock` is that of the
    environment, kept beside. CampaignError, DataError: there is no report of the present inputs, or it is not as it was issued.
    """
    campaign = load_campaign(campaign_path)
    inputs = made_from(campaign)["inputs"]
    home = reports.resolve() / campaign.about.id
    issued, _ = issued_reports(home)
    report = next((r for r in reversed(issued) if r["made_from"]["inputs"] == inputs), None)
    if report is None:
        raise DataError("there is no report of the present inputs.", file=home, remedy="Render the campaign first.")
    folder = home / report["folder"]
    before = next((text for text in damages(folder) if str(folder) in text), "")
    if before:
        raise DataError(f"the report is not as it was issued: {before}", file=folder, remedy="Render it again.")
    content = {f"{INPUTS}/{path}": campaign.folder / path for path in inputs}
    content |= {f"{REPORT}/{p.relative_to(folder).as_posix()}": p for p in folder.rglob("*") if p.is_file()}
    if lock is not None:
        content[LOCK] = lock
    previous, _ = publish.comparable_results(home, issued[: issued.index(report)])
    made = target or Path(f"{campaign.about.id}-{report['folder']}.zip")
    new = made.with_name(f".{made.name}.new")
    hashes: dict[str, str] = {}
    try:
        with zipfile.ZipFile(new, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as file:

            def add(name: str, data: bytes) -> None:
                entry = zipfile.ZipInfo(name, _DATE)
                entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
                file.writestr(entry, data)
                hashes[name] = sha256(data)

            for name in sorted(content):
                add(name, content[name].read_bytes())
            if previous is not None:
                add(BEFORE, previous)
            index = {"schema": 1, "campaign_file": campaign.file.name, "files": dict(hashes)}
            add(MANIFEST, (json.dumps(index, indent=1, sort_keys=True) + "\n").encode())
        if any(hashes[f"{INPUTS}/{path}"] != digest for path, digest in inputs.items()):
            raise OSError(0, "an input changed while it was read")
        new.replace(made)
    except OSError as error:
        new.unlink(missing_ok=True)
        raise MachineError(f"the archive cannot be written ({error.strerror}).", file=made) from None
    return made


def reproduce(archive: Path) -> tuple[list[str], list[Compared]]:
    """Make the report of an archive again; return what of the software is not as it was, and every file compared.

    The archive is data, and nothing in it is run. DataError: it is none that `write_archive` made, or not as it was written.
    """
    with tempfile.TemporaryDirectory(prefix="intake-report-", ignore_cleanup_errors=True) as scratch:
        index = _unpack(archive, Path(scratch))
        issued, inputs = Path(scratch, REPORT), Path(scratch, INPUTS)
        before = read_manifest(issued)
        campaign = load_campaign(inputs / index["campaign_file"])
        meta = publish.meta_of(campaign, before["date"], before["revision"])
        previous = Path(scratch, BEFORE).read_bytes() if BEFORE in index["files"] else None
        again = Path(scratch, "again")
        again.mkdir()
        publish.make_report(campaign, again, meta, previous, lambda _: None, False)
        made = again / REPORT
        names = {p.relative_to(made).as_posix() for p in made.rglob("*") if p.is_file()} | set(before["outputs"])
        compared = [_compare(name, issued, made) for name in sorted(names)]
        software = list(_software(before["made_from"], made_from(campaign)))
    return software, compared


def _unpack(archive: Path, folder: Path) -> dict[str, Any]:
    """Unpack an archive, every file as its hash says and none outside `folder`; return what it says of itself."""
    try:
        with zipfile.ZipFile(archive) as file:
            size = sum(entry.file_size for entry in file.infolist())  # no more than this is read of any
            if size > LARGEST or len(file.infolist()) > MOST_FILES:
                what = f"it would unpack to {size / 1e6:.0f} MB in {len(file.infolist())} files, more than an archive may hold."
                raise DataError(what, file=archive)
            index: dict[str, Any] = json.loads(file.read(MANIFEST))
            for name, digest in dict(index["files"]).items():
                parts = PurePosixPath(name).parts
                if ".." in parts or parts[0] not in (INPUTS, REPORT, LOCK, BEFORE):
                    raise DataError(f"“{name}” in it leads out of its folder.", file=archive)
                data = file.read(name)
                if sha256(data) != digest:
                    raise DataError(f"{name} in it is not as it was written.", file=archive)
                target = folder / name
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(data)
            if PurePosixPath(index["campaign_file"]).name != index["campaign_file"]:
                raise KeyError
    except DataError:
        raise
    except Exception:  # the boundary: what a stranger's file can make go wrong has many names
        raise DataError("this is no archive that intake-report wrote, or it is damaged.", file=archive) from None
    return index


def _software(before: dict[str, Any], after: dict[str, Any]) -> Iterator[str]:
    if before["source"] != after["source"]:
        yield "intake-report itself"
    for name in sorted({*before["packages"], *after["packages"]}):
        was, is_now = (one["packages"].get(name, "absent") for one in (before, after))
        if was != is_now:
            yield f"{name} {was} → {is_now}"


def _compare(name: str, issued: Path, made: Path) -> Compared:
    was, is_now = ((folder / name).read_bytes() if (folder / name).is_file() else None for folder in (issued, made))
    if was is None or is_now is None:
        return Compared(name, "added" if was is None else "missing")
    moved = moved_numbers(json.loads(was), json.loads(is_now)) if name == "results.json" else ()
    return Compared(name, "same") if was == is_now else Compared(name, "differs", tuple(moved))


def moved_numbers(was: Any, is_now: Any, path: str = "", half: float | None = None) -> Iterator[str]:
    """Yield where two documents differ; a number also by the share of the half width of the interval beside it."""
    if isinstance(was, dict) and isinstance(is_now, dict):
        low, high = was.get("low"), was.get("high")
        own = (high - low) / 2.0 if isinstance(low, float) and isinstance(high, float) else half
        for key in dict.fromkeys((*was, *is_now)):
            yield from moved_numbers(was.get(key), is_now.get(key), f"{path}.{key}" if path else key, own)
    elif isinstance(was, list) and isinstance(is_now, list) and len(was) == len(is_now):
        for number, (one, other) in enumerate(zip(was, is_now, strict=True), 1):
            # a row goes by what identifies it, else by its number
            ids = [one.get(key) for key in ("key", "id", "run", "configuration")] if isinstance(one, dict) else []
            name = ", ".join(str(id) for id in ids if id) or number
            yield from moved_numbers(one, other, f"{path}[{name}]", half)
    elif was != is_now and {type(was), type(is_now)} <= {int, float}:
        share = f", {abs(is_now - was) / half:.2g} of its uncertainty" if half else ""
        yield f"{path}: {was:g} → {is_now:g} (by {is_now - was:.2g}{share})"
    elif was != is_now:
        yield f"{path}: {json.dumps(was, ensure_ascii=False):.60} → {json.dumps(is_now, ensure_ascii=False):.60}"
