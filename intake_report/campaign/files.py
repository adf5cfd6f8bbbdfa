"""Checks of the files that a campaign names: they are there, inside its folder, and no log counts twice."""

from __future__ import annotations

import difflib
import hashlib
import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from intake_report.campaign.model import Campaign
from intake_report.errors import CampaignError

_MOST_SEARCHED = 5000  # files looked at for a suggestion, so that a mistake is said at once in any folder


@dataclass(frozen=True)
class _Named:
    key: str
    relative: str
    kind: str = "file"
    run: str = ""  # set for logs of runs that take part
    control: bool = False


def file_checks(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    """Yield what is wrong with the files that the campaign names."""
    folder = campaign.folder.resolve()
    logs: list[tuple[_Named, Path]] = []
    for named in _named(campaign):
        path = folder / named.relative
        if not path.resolve().is_relative_to(folder):
            what = f"“{named.relative}” leads out of the campaign folder."
            yield CampaignError(what, file=file, where=named.key, remedy="Copy the file into the folder.")
        elif path.is_dir():
            inside = "name the log files inside it" if named.kind == "log" else "name the file inside it"
            yield CampaignError(f"“{named.relative}” is a folder; {inside}.", file=file, where=named.key)
        elif not path.is_file():
            what = f"the file “{named.relative}” does not exist."
            error = CampaignError(what, file=file, where=named.key, remedy=_nearest(folder, named.relative))
            error.absent = named.relative
            yield error
        elif named.run:
            logs.append((named, path.resolve()))
    yield from _twice(logs, file)


def _named(campaign: Campaign) -> Iterator[_Named]:
    for i, run in enumerate(campaign.runs, 1):
        counted = "" if run.exclude else run.id
        for j, name in enumerate(run.files, 1):
            yield _Named(f"run[{i}].files[{j}]", name, "log", counted)
        for j, name in enumerate(run.control, 1):
            yield _Named(f"run[{i}].control[{j}]", name, "log", counted, control=True)
        if run.log and run.log.dbc:
            yield _Named(f"run[{i}].log.dbc", run.log.dbc)
    if campaign.log.dbc:
        yield _Named("log.dbc", campaign.log.dbc)
    if campaign.route.reference:
        yield _Named("route.reference", campaign.route.reference)
    yield from (_Named(f"weather[{i}].file", w.file) for i, w in enumerate(campaign.weather, 1) if w.file)
    yield from (_Named(f"pull[{i}].file", p.file) for i, p in enumerate(campaign.pulls, 1))
    yield from (_Named(f"restriction[{i}].file", r.file) for i, r in enumerate(campaign.restrictions, 1) if r.file)


def _nearest(folder: Path, relative: str) -> str:
    """Return the remedy: a path that can be pasted, in the same folder before others."""
    wanted = Path(relative.replace("\\", "/"))
    found = itertools.islice((p for p in folder.rglob("*") if p.suffix != ".toml" and p.is_file()), _MOST_SEARCHED)
    files = sorted(p.relative_to(folder) for p in found)
    beside = [p.as_posix() for p in files if p.parent == wanted.parent]
    near = difflib.get_close_matches(wanted.as_posix(), beside, n=1, cutoff=0.5)
    near = near or [p.as_posix() for p in files if p.name == wanted.name]
    names = {p.name: p.as_posix() for p in reversed(files)}
    near = near or [names[name] for name in difflib.get_close_matches(wanted.name, names, n=1, cutoff=0.8)]
    return f"Did you mean “{near[0]}”?" if near else "Check the name, or put the file there."


def _twice(logs: list[tuple[_Named, Path]], file: Path) -> Iterator[CampaignError]:
    """Yield logs that would count as two runs; one long log beside several runs may be the control of each."""
    seen: dict[object, _Named] = {}
    sizes: dict[int, int] = {}
    for path in {path for _, path in logs}:
        size = path.stat().st_size
        sizes[size] = sizes.get(size, 0) + 1
    for named, path in logs:
        size = path.stat().st_size
        keys: list[object] = [path]
        if size and sizes[size] > 1:  # only files of one size can be the same
            keys.append(hashlib.sha256(path.read_bytes()).digest())
        first = next((seen[key] for key in keys if key in seen), None)
        if first is not None and not (first.control and named.control):
            yield CampaignError(_same(first, named), file=file, where=named.key, remedy=_REMEDY)
        for key in keys:
            seen.setdefault(key, named)


_REMEDY = "Name for each run its own log."


def _same(first: _Named, second: _Named) -> str:
    who = [f"{'the control of ' if named.control else ''}run “{named.run}”" for named in (first, second)]
    if first.relative == second.relative:
        what = f"the log “{first.relative}” is named twice"
        return f"{what} in {who[0]}." if who[0] == who[1] else f"{what}, for {who[0]} and for {who[1]}."
    return (
        f"“{second.relative}” of {who[1]} and “{first.relative}” of {who[0]} hold the same bytes: one drive would count "
        "as two."
    )
