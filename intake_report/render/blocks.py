"""The neutral blocks of a report: what a notebook shows and what both exporters read.

A block says *what* it is (a table with a caption, a figure with alternative text), never how it looks. Blocks travel
inside the executed notebook as JSON under `MIME_TYPE`, so that HTML and PDF cannot differ in content.

Texts are plain, with a small inline syntax (see `intake_report.render.inline`): ``[[label]]`` is a cross reference,
``**bold**`` and ``code`` in back quotes; everything else is literal.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from math import isfinite
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from intake_report.errors import DataError

MIME_TYPE = "application/vnd.intake-report.blocks+json"
VERSION = 1

Scalar = str | int | float | bool | None
Align = Literal["left", "right", "center"]

_LABEL = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,79}\Z")
_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}\Z")


class Strict:
    """What takes no further field when it is read."""

    __pydantic_config__ = ConfigDict(extra="forbid")


def _check_label(label: str | None, what: str) -> None:
    if label is not None and not _LABEL.match(label):
        raise DataError(
            f"The label {label!r} of a {what} is not usable.",
            remedy="Begin with a letter and use letters, digits, '-' and '_' only, at most 80 of them.",
        )


def _check_alt(alt: str, label: str, what: str) -> None:
    if not alt.strip():
        raise DataError(f"The {what} {label!r} has no alternative text.", remedy="Say in one sentence what it shows.")


@dataclass(frozen=True)
class Cover(Strict):
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
class Heading(Strict):
    """A section heading of level 1, 2 or 3; numbered by the numbering pass. All below an internal one stays in the house."""

    level: int
    text: str
    label: str | None = None
    internal: bool = False
    kind: Literal["heading"] = "heading"

    def __post_init__(self) -> None:
        _check_label(self.label, "heading")
        if self.level not in (1, 2, 3):
            raise DataError(f"The heading {self.text!r} has level {self.level}.", remedy="Use level 1, 2 or 3.")


@dataclass(frozen=True)
class Paragraph(Strict):
    """One paragraph of text."""

    text: str
    kind: Literal["paragraph"] = "paragraph"


@dataclass(frozen=True)
class ItemList(Strict):
    """A bulleted or numbered list."""

    items: tuple[str, ...]
    ordered: bool = False
    kind: Literal["list"] = "list"


@dataclass(frozen=True)
class Definitions(Strict):
    """Terms and what they mean."""

    items: tuple[tuple[str, str], ...]
    internal: bool = False
    kind: Literal["definitions"] = "definitions"


@dataclass(frozen=True)
class Preformatted(Strict):
    """Lines kept as they are, in a fixed-width face (a command, an excerpt); no inline syntax."""

    text: str
    kind: Literal["preformatted"] = "preformatted"


@dataclass(frozen=True)
class Column(Strict):
    """Heading and alignment of one table column; an internal one is left out of the customer edition."""

    title: str
    align: Align = "left"
    internal: bool = False


@dataclass(frozen=True)
class Table(Strict):
    """A numbered table."""

    label: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]  # Cells as they are printed; the first column heads its row
    notes: tuple[str, ...] = ()  # Printed under the table
    # Raw values for the CSV file, with a heading row of their own (first row). None or NaN is an empty cell
    values: tuple[tuple[Scalar, ...], ...] | None = None
    widths: tuple[float, ...] | None = None  # Relative widths, one per column
    internal: bool = False  # Left out of the customer edition
    kind: Literal["table"] = "table"

    def __post_init__(self) -> None:
        _check_label(self.label, "table")
        if not self.columns:
            raise DataError(f"The table {self.label!r} has no columns.")
        for number, row in enumerate(self.rows, start=1):
            if len(row) != len(self.columns):
                raise DataError(
                    f"Row {number} of the table {self.label!r} has {len(row)} cells for {len(self.columns)} columns."
                )
        if self.widths is not None and (
            len(self.widths) != len(self.columns) or not all(isfinite(w) and w > 0 for w in self.widths)
        ):
            raise DataError(f"The widths of the table {self.label!r} are not one positive number per column.")


@dataclass(frozen=True)
class Figure(Strict):
    """A numbered figure as SVG, with alternative text."""

    label: str
    caption: str
    alt: str
    svg: str
    size: Literal["full", "half"] = "full"
    kind: Literal["figure"] = "figure"

    def __post_init__(self) -> None:
        _check_label(self.label, "figure")
        _check_alt(self.alt, self.label, "figure")


@dataclass(frozen=True)
class Callout(Strict):
    """A remark set apart from the text: a caution, a limitation or a note."""

    tone: Literal["caution", "limitation", "note"]
    title: str
    texts: tuple[str, ...]
    kind: Literal["callout"] = "callout"


@dataclass(frozen=True)
class Equation(Strict):
    """A numbered equation, as MathML for HTML and in Typst's notation for the PDF, with alternative text."""

    mathml: str
    typst: str
    alt: str
    label: str
    caption: str = ""
    kind: Literal["equation"] = "equation"

    def __post_init__(self) -> None:
        _check_label(self.label, "equation")
        _check_alt(self.alt, self.label, "equation")


@dataclass(frozen=True)
class Data(Strict):
    """A text file that travels with the notebook (results.json); never rendered."""

    name: str
    media_type: str
    text: str
    kind: Literal["data"] = "data"

    def __post_init__(self) -> None:
        if not _FILE_NAME.match(self.name):
            raise DataError(
                f"The data block name {self.name!r} is not a plain file name.",
                remedy="Use letters, digits, '.', '-' and '_' only.",
            )


@dataclass(frozen=True)
class AnnexBegins(Strict):
    """What follows is printed in the annex, a file of its own with numbers of its own."""

    kind: Literal["annex"] = "annex"


@dataclass(frozen=True)
class PageBegins(Strict):
    """What follows begins a page of its own in print (a run sheet)."""

    kind: Literal["page"] = "page"


@dataclass(frozen=True)
class Form(Strict):
    """Boxes to be filled in by hand, two beside each other; a long one takes a row of its own."""

    items: tuple[str, ...]
    long: tuple[str, ...] = ()
    kind: Literal["form"] = "form"


Block = (
    AnnexBegins | PageBegins | Form | Cover | Heading | Paragraph | ItemList | Definitions | Preformatted | Table | Figure | Callout
    | Equation | Data
)  # fmt: skip


@cache
def _adapter() -> TypeAdapter[Block]:
    return TypeAdapter(Annotated[Block, Field(discriminator="kind")])


def _jsonable(value: Any) -> Any:
    """Return `value` with tuples as lists, array scalars as Python numbers and non-finite numbers as None."""
    if isinstance(value, Mapping):
        return {key: _jsonable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_jsonable(item) for item in value]
    if hasattr(value, "item") and not isinstance(value, str):
        value = value.item()
    if isinstance(value, float) and not isfinite(value):
        return None
    return value


def to_json(block: Block) -> dict[str, Any]:
    """Return `block` as JSON-able data; `from_json` is its inverse. DataError if a field holds something of the wrong type."""
    data: dict[str, Any] = _jsonable(asdict(block))
    from_json(data)  # a mistake shows in the cell that made it, not at export
    return data


def from_json(data: Mapping[str, Any]) -> Block:
    """Return the block that `data`, what `to_json` returned, describes.

    Raises DataError: the kind is unknown, a field is missing, unknown or of the wrong type.
    """
    try:
        return _adapter().validate_python(dict(data))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise DataError(f"A report block cannot be read: {first['msg']} (at {where or 'the block'}).") from None


def bundle(blocks: Iterable[Block]) -> dict[str, Any]:
    """Return the JSON value that stands under `MIME_TYPE` in a notebook output."""
    return {"version": VERSION, "blocks": [to_json(block) for block in blocks]}


def unbundle(data: Any) -> tuple[Block, ...]:
    """Return the blocks of one notebook output; the inverse of `bundle`.

    `data`: the JSON value under `MIME_TYPE`. Raises DataError: the value is of another version or not a bundle.
    """
    if not isinstance(data, Mapping) or not isinstance(data.get("blocks"), list):
        raise DataError("A notebook output that claims to hold report blocks holds none.")
    if data.get("version") != VERSION:
        raise DataError(
            f"A notebook output holds report blocks of version {data.get('version')!r}, this package reads {VERSION}.",
            remedy="Run the notebook again with the installed package.",
        )
    return tuple(from_json(item) for item in data["blocks"])
