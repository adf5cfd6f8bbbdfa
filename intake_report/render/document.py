"""The report as a document: identity and date, blocks in their places, the one numbering pass for HTML and PDF."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from intake_report.campaign import Campaign
from intake_report.errors import DataError
from intake_report.render import blocks


@dataclass(frozen=True)
class ReportMeta:
    """Identity of one issued report."""

    campaign: str  # its id
    title: str
    date: str  # ISO, "2025-06-03"; also the only time stamp of the PDF
    revision: int = 1  # from 1; 0 is a draft, which is not issued
    paper: Literal["a4", "letter"] = "a4"
    edition: Literal["full", "customer"] = "full"
    notice: str = ""  # what the first page says of a draft or an extract

    @property
    def mark(self) -> str:
        """What every page is marked with; empty for a full report that was issued."""
        return "DRAFT" if self.revision == 0 else "EXTRACT" if self.edition != "full" else ""

    @property
    def issue(self) -> str:
        """Which issue this is, in words."""
        return f"revision {self.revision}" if self.revision else "not issued"

    @property
    def timestamp(self) -> datetime:
        """Midnight UTC of the report date."""
        return datetime.fromisoformat(self.date).replace(tzinfo=UTC)


@dataclass(frozen=True)
class Attachment:
    """A file carried inside the PDF."""

    name: str  # plain file name
    data: bytes
    media_type: str
    description: str
    relationship: Literal["data", "source"] = "data"  # the numbers behind the report, or what it was made from


def report_date(campaign: Campaign, text: str = "") -> str:
    """Return the ISO date of the report: `text`, else today in the campaign's time zone. DataError if it is not a date."""
    if not text:
        return datetime.now(ZoneInfo(campaign.about.timezone)).date().isoformat()
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise DataError(f"“{text}” is not a date.", remedy="Write it as 2026-07-31.") from None


_KINDS = {"sec": "section", "fig": "figure", "tab": "table"}


@dataclass(frozen=True)
class Target:
    """Something that a cross reference can point to."""

    kind: str  # "section", "figure", "table"
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

    block: blocks.Block
    target: Target | None = None
    level: int = 0


@dataclass(frozen=True)
class Document:
    """A numbered report: the body, and the blocks of its annex, which carry numbers that begin with A."""

    items: tuple[Item, ...]
    cover: blocks.Cover | None = None
    data: tuple[blocks.Data, ...] = ()
    targets: Mapping[str, Target] = field(default_factory=dict)
    annex: tuple[Item, ...] = ()
    is_annex: bool = False
    growing: bool = False  # a running notebook, whose later cells may still bring the target of a reference
    withheld: frozenset[str] = frozenset()  # labels that are in the full report only

    def of_annex(self) -> Document:
        """Return the annex as a document of its own, whose references still reach into the body."""
        return replace(self, items=self.annex, annex=(), is_annex=True)

    def elsewhere(self, target: Target) -> bool:
        """Tell whether a target stands in the other file."""
        return target.annex != self.is_annex and not self.growing

    def reference(self, label: str) -> Target:
        """Return the target that `label` names. DataError if nothing in the report carries it."""
        if label in self.targets:
            return self.targets[label]
        if not self.growing:
            what = f"The cross reference [[{label}]] has no target in the report."
            remedy = "Give a heading, figure or table this label, or pass foreign text through literal()."
            raise DataError(what, remedy=remedy)
        kind, _, words = label.partition("-")
        return Target(_KINDS.get(kind, "section"), f"“{words.replace('-', ' ')}”", label)

    def words(self, label: str) -> str:
        """Return the words of a reference."""
        return f"{self.reference(label).name}{' of the full report' if label in self.withheld else ''}"

    def plain(self, text: str) -> str:
        """Return a block text as a reader sees it, without marks."""
        return blocks.plain(text, self.words)


def number(all_blocks: Iterable[blocks.Block]) -> Document:
    """Give the blocks of a report, in reading order, their numbers; DataError: a label or cover twice, a lost reference."""
    everything = tuple(all_blocks)
    document = replace(number_so_far(everything), growing=False)
    for text in blocks.texts(everything):
        for span in blocks.parse(text):
            if span.reference:
                document.reference(span.text)
    return document


def number_so_far(all_blocks: Sequence[blocks.Block]) -> Document:
    """Give the blocks that a running notebook has shown their numbers; what they refer to may come later."""
    covers = [block for block in all_blocks if isinstance(block, blocks.Cover)]
    if len(covers) > 1:
        raise DataError(f"The report has {len(covers)} covers.", remedy="Show the cover once.")
    targets: dict[str, Target] = {}

    def target_of(kind: str, number: str, label: str) -> Target:
        # labels become file names, and some file systems do not tell A from a
        if label.casefold() in map(str.casefold, targets):
            raise DataError(f"Two blocks of the report carry the label {label!r}.", remedy="Rename one of them.")
        targets[label] = Target(kind, number, label, annex)
        return targets[label]

    parts: tuple[list[Item], list[Item]] = ([], [])
    annex = False
    counts, sections, open_levels = {"figure": 0, "table": 0}, list[int](), list[int]()
    for block in all_blocks:
        lead = "A" if annex else ""
        item = Item(block)
        if block.kind == "annex":
            annex, counts, sections, open_levels = True, dict.fromkeys(counts, 0), [], []
        if block.kind in ("annex", "cover", "data"):
            continue
        if isinstance(block, blocks.Heading):
            # a heading that skips a level is raised to the next one, so that the outline has no holes
            open_levels = [*(level for level in open_levels if level < block.level), block.level]
            level = len(open_levels)
            sections = [*sections[:level], 0][:level]
            sections[-1] += 1
            place = lead + ".".join(map(str, sections))
            item = Item(block, target_of("section", place, block.label or f"section-{place}".replace(".", "-")), level)
        elif isinstance(block, blocks.Figure | blocks.Table):
            counts[block.kind] += 1
            item = Item(block, target_of(block.kind, f"{lead}{counts[block.kind]}", block.label))
        parts[annex].append(item)
    data = tuple(block for block in all_blocks if isinstance(block, blocks.Data))
    return Document(tuple(parts[0]), next(iter(covers), None), data, targets, tuple(parts[1]), growing=True)
