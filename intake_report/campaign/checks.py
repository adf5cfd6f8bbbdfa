"""Checks across the tables of a campaign file: ids, references, files, channels and units."""

import difflib
import hashlib
import itertools
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from intake_report.campaign.fields import WithUnit, read_photo
from intake_report.campaign.model import Campaign, NamedFile
from intake_report.channels import CHANNELS, channel
from intake_report.errors import CampaignError, DataError, nearest
from intake_report.units import conversion

_MOST_SEARCHED = 5000  # files looked at for a suggestion, so that a mistake is said at once in any folder

NO_RUN = "run"
"""Place of the mistake that a campaign has no run yet, which a plan can do without."""


class _Mistake(NamedTuple):
    """A mistake of the campaign file: its key, a sentence, the way out, and the file that is not there."""

    where: str
    what: str
    remedy: str | None = None
    absent: str = ""


def cross_checks(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    """Yield what no single table of a campaign, valid by its tables, can know; `file` as the user named it."""
    if not campaign.runs:
        remedy = "Add a [[run]]; intake-report plan says which."
        yield CampaignError("at least one is needed.", file=file, where=NO_RUN, remedy=remedy)
    for check in (_duplicates, _phases, _references, _files, _channels, _instruments):
        for mistake in check(campaign):
            error = CampaignError(mistake.what, file=file, where=mistake.where, remedy=mistake.remedy)
            error.absent = mistake.absent
            yield error


def _duplicates(campaign: Campaign) -> Iterator[_Mistake]:
    ids = [(key.partition("[")[0], entry.id) for key, entry in campaign.entries().items() if hasattr(entry, "id")]
    ids += [("configuration.name", c.name) for c in campaign.configurations]
    ids += [("route.phase", p.id) for p in campaign.route.phases]
    for (key, id), count in Counter(ids).items():
        if count > 1:
            yield _Mistake(key, f"“{id}” is used {count} times.", "Give each its own id.")
    baselines = [c.id for c in campaign.configurations if c.role == "baseline"]
    if len(baselines) != 1:
        number = f"it has {len(baselines)} ({', '.join(baselines)})" if baselines else "it has none"
        what = f"a campaign needs exactly one configuration with role “baseline”; {number}."
        remedy = "Mark the one that the others are compared with; the rest are “candidate” or “reference”."
        yield _Mistake("configuration.role", what, remedy)


def _phases(campaign: Campaign) -> Iterator[_Mistake]:
    for first, second in itertools.pairwise(sorted(campaign.route.phases, key=lambda phase: phase.start)):
        if second.start < first.end:
            what = f"“{second.id}” begins at {second.start:g} m, before “{first.id}” ends at {first.end:g} m."
            yield _Mistake("route.phase", what, "Phases must not overlap.")


def _references(campaign: Campaign) -> Iterator[_Mistake]:
    known = {
        "configuration": [c.id for c in campaign.configurations],
        "phase": [p.id for p in campaign.route.phases],
        "ambient reference": ["auto", "vehicle", *(w.id for w in campaign.weather)],
        "claim": [c.id for c in campaign.claims],
        "run": [r.id for r in campaign.runs],
    }
    fields = (("configuration", "configuration"), ("versus", "configuration"), ("phase", "phase"))
    entries = campaign.entries().items()
    named = [
        *((kind, f"{key}.{field}", getattr(entry, field, None)) for field, kind in fields for key, entry in entries),
        ("ambient reference", "ambient.reference", campaign.ambient.reference),
        *(("claim", f"plan.worth.{id}", id) for id in campaign.plan.worth),
        ("run", "route.reference_run", campaign.route.reference_run),
        ("run", "common_drive.run", campaign.common_drive and campaign.common_drive.run),
    ]
    for kind, key, id in named:
        if id and id not in known[kind]:
            yield _Mistake(key, f"there is no {kind} “{id}”.", nearest(id, known[kind], "The campaign has:"))


def _files(campaign: Campaign) -> Iterator[_Mistake]:
    """Yield what is wrong with the files that the campaign names: they are there, inside its folder, none counts twice."""
    folder = campaign.folder.resolve()
    logs: list[tuple[NamedFile, Path]] = []
    for named in campaign.named_files():
        path, key, quoted = folder / named.relative, named.key, f"“{named.relative}”"
        if not path.resolve().is_relative_to(folder):
            yield _Mistake(key, f"{quoted} leads out of the campaign folder.", "Copy the file into the folder.")
        elif path.is_dir():
            inside = "name the log files inside it" if named.kind == "log" else "name the file inside it"
            yield _Mistake(key, f"{quoted} is a folder; {inside}.")
        elif not path.is_file():
            remedy = _nearest(folder, named.relative)
            yield _Mistake(key, f"the file {quoted} does not exist.", remedy, absent=named.relative)
        elif named.kind == "photo":
            try:
                read_photo(path)
            except DataError as error:
                yield _Mistake(key, f"{quoted}: {error.what}", error.remedy)
        elif named.run:
            logs.append((named, path.resolve()))
    yield from _twice(logs)


def _nearest(folder: Path, relative: str) -> str:
    """Return the remedy: a path that can be pasted, in the same folder before others."""
    wanted = Path(relative.replace("\\", "/"))
    files = [p for p in itertools.islice(folder.rglob("*"), _MOST_SEARCHED) if p.suffix != ".toml" and p.is_file()]
    paths = sorted(p.relative_to(folder) for p in files)
    beside = [p.as_posix() for p in paths if p.parent == wanted.parent]
    names = {p.name: p.as_posix() for p in reversed(paths)}
    near = difflib.get_close_matches(wanted.as_posix(), beside, n=1, cutoff=0.5)
    near = near or [names[name] for name in difflib.get_close_matches(wanted.name, names, n=1, cutoff=0.8)]
    return f"Did you mean “{near[0]}”?" if near else "Check the name, or put the file there."


def _twice(logs: list[tuple[NamedFile, Path]]) -> Iterator[_Mistake]:
    """Yield logs that would count as two runs; one long log beside several runs may be the control of each."""
    sizes = Counter(path.stat().st_size for path in {path for _, path in logs})
    seen: dict[Path | bytes, NamedFile] = {}
    for named, path in logs:
        size = path.stat().st_size
        same = size > 0 and sizes[size] > 1  # only files of one size can be the same
        first = seen.setdefault(hashlib.sha256(path.read_bytes()).digest() if same else path, named)
        if first is not named and not (first.control and named.control):
            who = [f"“{log.relative}” of {'the control of ' * log.control}run “{log.run}”" for log in (first, named)]
            what = f"{who[1]} is the same as {who[0]}: one drive would count as two."
            yield _Mistake(named.key, what, "Name for each run its own log.")


def _channels(campaign: Campaign) -> Iterator[_Mistake]:
    """Yield what is wrong with the channels that are named, and with their units."""
    logs = {f"{key}.log": getattr(entry, "log", None) for key, entry in campaign.entries().items()}
    tables = [(f"{key}.columns", log.columns) for key, log in {"log": campaign.log, **logs}.items() if log]
    named = [(f'{key}."{header}"', *_split(target)) for key, columns in tables for header, target in columns.items()]
    named += [(f"instrument.channels.{name}", name, None) for name in campaign.instrument.channels]
    read = [
        (f"soak_check[{i}].readings.{n}", n, None) for i, s in enumerate(campaign.soak_checks, 1) for n in s.readings
    ]
    for key, columns in tables:
        for name, count in Counter(_split(target)[0] for target in columns.values()).items():
            if count > 1:
                yield _Mistake(key, f"{count} columns are mapped to the channel “{name}”.", "Map one.")
    for where, name, unit in (*named, *read):
        try:
            quantity = channel(name).quantity
            if unit is not None:
                conversion(unit, quantity)
        except DataError as error:
            yield _Mistake(where, error.what, error.remedy)
        else:
            if quantity != "temperature" and (where, name, unit) in read:
                yield _Mistake(where, f"“{name}” is no temperature.", "Leave it out.")


def _split(text: str) -> tuple[str, str | None]:
    """Split "iat [degC]" into channel name and unit (None if no unit is given)."""
    name, _, rest = text.partition("[")
    return name.strip(), rest.rstrip().removesuffix("]").strip() if rest else None


def _instruments(campaign: Campaign) -> Iterator[_Mistake]:
    for name in campaign.instrument.channels.keys() & CHANNELS.keys():
        quantity = CHANNELS[name].quantity
        form = WithUnit("temperature_difference" if quantity == "temperature" else quantity, above=0.0)
        for field in ("resolution", "accuracy"):
            text = getattr(campaign.instrument.channels[name], field)
            try:
                if text is not None:
                    form.parse(text)
            except ValueError as error:
                yield _Mistake(f"instrument.channels.{name}.{field}", f"{error}")
