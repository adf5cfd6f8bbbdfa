"""Show report blocks in a notebook: neutral JSON for the exporters, HTML for the person at the screen."""

from itertools import groupby
from typing import Any

from intake_report.render.blocks import MIME_TYPE, AnnexBegins, Block, Data, Figure, bundle
from intake_report.render.html import cell_html
from intake_report.render.numbering import number_so_far

_SHOWN: dict[str, Block] = {}  # of this kernel, in the order of first showing: a cell that runs again keeps its numbers


def mime_bundle(*blocks: Block) -> dict[str, Any]:
    """Return the output of one cell for `blocks`: the blocks as JSON, text/html and text/plain by MIME type.

    A figure alone has its drawing in place of HTML, since JupyterLab shows no drawing inside the HTML of a notebook that
    it does not trust.
    """
    made: dict[str, Any] = {MIME_TYPE: bundle(blocks), "text/plain": ", ".join(map(_describe, blocks))}
    # what tells a block from the others, also when its cell runs again with other data
    _SHOWN.update((getattr(one, "label", None) or f"{one.kind} {getattr(one, 'text', '')}", one) for one in blocks)
    visible = [block for block in blocks if not isinstance(block, AnnexBegins | Data)]
    if len(blocks) == 1 and isinstance(blocks[0], Figure):
        made["image/svg+xml"] = blocks[0].svg
    elif visible:
        made["text/html"] = cell_html(visible, number_so_far(tuple(_SHOWN.values())))
    return made


def show(*blocks: Block) -> None:
    """Display `blocks` in the running notebook, in reading order, a figure as an output of its own."""
    from IPython.display import display

    for alone, group in groupby(blocks, key=lambda block: isinstance(block, Figure)):
        run = tuple(group)
        for part in [(block,) for block in run] if alone else [run]:
            display(mime_bundle(*part), raw=True)  # type: ignore[no-untyped-call]
            if alone:
                display(caption(part[0]), raw=True)  # type: ignore[no-untyped-call]


def caption(figure: Block) -> dict[str, Any]:
    """Return the output below the drawing of a figure: its number and caption, and what can be seen for who cannot."""
    html = cell_html([figure], number_so_far(tuple(_SHOWN.values())))
    return {"text/html": html, "text/plain": f"caption of {_describe(figure)}"}


def _describe(block: Block) -> str:
    name = next(filter(None, (getattr(block, key, "") for key in ("label", "name", "title"))), "")
    return f"<{block.kind} {name}>" if name else f"<{block.kind}>"
