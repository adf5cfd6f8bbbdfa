"""The neutral blocks of a report: what a notebook shows and what both exporters read.

A block says *what* it is (a table with a caption, a figure with alternative text), never how it looks. Blocks travel
inside the executed notebook as JSON under `MIME_TYPE`, so that HTML and PDF cannot differ in content.

Texts are plain, with a small inline syntax (see `intake_report.render.inline`): ``[[label]]`` is a cross reference,
``**bold**`` and ``code`` in back quotes; everything else is literal. What a field may hold is checked where blocks
become JSON, in the cell that made them, and where they are read again.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from math import isfinite
from typing import Annotated, Any, Literal

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


@dataclass(frozen=True)
class Figure:
    """A numbered figure as SVG, with alternative text."""

    label: Label
    caption: str
    alt: Annotated[str, Field(pattern=r"\S")]
    svg: str
    kind: Literal["figure"] = "figure"


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
class AnnexBegins:
    """What follows is printed in the annex, a file of its own with numbers of its own."""

    kind: Literal["annex"] = "annex"


@dataclass(frozen=True)
class PageBegins:
    """What follows begins a page of its own in print (a run sheet)."""

    kind: Literal["page"] = "page"


@dataclass(frozen=True)
class Form:
    """Boxes to be filled in by hand, two beside each other; a long one takes a row of its own."""

    items: tuple[str, ...]
    long: tuple[str, ...] = ()
    kind: Literal["form"] = "form"


Block = (
    AnnexBegins | PageBegins | Form | Cover | Heading | Paragraph | ItemList | Definitions | Preformatted | Table | Figure | Callout
    | Data
)  # fmt: skip


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
