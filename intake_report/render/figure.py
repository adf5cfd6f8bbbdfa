"""Turn a matplotlib figure into a figure block whose bytes depend on nothing but the figure."""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING, Literal

from intake_report.render import blocks
from intake_report.render.svg import clean_svg

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PNG_DPI = 144
# Noisy lines of 60 000 points shrink to two fifths; no difference can be seen in print.
_SIMPLIFY = 0.3


def figure_block(
    fig: Figure, label: str, caption: str, alt: str, *, size: Literal["full", "half"] = "full"
) -> blocks.Figure:
    """Return `fig` as a figure block.

    Parameters
    ----------
    fig : matplotlib.figure.Figure
        Left as it is; close it when it came from pyplot.
    label : str
        Unique in the report; names the files figures/<label>.svg and .png.
    caption, alt : str
        Caption (inline syntax) and alternative text (plain) that says what can be seen.
    size : {"full", "half"}
        Width in the report: the text width or a good half of it.

    Returns
    -------
    Figure
        Same figure, same label: same bytes (ids are salted with the label, no date is stored).
    """
    import matplotlib as mpl

    vector, pixels = io.StringIO(), io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": label, "svg.fonttype": "path", "path.simplify_threshold": _SIMPLIFY}):
        fig.savefig(vector, format="svg", metadata={"Date": None, "Creator": None})
        fig.savefig(pixels, format="png", dpi=PNG_DPI, metadata={"Software": None})
    return blocks.Figure(
        label=label,
        caption=caption,
        alt=alt,
        svg=clean_svg(vector.getvalue(), label),
        png=base64.b64encode(pixels.getvalue()).decode("ascii"),
        size=size,
    )
