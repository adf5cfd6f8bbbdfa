"""Read a campaign file: every mistake found is reported at once, each with its key and the way out."""

from __future__ import annotations

import difflib
import json
import tomllib
import types
import typing
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from intake_report.campaign.model import Campaign
from intake_report.channels import channel
from intake_report.errors import CampaignError, CampaignErrors, DataError
from intake_report.units import conversion, parse_quantity

CAMPAIGN_FILE = "campaign.toml"


def load_campaign(path: Path | str) -> Campaign:
    """Read and validate a campaign.

    Parameters
    ----------
    path : Path or str
        The campaign file, or the folder that holds a `campaign.toml`.

    Returns
    -------
    Campaign
        Frozen, with all quantities in internal units.

    Raises
    ------
    CampaignError
        If the file is absent, is not TOML, or breaks a rule; `CampaignErrors` holds all mistakes at once.
    """
    file = Path(path)
    if file.is_dir():
        file = file / CAMPAIGN_FILE
    if not file.is_file():
        raise CampaignError(
            "there is no campaign file here.",
            file=file,
            remedy=f"Name a folder with a {CAMPAIGN_FILE}, or the file itself.",
        )
    source = file.read_bytes()
    campaign = _validate(_parse_toml(source, file), file)
    campaign._file = file.resolve()
    campaign._source = source
    errors = tuple(_cross_checks(campaign, file))
    if errors:
        raise errors[0] if len(errors) == 1 else CampaignErrors(errors)
    return campaign


def campaign_schema() -> str:
    """Return the JSON Schema of the campaign file, for editors that complete and check it."""
    return json.dumps(Campaign.model_json_schema(by_alias=True), indent=2, ensure_ascii=False) + "\n"


def _parse_toml(source: bytes, file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(source.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = source[: error.start].count(b"\n") + 1
        raise CampaignError(
            "the file is not UTF-8 text.", file=file, where=f"line {line}", remedy="Save it as UTF-8."
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise CampaignError(f"not valid TOML: {error}.", file=file, remedy="Correct the file at that place.") from None


def _validate(data: dict[str, Any], file: Path) -> Campaign:
    try:
        return Campaign.model_validate(data)
    except ValidationError as failure:
        found = failure.errors(include_url=False)
        errors = tuple(_mistake(error, file) for error in found if not _follows(error, found))
        raise errors[0] if len(errors) == 1 else CampaignErrors(errors) from None


def _follows(error: Any, found: list[Any]) -> bool:
    """Tell whether `error` only says that a list is too short because its items were refused."""
    place = error["loc"]
    return error["type"] == "too_short" and any(
        len(other["loc"]) > len(place) and other["loc"][: len(place)] == place for other in found
    )


_UNION_MEMBERS = frozenset({"Limit", "str", "int", "float"})  # pydantic names them in a location like keys


def _key(location: tuple[int | str, ...]) -> str:
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        elif part not in _UNION_MEMBERS and not part.startswith(("function-", "constrained-")):
            text += f".{part}" if text else part
    return text


def _mistake(error: Any, file: Path) -> CampaignError:
    location, kind = error["loc"], error["type"]
    key = _key(location)
    if kind == "extra_forbidden":
        known = _known_keys(Campaign, location[:-1])
        near = difflib.get_close_matches(str(location[-1]), known, n=1, cutoff=0.5)
        remedy = f"Did you mean “{near[0]}”?" if near else f"Known keys here: {', '.join(known)}."
        return CampaignError(f"the key “{location[-1]}” is not known.", file=file, where=key, remedy=remedy)
    if kind == "missing":
        return CampaignError("this key is missing.", file=file, where=key, remedy="Add it.")
    message = str(error["msg"]).removeprefix("Value error, ").rstrip(".")
    if kind == "too_short":
        message = "at least one is needed"
    if kind == "literal_error":
        message = f"“{error['input']}” is not one of {error['ctx']['expected']}"
    if kind == "string_pattern_mismatch":
        message = f"“{error['input']}” is not an id: use letters, digits, “_”, “.”, “-”, at most 64"
    return CampaignError(f"{message}.", file=file, where=key)


def _known_keys(model: type[BaseModel], location: tuple[int | str, ...]) -> list[str]:
    """Return the keys that the table at `location` may have."""
    current: type[BaseModel] | None = model
    for part in location:
        if isinstance(part, int) or current is None:
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


def _cross_checks(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    yield from _duplicates(campaign, file)
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
        "claim": [c.id for c in campaign.claims],
        "pull": [p.id for p in campaign.pulls],
        "route.phase": [p.id for p in campaign.route.phases],
    }
    for key, ids in lists.items():
        for id, count in Counter(ids).items():
            if count > 1:
                yield CampaignError(
                    f"“{id}” is used {count} times.", file=file, where=key, remedy="Give each its own id."
                )
    baselines = [c.id for c in campaign.configurations if c.role == "baseline"]
    if len(baselines) != 1:
        found = f"it has {len(baselines)} ({', '.join(baselines)})" if baselines else "it has none"
        yield CampaignError(
            f"a campaign needs exactly one configuration with role “baseline”; {found}.",
            file=file,
            where="configuration.role",
            remedy="Mark the one that the others are compared with; the rest are “candidate” or “reference”.",
        )


def _references(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    configurations = [c.id for c in campaign.configurations]
    users: list[tuple[str, str]] = [
        (f"run[{i}].configuration", r.configuration) for i, r in enumerate(campaign.runs, 1)
    ]
    users += [(f"claim[{i}].configuration", c.configuration) for i, c in enumerate(campaign.claims, 1)]
    users += [(f"claim[{i}].versus", c.versus) for i, c in enumerate(campaign.claims, 1) if c.versus]
    users += [(f"pull[{i}].configuration", p.configuration) for i, p in enumerate(campaign.pulls, 1)]
    users += [(f"restriction[{i}].configuration", r.configuration) for i, r in enumerate(campaign.restrictions, 1)]
    users += [(f"exposure[{i}].configuration", e.configuration) for i, e in enumerate(campaign.exposures, 1)]
    users += [(f"observation[{i}].configuration", o.configuration) for i, o in enumerate(campaign.observations, 1)]
    for key, id in users:
        if id not in configurations:
            yield _unknown(id, configurations, "configuration", file, key)
    references = ["auto", "vehicle", *(w.id for w in campaign.weather)]
    if campaign.ambient.reference not in references:
        yield _unknown(campaign.ambient.reference, references, "ambient reference", file, "ambient.reference")
    phases = [p.id for p in campaign.route.phases]
    for i, claim in enumerate(campaign.claims, 1):
        if claim.phase and claim.phase not in phases:
            yield _unknown(claim.phase, phases, "phase", file, f"claim[{i}].phase")
    runs = [r.id for r in campaign.runs]
    if campaign.route.reference_run and campaign.route.reference_run not in runs:
        yield _unknown(campaign.route.reference_run, runs, "run", file, "route.reference_run")


def _unknown(id: str, known: list[str], what: str, file: Path, key: str) -> CampaignError:
    near = difflib.get_close_matches(id, known, n=1, cutoff=0.5)
    remedy = f"Did you mean “{near[0]}”?" if near else f"The campaign has: {', '.join(known) or 'none'}."
    return CampaignError(f"there is no {what} “{id}”.", file=file, where=key, remedy=remedy)


def _files(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    folder = campaign.folder.resolve()
    for relative in campaign.input_paths():
        path = folder / relative
        if not path.resolve().is_relative_to(folder):
            yield CampaignError(
                f"“{relative}” leads out of the campaign folder.", file=file, remedy="Copy the file into the folder."
            )
        elif not path.is_file():
            near = _nearest_file(folder, relative)
            yield CampaignError(f"the file “{relative}” does not exist.", file=file, remedy=near)


def _nearest_file(folder: Path, relative: str) -> str:
    parent = (folder / relative).parent
    names = sorted(p.name for p in parent.iterdir()) if parent.is_dir() else []
    near = difflib.get_close_matches(Path(relative).name, names, n=1, cutoff=0.5)
    return f"Did you mean “{near[0]}”?" if near else "Check the name, or put the file there."


def split_target(text: str) -> tuple[str, str | None]:
    """Split "iat [degC]" into channel name and unit (None if no unit is given)."""
    name, _, rest = text.partition("[")
    unit = rest.rstrip().removesuffix("]").strip() if rest else None
    return name.strip(), unit


def _mappings(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    tables = [("log.columns", campaign.log.columns)]
    tables += [(f"run[{i}].log.columns", r.log.columns) for i, r in enumerate(campaign.runs, 1) if r.log]
    for key, columns in tables:
        names = Counter(split_target(target)[0] for target in columns.values())
        for name, count in names.items():
            if count > 1:
                yield CampaignError(
                    f"{count} columns are mapped to the channel “{name}”.", file=file, where=key, remedy="Map one."
                )
        for header, target in columns.items():
            where = f'{key}."{header}"'
            name, unit = split_target(target)
            try:
                quantity = channel(name).quantity
                if unit is not None:
                    conversion(unit, quantity)
            except DataError as error:
                yield CampaignError(error.what, file=file, where=where, remedy=error.remedy)


def _quantities(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
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
            if text is None:
                continue
            try:
                parse_quantity(text, quantity)
            except DataError as error:
                yield CampaignError(error.what, file=file, where=f"{where}.{field}", remedy=error.remedy)
