"""What a report was made from, by hash and version, and whether an issued report is still what was issued."""

import hashlib
import json
import platform
import re
from collections.abc import Iterator
from contextlib import suppress
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

import intake_report
from intake_report.campaign import Campaign
from intake_report.errors import DataError

MANIFEST = "manifest.json"
EXTRACT = "-customer"  # ends the name of the folder of a customer edition
TEMPLATE = "campaign_report.ipynb"
SOURCE_SUFFIXES = (".py", ".ipynb", ".j2", ".css", ".typ", ".json", ".js")  # of the package's own files


def sha256(data: bytes) -> str:
    """Return the SHA-256 of `data` in hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal digits."""
    return sha256(path.read_bytes())


def write_whole(file: Path, data: bytes) -> None:
    """Write a file in one move: it is there as a whole or as it was before."""
    new = file.with_name(f".{file.name.lstrip('.')}.new")
    try:
        new.write_bytes(data)
        new.replace(file)
    except BaseException:
        new.unlink(missing_ok=True)
        raise


def input_hashes(campaign: Campaign) -> list[dict[str, Any]]:
    """Return `path`, `size` [byte] and `sha256` of the campaign file and of every input that it names, in sorted order."""
    files = {campaign.file.name: campaign.source}
    files |= {path: (campaign.folder / path).read_bytes() for path in campaign.input_paths()}
    return [{"path": path, "size": len(data), "sha256": sha256(data)} for path, data in files.items()]


@cache
def package_versions() -> dict[str, str]:
    """Return the versions of Python and of every installed distribution."""
    distributions = sorted({(item.name.lower(), item.version) for item in metadata.distributions() if item.name})
    return {"Python": platform.python_version(), **dict(distributions)}


def main_versions() -> dict[str, str]:
    """Return the versions of Python, of this package and of what it asks for by itself: those that a reader is told."""
    own = [text for text in metadata.requires("intake-report") or () if "extra" not in text]
    asked = {"intake-report", *(re.split(r"[^A-Za-z0-9._-]", text)[0].lower() for text in own)}
    found = {"Python": platform.python_version()}
    for name in sorted(asked):
        with suppress(metadata.PackageNotFoundError):
            found[name] = metadata.version(name)
    return found


def template_path() -> Path:
    """Return the report template, which the source tree has by a link."""
    return Path(intake_report.__file__).parent / "template" / TEMPLATE


@cache
def source_hash() -> str:
    """Return one SHA-256 over the package's own files: code, the notebook template, the templates of the exporters."""
    package = Path(intake_report.__file__).parent
    files = [path for path in package.rglob("*") if path.suffix in SOURCE_SUFFIXES and "__pycache__" not in path.parts]
    hashes = {path.relative_to(package).as_posix(): hash_file(path) for path in (*files, template_path())}
    return sha256("\n".join(f"{name} {digest}" for name, digest in sorted(hashes.items())).encode())


def made_from(campaign: Campaign) -> dict[str, Any]:
    """Return what decides the content of a report: inputs and software, by hash and version."""
    inputs = {item["path"]: item["sha256"] for item in input_hashes(campaign)}
    return {"inputs": inputs, "source": source_hash(), "packages": package_versions()}


def repeat_command(campaign: Campaign, date: str) -> str:
    """Return the command that repeats a report; where the campaign lies differs from machine to machine."""
    return f"intake-report render PATH/TO/{campaign.about.id} --date {date}"


def read_manifest(folder: Path) -> dict[str, Any]:
    """Return the manifest of a report with the name of its folder and its own hash; DataError if it is not one."""
    path = folder / MANIFEST
    try:
        data = path.read_bytes()
        manifest = json.loads(data)
        checked = {"date": str(manifest["date"]), "revision": int(manifest["revision"]), "folder": folder.name}
        checked |= {key: dict(manifest[key]) for key in ("made_from", "outputs")}
        return {**manifest, **checked, "sha256": sha256(data)}
    except (OSError, ValueError, TypeError, KeyError):
        raise DataError("the manifest of a report is damaged.", file=path, remedy="Restore it from a copy.") from None


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


def last_revision(home: Path, date: str) -> int:
    """Return the last revision of one date of which there is a folder, damaged or not; 0 for none."""
    names = [folder.name for folder in home.glob(f"{date}*/") if not folder.name.endswith(EXTRACT)]
    numbers = [name.partition("-r")[2] for name in names]
    return max((int(number) if number.isdigit() else 1 for number in numbers), default=0)


def folder_of(home: Path, date: str, revision: int) -> Path:
    """Return the folder of a revision: "2026-07-31", "2026-07-31-r2"."""
    return home / (date if revision == 1 else f"{date}-r{revision}")


def report_folders(top: Path) -> list[Path]:
    """Return the folders of the reports at or below `top`, those that are being made left out."""
    found = (path.parent for path in sorted(top.rglob(MANIFEST)))
    return [folder for folder in found if not any(part.startswith(".") for part in folder.relative_to(top).parts)]


def damages(folder: Path) -> Iterator[str]:
    """Tell in one sentence each what of an issued report is not as it was; one that it followed is looked for beside it."""
    try:
        manifest = read_manifest(folder)
    except DataError as error:
        yield str(error)
        return
    there = {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if p.is_file() and p.name != MANIFEST}
    for name, digest in manifest["outputs"].items():
        if name not in there:
            yield f"{folder / name}: the file is missing."
        elif hash_file(there[name]) != digest:
            yield f"{folder / name}: the file was changed after it was issued."
    for name in sorted(set(there) - set(manifest["outputs"])):
        yield f"{folder / name}: the file was added after the report was issued."
    for key, role, words in (("extract_of", "full report", "that this extract was made of"),
                             ("predecessor", "report before", "that this report followed")):  # fmt: skip
        if not (other := manifest.get(key)):
            continue
        path = folder.parent / other["folder"] / MANIFEST
        if path.is_file() and hash_file(path) != other["manifest"]:
            yield f"{path}: the manifest of the {role} is not the one {words}."
        elif key == "predecessor" and not path.is_file():  # an extract is sent without its full report
            yield f"{path}: the manifest of the report before is missing."
