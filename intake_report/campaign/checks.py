"""Checks across the tables of a campaign file: ids, references, files, channels and units."""

from __future__ import annotations

import difflib
import hashlib
import itertools
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from intake_report.campaign.fields import Measured
from intake_report.campaign.model import Campaign
from intake_report.campaign.photo import read_photo
from intake_report.channels import channel
from intake_report.errors import CampaignError, DataError, nearest
from intake_report.units import conversion

_MOST_SEARCHED = 5000  # files looked at for a suggestion, so that a mistake is said at once in any folder


NO_RUN = "run"
"""Place of the mistake that a campaign has no run yet, which a plan can do without."""


def cross_checks(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    """Yield what no single table can know.

    Parameters
    ----------
    campaign : Campaign
        Valid by its tables; its folder is known.
    file : Path
        The campaign file as the user named it.
    """
    if not campaign.runs:
        remedy = "Add a [[run]]; intake-report plan says which."
        yield CampaignError("at least one is needed.", file=file, where=NO_RUN, remedy=remedy)
    yield from _duplicates(campaign, file)
    yield from _phases(campaign, file)
    yield from _references(campaign, file)
    yield from _files(campaign, file)
    yield from _mappings(campaign, file)
    yield from _quantities(campaign, file)


def _duplicates(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    lists = {
        "configuration": [c.id for c in campaign.configurations],
        "configuration.name": [c.name for c in campaign.configurations],
        "run": [r.id for r in campaign.runs],
        "weather": [w.id for w in campaign.weather],
        "soak_check": [s.id for s in campaign.soak_checks],
        "claim": [c.id for c in campaign.claims],
        "pull": [p.id for p in campaign.pulls],
        "route.phase": [p.id for p in campaign.route.phases],
    }
    for key, ids in lists.items():
        for id, count in Counter(ids).items():
            if count > 1:
                what = f"“{id}” is used {count} times."
                yield CampaignError(what, file=file, where=key, remedy="Give each its own id.")
    baselines = [c.id for c in campaign.configurations if c.role == "baseline"]
    if len(baselines) != 1:
        number = f"it has {len(baselines)} ({', '.join(baselines)})" if baselines else "it has none"
        yield CampaignError(
            f"a campaign needs exactly one configuration with role “baseline”; {number}.",
            file=file,
            where="configuration.role",
            remedy="Mark the one that the others are compared with; the rest are “candidate” or “reference”.",
        )


def _phases(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    phases = sorted(campaign.route.phases, key=lambda phase: phase.start)
    for first, second in itertools.pairwise(phases):
        if second.start < first.end:
            what = f"“{second.id}” begins at {second.start:g} m, before “{first.id}” ends at {first.end:g} m."
            yield CampaignError(what, file=file, where="route.phase", remedy="Phases must not overlap.")


def _references(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    configurations = [c.id for c in campaign.configurations]
    users: dict[str, tuple[Any, ...]] = {
        "run": campaign.runs, "claim": campaign.claims, "pull": campaign.pulls, "restriction": campaign.restrictions,
        "airflow": campaign.airflows, "exposure": campaign.exposures, "observation": campaign.observations,
    }  # fmt: skip
    named = [
        ("configuration", configurations, f"{table}[{i}].configuration", entry.configuration)
        for table, entries in users.items()
        for i, entry in enumerate(entries, 1)
    ]
    named += [
        ("configuration", configurations, f"airflow[{i}].versus", entry.versus or "")
        for i, entry in enumerate(campaign.airflows, 1)
    ]
    phases, runs = [p.id for p in campaign.route.phases], [r.id for r in campaign.runs]
    for i, claim in enumerate(campaign.claims, 1):
        named.append(("configuration", configurations, f"claim[{i}].versus", claim.versus or ""))
        named.append(("phase", phases, f"claim[{i}].phase", claim.phase or ""))
    sources = ["auto", "vehicle", *(w.id for w in campaign.weather)]
    named.append(("ambient reference", sources, "ambient.reference", campaign.ambient.reference))
    named += [("claim", [c.id for c in campaign.claims], f"plan.worth.{id}", id) for id in campaign.plan.worth]
    named.append(("run", runs, "route.reference_run", campaign.route.reference_run or ""))
    for what, known, key, id in named:
        if id and id not in known:
            remedy = nearest(id, known, "The campaign has:")
            yield CampaignError(f"there is no {what} “{id}”.", file=file, where=key, remedy=remedy)


# ---- files -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Named:
    key: str
    relative: str
    kind: str = "file"
    run: str = ""  # set for logs of runs that take part
    control: bool = False


def _files(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    """Yield what is wrong with the files that the campaign names: they are there, inside its folder, none counts twice."""
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
        elif named.kind == "photo":
            try:
                read_photo(path)
            except DataError as error:
                yield CampaignError(
                    f"“{named.relative}”: {error.what}", file=file, where=named.key, remedy=error.remedy
                )
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
    for i, check in enumerate(campaign.soak_checks, 1):
        if check.log and check.log.dbc:
            yield _Named(f"soak_check[{i}].log.dbc", check.log.dbc)
    for i, configuration in enumerate(campaign.configurations, 1):
        if configuration.photo:
            yield _Named(f"configuration[{i}].photo", configuration.photo, "photo")
    if campaign.log.dbc:
        yield _Named("log.dbc", campaign.log.dbc)
    if campaign.route.reference:
        yield _Named("route.reference", campaign.route.reference)
    if campaign.plan.issued:
        yield _Named("plan.issued", campaign.plan.issued)
    tables: tuple[tuple[str, tuple[Any, ...]], ...] = (
        ("weather", campaign.weather),
        ("soak_check", campaign.soak_checks),
        ("pull", campaign.pulls),
        ("restriction", campaign.restrictions),
    )
    for table, entries in tables:
        yield from (_Named(f"{table}[{i}].file", entry.file) for i, entry in enumerate(entries, 1) if entry.file)


def _nearest(folder: Path, relative: str) -> str:
    """Return the remedy: a path that can be pasted, in the same folder before others."""
    wanted = Path(relative.replace("\\", "/"))
    searched = itertools.islice((p for p in folder.rglob("*") if p.suffix != ".toml" and p.is_file()), _MOST_SEARCHED)
    files = sorted(p.relative_to(folder) for p in searched)
    beside = [p.as_posix() for p in files if p.parent == wanted.parent]
    near = difflib.get_close_matches(wanted.as_posix(), beside, n=1, cutoff=0.5)
    near = near or [p.as_posix() for p in files if p.name == wanted.name]
    names = {p.name: p.as_posix() for p in reversed(files)}
    near = near or [names[name] for name in difflib.get_close_matches(wanted.name, names, n=1, cutoff=0.8)]
    return f"Did you mean “{near[0]}”?" if near else "Check the name, or put the file there."


def _twice(logs: list[tuple[_Named, Path]], file: Path) -> Iterator[CampaignError]:
    """Yield logs that would count as two runs; one long log beside several runs may be the control of each."""
    by_size: dict[int, set[Path]] = defaultdict(set)
    for _, path in logs:
        by_size[path.stat().st_size].add(path)
    seen: dict[object, _Named] = {}
    for named, path in logs:
        keys: list[object] = [path]
        size = path.stat().st_size
        if size and len(by_size[size]) > 1:  # only files of one size can be the same
            keys.append(hashlib.sha256(path.read_bytes()).digest())
        first = next((seen[key] for key in keys if key in seen), None)
        if first is not None and not (first.control and named.control):
            what = _same(first, named)
            yield CampaignError(what, file=file, where=named.key, remedy="Name for each run its own log.")
        for key in keys:
            seen.setdefault(key, named)


def _same(first: _Named, second: _Named) -> str:
    who = [f"{'the control of ' if named.control else ''}run “{named.run}”" for named in (first, second)]
    if first.relative == second.relative:
        what = f"the log “{first.relative}” is named twice"
        return f"{what} in {who[0]}." if who[0] == who[1] else f"{what}, for {who[0]} and for {who[1]}."
    names = f"“{second.relative}” of {who[1]} and “{first.relative}” of {who[0]}"
    return f"{names} hold the same bytes: one drive would count as two."


# ---- channels and units ------------------------------------------------------------------------------------------


def split_target(text: str) -> tuple[str, str | None]:
    """Split "iat [degC]" into channel name and unit (None if no unit is given)."""
    name, _, rest = text.partition("[")
    unit = rest.rstrip().removesuffix("]").strip() if rest else None
    return name.strip(), unit


def _mappings(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    tables = [("log.columns", campaign.log.columns)]
    tables += [(f"run[{i}].log.columns", r.log.columns) for i, r in enumerate(campaign.runs, 1) if r.log]
    tables += [(f"soak_check[{i}].log.columns", s.log.columns) for i, s in enumerate(campaign.soak_checks, 1) if s.log]
    for key, columns in tables:
        for name, count in Counter(split_target(target)[0] for target in columns.values()).items():
            if count > 1:
                what = f"{count} columns are mapped to the channel “{name}”."
                yield CampaignError(what, file=file, where=key, remedy="Map one.")
        for header, target in columns.items():
            name, unit = split_target(target)
            try:
                quantity = channel(name).quantity
                if unit is not None:
                    conversion(unit, quantity)
            except DataError as error:
                yield CampaignError(error.what, file=file, where=f'{key}."{header}"', remedy=error.remedy)


def _quantities(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    for i, check in enumerate(campaign.soak_checks, 1):
        for name in check.readings:
            where = f"soak_check[{i}].readings.{name}"
            try:
                if channel(name).quantity != "temperature":
                    what = f"“{name}” is no temperature."
                    yield CampaignError(what, file=file, where=where, remedy="Leave it out.")
            except DataError as error:
                yield CampaignError(error.what, file=file, where=where, remedy=error.remedy)
    for name, entry in campaign.instrument.channels.items():
        where = f"instrument.channels.{name}"
        try:
            quantity = channel(name).quantity
        except DataError as error:
            yield CampaignError(error.what, file=file, where=where, remedy=error.remedy)
            continue
        quantity = "temperature_difference" if quantity == "temperature" else quantity
        for field in ("resolution", "accuracy"):
            text = getattr(entry, field)
            try:
                if text is not None:
                    Measured(quantity, above=0.0).parse(text)
            except ValueError as error:
                yield CampaignError(f"{error}", file=file, where=f"{where}.{field}")
