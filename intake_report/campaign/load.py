"""Read a campaign file: every mistake found is reported at once, in sentences of our own, each with key and way out."""

import copy
import difflib
import json
import re
import sys
import tomllib
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from intake_report import CAMPAIGN_FILE
from intake_report.campaign.checks import cross_checks
from intake_report.campaign.fields import parts_of
from intake_report.campaign.model import Campaign
from intake_report.channels import CHANNELS
from intake_report.errors import CampaignError, CampaignErrors, nearest, visible
from intake_report.units import QUANTITIES

LONGEST_SHOWN = 60  # signs of a value that a sentence can hold
_UNION_MEMBERS = frozenset({"Limit", "str", "int", "float", "bool"})

Location = tuple[int | str, ...]


def load_campaign(path: Path | str, check: Callable[[Campaign], Iterable[CampaignError]] | None = None) -> Campaign:
    """Read and validate a campaign; all its quantities are in internal units.

    `path`: the campaign file, or the folder that holds a `campaign.toml`; `check`: further check of the campaign, by what
    this package does not know, whose errors are reported with the others. Raises CampaignError: if the file is absent, is
    not TOML, or breaks a rule; `CampaignErrors` holds all mistakes at once.
    """
    campaign = read_campaign(path)
    errors = list(cross_checks(campaign, campaign.given))
    if check is not None:
        known = {_table(error) for error in errors}  # one mistake is said once
        errors += [error for error in check(campaign) if _table(error) not in known]
    refuse(errors)
    return campaign


def read_campaign(path: Path | str) -> Campaign:
    """Read a campaign by the rules of each table alone; see `load_campaign`."""
    file = Path(path)
    if file.is_dir():
        file = file / CAMPAIGN_FILE
    if not file.is_file():
        remedy = f"Name a folder with a {CAMPAIGN_FILE}, or the file itself."
        raise CampaignError("there is no campaign file here.", file=file, remedy=remedy)
    source = file.read_bytes()
    data = parse_toml(source, file)
    refuse(_hidden_signs(data, (), file))
    campaign = validate(data, file)
    campaign._file = file.resolve()
    campaign._source = source
    campaign._given = file
    return campaign


def validate(data: dict[str, Any], file: Path) -> Campaign:
    """Return the tables of a campaign file as the model; `file` is said in errors."""
    try:
        return Campaign.model_validate(data)
    except ValidationError as failure:
        errors = _mistakes(failure.errors(include_url=False), file)
    raise errors[0] if len(errors) == 1 else CampaignErrors(errors)


def refuse(errors: Iterable[CampaignError]) -> None:
    """Raise the errors, if there are any: one as it is, several as `CampaignErrors`."""
    several = tuple(errors)
    if several:
        raise several[0] if len(several) == 1 else CampaignErrors(several)


def _table(error: CampaignError) -> str:
    return (error.where or "").partition(".")[0]


_LISTS = {f.alias or name for name, f in Campaign.model_fields.items() if typing.get_origin(f.annotation) is tuple}


def vary(campaign: Campaign, changes: Mapping[str, object]) -> Campaign:
    """Return the campaign with some of its keys changed for an experiment, validated as the file is.

    `changes` maps the path of a key to its value as the file would hold it ("3 degF", a list, a table); None removes it.
    A path is written with dots, and an entry of a list by its id: ``{"metrics.recovery_margins": ["2 K"],
    "run.day1-stock.exclude": "road works", "claim.peak": None}``. An id that does not exist yet, with a table as value,
    adds the entry. The report of the varied campaign says what was changed (`Campaign.varied`).

    Raises CampaignError: if a path leads nowhere or the changed campaign breaks a rule; `CampaignErrors` holds all
    mistakes at once.
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
        what = f"{_shown(visible(value))} holds a sign that cannot be seen."
        yield CampaignError(what, file=file, where=_key(location), remedy="Write it without.")


# ---- what the validator found, in sentences ----------------------------------------------------------------------


def _mistakes(failures: Sequence[Any], file: Path) -> tuple[CampaignError, ...]:
    """Return one error per mistake, from the errors of pydantic."""
    found = [(_place(failure["loc"]), failure) for failure in failures]
    absent = {place for place, failure in found if failure["type"] == "missing"}
    unknown = [place for place, failure in found if failure["type"] == "extra_forbidden"]
    meant = {near for place in unknown if (near := _meant(place, absent)) in absent}
    errors: dict[str, CampaignError] = {}
    for place, failure in found:
        # a list that is too short since its items were refused, a table where a text would do: what is inside matters
        if place in meant or any(len(other) > len(place) and other[: len(place)] == place for other, _ in found):
            continue
        if place in unknown:
            near, known = _meant(place, absent), _known_keys(place[:-1])
            what = f"the key “{place[-1]}” is not known."
            remedy = f"Did you mean “{near[-1]}”?" if near else f"Known keys here: {', '.join(known)}."
        else:
            what, remedy = _sentence(failure, place)
        error = CampaignError(what, file=file, where=_key(place), remedy=remedy or None)
        errors.setdefault(str(error.where), error)  # of a value that may have several forms the first
    return tuple(errors.values())


def _place(location: Location) -> Location:
    """Return a location without the members of unions, which pydantic names like keys."""
    marks = ("function-", "constrained-")
    return tuple(p for p in location if isinstance(p, int) or not (p in _UNION_MEMBERS or p.startswith(marks)))


def _key(location: Location) -> str:
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{_toml_key(part)}" if text else _toml_key(part)
    return text


def _toml_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else f'"{key}"'


def _meant(location: Location, absent: set[Location]) -> Location:
    """Return the place of the key that an unknown one was meant to be: one that is missing before others."""
    *place, last = location
    missing = [str(other[-1]) for other in absent if other[:-1] == tuple(place)]
    for keys, cutoff in ((missing, 0.6), (_known_keys(tuple(place)), 0.5)):
        near = difflib.get_close_matches(str(last), keys, n=1, cutoff=cutoff)
        if near:
            return (*place, near[0])
    return ()


# First part of the type that pydantic gives an error; sentence and remedy, filled from the value and its context.
_SENTENCES = (
    ("missing", "this key is missing.", "Add it."),
    ("too_short", "at least one is needed.", ""),
    ("string_too_short", "the text must not be empty.", ""),
    ("string_too_long", "{value} is too long: at most {max_length} sign is possible here.", ""),
    ("string_pattern_mismatch", "{value} is not an id: use letters, digits, “_”, “.”, “-”, at most 64.", ""),
    ("literal_error", "{value} is not one of {expected}.", ""),
    ("datetime", "{value} is not a date with a time.", "Write 2026-06-14T13:00:00+02:00."),
    ("date", "{value} is not a date.", "Write {key} = 2026-06-14."),
    ("model", "{value} is not a table.", "Write a table: [{header}], its keys below it."),
    ("dict", "{value} is not a table.", "Write a table: [{header}], its keys below it."),
    ("bool", "{value} is neither true nor false.", "Write {key} = true or {key} = false."),
    ("int", "{value} is not a whole number.", "Write a whole number without quotes: {key} = 1."),
    ("float", "{value} is not a number.", "Write a number without quotes: {key} = 0.95."),
    ("greater_than_equal", "{value} must not be below {ge:g}.", ""),
    ("greater_than", "{value} must be greater than {gt:g}.", ""),
    ("less_than_equal", "{value} must not be above {le:g}.", ""),
    ("less_than", "{value} must be less than {lt:g}.", ""),
)

_LIMIT = 'Write a limit with its unit: "250 m", or { limit = "250 m", hard = true }.'


def _sentence(failure: Any, location: Location) -> tuple[str, str]:
    """Return sentence and remedy for everything but unknown keys."""
    kind, value = failure["type"], failure["input"]
    key = next((part for part in reversed(location) if isinstance(part, str)), "")
    if kind == "value_error":  # a sentence of our own
        return str(failure["ctx"].get("error", failure["msg"])).rstrip(".") + ".", ""
    if location == ("schema",) and kind != "missing":
        return f"this program reads campaign files of schema 1, not {_shown(value)}.", "Write schema = 1."
    if location[0] == "acceptance" and len(location) > 1 and location[-1] != "hard" and kind != "missing":
        return f"{_shown(value)} is not a limit.", _LIMIT
    if key == "month" and kind == "string_pattern_mismatch":
        return f"{_shown(value)} is not a month.", 'Write month = "2026-07".'
    if kind in ("tuple_type", "list_type"):
        return _no_list(location, key, value)
    if kind == "string_type":
        return _no_text(location, key, value)
    for start, what, remedy in _SENTENCES:
        if kind.startswith(start):
            context = dict(failure.get("ctx", {}))
            context |= {n: re.sub(r"'([^']*)'", r"“\1”", v) for n, v in context.items() if isinstance(v, str)}
            words = {"value": _shown(value), "key": key, "header": _header(location), **context}
            return what.format(**words), remedy.format(**words)
    return f"{str(failure['msg']).rstrip('.')}.", ""


def _no_list(location: Location, key: str, value: object) -> tuple[str, str]:
    if isinstance(value, dict):
        return "this table may stand several times.", f"Write [[{_header(location)}]], in double brackets."
    keys = _known_keys(location)
    inside = '"…"'
    if keys and keys != _known_keys(location[:-1]):
        inside = "{ … }"
    elif isinstance(value, str) and 0 < len(value) <= LONGEST_SHOWN:
        inside = json.dumps(value, ensure_ascii=False)
    return f"{_shown(value)} is not a list.", f"Write a list: {key} = [{inside}]."


def _no_text(location: Location, key: str, value: object) -> tuple[str, str]:
    """Return sentence and remedy where a text is needed; some texts stand for a quantity."""
    unit = None
    if location[:2] == ("instrument", "channels") and location[-1] in ("resolution", "accuracy"):
        entry = CHANNELS.get(str(location[2]))
        unit = QUANTITIES[entry.quantity].internal if entry is not None else "degC"
    elif location[:2] == ("metrics", "equivalence"):
        unit = "degC" if "time" not in str(location[-1]) else "s"
    if unit is None:
        return f"{_shown(value)} is not a text.", f'Write a text in quotes: {_toml_key(key)} = "…".'
    number = isinstance(value, int | float) and not isinstance(value, bool)
    example = f'Write the quantity with its unit: "{_shown(value) if number else 1} {unit}".'
    return f"{_shown(value)} {'has no unit' if number else 'is not a quantity'}.", example


def _shown(value: object) -> str:
    """Return the value as the user wrote it, cut to a length that a sentence can hold."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict | list | tuple):
        return "a table" if isinstance(value, dict) else "a list"
    text = str(value)
    text = text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 1]}…"
    return text if isinstance(value, int | float) else f"“{text}”"


def _header(location: Location) -> str:
    return ".".join(part for part in location if isinstance(part, str))


def _known_keys(location: Location) -> list[str]:
    """Return the keys that the table at `location` may have."""
    current: type[BaseModel] | None = Campaign
    for part in location:
        if isinstance(part, int) or current is None:
            continue
        field = next((f for n, f in current.model_fields.items() if (f.alias or n) == part), None)
        if field is not None:
            models = (p for p in parts_of(field.annotation) if isinstance(p, type) and issubclass(p, BaseModel))
            current = next(models, None)
    return [] if current is None else [field.alias or name for name, field in current.model_fields.items()]
