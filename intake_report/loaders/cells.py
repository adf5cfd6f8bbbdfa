"""Numbers of cells that a plain parser does not read: with a unit behind them, another decimal sign, or text."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from intake_report.loaders.base import FloatArray, Notice, plural
from intake_report.units import known_unit

if TYPE_CHECKING:
    import pyarrow as pa

_CELL = re.compile(r"^([-+−]?(?:\d[\d.,' \u00a0\u202f]*|[.,]\d+)(?:[eE][-+]?\d+)?)\s*([^\d\s].*)?$")


def numbers_of_text(
    values: pa.ChunkedArray, name: str, unit: str | None, decimal: str
) -> tuple[FloatArray | None, tuple[Notice, ...]]:
    """Read a text column as numbers, cell by distinct cell.

    Parameters
    ----------
    values : pyarrow.ChunkedArray
        (n,) text or bytes.
    name, unit : str
        Of the column.
    decimal : str
        Decimal sign of the log.

    Returns
    -------
    numbers : numpy.ndarray or None
        (n,) NaN where a cell is no number or carries another unit than most; None when the column is text.
    notices : tuple of Notice
    """
    encoded = values.combine_chunks().dictionary_encode()
    if hasattr(encoded, "combine_chunks"):
        encoded = encoded.combine_chunks()
    cells = [_text(cell) for cell in encoded.dictionary.to_pylist()]
    codes = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
    counts = np.bincount(codes[codes >= 0], minlength=len(cells))
    parsed = [_parse(cell, decimal) for cell in cells]
    filled = int(counts.sum())
    readable = int(sum(count for (value, _), count in zip(parsed, counts, strict=True) if value is not None))
    if readable * 2 < filled or not readable:
        return None, ()
    units = Counter[str]()
    for (value, written), count in zip(parsed, counts, strict=True):
        if value is not None:
            units[_key(written or unit)] += int(count)
    usual = _key(unit) if unit and _key(unit) in units else units.most_common(1)[0][0]
    lookup = np.full(len(cells) + 1, np.nan)  # the last entry serves code -1
    other = 0
    for index, ((value, written), count) in enumerate(zip(parsed, counts, strict=True)):
        if value is None:
            continue
        if _key(written or unit) != usual:
            other += int(count)
            continue
        lookup[index] = value
    notices = []
    if other:
        kinds = ", ".join(sorted(key or "none" for key in units))
        text = f"“{name}” mixes units ({kinds}); {plural(other, 'cell')} not in the usual one left out."
        notices.append(Notice("mixed-units", text, name, other))
    if filled > readable:
        example = next(cell for cell, (value, _) in zip(cells, parsed, strict=True) if value is None)
        text = f"{plural(filled - readable, 'cell')} of “{name}” left out: not a number (“{example[:30]}”)."
        notices.append(Notice("text-cells", text, name, filled - readable))
    return lookup[codes], tuple(notices)


def _text(cell: object) -> str:
    return (cell.decode("cp1252", "replace") if isinstance(cell, bytes) else str(cell)).strip()


def _key(unit: str | None) -> str:
    return re.sub(r"\s+", "", unit or "").strip("[](){}").lower()


def _parse(cell: str, decimal: str) -> tuple[float | None, str | None]:
    """Return the number of a cell and the unit behind it."""
    match = _CELL.match(cell)
    if not match or (match[2] and not known_unit(match[2])):
        return None, None
    number = re.sub(r"[' \u00a0\u202f]", "", match[1]).replace("−", "-")
    try:
        return float(_with_point(number, decimal)), match[2]
    except ValueError:
        return None, None


def _with_point(number: str, decimal: str) -> str:
    """Bring "1.234,5" and "1,234.5" to "1234.5"; a lone comma is the decimal sign unless it groups three digits."""
    if "," in number and "." in number:
        group = "," if number.rfind(".") > number.rfind(",") else "."
        return number.replace(group, "").replace(",", ".")
    if "," in number and decimal == "." and re.fullmatch(r"[-+]?\d{1,3}(,\d{3})+", number):
        return number.replace(",", "")
    if "." in number and decimal == "," and re.fullmatch(r"[-+]?\d{1,3}(\.\d{3})+", number):
        return number.replace(".", "")
    return number.replace(",", ".")
