"""Every number of results.json as tables: what the report sums up or draws is there value by value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

PARTS = "_parts"  # keys that repeat a sentence in its parts: the numbers that it prints, and nothing else


def record_tables(results: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Return the lists of results.json as tables by their path in the file, and its single values as the table "single".

    Lists of numbers of one length that stand side by side are the columns of one table, "series"; a row of a table inside a table
    begins with the number of its parent's row, from 0. Left out are keys that end in "_parts".
    """
    tables: dict[str, list[dict[str, Any]]] = {"single": []}
    for path, value in _leaves(results, "", {}, tables):
        tables["single"].append({"name": path, "value": value})
    return {name: rows for name, rows in tables.items() if rows}


def _leaves(
    node: Mapping[str, Any], path: str, lead: Mapping[str, Any], tables: dict[str, list[dict[str, Any]]]
) -> Iterator[tuple[str, Any]]:
    """Yield the scalars of a mapping with their paths; put its lists into `tables`, each row begun with `lead`."""
    columns = _columns(node)
    if columns:
        rows = tables.setdefault(f"{path}.series", [])
        rows += [{**lead, **dict(zip(columns, values, strict=True))} for values in zip(*columns.values(), strict=True)]
    for key, value in node.items():
        name = f"{path}.{key}" if path else key
        if key.endswith(PARTS) or key in columns:
            continue
        if isinstance(value, dict):
            yield from _leaves(value, name, lead, tables)
        elif isinstance(value, list):
            rows = tables.setdefault(name, [])
            for item in value:
                row = {**lead, **({} if isinstance(item, dict) else _cells(item))}
                inner = {name: len(rows)}
                rows.append(row)
                if isinstance(item, dict):
                    row.update({k.removeprefix(f"{name}."): v for k, v in _leaves(item, name, inner, tables)})
        else:
            yield name, value


def _columns(node: Mapping[str, Any]) -> dict[str, list[Any]]:
    """Return the lists of numbers that are columns of one table: two or more of the same length, the longest there is."""
    series = {
        k: v for k, v in node.items() if isinstance(v, list) and v and all(isinstance(x, int | float | None) for x in v)
    }
    longest = max(map(len, series.values()), default=0)
    columns = {k: v for k, v in series.items() if len(v) == longest}
    return columns if len(columns) > 1 else {}


def _cells(item: Any) -> dict[str, Any]:
    """Return the cells of an item that is no mapping: a value, or several in order."""
    return {str(i): value for i, value in enumerate(item)} if isinstance(item, list) else {"value": item}
