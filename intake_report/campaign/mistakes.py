"""What the validator found, in sentences of our own: the key, what is wrong, and what to write instead."""

from __future__ import annotations

import difflib
import json
import re
import types
import typing
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from intake_report.campaign.model import Campaign
from intake_report.channels import CHANNELS
from intake_report.errors import CampaignError
from intake_report.units import QUANTITIES

_UNION_MEMBERS = frozenset({"Limit", "str", "int", "float", "bool"})  # pydantic names them in a location like keys
_LIMIT = 'Write a limit with its unit: "250 m", or { limit = "250 m", hard = true }.'
_DATE_AND_TIME = "Write 2026-06-14T13:00:00+02:00."
_QUOTED, _OURS = re.compile(r"'([^']*)'"), r"“\1”"
_SCHEMA = "Write schema = 1."

Location = tuple[int | str, ...]


def mistakes(found: Sequence[Any], file: Path) -> tuple[CampaignError, ...]:
    """Return one error per mistake.

    Parameters
    ----------
    found : sequence of dict
        Errors of pydantic.
    file : Path
        The campaign file as the user named it.
    """
    absent = {error["loc"] for error in found if error["type"] == "missing"}
    meant = {near for e in found if e["type"] == "extra_forbidden" and (near := _meant(e["loc"], absent)) in absent}
    out: dict[str, CampaignError] = {}
    for error in found:
        if _follows(error, found) or error["loc"] in meant or _of_another_form(error, found):
            continue
        one = _mistake(error, file, absent)
        out.setdefault(f"{one.where}" if _members(error["loc"]) else str(one), one)
    return tuple(out.values())


def _follows(error: Any, found: Sequence[Any]) -> bool:
    """Tell whether `error` only says that a list is too short because its items were refused."""
    place = error["loc"]
    return error["type"] == "too_short" and any(
        len(other["loc"]) > len(place) and other["loc"][: len(place)] == place for other in found
    )


def _of_another_form(error: Any, found: Sequence[Any]) -> bool:
    """Tell whether a table was given where a text would do too, and only what is wrong inside the table matters."""
    place = error["loc"]
    return (
        bool(place)
        and _is_member(place[-1])
        and place[-1] != "Limit"
        and any(e["loc"][: len(place)] == (*place[:-1], "Limit") and len(e["loc"]) > len(place) for e in found)
    )


def _members(location: Location) -> bool:
    return any(_is_member(part) for part in location[1:])


def _is_member(part: int | str) -> bool:
    return isinstance(part, str) and (part in _UNION_MEMBERS or part.startswith(("function-", "constrained-")))


def _key(location: Location) -> str:
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        elif not _is_member(part):
            text += f".{_toml_key(part)}" if text else _toml_key(part)
    return text


def _meant(location: Location, absent: set[Location]) -> Location:
    """Return the place of the key that an unknown one was meant to be: one that is missing before others."""
    *place, last = location
    missing = [str(other[-1]) for other in absent if other[:-1] == tuple(place)]
    for keys, cutoff in ((missing, 0.6), (_known_keys(Campaign, tuple(place)), 0.5)):
        near = difflib.get_close_matches(str(last), keys, n=1, cutoff=cutoff)
        if near:
            return (*place, near[0])
    return ()


def _mistake(error: Any, file: Path, absent: set[Location]) -> CampaignError:
    location, kind = error["loc"], error["type"]
    if kind == "extra_forbidden":
        near = _meant(location, absent)
        known = _known_keys(Campaign, location[:-1])
        remedy = f"Did you mean “{near[-1]}”?" if near else f"Known keys here: {', '.join(known)}."
        what = f"the key “{location[-1]}” is not known."
    else:
        what, remedy = _said(error)
    return CampaignError(what, file=file, where=_key(location), remedy=remedy or None)


def _said(error: Any) -> tuple[str, str]:
    """Return sentence and remedy for everything but unknown keys."""
    location, kind, given = error["loc"], error["type"], error["input"]
    last = next((str(part) for part in reversed(location) if isinstance(part, str) and not _is_member(part)), "")
    context = error.get("ctx", {})
    if kind == "value_error":  # a sentence of our own
        return str(context.get("error", error["msg"])).rstrip(".") + ".", ""
    if kind == "missing":
        return "this key is missing.", "Add it."
    if kind == "too_short":
        return "at least one is needed.", ""
    if location[0] == "acceptance" and _members(location) and location[-1] != "hard":
        return f"{_shown(given)} is not a limit.", _LIMIT
    if location == ("schema",):
        return f"this program reads campaign files of schema 1, not {_shown(given)}.", _SCHEMA
    if kind == "literal_error":
        return f"{_shown(given)} is not one of {re.sub(_QUOTED, _OURS, context['expected'])}.", ""
    if kind == "string_pattern_mismatch":
        if last == "month":
            return f"{_shown(given)} is not a month.", 'Write month = "2026-07".'
        return f"{_shown(given)} is not an id: use letters, digits, “_”, “.”, “-”, at most 64.", ""
    if kind == "string_too_short":
        return "the text must not be empty.", ""
    if kind == "string_too_long":
        return f"{_shown(given)} is too long: at most {context['max_length']} sign is possible here.", ""
    if kind.startswith("datetime"):
        return f"{_shown(given)} is not a date with a time.", _DATE_AND_TIME
    if kind.startswith("date"):
        return f"{_shown(given)} is not a date.", f"Write {last} = 2026-06-14."
    if kind in ("tuple_type", "list_type"):
        if isinstance(given, dict):
            return "this table may stand several times.", f"Write [[{_header(location)}]], in double brackets."
        inside = "{ … }" if _tables_in(location) else json.dumps(given, ensure_ascii=False) if _pastes(given) else '"…"'
        return f"{_shown(given)} is not a list.", f"Write a list: {last} = [{inside}]."
    if kind == "string_type":
        unit = _unit_of(location)
        if unit is not None and isinstance(given, int | float) and not isinstance(given, bool):
            return f"{_shown(given)} has no unit.", f'Write the quantity with its unit: "{given:g} {unit}".'
        if unit is not None:
            return f"{_shown(given)} is not a quantity.", f'Write the quantity with its unit: "1 {unit}".'
        return f"{_shown(given)} is not a text.", f'Write a text in quotes: {_toml_key(last)} = "…".'
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return f"{_shown(given)} is not a table.", f"Write a table: [{_header(location)}], its keys below it."
    if kind.startswith("bool"):
        return f"{_shown(given)} is neither true nor false.", f"Write {last} = true or {last} = false."
    if kind.startswith("int"):
        return f"{_shown(given)} is not a whole number.", f"Write a whole number without quotes: {last} = 1."
    if kind.startswith("float"):
        return f"{_shown(given)} is not a number.", f"Write a number without quotes: {last} = 0.95."
    for limit, word in _RANGES.items():
        if kind == limit:
            return f"{_shown(given)} must {word} {next(iter(context.values())):g}.", ""
    return f"{str(error['msg']).rstrip('.')}.", ""


_RANGES = {
    "greater_than": "be greater than", "greater_than_equal": "not be below", "less_than": "be less than",
    "less_than_equal": "not be above",
}  # fmt: skip


def _pastes(given: object) -> bool:
    return isinstance(given, str) and 0 < len(given) <= 60


def _shown(given: object) -> str:
    """Return the value as the user wrote it, cut to a length that a sentence can hold."""
    if isinstance(given, bool):
        return "true" if given else "false"
    if isinstance(given, dict):
        return "a table"
    if isinstance(given, list | tuple):
        return "a list"
    text = str(given)
    text = text if len(text) <= 60 else f"{text[:59]}…"
    return text if isinstance(given, int | float) else f"“{text}”"


def _unit_of(location: Location) -> str | None:
    """Return the unit of an example where a text stands for a quantity; None where it is a text only."""
    if location[:2] == ("instrument", "channels") and location[-1] in ("resolution", "accuracy"):
        entry = CHANNELS.get(str(location[2]))
        return QUANTITIES[entry.quantity].internal if entry is not None else "degC"
    if location[:2] == ("metrics", "equivalence"):
        return "degC" if "time" not in str(location[-1]) else "s"
    return None


def _header(location: Location) -> str:
    return ".".join(str(part) for part in location if isinstance(part, str) and not _is_member(part))


def _toml_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else f'"{key}"'


def _tables_in(location: Location) -> bool:
    inside = _known_keys(Campaign, location)
    return bool(inside) and inside != _known_keys(Campaign, location[:-1])


def _known_keys(model: type[BaseModel], location: Location) -> list[str]:
    """Return the keys that the table at `location` may have."""
    current: type[BaseModel] | None = model
    for part in location:
        if isinstance(part, int) or current is None or _is_member(part):
            continue
        field = next((f for n, f in current.model_fields.items() if (f.alias or n) == part), None)
        current = _inner_model(field.annotation) if field is not None else current
    if current is None:
        return []
    return [field.alias or name for name, field in current.model_fields.items()]


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if isinstance(annotation, types.GenericAlias | types.UnionType) or typing.get_origin(annotation):
        for argument in typing.get_args(annotation):
            found = _inner_model(argument)
            if found is not None:
                return found
    return None
