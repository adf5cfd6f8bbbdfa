"""The keys of the campaign file, told to who writes it: mistakes in sentences of our own, and a file to begin with."""

import datetime as dt
import difflib
import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from pydantic.fields import FieldInfo

from intake_report.campaign.model import Campaign, Log
from intake_report.campaign.sections import Section, WithUnit
from intake_report.channels import CHANNELS
from intake_report.errors import CampaignError
from intake_report.units import QUANTITIES

Location = tuple[int | str, ...]

_LONGEST_SHOWN = 60  # signs of a value that a sentence can hold
_UNION_MEMBERS = frozenset({"Limit", "str", "int", "float", "bool"})
# First part of the type that pydantic gives an error; sentence and remedy, filled from the value and its context.
_TABLE = "Write a table: [{header}], its keys below it."
_SENTENCES = (
    ("missing", "this key is missing.", "Add it."),
    ("too_short", "at least one is needed.", ""),
    ("string_too_short", "the text must not be empty.", ""),
    ("string_too_long", "{value} is too long: at most {max_length} sign is possible here.", ""),
    ("string_pattern_mismatch", "{value} is not an id: use letters, digits, “_”, “.”, “-”, at most 64.", ""),
    ("literal_error", "{value} is not one of {expected}.", ""),
    ("datetime", "{value} is not a date with a time.", "Write 2026-06-14T13:00:00+02:00."),
    ("date", "{value} is not a date.", "Write {key} = 2026-06-14."),
    ("model", "{value} is not a table.", _TABLE),
    ("dict", "{value} is not a table.", _TABLE),
    ("bool", "{value} is neither true nor false.", "Write {key} = true or {key} = false."),
    ("int", "{value} is not a whole number.", "Write a whole number without quotes: {key} = 1."),
    ("float", "{value} is not a number.", "Write a number without quotes: {key} = 0.95."),
    ("greater_than_equal", "{value} must not be below {ge:g}.", ""),
    ("greater_than", "{value} must be greater than {gt:g}.", ""),
    ("less_than_equal", "{value} must not be above {le:g}.", ""),
    ("less_than", "{value} must be less than {lt:g}.", ""),
)


def mistakes(failures: Sequence[Any], file: Path) -> tuple[CampaignError, ...]:
    """Return one error per mistake, from the errors of pydantic."""
    marks = ("function-", "constrained-")  # these and members of unions pydantic names like keys
    named = [[p for p in f["loc"] if not (p in _UNION_MEMBERS or str(p).startswith(marks))] for f in failures]
    found = [(tuple(place), failure) for place, failure in zip(named, failures, strict=True)]
    absent = {place for place, failure in found if failure["type"] == "missing"}
    unknown = [place for place, failure in found if failure["type"] == "extra_forbidden"]
    meant = {near for place in unknown if (near := _meant(place, absent)) in absent}
    errors: dict[str, CampaignError] = {}
    for place, failure in found:
        # a list that is too short since its items were refused, a table where a text would do: what is inside matters
        if place in meant or any(len(other) > len(place) and other[: len(place)] == place for other, _ in found):
            continue
        if place in unknown:
            near, what = _meant(place, absent), f"the key “{place[-1]}” is not known."
            remedy = f"Did you mean “{near[-1]}”?" if near else f"Known keys here: {', '.join(_keys(place[:-1]))}."
        else:
            what, remedy = _sentence(failure, place)
        # of a value that may have several forms the first
        errors.setdefault(key_of(place), CampaignError(what, file=file, where=key_of(place), remedy=remedy or None))
    return tuple(errors.values())


def key_of(location: Location) -> str:
    """Return how a place is written, counted from 1: run[2].configuration."""
    parts = (f"[{part + 1}]" if isinstance(part, int) else f".{_toml_key(part)}" for part in location)
    return "".join(parts).removeprefix(".")


def _toml_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else f'"{key}"'


def _meant(location: Location, absent: set[Location]) -> Location:
    """Return the place of the key that an unknown one was meant to be: one that is missing before others."""
    *place, last = location
    missing = [str(other[-1]) for other in absent if other[:-1] == tuple(place)]
    for keys, cutoff in ((missing, 0.6), (_keys(tuple(place)), 0.5)):
        if near := difflib.get_close_matches(str(last), keys, n=1, cutoff=cutoff):
            return (*place, near[0])
    return ()


def _sentence(failure: Any, location: Location) -> tuple[str, str]:
    """Return sentence and remedy for everything but unknown keys."""
    kind, value, shown = failure["type"], failure["input"], shown_value(failure["input"])
    texts = [part for part in location if isinstance(part, str)]
    key, header = texts[-1] if texts else "", ".".join(texts)
    if kind == "value_error":  # a sentence of our own
        return str(failure["ctx"].get("error", failure["msg"])).rstrip(".") + ".", ""
    if location == ("schema",) and kind != "missing":
        return f"this program reads campaign files of schema 1, not {shown}.", "Write schema = 1."
    if location[0] == "acceptance" and len(location) > 1 and location[-1] != "hard" and kind != "missing":
        return f"{shown} is not a limit.", 'Write a limit with its unit: "250 m", or { limit = "250 m", hard = true }.'
    if key == "month" and kind == "string_pattern_mismatch":
        return f"{shown} is not a month.", 'Write month = "2026-07".'
    if kind in ("tuple_type", "list_type"):
        if isinstance(value, dict):
            return "this table may stand several times.", f"Write [[{header}]], in double brackets."
        inside = "{ … }" if _keys(location) and _keys(location) != _keys(location[:-1]) else '"…"'
        if inside == '"…"' and isinstance(value, str) and 0 < len(value) <= _LONGEST_SHOWN:
            inside = json.dumps(value, ensure_ascii=False)
        return f"{shown} is not a list.", f"Write a list: {key} = [{inside}]."
    if kind == "string_type":
        return _no_text(location, key, value)
    for start, what, remedy in _SENTENCES:
        if kind.startswith(start):
            context = dict(failure.get("ctx", {}))
            context |= {n: re.sub(r"'([^']*)'", r"“\1”", v) for n, v in context.items() if isinstance(v, str)}
            words = {"value": shown, "key": key, "header": header, **context}
            return what.format(**words), remedy.format(**words)
    return f"{str(failure['msg']).rstrip('.')}.", ""


def _no_text(location: Location, key: str, value: object) -> tuple[str, str]:
    """Return sentence and remedy where a text is needed; some texts stand for a quantity."""
    if location[:2] == ("instrument", "channels") and location[-1] in ("resolution", "accuracy"):
        unit = QUANTITIES[CHANNELS.get(str(location[2]), CHANNELS["iat"]).quantity].internal
    elif location[:2] == ("metrics", "equivalence"):
        unit = "degC" if "time" not in str(location[-1]) else "s"
    else:
        return f"{shown_value(value)} is not a text.", f'Write a text in quotes: {_toml_key(key)} = "…".'
    number = isinstance(value, int | float) and not isinstance(value, bool)
    example = f'Write the quantity with its unit: "{shown_value(value) if number else 1} {unit}".'
    return f"{shown_value(value)} {'has no unit' if number else 'is not a quantity'}.", example


def shown_value(value: object) -> str:
    """Return the value as the user wrote it, cut to a length that a sentence can hold."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict | list | tuple):
        return "a table" if isinstance(value, dict) else "a list"
    text = str(value)
    text = text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 1]}…"
    return text if isinstance(value, int | float) else f"“{text}”"


def _keys(location: Location) -> list[str]:
    """Return the keys that the table at `location` may have."""
    model: type[Section] | None = Campaign
    for part in location:
        fields = model.by_key() if model else {}
        model = _model(fields[str(part)].annotation)[0] if str(part) in fields else model
    return list(model.by_key()) if model else []


def _parts_of(annotation: Any) -> Iterator[Any]:
    """Yield an annotation and all that it is made of: types, marks, texts of a choice."""
    yield annotation
    for argument in get_args(annotation):
        yield from _parts_of(argument)


def _model(annotation: Any) -> tuple[type[Section] | None, bool]:
    """Return the table that a field holds, and whether it may stand several times."""
    parts = list(_parts_of(annotation))
    models = (part for part in parts if isinstance(part, type) and issubclass(part, Section))
    return next(models, None), any(get_origin(part) is tuple for part in parts)


_WIDTH = 44  # columns before a comment
# Values of the keys that a campaign cannot do without, and of some that nobody should have to look up.
_VALUES: dict[str, list[str]] = {
    "schema": ["1"],
    "campaign.title": ['"What is compared, on which road"'],
    "campaign.question": ['"Which question shall the report answer?"'],
    "vehicle.description": ['"Vehicle, engine, fuel"'],
    "configuration.id": ['"stock"', '"changed"'],
    "configuration.name": ['"Stock intake"', '"Changed intake"'],
    "configuration.role": ['"baseline"', '"candidate"'],
    "instrument.logger": ['"adapter and application, with their versions"'],
    "run.id": ['"day1-stock"', '"day1-changed"'],
    "run.configuration": ['"stock"', '"changed"'],
    "run.block": ['"day-1"', '"day-1"'],
    "run.files": ['["logs/day1-stock.csv"]', '["logs/day1-changed.csv"]'],
    "soak_check.readings": ['{ iat = "15 degC", coolant = "15 degC" }'],
    "comparison.covariates": ['["start_over_ambient"]'],
    "log.columns": ['{ "Intake temperature" = "iat [degC]", "Speed" = "speed [km/h]", "Ambient" = "ambient [degC]" }'],
}  # fmt: skip
_NEEDED = frozenset(key.partition(".")[0] for key in _VALUES) - {"log", "soak_check", "comparison"}
_EXAMPLES: tuple[tuple[type, str], ...] = (
    (bool, "true"), (dt.datetime, "2026-06-14T13:00:00+02:00"), (dt.date, "2026-06-14"), (str, '"…"'), (int, "1"),
    (float, "1.0"),
)  # fmt: skip


def draft_campaign(id: str) -> str:
    """Return a campaign file with two configurations and two runs, valid as soon as their logs are there."""
    lines = ["schema = 1"]
    for key, field in Campaign.by_key().items():
        model, several = _model(field.annotation)
        if key == "acceptance":
            lines += ["", f"# [{key}]".ljust(_WIDTH) + f"  # {_hint(field)}"]
        elif model is not None:
            for number in range(2 if key in ("configuration", "run") else 1):
                lines += _table(key, model, several, id, number, needed=key in _NEEDED)
    return "\n".join(lines) + "\n"


def _table(key: str, model: type[Section], several: bool, id: str, number: int, *, needed: bool) -> list[str]:
    mark = "" if needed else "# "
    head = f"[[{key}]]" if several else f"[{key}]"
    about = (model.__doc__ or "").partition("\n")[0]
    lines, inner = ["", f"{mark}{head}" if number else f"{mark}{head:<{_WIDTH}}# {about}"], []
    for own, field in model.by_key().items():
        place = f"{key}.{own}"
        child, many = _model(field.annotation)
        if child is Log:
            if not number:
                lines.append(f"# [{place}]: keys of [log] that differ here")
        elif child is not None:
            path = f"{place}.iat" if get_origin(field.annotation) is dict else place
            inner += _table(path, child, many, id, number, needed=False)
        elif place == "campaign.id":
            lines.append(f"id = {json.dumps(id)}")
        elif place in _VALUES:
            lines.append(f"{mark}{own} = {_VALUES[place][min(number, len(_VALUES[place]) - 1)]}")
        elif not number:
            lines.append(f"# {own} = {_example(field)}".ljust(_WIDTH + len(mark)) + f"# {_hint(field)}".rstrip("# "))
    return [line.rstrip() for line in (*lines, *inner)]


def _example(field: FieldInfo) -> str:
    """Return a value that shows how the key is written: its default, or one of its kind."""
    parts = [*field.metadata, *_parts_of(field.annotation)]
    measured = next((part for part in parts if isinstance(part, WithUnit)), None)
    default = None if field.is_required() else field.get_default(call_default_factory=True)
    if measured is not None:
        numbers = default if isinstance(default, tuple) else [default]
        texts = [f'"{n:.4g} {measured.unit}"' if isinstance(n, float) else f'"… {measured.unit}"' for n in numbers]
        return f"[{', '.join(texts)}]" if isinstance(default, tuple) else texts[0]
    if choices := _choices(field):
        default = default if default in choices else choices[0]
    elif isinstance(default, dict):
        return "{ }"
    elif default is None:
        return next((example for kind, example in _EXAMPLES if kind in parts), '"…"')
    return json.dumps(default, ensure_ascii=False)


def _choices(field: FieldInfo) -> tuple[str, ...]:
    return get_args(next((part for part in _parts_of(field.annotation) if get_origin(part) is Literal), None))


def _hint(field: FieldInfo) -> str:
    choices = _choices(field)
    parts = [field.description or "", " | ".join(map(str, choices)) if len(choices) > 1 else ""]
    return "; ".join(part for part in parts if part)
