"""Every key of the campaign file that a text of the program names does exist, in the table that the text says."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import intake_report
from intake_report.campaign import Campaign
from intake_report.channels import CHANNELS
from intake_report.results.text import EVIDENCE_TEXTS
from intake_report.units import known_unit

SCHEMA: dict[str, Any] = Campaign.model_json_schema(by_alias=True)
TOKEN = re.compile(
    r"\[\[?(?P<table>[a-z_]+(?:\.[a-z_]+)*)\]"  # [log.columns], [[run]]
    r"|\b(?P<path>(?:" + "|".join(SCHEMA["properties"]) + r")\.[a-z_]+(?:\.[a-z_]+)*)\b(?!/)"  # metrics.alarm_limit
    r"|(?<![\w.])(?P<key>[a-z]+(?:_[a-z]+)*) = (?=[\"\[{]|true|false|[0-9])"  # day_first = true
    r"|“(?P<quoted>[a-z]+(?:_[a-z]+)+)”"
)
NO_PATH = {"pdf", "ics", "html", "csv", "txt", "gpx", "json", "md", "toml", "typ"}  # endings of file names
# extras of the installation, units of header examples; symbols of formulas
NOT_OF_THE_CAMPAIGN = {"can", "mdf", "cluster", "sd", "g", "unit", "low", "high", "header", "quicker", "n", "k"}


def paths(schema: dict[str, Any], before: str = "") -> Iterator[str]:
    """Yield every path of the schema; "*" stands for a name of the user's."""
    for part in (schema, *schema.get("anyOf", ()), *schema.get("allOf", ())):
        if "$ref" in part:
            yield from paths(SCHEMA["$defs"][part["$ref"].rpartition("/")[2]], before)
        if "items" in part:
            yield from paths(part["items"], before)
        for key, more in part.get("properties", {}).items():
            yield before + key
            yield from paths(more, f"{before}{key}.")
        if isinstance(more := part.get("additionalProperties"), dict):
            yield before + "*"
            yield from paths(more, before + "*.")


PATHS = set(paths(SCHEMA))
KEYS = {key for path in PATHS for key in path.split(".")} | set(CHANNELS)


def known(path: str) -> bool:
    return any(re.fullmatch(known.replace(".", r"\.").replace("*", "[^.]+"), path) for known in PATHS)


def texts() -> Iterator[tuple[str, int, str]]:
    """Every text of the package that is no docstring, with its file and line."""
    root = Path(intake_report.__file__).parent
    for file in sorted(root.rglob("*.py")):
        tree = ast.parse(file.read_text("utf-8"))
        bodies = [n.body for n in ast.walk(tree) if isinstance(n, ast.Module | ast.ClassDef | ast.FunctionDef)]
        docs = {id(b[0].value) for b in bodies if b and isinstance(b[0], ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
                yield str(file.relative_to(root)), node.lineno, node.value


def unknown(text: str) -> list[str]:
    wrong = []
    for token in TOKEN.finditer(text):
        table, path, key, quoted = (token[name] for name in ("table", "path", "key", "quoted"))
        if table is not None:
            is_unit = known_unit(table) or table in NOT_OF_THE_CAMPAIGN | {"float"}  # of a quoted annotation
            wrong += [] if is_unit or known(table) else [token[0]]
        elif path is not None:
            elsewhere = path.rpartition(".")[2] in NO_PATH or path in EVIDENCE_TEXTS  # the latter of results.json
            wrong += [] if known(path) or elsewhere else [token[0]]
        elif (key or quoted) not in KEYS | NOT_OF_THE_CAMPAIGN:
            wrong.append(token[0])
    return wrong


def test_every_key_named_exists():
    named = 0
    wrong = []
    for file, line, text in texts():
        named += len(TOKEN.findall(text))
        wrong += [f"{file}:{line}: {token}" for token in unknown(text)]
    assert not wrong
    assert named > 50, "the walk sees the keys at all"


def test_the_walk_sees_what_does_not_exist():
    assert unknown("Set log.dayfirst or day_firsts = true under [log.column] of “wether_file”.") == [
        "log.dayfirst", "day_firsts = ", "[log.column]", "“wether_file”",
    ]  # fmt: skip
    assert unknown("Set log.day_first or day_first = true under [log.columns] and [[run]].") == []
