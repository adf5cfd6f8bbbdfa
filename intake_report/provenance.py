"""What a report was made from: hashes of the inputs, versions of the software."""

from __future__ import annotations

import hashlib
import platform
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from intake_report.campaign import Campaign

PACKAGES = (
    "intake-report", "numpy", "pandas", "scipy", "matplotlib", "pyarrow", "pint", "pydantic", "shapely", "pyproj", "metar",
    "papermill", "nbclient", "nbconvert", "ipykernel", "jupyterlab", "typst",
)  # fmt: skip


@dataclass(frozen=True)
class FileHash:
    """One file by its bytes."""

    path: str
    size: int
    sha256: str


def hash_file(path: Path, name: str) -> FileHash:
    """Return size and SHA-256 of a file under the name that the report uses."""
    data = path.read_bytes()
    return FileHash(name, len(data), hashlib.sha256(data).hexdigest())


def input_hashes(campaign: Campaign) -> tuple[FileHash, ...]:
    """Return the hash of the campaign file and of every input that it names, in sorted order."""
    own = FileHash(campaign.file.name, len(campaign.source), hashlib.sha256(campaign.source).hexdigest())
    return (own, *(hash_file(campaign.folder / path, path) for path in campaign.input_paths()))


def package_versions() -> dict[str, str]:
    """Return the versions of Python and of the packages that compute and render."""
    versions = {"Python": platform.python_version()}
    for name in PACKAGES:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:  # pragma: no cover - only without the package's metadata
            continue
    return versions


def repeat_command(campaign: Campaign, date: str) -> str:
    """Return the command that repeats a report, with the campaign as seen from the project's own folder.

    Where it lies elsewhere the path is left to be filled in: the whole path would differ from machine to machine, and
    with it the bytes of the report.
    """
    folder = campaign.folder.resolve()
    path = f"data/{folder.name}" if folder.parent.name == "data" else f"PATH/TO/{campaign.about.id}"
    return f"intake-report render {path} --date {date}"
