"""What bounds the answer: the gravest limitations for the deciding pages, and all of them, grouped, for the body."""

from __future__ import annotations

from collections.abc import Collection

from intake_report.messages import said
from intake_report.metrics import PULL_METRICS
from intake_report.render.blocks import Block, Heading, ItemList, Paragraph
from intake_report.render.inline import literal
from intake_report.results import Limitation, ReportResult

NOTHING_STANDS = 100
"""Below this rank a limitation says that nothing can be compared."""
GROUPS = (
    ("comparison", "What may bend the comparison on the road"),
    ("values", "What bounds single values and their conditions"),
    ("power", "What bounds power and torque"),
    ("bench", "What bounds bench, trials and what was not tested"),
)


def gravest_of(result: ReportResult, most: int) -> tuple[Limitation, ...]:
    """Return the gravest limitations of the metrics that decide or that a claim names."""
    keys = {*result.decides, *(claim.key for claim in result.claims if claim.key)}
    compared = any(c.difference is not None for c in result.comparisons)
    return gravest(result.limitations, keys, most, compared=compared)


def gravest(
    limitations: tuple[Limitation, ...], keys: Collection[str], most: int, *, compared: bool = True
) -> tuple[Limitation, ...]:
    """Return the gravest limitations of these metrics that have words for the cover; of those nearly the same, one.

    What bounds other metrics, or pulls and trials that nobody asks for, is left out, and so is what only bounds a
    comparison where nothing was `compared`.
    """
    power = any(key in PULL_METRICS for key in keys)
    named: dict[str, Limitation] = {}
    for item in sorted(limitations, key=lambda item: item.rank):
        asked = {
            "power": power, "values": True, "bench": False, "comparison": compared or item.rank < NOTHING_STANDS,
        }[item.endangers]  # fmt: skip
        said_before = item.code == "not-shown"  # the verdicts and what would settle them say it
        if item.cover and asked and not said_before and (not item.keys or set(item.keys) & set(keys)):
            named.setdefault(item.alike or item.code, item)
    return tuple(named.values())[:most]


def bounds(result: ReportResult) -> list[Block]:
    """Return the three gravest limitations, a sentence each, with what to do."""
    worst = gravest_of(result, 3)
    if not worst:
        return []
    items = []
    for item in worst:
        remedy = said(item.remedy, result.units).rstrip(".")
        helps = f"; what helps: {remedy[:1].lower()}{remedy[1:]}" if remedy else ""
        items.append(literal(f"{item.cover[0].upper()}{item.cover[1:]}{helps}."))
    heading = Heading(1, "What bounds this answer most, and what helps", "sec-bounds")
    return [
        heading,
        ItemList(tuple(items), ordered=True),
        Paragraph("With numbers, and all others: [[sec-limitations]]."),
    ]


def limitations(result: ReportResult) -> tuple[Block, ...]:
    """Return what the data cannot show, grouped by what it endangers, the gravest of each group first."""
    scope = "The results hold for this vehicle, this route and these conditions, not for others."
    if result.limitations:
        scope += " What would remove each limitation: [[tab-limitations]]."
    blocks: list[Block] = [Heading(1, "Limitations", "sec-limitations"), Paragraph(scope)]
    for group, title in GROUPS:
        ordered = sorted((x for x in result.limitations if x.endangers == group), key=lambda item: item.rank)
        texts = dict.fromkeys(literal(said(item.text, result.units)) for item in ordered)
        blocks += [Heading(2, title), ItemList(tuple(texts))] if texts else []
    return tuple(blocks)
