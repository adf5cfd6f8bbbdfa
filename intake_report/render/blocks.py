"""The neutral blocks of a report: what a notebook shows and what both exporters read.

A block says *what* it is (a table with a caption, a figure with alternative text), never how it looks. Blocks travel
inside the executed notebook as JSON under `MIME_TYPE`, so that HTML and PDF cannot differ in content. What a field may
hold is checked where blocks become JSON, in the cell that made them, and where they are read again.

Texts are plain, with a small inline syntax: ``[[label]]`` is a cross reference ("Figure 3", a link), ``**bold**`` and
``code`` in back quotes mean what they mean in Markdown; everything else is literal. Text that somebody else wrote (a
campaign's notes, a file name) goes through `literal`, which marks those signs with the control character "data link
escape", so that no text of a campaign can act as markup.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from functools import cache, lru_cache
from math import isfinite
from typing import Annotated, Any, Literal, NamedTuple
from xml.etree import ElementTree

from pydantic import Field, TypeAdapter, ValidationError

from intake_report.errors import DataError

MIME_TYPE = "application/vnd.intake-report.blocks+json"

Scalar = str | int | float | bool | None
Align = Literal["left", "right", "center"]
Label = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,79}$")]  # it becomes a file name and an anchor
FileName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,79}$")]


@dataclass(frozen=True)
class Cover:
    """The first page: what was asked, what was found, the facts that identify the report."""

    title: str
    subtitle: str
    date: str
    revision: str
    question: str
    answer: tuple[str, ...]
    facts: tuple[tuple[str, str], ...] = ()
    kind: Literal["cover"] = "cover"


@dataclass(frozen=True)
class Heading:
    """A section heading; numbered by the numbering pass. All below an internal one stays in the house."""

    level: Literal[1, 2, 3]
    text: str
    label: Label | None = None
    internal: bool = False
    kind: Literal["heading"] = "heading"


@dataclass(frozen=True)
class Paragraph:
    """One paragraph of text."""

    text: str
    kind: Literal["paragraph"] = "paragraph"


@dataclass(frozen=True)
class ItemList:
    """A bulleted or numbered list."""

    items: tuple[str, ...]
    ordered: bool = False
    kind: Literal["list"] = "list"


@dataclass(frozen=True)
class Definitions:
    """Terms and what they mean."""

    items: tuple[tuple[str, str], ...]
    internal: bool = False
    kind: Literal["definitions"] = "definitions"


@dataclass(frozen=True)
class Preformatted:
    """Lines kept as they are, in a fixed-width face (a command, an excerpt); no inline syntax."""

    text: str
    kind: Literal["preformatted"] = "preformatted"


@dataclass(frozen=True)
class Column:
    """Heading and alignment of one table column; an internal one is left out of the customer edition."""

    title: str
    align: Align = "left"
    internal: bool = False


@dataclass(frozen=True)
class Table:
    """A numbered table."""

    label: Label
    caption: str
    columns: Annotated[tuple[Column, ...], Field(min_length=1)]
    rows: tuple[tuple[str, ...], ...]  # cells as they are printed; the first column heads its row
    notes: tuple[str, ...] = ()  # printed under the table
    # raw values for the CSV file, with a heading row of their own (first row); None or NaN is an empty cell
    values: tuple[tuple[Scalar, ...], ...] | None = None
    widths: tuple[Annotated[float, Field(gt=0)], ...] | None = None  # relative widths, one per column
    internal: bool = False  # left out of the customer edition
    kind: Literal["table"] = "table"

    def __post_init__(self) -> None:
        columns = len(self.columns)
        if any(len(row) != columns for row in self.rows) or len(self.widths or self.columns) != columns:
            raise DataError(f"A row or the widths of the table {self.label!r} do not fit its {columns} columns.")


_SVG = "{http://www.w3.org/2000/svg}"
_ELEMENTS = {"svg", "g", "defs", "clipPath", "path", "use", "rect", "image", "pattern", "linearGradient", "stop"}
_INSIDE = re.compile(r"#|data:image/png;base64,")  # how a reference begins that loads nothing
_OUTSIDE = re.compile(r"url\((?!#)")


@lru_cache(maxsize=64)  # every reader of a notebook asks, of the same figures
def _check_svg(svg: str, label: str) -> None:
    """Refuse a drawing that is not shapes alone: what runs or loads, and what has a name outside of the drawing."""
    try:
        if "<!" in svg or "<?" in svg:
            raise DataError(f"The drawing of {label!r} holds a declaration or comment and is refused.")
        root = ElementTree.fromstring(svg)
    except ElementTree.ParseError as error:
        raise DataError(f"The drawing of {label!r} is not a well-formed SVG: {error}.") from None
    for element in root.iter():
        if element.tag.removeprefix(_SVG) not in _ELEMENTS:
            raise DataError(f"The drawing of {label!r} holds a <{element.tag[:60]}> element and is refused.")
        for name, value in element.attrib.items():
            loads = _OUTSIDE.search(value) or (name == "href" and not _INSIDE.match(value))
            if loads or name.startswith(("on", "{")):
                raise DataError(f"The drawing of {label!r} runs or loads something ({name}) and is refused.")


@dataclass(frozen=True)
class Figure:
    """A numbered figure as SVG, with alternative text."""

    label: Label
    caption: str
    alt: Annotated[str, Field(pattern=r"\S")]
    svg: str  # drawn shapes alone
    kind: Literal["figure"] = "figure"

    def __post_init__(self) -> None:
        _check_svg(self.svg, self.label)


@dataclass(frozen=True)
class Callout:
    """A remark set apart from the text: a caution, a limitation or a note."""

    tone: Literal["caution", "limitation", "note"]
    title: str
    texts: tuple[str, ...]
    kind: Literal["callout"] = "callout"


@dataclass(frozen=True)
class Data:
    """A text file that travels with the notebook (results.json); never rendered."""

    name: FileName
    media_type: str
    text: str
    kind: Literal["data"] = "data"


@dataclass(frozen=True)
class Begins:
    """What follows is the annex, a file of its own with numbers of its own, or begins a page in print (a run sheet)."""

    kind: Literal["annex", "page"]


@dataclass(frozen=True)
class Form:
    """Boxes to be filled in by hand, two beside each other; a long one takes a row of its own."""

    items: tuple[str, ...]
    long: tuple[str, ...] = ()
    kind: Literal["form"] = "form"


Block = (
    Begins
    | Form
    | Cover
    | Heading
    | Paragraph
    | ItemList
    | Definitions
    | Preformatted
    | Table
    | Figure
    | Callout
    | Data
)


_INLINE = (
    "title", "subtitle", "question", "answer", "facts", "text", "items", "long", "caption", "columns", "rows", "notes",
    "texts",
)  # fmt: skip


def texts(part: Any) -> Iterator[str]:
    """Yield every text of a block, or of a part of one, in which the inline syntax counts."""
    if isinstance(part, str):
        yield part
    elif isinstance(part, tuple):
        for one in part:
            yield from texts(one)
    elif not isinstance(part, Data | Preformatted):
        for name in _INLINE:
            yield from texts(getattr(part, name, ()))


@cache
def _adapter() -> TypeAdapter[tuple[Block, ...]]:
    return TypeAdapter(tuple[Annotated[Block, Field(discriminator="kind")], ...])


def _jsonable(value: Any) -> Any:
    """Return `value` with tuples as lists, array scalars as Python numbers and non-finite numbers as None."""
    if isinstance(value, Mapping):
        return {key: _jsonable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_jsonable(item) for item in value]
    value = value.item() if hasattr(value, "item") else value
    return None if isinstance(value, float) and not isfinite(value) else value


def bundle(blocks: Iterable[Block]) -> list[dict[str, Any]]:
    """Return blocks as JSON-able data, which stands under `MIME_TYPE` in a notebook output; DataError as `unbundle`."""
    data: list[dict[str, Any]] = _jsonable([asdict(block) for block in blocks])
    unbundle(data)  # a mistake shows in the cell that made it, not at export
    return data


def unbundle(data: Any) -> tuple[Block, ...]:
    """Return the blocks that `bundle` was given; DataError for an unknown kind, or a field that is missing or wrong."""
    try:
        return _adapter().validate_python(data)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise DataError(f"A report block cannot be read: {first['msg']} (at {where or 'the block'}).") from None


# ---- the inline syntax of texts ----

_ESCAPE = "\x10"
_TOKEN = re.compile(
    rf"{_ESCAPE}(?P<literal>[*`\[])"
    rf"|(?P<emphasis>{_ESCAPE}/)"
    r"|\[\[(?P<ref>[A-Za-z][A-Za-z0-9_-]*)\]\]"
    r"|`(?P<code>[^`]+)`"
    r"|(?P<bold>\*\*)"
)
_CODE_ESCAPE = re.compile(rf"{_ESCAPE}([*`\[])")
# C0 and C1 controls, lone surrogates and non-characters: refused by XML, by Typst or by both.
_UNPRINTABLE = re.compile("[\x00-\x08\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
# Directional overrides can show a number in another order than it has.
_DIRECTIONAL = re.compile("[\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
_LINE_END = re.compile(r"\r\n?|[\n\x0b\x0c\x85\u2028\u2029]")


class Piece(NamedTuple):
    """A stretch of text of one kind; for a cross reference `text` is the label."""

    text: str
    bold: bool = False
    italic: bool = False
    code: bool = False
    reference: bool = False


def printable(text: str) -> str:
    """Return `text` with U+FFFD for what cannot be printed, spaces for line ends, no overrides of direction."""
    if text.isascii() and text.isprintable():
        return text
    return _UNPRINTABLE.sub("\ufffd", _LINE_END.sub(" ", _DIRECTIONAL.sub("", text)))


def literal(text: str) -> str:
    """Return `text`, which somebody else wrote, so that the inline syntax leaves every character of it alone."""
    return re.sub(r"[*`\[]", lambda match: _ESCAPE + match.group(), text.replace(_ESCAPE, "\ufffd"))


def emphasis(text: str) -> str:
    """Return `text` (inline syntax) set in italics."""
    return f"{_ESCAPE}/{text}{_ESCAPE}/"


@lru_cache(maxsize=16384)  # page, PDF and notebook print the same texts, and tables the same cells
def parse(text: str) -> tuple[Piece, ...]:
    """Return the spans of a block text; adjacent ones differ in kind, and a bold mark without its partner is literal."""
    spans: list[Piece] = []
    bold = italic = False

    def add(words: str, *, code: bool = False, reference: bool = False) -> None:
        span = Piece(printable(words), bold, italic, code, reference)
        if words and not reference and spans and spans[-1][1:] == span[1:]:
            spans[-1] = spans[-1]._replace(text=spans[-1].text + span.text)
        elif words:
            spans.append(span)

    position = 0
    for match in _TOKEN.finditer(text):
        add(text[position : match.start()])
        position = match.end()
        if match["literal"]:
            add(match["literal"])
        elif match["emphasis"]:
            italic = not italic
        elif match["ref"]:
            add(match["ref"], reference=True)
        elif match["code"]:
            add(_CODE_ESCAPE.sub(r"\1", match["code"]), code=True)
        elif bold or "**" in text[position:]:
            bold = not bold
        else:
            add("**")
    add(text[position:])
    return tuple(spans)


def plain(text: str, resolve: Callable[[str], str] = str) -> str:
    """Return a block text without its marks; `resolve` gives the words for the label of a cross reference."""
    return "".join(resolve(span.text) if span.reference else span.text for span in parse(text))
