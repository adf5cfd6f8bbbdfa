"""A campaign file to begin with, derived from the model: what is needed stands in it, all else as comments."""

import datetime as dt
import json
import typing
from typing import Any, Literal

from pydantic.fields import FieldInfo

from intake_report.campaign.fields import Section, WithUnit, parts_of
from intake_report.campaign.model import Campaign, Log
from intake_report.campaign.sections import Limit

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
    for name, field in Campaign.model_fields.items():
        key = field.alias or name
        model, several = _model(field.annotation)
        if model is None:
            if key != "schema":
                lines += ["", f"# [{key}]".ljust(_WIDTH) + f"  # {_hint(field)}"]
            continue
        for number in range(2 if key in ("configuration", "run") else 1):
            lines += _table(key, model, several, id, number, needed=key in _NEEDED)
    return "\n".join(lines) + "\n"


def _table(key: str, model: type[Section], several: bool, id: str, number: int, *, needed: bool) -> list[str]:
    mark = "" if needed else "# "
    head = f"[[{key}]]" if several else f"[{key}]"
    about = (model.__doc__ or "").partition("\n")[0]
    lines, inner = ["", f"{mark}{head}" if number else f"{mark}{head:<{_WIDTH}}# {about}"], []
    for name, field in model.model_fields.items():
        own = field.alias or name
        place = f"{key}.{own}"
        child, many = _model(field.annotation)
        if child is Log:
            if not number:
                lines.append(f"# [{place}]: keys of [log] that differ here")
        elif child is not None:
            path = f"{place}.iat" if typing.get_origin(field.annotation) is dict else place
            inner += _table(path, child, many, id, number, needed=False)
        elif place == "campaign.id":
            lines.append(f"id = {json.dumps(id)}")
        elif place in _VALUES:
            lines.append(f"{mark}{own} = {_VALUES[place][min(number, len(_VALUES[place]) - 1)]}")
        elif not number:
            lines.append(f"# {own} = {_example(field)}".ljust(_WIDTH + len(mark)) + f"# {_hint(field)}".rstrip("# "))
    return [line.rstrip() for line in (*lines, *inner)]


def _model(annotation: Any) -> tuple[type[Section] | None, bool]:
    """Return the table that a field holds, and whether it may stand several times."""
    parts = list(parts_of(annotation))
    models = (part for part in parts if isinstance(part, type) and issubclass(part, Section) and part is not Limit)
    return next(models, None), any(typing.get_origin(part) is tuple for part in parts)


def _example(field: FieldInfo) -> str:
    """Return a value that shows how the key is written: its default, or one of its kind."""
    parts = [*field.metadata, *parts_of(field.annotation)]
    measured = next((part for part in parts if isinstance(part, WithUnit)), None)
    default = None if field.is_required() else field.get_default(call_default_factory=True)
    if measured is not None:
        numbers = default if isinstance(default, tuple) else [default]
        texts = [f'"{n:.4g} {measured.unit}"' if isinstance(n, float) else f'"… {measured.unit}"' for n in numbers]
        return f"[{', '.join(texts)}]" if isinstance(default, tuple) else texts[0]
    choices = _choices(field)
    if choices:
        return json.dumps(default if default in choices else choices[0], ensure_ascii=False)
    if isinstance(default, dict):
        return "{ }"
    if default is None:
        return next((example for kind, example in _EXAMPLES if kind in parts), '"…"')
    return json.dumps(default, ensure_ascii=False)


def _choices(field: FieldInfo) -> tuple[str, ...]:
    literals = (part for part in parts_of(field.annotation) if typing.get_origin(part) is Literal)
    return typing.get_args(next(literals, None))


def _hint(field: FieldInfo) -> str:
    choices = _choices(field)
    parts = [field.description or "", " | ".join(map(str, choices)) if len(choices) > 1 else ""]
    return "; ".join(part for part in parts if part)
