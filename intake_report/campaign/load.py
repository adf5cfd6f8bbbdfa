"""A campaign file read, varied and checked across its tables; all mistakes at once, each with key and way out."""

import copy
import difflib
import hashlib
import itertools
import sys
import tomllib
import warnings
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple, get_origin

from PIL import Image, ImageOps, UnidentifiedImageError
from pydantic import ValidationError

from intake_report import CAMPAIGN_FILE
from intake_report.campaign.keys import Location, key_of, mistakes, shown_value
from intake_report.campaign.model import Campaign, NamedFile
from intake_report.campaign.sections import WithUnit
from intake_report.channels import CHANNELS, mapped_channel
from intake_report.errors import CampaignError, CampaignErrors, DataError, nearest, visible

NO_RUN = "run"  # place of the mistake that a campaign has no run yet, which a plan can do without
_LISTS = {key for key, field in Campaign.by_key().items() if get_origin(field.annotation) is tuple}
_MOST_SEARCHED = 5000  # files looked at for a suggestion, so that a mistake is said at once in any folder
LARGEST_FILE = 20_000_000  # bytes; beyond what cameras write as JPEG
MOST_PIXELS = 100_000_000  # a small file may unpack to more than memory holds
PRINTED = 900  # pixels along the longer side; 300 dpi at a third of the text width, common practice in print


def load_campaign(path: Path | str, check: Callable[[Campaign], Iterable[CampaignError]] | None = None) -> Campaign:
    """Read and validate a campaign file, or that of a folder; `check` may find further errors, said with the others.

    CampaignError: the file is absent, is not TOML, or breaks a rule; `CampaignErrors` holds all mistakes at once.
    """
    campaign = read_campaign(path)
    errors = list(cross_checks(campaign, campaign.given))
    if check is not None:
        known = {str(error.where).partition(".")[0] for error in errors}  # of one table the first mistakes are said
        errors += [error for error in check(campaign) if str(error.where).partition(".")[0] not in known]
    refuse(errors)
    return campaign


def read_campaign(path: Path | str) -> Campaign:
    """Read a campaign by the rules of each table alone; see `load_campaign`."""
    file = Path(path)
    file = file / CAMPAIGN_FILE if file.is_dir() else file
    if not file.is_file():
        remedy = f"Name a folder with a {CAMPAIGN_FILE}, or the file itself."
        raise CampaignError("there is no campaign file here.", file=file, remedy=remedy)
    source = file.read_bytes()
    data = parse_toml(source, file)
    refuse(_hidden_signs(data, (), file))
    campaign = validate(data, file)
    campaign._file, campaign._source, campaign._given = file.resolve(), source, file
    return campaign


def validate(data: dict[str, Any], file: Path) -> Campaign:
    """Return the tables of a campaign file as the model; `file` is said in errors."""
    try:
        return Campaign.model_validate(data)
    except ValidationError as failure:
        errors = mistakes(failure.errors(include_url=False), file)
    raise errors[0] if len(errors) == 1 else CampaignErrors(errors)


def refuse(errors: Iterable[CampaignError]) -> None:
    """Raise the errors, if there are any: one as it is, several as `CampaignErrors`."""
    several = tuple(errors)
    if several:
        raise several[0] if len(several) == 1 else CampaignErrors(several)


def vary(campaign: Campaign, changes: Mapping[str, object]) -> Campaign:
    """Return the campaign with some of its keys changed for an experiment, validated as the file is.

    `changes`: path of a key -> its value as in the file; None removes it, a table under a new id adds an entry:
    ``{"metrics.recovery_margins": ["2 K"], "run.day1-stock.exclude": "road works", "claim.peak": None}``. The report
    says what was changed. CampaignError: a path leads nowhere, or the changed campaign breaks a rule.
    """
    data = copy.deepcopy(dict(campaign.varied[1])) if campaign.varied else parse_toml(campaign.source, campaign.given)
    for path, value in changes.items():
        _set(data, path, value, campaign)
    varied = validate(data, campaign.given)
    paths = dict.fromkeys((*(campaign.varied[0] if campaign.varied else ()), *changes))
    varied._file, varied._source, varied._given = campaign._file, campaign._source, campaign._given
    varied._varied = (tuple(paths), data)
    refuse(cross_checks(varied, varied.given))
    return varied


def _set(data: dict[str, Any], path: str, value: object, campaign: Campaign) -> None:
    *above, last = path.split(".")
    place: Any = data
    for depth, part in enumerate(above):
        if isinstance(place, list):
            place = place[_index(place, part, path, campaign)]
        elif isinstance(place, dict):
            place = place.setdefault(part, [] if depth == 0 and part in _LISTS else {})
    if isinstance(place, dict):
        place.pop(last, None)
        if value is not None:
            place[last] = value
    elif isinstance(place, list) and isinstance(value, Mapping) and all(isinstance(entry, dict) for entry in place):
        new = all(entry.get("id") != last for entry in place)
        at = len(place) if new else _index(place, last, path, campaign)
        place[at : at + 1] = [{**value, "id": last}]
    elif isinstance(place, list) and value is None:
        del place[_index(place, last, path, campaign)]
    else:
        what = "only a key of a table can be changed, and an entry of a list be replaced by a table or removed by None."
        raise CampaignError(what, file=campaign.given, where=path, remedy="Write the path down to the key.")


def _index(entries: list[Any], id: str, path: str, campaign: Campaign) -> int:
    """Return the place of the entry with this id; an entry without one goes by its number, from 1."""
    ids = [str(entry.get("id", n) if isinstance(entry, dict) else n) for n, entry in enumerate(entries, 1)]
    if id not in ids:
        remedy = nearest(id, ids, "There is:")
        raise CampaignError(f"there is no entry “{id}”.", file=campaign.given, where=path, remedy=remedy)
    return ids.index(id)


def parse_toml(source: bytes, file: Path) -> dict[str, Any]:
    """Return the tables of a campaign file's text; `file` is said in errors."""
    try:
        return tomllib.loads(source.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = source[: error.start].count(b"\n") + 1
        what = "the file is not UTF-8 text."
        raise CampaignError(what, file=file, where=f"line {line}", remedy="Save it as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise CampaignError(f"not valid TOML: {error}.", file=file, remedy="Correct the file at that place.") from None
    except RecursionError:
        what = "brackets are nested too deep."
        raise CampaignError(what, file=file, remedy="A campaign needs three levels.") from None
    except ValueError:  # of int()
        what = f"a number in it is longer than {sys.get_int_max_str_digits()} digits."
        raise CampaignError(what, file=file, remedy="Correct the number.") from None


def _hidden_signs(value: object, location: Location, file: Path) -> Iterator[CampaignError]:
    """Yield texts with signs that nobody sees, or that make another text of what is seen (overrides of direction)."""
    if isinstance(value, dict):
        for key, inner in value.items():
            seen = visible(key) == key
            yield from _hidden_signs(inner, (*location, key), file) if seen else _hidden_signs(key, location, file)
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from _hidden_signs(inner, (*location, number), file)
    elif isinstance(value, str) and visible(value) != value:
        what = f"{shown_value(visible(value))} holds a sign that cannot be seen."
        yield CampaignError(what, file=file, where=key_of(location), remedy="Write it without.")


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
    for check in (_entries, _references, _files, _channels, _instruments):
        for mistake in check(campaign):
            error = CampaignError(mistake.what, file=file, where=mistake.where, remedy=mistake.remedy)
            error.absent = mistake.absent
            yield error


def _entries(campaign: Campaign) -> Iterator[_Mistake]:
    """Yield ids that stand twice, a baseline too many or too few, phases that overlap."""
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
    sizes = Counter(path.stat().st_size for path in {path for _, path in logs})
    seen: dict[Path | bytes, NamedFile] = {}
    for named, path in logs:
        same = sizes[path.stat().st_size] > 1 and path.stat().st_size > 0  # only files of one size can be the same
        first = seen.setdefault(hashlib.sha256(path.read_bytes()).digest() if same else path, named)
        if first is not named and not (first.control and named.control):  # one may be the control of several runs
            who = [f"“{log.relative}” of {'the control of ' * log.control}run “{log.run}”" for log in (first, named)]
            what = f"{who[1]} is the same as {who[0]}: one drive would count as two."
            yield _Mistake(named.key, what, "Name for each run its own log.")


def read_photo(path: Path) -> Image.Image:
    """Return a photograph as it is printed, in RGB. DataError: too large, no PNG or JPEG, or ends early."""

    def too_large(what: str) -> DataError:
        return DataError(f"the photograph has {what}.", remedy="Save it smaller.")

    size, pixels = path.stat().st_size, MOST_PIXELS / 1e6
    if size > LARGEST_FILE:
        raise too_large(f"{size / 1e6:.0f} MB, and {LARGEST_FILE / 1e6:.0f} MB is the limit")
    try:
        with warnings.catch_warnings(), path.open("rb") as file:
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # judged here
            photo = Image.open(file, formats=("PNG", "JPEG"))
            if photo.width * photo.height > MOST_PIXELS:
                raise too_large(f"{photo.width} × {photo.height} pixels, and {pixels:.0f} million is the limit")
            photo.load()
    except Image.DecompressionBombError:
        raise too_large(f"more than the {pixels:.0f} million pixels that are the limit") from None
    except (OSError, ValueError, SyntaxError) as error:
        why = "is no PNG or JPEG" if isinstance(error, UnidentifiedImageError) else "is damaged or ends early"
        raise DataError(f"the photograph {why}.", remedy="Save it as PNG or JPEG.") from None
    upright = ImageOps.exif_transpose(photo).convert("RGBA")
    plain = Image.alpha_composite(Image.new("RGBA", upright.size, "white"), upright).convert("RGB")
    plain.thumbnail((PRINTED, PRINTED))
    return plain


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


def _channels(campaign: Campaign) -> Iterator[_Mistake]:
    """Yield what is wrong with the channels that are named, and with their units."""
    logs = {f"{key}.log": getattr(entry, "log", None) for key, entry in campaign.entries().items()}
    tables = [(f"{key}.columns", log.columns) for key, log in {"log": campaign.log, **logs}.items() if log]
    named = [(f'{key}."{header}"', target) for key, columns in tables for header, target in columns.items()]
    named += [(f"instrument.channels.{name}", name) for name in campaign.instrument.channels]
    read = [(f"soak_check[{i}].readings.{n}", n) for i, s in enumerate(campaign.soak_checks, 1) for n in s.readings]
    for key, columns in tables:
        for name, count in Counter(target.partition("[")[0].strip() for target in columns.values()).items():
            if count > 1:
                yield _Mistake(key, f"{count} columns are mapped to the channel “{name}”.", "Map one.")
    for where, target in (*named, *read):
        try:
            entry, _ = mapped_channel(target)
        except DataError as error:
            yield _Mistake(where, error.what, error.remedy)
        else:
            if entry.quantity != "temperature" and (where, target) in read:
                yield _Mistake(where, f"“{entry.name}” is no temperature.", "Leave it out.")


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
