"""Column headers: encoding repaired, the name, the unit written with it, and the words of the name."""

from __future__ import annotations

import re
from collections.abc import Sequence

from intake_report.units import known_unit

# UTF-8 bytes read as Windows-1252 or Latin-1: a lead byte 0xC2–0xC3 or 0xE2 shows as Â, Ã or â before another sign.
_DOUBLE = re.compile("[ÂÃâ][\u0080-\u00bf\u2018-\u203a\u20ac\u2122\u0152-\u0192\u02c6\u02dc]{1,2}")
_BRACKETS = re.compile(r"^(?P<name>.*?)\s*[\[{](?P<unit>[^\[\]{}]*)[\]}]\s*$")
_PARENTHESES = re.compile(r"^(?P<name>.*?)\s*\((?P<unit>[^()]*)\)\s*$")
_COMMA = re.compile(r"^(?P<name>.*?)\s*,\s*(?P<unit>[^,]+?)\s*$")
_LAST_WORD = re.compile(r"^(?P<name>.+?)(?P<sign>[_ ])(?P<unit>[^_ ]+)$")
_SHORT = "a b c d e f g h k l m s v w 1 - in min count pa"  # units that are more often part of a name
_TIME = "seconds sec secs ms us ns milliseconds microseconds"
_TOO_SHORT, _TIME_UNIT_WORDS = frozenset(_SHORT.split()), frozenset(_TIME.split())


def repair_double_encoding(text: str) -> str:
    """Undo a UTF-8 text that was read as Windows-1252 and encoded again ("Â°C" becomes "°C")."""
    for _ in range(3):  # some exports do it twice
        if not _DOUBLE.search(text):
            break
        text = _DOUBLE.sub(lambda match: _undo(match.group()), text)
    return text


def _undo(signs: str) -> str:
    for encoding in ("cp1252", "latin-1"):
        try:
            return signs.encode(encoding).decode("utf-8")
        except UnicodeError:
            continue
    return _undo(signs[:2]) + signs[2:] if len(signs) > 2 else signs


def split_header(header: str) -> tuple[str, str | None]:
    """Split a column header into its name, empty only where the header is, and its unit as written.

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


def place_of(wanted: str, headers: Sequence[str], names: Sequence[str]) -> list[int]:
    """Return which columns a text names: by whole header, by name without unit, then both without regard to case."""
    text = clean_header(wanted)
    for fold in (str, str.lower):
        for texts in (headers, names):
            places = [index for index, other in enumerate(texts) if fold(other) == fold(text)]
            if places:
                return places
    return []


def words(name: str) -> tuple[str, ...]:
    """Return the lower-case words of a name: split at blanks, signs, and changes from lower to upper case."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", clean_header(name))
    spaced = re.sub(r"(?<=[A-Z])(?=[A-Z][a-z])", " ", spaced)
    return tuple(word for word in re.split(r"[^0-9a-zµäöüß°]+", spaced.lower()) if word)


def _is_unit(text: str) -> bool:
    cell = text.strip()
    return bool(cell) and known_unit(cell)
