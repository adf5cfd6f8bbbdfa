"""Fit a table to the width of a page: type size, column widths, a split when it is too wide; what the PDF's fonts can print."""

import math
import re
import unicodedata
from collections.abc import Iterator, Sequence
from functools import cache, lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

from intake_report.render.blocks import Table
from intake_report.render.numbering import Document

SIZES = (9.0, 8.5, 8.0, 7.5, 7.0)  # pt; below 7 pt nobody reads a column of numbers with pleasure
GAP = 9.0  # pt between two columns
# Widths in em, on the wide side, of the text face: a split too early costs a line, one too late a printed mess.
_NARROW, _DIGIT, _LOWER, _UPPER, _OTHER, _WIDE = 0.29, 0.48, 0.51, 0.70, 0.62, 1.05
_BOLD = 1.06
_LINE, _ROW = 1.25, 8.0  # height of a line in type sizes, and of what is between two rows [pt]
_STRETCH = 1.9  # a small table stays narrower than the page: its columns would drift apart
_LONGEST_PIECE = 14  # characters; a longer word gets places where it may break
_BREAK_AFTER = re.compile(r"(?<=[-/_.,:;@=&\\])(?=[^\s\d])")
ZERO_WIDTH_SPACE = "\u200b"
# Ranges that the text face and its fallback both cover; most texts never need to look further.
_SURE = frozenset(map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180)))) - {"\u00ad"}
_DROPPED = {"Cf", "Mn", "Me"}  # joiners, variation selectors, marks: nothing to show when the face lacks them


class TableLayout(NamedTuple):
    """How a table is set."""

    size: float  # of the type [pt]
    panels: tuple[
        tuple[tuple[int, ...], tuple[float, ...]], ...
    ]  # columns and widths [pt]; more than one repeat the first column


class _Need(NamedTuple):
    least: float  # em: the widest piece that cannot break
    natural: float  # em: the widest cell on one line


def breakable(text: str, longest: int = _LONGEST_PIECE) -> str:
    """Return `text` with zero-width spaces in words of more than `longest` characters, after punctuation where there is some."""
    if len(text) <= longest:
        return text
    return re.sub(rf"\S{{{longest + 1},}}", lambda match: _broken(match.group(), longest), text)


def _broken(word: str, longest: int) -> str:
    pieces: list[str] = []
    for piece in _BREAK_AFTER.split(word):
        if pieces and len(pieces[-1]) + len(piece) <= longest:
            pieces[-1] += piece
        else:
            count = math.ceil(len(piece) / longest)
            step = math.ceil(len(piece) / count)
            pieces.extend(piece[start : start + step] for start in range(0, len(piece), step))
    return ZERO_WIDTH_SPACE.join(pieces)


@lru_cache(maxsize=16384)
def text_width(text: str) -> float:
    """Return an upper estimate of the width of `text` [em]."""
    return sum(map(_char_width, text))


def _char_width(char: str) -> float:
    if char in "il.,;:'|!()[] jtf-":
        return _NARROW + 0.03
    if char.isdigit():
        return _DIGIT
    if char in "mwMW%@" or ord(char) > 0x2E80:
        return _WIDE
    if char.islower():
        return _LOWER
    return _UPPER if char.isupper() else 0.0 if char == ZERO_WIDTH_SPACE else _OTHER


def _needs(table: Table, document: Document) -> list[_Need]:
    made = []
    between = re.compile(rf"[\s{ZERO_WIDTH_SPACE}]+")
    for index, column in enumerate(table.columns):
        title = breakable(spellable(document.plain(column.title)))
        cells = {breakable(spellable(document.plain(row[index]))) for row in table.rows}
        pieces = {piece for cell in cells for piece in between.split(cell)}
        heading = max(map(text_width, between.split(title))) * _BOLD
        least = max(heading, max(map(text_width, pieces), default=0.0), 1.5)
        whole = max(map(text_width, cells), default=0.0)
        if column.align == "right" and whole < 9:  # a number and its unit or interval stay on one line
            least = max(least, whole)
        # a heading of several words may take two or three lines: it need not widen its column much
        made.append(_Need(least, max(least, whole, text_width(title) * _BOLD / 2)))
    return made


def plan(table: Table, document: Document, width: float) -> TableLayout:
    """Return how `table` is set on a page whose text area is `width` [pt] wide; `document` resolves references in cells."""
    needs = _needs(table, document)
    everything = tuple(range(len(needs)))
    fitting = next((size for size in SIZES if _least(needs, everything, size) <= width), None)
    size, panels = (fitting, (everything,)) if fitting else (8.0, _panels(needs, 8.0, width))
    return TableLayout(size, tuple((panel, _widths(needs, panel, size, width, table.widths)) for panel in panels))


def height(table: Table, document: Document, made: TableLayout) -> float:
    """Return about how high a table is with its caption and notes [pt], to tell short ones from long ones."""
    return 24.0 + 14.0 * len(table.notes) + sum(row_heights(table, document, made))


def row_heights(table: Table, document: Document, made: TableLayout) -> Iterator[float]:
    """Yield about how high each row is [pt], the heads of the panels among them."""
    for columns, widths in made.panels:
        for row in (tuple(column.title for column in table.columns), *table.rows):
            lines = (text_width(document.plain(row[i])) * made.size / w for i, w in zip(columns, widths, strict=True))
            yield max(math.ceil(count) or 1 for count in lines) * made.size * _LINE + _ROW


def _least(needs: Sequence[_Need], columns: Sequence[int], size: float) -> float:
    """Return the least width of some columns with the gaps between them [pt]."""
    return sum(needs[i].least for i in columns) * size + GAP * (len(columns) - 1)


def _panels(needs: Sequence[_Need], size: float, width: float) -> tuple[tuple[int, ...], ...]:
    """Return groups of columns that fit, each led by the first column."""
    groups: list[list[int]] = [[0]]
    for index in range(1, len(needs)):
        if len(groups[-1]) > 1 and _least(needs, [*groups[-1], index], size) > width:
            groups.append([0])
        groups[-1].append(index)
    return tuple(map(tuple, groups))


def _widths(
    needs: Sequence[_Need], columns: Sequence[int], size: float, width: float, wanted: Sequence[float] | None
) -> tuple[float, ...]:
    """Return column widths [pt] that sum to at most the text width."""
    room = width - GAP * (len(columns) - 1)
    least = [needs[i].least * size for i in columns]
    if sum(least) > room:  # one panel with cells beyond any width: share the room out, the words break
        return tuple(room * part / sum(least) for part in least)
    if wanted is not None:
        shares = [wanted[i] for i in columns]
        aims = [room * share / sum(shares) for share in shares]
    else:
        natural = [needs[i].natural * size for i in columns]
        if sum(natural) <= room:
            stretch = min(room / sum(natural), _STRETCH)
            return tuple(part * stretch for part in natural)
        # Long texts share by the square root: a column ten times longer does not starve the others.
        aims = [low + math.sqrt(max(high - low, 0.0)) for low, high in zip(least, natural, strict=True)]
    extra = [max(aim - low, 0.0) for aim, low in zip(aims, least, strict=True)]
    spare, total = room - sum(least), sum(extra) or 1.0
    return tuple(low + spare * part / total for low, part in zip(least, extra, strict=True))


def font_folder() -> Path:
    """Return the folder of the DejaVu fonts that matplotlib brings (found without importing matplotlib)."""
    spec = find_spec("matplotlib")
    assert spec and spec.origin
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"


@cache
def _covered() -> frozenset[int]:
    """Return the code points that every DejaVu face used in the PDF has."""
    from matplotlib.ft2font import FT2Font

    names = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSans-Oblique.ttf")
    return frozenset.intersection(*(frozenset(FT2Font(font_folder() / name).get_charmap()) for name in names))


def spellable(text: str) -> str:
    """Return `text` with each character that no font of the PDF has written as its code point, "[U+1F600]"."""
    if _SURE.issuperset(text):
        return text
    return "".join(char if char in _SURE or ord(char) in _covered() else _spelled(char) for char in text)


def _spelled(char: str) -> str:
    return "" if unicodedata.category(char) in _DROPPED else f"[U+{ord(char):04X}]"
