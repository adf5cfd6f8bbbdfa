"""Turn a matplotlib figure into a figure block whose bytes depend on nothing but the figure; drawings as pixels.

A drawing in a report holds no script and nothing outside itself, and its ids are its own.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from intake_report.errors import DataError
from intake_report.plots import STYLE
from intake_report.render import blocks

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PNG_DPI = 144
_SVG = "{http://www.w3.org/2000/svg}"
_ELEMENTS = {"svg", "g", "defs", "clipPath", "path", "use", "rect", "image", "pattern", "linearGradient", "stop"}
_INSIDE = re.compile(r"#|data:image/png;base64,")  # how a reference begins that loads nothing
_OUTSIDE = re.compile(r"url\((?!#)")


def figure_block(fig: Figure, label: str, caption: str, alt: str) -> blocks.Figure:
    """Return `fig` as a figure block.

    `fig`: left as it is; `label`: unique in the report; names the files figures/<label>.svg and .png; `caption`, `alt`:
    caption (inline syntax) and alternative text (plain) that says what can be seen. Same figure, same label: same bytes
    (ids are numbered, no date is stored).
    """
    import matplotlib as mpl

    from intake_report.render.svg import draw_svg

    with mpl.rc_context(STYLE):  # with the style of the layout: how many ticks there are depends on it
        return blocks.Figure(label, caption, alt, draw_svg(fig, label))


@lru_cache(maxsize=64)  # every exporter asks, of the same figures
def checked_svg(svg: str, label: str) -> str:
    """Return the drawing of the figure `label` as it is; DataError unless it is drawn shapes alone: nothing that runs or loads."""
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
    return svg


def draw_pixels(folder: Path, names: Sequence[str]) -> list[bytes]:
    """Return the SVG files `names` of `folder` as PNG, in the same order; same files, same bytes."""
    import typst

    if not names:
        return []
    page = "#set page(width: auto, height: auto, margin: 0pt)\n"
    source = page + "#pagebreak()\n".join(f'#image("/{name}")\n' for name in names)
    made = typst.compile(  # type: ignore[call-overload]
        source.encode(), root=folder, format="png", ppi=PNG_DPI, ignore_system_fonts=True
    )
    return [bytes(one) for one in (made if isinstance(made, list) else [made])]
