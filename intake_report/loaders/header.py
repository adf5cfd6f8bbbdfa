"""Column headers: the name, the unit written with it, and the words of the name."""

from __future__ import annotations

import re

from intake_report.loaders.encoding import repair_double_encoding
from intake_report.units import known_unit

_BRACKETS = re.compile(r"^(?P<name>.*?)\s*[\[{](?P<unit>[^\[\]{}]*)[\]}]\s*$")
_PARENTHESES = re.compile(r"^(?P<name>.*?)\s*\((?P<unit>[^()]*)\)\s*$")
_COMMA = re.compile(r"^(?P<name>.*?)\s*,\s*(?P<unit>[^,]+?)\s*$")
_LAST_WORD = re.compile(r"^(?P<name>.+?)(?P<sign>[_ ])(?P<unit>[^_ ]+)$")
_TOO_SHORT = {
    "a",
    "b",
    "c",
    "d",
    "e",
    "f",
    "g",
    "h",
    "k",
    "l",
    "m",
    "s",
    "v",
    "w",
    "1",
    "-",
    "in",
    "min",
    "count",
    "pa",
}
_TIME_UNIT_WORDS = {"seconds", "sec", "secs", "ms", "us", "ns", "milliseconds", "microseconds"}


def split_header(header: str) -> tuple[str, str | None]:
    """Split a column header into name and unit.

    Parameters
    ----------
    header : str
        As in the file: "Intake Temperature [°C]", "IAT (F)", "Speed, km/h", "speed_kph" or without a unit.

    Returns
    -------
    name : str
        Without the unit; never empty unless the header is.
    unit : str or None
        As written, encoding repaired.

    Notes
    -----
    Square brackets always hold a unit. Round brackets, a comma or an underscore do only when what they set off is a
    known unit: "Bank 1 (upstream)" has none. After an underscore a single letter is not taken for a unit, after a blank
    only what cannot be a word. "Engine RPM" keeps its name and has the unit too.
    """
    text = clean_header(header)
    if (match := _BRACKETS.match(text)) and match["name"]:
        return match["name"], match["unit"].strip() or None
    for pattern in (_PARENTHESES, _COMMA):
        if (match := pattern.match(text)) and match["name"] and _is_unit(match["unit"]):
            return match["name"], match["unit"].strip()
    if (match := _LAST_WORD.match(text)) and _is_unit(match["unit"]) and match["unit"].lower() not in _TOO_SHORT:
        unit = match["unit"]
        if unit.lower() == "rpm":
            return text, unit  # the unit is what names the quantity
        if match["sign"] == "_" or re.search("[/°%]", unit) or unit.lower().startswith("deg"):
            return match["name"], unit
    return text, None


def clean_header(header: str) -> str:
    """Return the header with its encoding repaired, quotes and repeated blanks removed."""
    text = repair_double_encoding(header).replace("\ufeff", "").strip().strip("\"'")
    return re.sub(r"\s+", " ", text).strip()


def looks_like_unit(text: str) -> bool:
    """Tell whether a cell of a row under the header can be a unit ("km/h", "[°C]", "-")."""
    cell = repair_double_encoding(text).strip().strip("[](){}").strip()
    return _is_unit(cell) or cell.lower() in _TIME_UNIT_WORDS


def words(name: str) -> tuple[str, ...]:
    """Return the lower-case words of a name: split at blanks, signs, and changes from lower to upper case."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", clean_header(name))
    spaced = re.sub(r"(?<=[A-Z])(?=[A-Z][a-z])", " ", spaced)
    return tuple(word for word in re.split(r"[^0-9a-zµäöüß°]+", spaced.lower()) if word)


def _is_unit(text: str) -> bool:
    cell = text.strip()
    return bool(cell) and known_unit(cell)
