"""The customer edition of a report: what is marked internal is left out, every number keeps its name."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from intake_report.campaign import Campaign
from intake_report.errors import DataError
from intake_report.render import inline
from intake_report.render.blocks import Figure, Heading, Table
from intake_report.render.numbering import Document, Item, texts

SHORTEST = 3  # characters: a shorter name, an initial, is found in any text


def extract(document: Document, campaign: Campaign) -> Document:
    """Return a report without sections, tables and columns that are internal.

    Numbers of sections, tables and figures stay those of the full report; a reference to what is left out names it there. Raises
    DataError: a name of a person, a file name or a note of `campaign` would still be printed.
    """
    items, annex = tuple(_kept(document.items)), tuple(_kept(document.annex))
    left = {item.target.label for item in (*items, *annex) if item.target}
    made = replace(document, items=items, annex=annex, data=(), withheld=frozenset(document.targets) - left)
    _check(made, campaign)
    return made


def _kept(items: Sequence[Item]) -> Iterator[Item]:
    closed = 0  # level of the internal section that is being passed over
    for item in items:
        block = item.block
        if isinstance(block, Heading) and (not closed or item.level <= closed):
            closed = item.level if block.internal else 0
        if closed or getattr(block, "internal", False):
            continue
        yield replace(item, block=_open_columns(block)) if isinstance(block, Table) else item


def _open_columns(table: Table) -> Table:
    kept = [i for i, column in enumerate(table.columns) if not column.internal]
    widths = tuple(table.widths[i] for i in kept) if table.widths else None
    rows = tuple(tuple(row[i] for i in kept) for row in table.rows)
    return replace(table, columns=tuple(table.columns[i] for i in kept), rows=rows, widths=widths, values=None)


def _check(document: Document, campaign: Campaign) -> None:
    """Refuse an extract in which something internal is left, wherever it came from."""
    secrets = [word for word in _internal(campaign) if len(word) >= SHORTEST]
    if not secrets:
        return
    pattern = re.compile(
        "|".join(rf"(?<!\w){re.escape(word)}(?!\w)" for word in sorted(secrets, key=len, reverse=True))
    )
    blocks = [item.block for item in (*document.items, *document.annex)]
    for block in [*([document.cover] if document.cover else []), *blocks]:
        more = [block.alt] if isinstance(block, Figure) else []
        for text in (*texts(block), *more):
            if found := pattern.search(inline.plain(text)):
                raise DataError(
                    f"the customer edition would print “{found[0]}”, a name of a person or file or an internal note, in: "
                    f"{inline.plain(text)[:120]}",
                    file=campaign.file,
                    remedy="Say it otherwise in the campaign file, for instance with a role in place of a name.",
                )


def _internal(campaign: Campaign) -> Iterator[str]:
    about = campaign.about
    yield from (about.prepared_by, about.reviewed_by, about.approved_by, campaign.vehicle.notes)
    for run in campaign.runs:
        yield from (run.driver, run.notes)
    for pull in campaign.pulls:
        yield pull.notes
    for trial in campaign.exposures:
        yield trial.inspector
    for path in campaign.input_paths():
        yield from (path, path.rsplit("/", 1)[-1])
