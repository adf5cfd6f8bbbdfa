"""The one numbering pass: sections, figures, tables and equations, shared by HTML and PDF."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from intake_report.errors import DataError
from intake_report.render import inline
from intake_report.render.blocks import (
    AnnexBegins,
    Block,
    Callout,
    Cover,
    Data,
    Definitions,
    Equation,
    Figure,
    Form,
    Heading,
    ItemList,
    Paragraph,
    Table,
)

TargetKind = Literal["section", "figure", "table", "equation"]
_KINDS: Mapping[str, TargetKind] = {"sec": "section", "fig": "figure", "tab": "table", "eq": "equation"}


@dataclass(frozen=True)
class Target:
    """Something that a cross reference can point to."""

    kind: TargetKind
    number: str
    label: str
    annex: bool = False

    @property
    def name(self) -> str:
        """Return the words of a reference, "Figure 3"."""
        return f"{self.kind.capitalize()} {self.number}"


@dataclass(frozen=True)
class Item:
    """One block in its place: with its number when it has one, and its depth when it is a heading."""

    block: Block
    target: Target | None = None
    level: int = 0


@dataclass(frozen=True)
class Document:
    """A numbered report: the body, and the blocks of its annex, which carry numbers that begin with A.

    `growing`: a running notebook, whose later cells may still bring the target of a reference.
    """

    items: tuple[Item, ...]
    cover: Cover | None = None
    data: tuple[Data, ...] = ()
    targets: Mapping[str, Target] = field(default_factory=dict)
    annex: tuple[Item, ...] = ()
    is_annex: bool = False
    growing: bool = False
    withheld: frozenset[str] = frozenset()  # labels that are in the full report only

    def of_annex(self) -> Document:
        """Return the annex as a document of its own, whose references still reach into the body."""
        return replace(self, items=self.annex, annex=(), is_annex=True)

    def elsewhere(self, target: Target) -> bool:
        """Tell whether a target stands in the other file."""
        return target.annex != self.is_annex and not self.growing

    def reference(self, label: str) -> Target:
        """Return the target that `label` names. DataError if nothing in the report carries it."""
        try:
            return self.targets[label]
        except KeyError:
            if self.growing:
                kind, _, words = label.partition("-")
                return Target(_KINDS.get(kind, "section"), f"“{words.replace('-', ' ')}”", label)
            raise DataError(
                f"The cross reference [[{label}]] has no target in the report.",
                remedy="Give a heading, figure, table or equation this label, or pass foreign text through literal().",
            ) from None

    def words(self, label: str) -> str:
        """Return the words of a reference."""
        return f"{self.reference(label).name}{' of the full report' if label in self.withheld else ''}"

    def plain(self, text: str) -> str:
        """Return a block text as a reader sees it, without marks."""
        return inline.plain(text, self.words)


def number(blocks: Iterable[Block]) -> Document:
    """Give the blocks of a report, in reading order, their numbers and check its cross references.

    A heading that skips a level is raised to the next one, so that the outline has no holes. Raises DataError: two blocks carry
    one label, there are two covers or annexes, or a cross reference has no target.
    """
    all_blocks = tuple(blocks)
    document = _numbered(all_blocks)
    for block in all_blocks:
        for text in texts(block):
            for span in inline.parse(text):
                if span.reference:
                    document.reference(span.text)
    return document


def number_so_far(blocks: Sequence[Block]) -> Document:
    """Give the blocks that a running notebook has shown their numbers; what they refer to may come later."""
    return replace(_numbered(blocks), growing=True)


def _numbered(all_blocks: Sequence[Block]) -> Document:
    covers = [block for block in all_blocks if isinstance(block, Cover)]
    if len(covers) > 1:
        raise DataError(f"The report has {len(covers)} covers.", remedy="Show the cover once.")
    targets: dict[str, Target] = {}
    taken: set[str] = set()
    folded: set[str] = {
        label.casefold() for block in all_blocks if (label := getattr(block, "label", None)) is not None
    }
    counts = {"figure": 0, "table": 0, "equation": 0}
    sections: list[int] = []
    open_levels: list[int] = []
    items: list[Item] = []
    body: list[Item] | None = None  # what came before the annex
    for block in all_blocks:
        if isinstance(block, AnnexBegins):
            body, items = items, []
            counts, sections, open_levels = dict.fromkeys(counts, 0), [], []
        if isinstance(block, AnnexBegins | Cover | Data):
            continue
        annex = body is not None
        lead = "A" if annex else ""
        if isinstance(block, Heading):
            open_levels = [*(level for level in open_levels if level < block.level), block.level]
            level = len(open_levels)
            sections = [*sections[:level], 0][: max(level, 1)]
            sections[level - 1] += 1
            label = block.label or _slug(block.text, folded)
            target = Target("section", lead + ".".join(map(str, sections)), label, annex)
            items.append(Item(block, _register(target, targets, taken), level))
        elif isinstance(block, Figure | Table | Equation):
            counts[block.kind] += 1
            target = Target(block.kind, f"{lead}{counts[block.kind]}", block.label, annex)
            items.append(Item(block, _register(target, targets, taken)))
        else:
            items.append(Item(block))
    data = tuple(block for block in all_blocks if isinstance(block, Data))
    cover = covers[0] if covers else None
    if body is None:
        return Document(tuple(items), cover, data, targets)
    return Document(tuple(body), cover, data, targets, tuple(items))


def _register(target: Target, targets: dict[str, Target], taken: set[str]) -> Target:
    # Labels become file names, and some file systems do not tell A from a.
    if target.label.casefold() in taken:
        raise DataError(f"Two blocks of the report carry the label {target.label!r}.", remedy="Rename one of them.")
    taken.add(target.label.casefold())
    targets[target.label] = target
    return target


def _slug(text: str, taken: set[str]) -> str:
    words = re.sub(r"[^a-z0-9]+", "-", inline.plain(text).lower()).strip("-")[:60] or "untitled"
    label = stem = f"section-{words}"
    count = 1
    while label in taken:
        count += 1
        label = f"{stem}-{count}"
    taken.add(label)
    return label


def texts(block: Block) -> Iterator[str]:
    """Yield every text of `block` in which the inline syntax counts."""
    match block:
        case Cover():
            yield from (block.title, block.subtitle, block.question, *block.answer)
            for term, text in block.facts:
                yield from (term, text)
        case Heading() | Paragraph():
            yield block.text
        case ItemList():
            yield from block.items
        case Definitions():
            for term, text in block.items:
                yield from (term, text)
        case Table():
            yield block.caption
            yield from (column.title for column in block.columns)
            for row in block.rows:
                yield from row
            yield from block.notes
        case Figure() | Equation():
            yield block.caption
        case Callout():
            yield from (block.title, *block.texts)
        case Form():
            yield from (*block.items, *block.long)
        case _:
            return
