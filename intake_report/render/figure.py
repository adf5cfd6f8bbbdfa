"""Turn a matplotlib figure into a figure block: an SVG that holds what can be seen and nothing else, its ids its own.

Texts are laid out once per process. Same figure, same label: same bytes (ids are numbered, no date is stored).
"""

from __future__ import annotations

import io
import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import matplotlib as mpl
from matplotlib.backends.backend_svg import RendererSVG, _generate_transform
from matplotlib.colors import rgb2hex
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.textpath import text_to_path

from intake_report.plots import STYLE, text_size, uncollected
from intake_report.render import blocks

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Noisy lines of 60 000 points shrink to two fifths; no difference can be seen in print.
_SIMPLIFY = 0.3
_OUTLINES: dict[str, Any] = {}  # of glyphs, by name
_TICK = r"\mathdefault"  # in what matplotlib writes at a logarithmic axis, whatever else is no mathematics
_BREAK = re.compile(r"\s*\n\s*")
_ID = re.compile(r'(?<= id=")|(?<="#)|(?<=url\(#)')
_ROOT = (
    '<svg width="{0:g}pt" height="{1:g}pt" viewBox="0 0 {0:g} {1:g}" version="1.1" '
    'style="stroke-linejoin: round; stroke-linecap: butt" xmlns="http://www.w3.org/2000/svg">\n'
)


class FigureOf(NamedTuple):
    """A figure whose label names its files and begins its ids."""

    figure: Figure
    label: str

    def captioned(self, caption: str, alt: str) -> blocks.Figure:
        """Return the block; `alt` (plain text) says what can be seen."""
        return blocks.Figure(self.label, caption, alt, _svg(self.figure, self.label))


def _svg(figure: Figure, label: str) -> str:
    canvas, dpi, file = figure.canvas, figure.dpi, io.StringIO()
    figure.dpi = 72
    width, height = (72.0 * side for side in figure.get_size_inches())
    # with the style of the layout: how many ticks there are depends on it
    style = STYLE | {"svg.fonttype": "path", "path.simplify_threshold": _SIMPLIFY}
    try:
        with mpl.rc_context(style), uncollected():
            renderer = _Visible(width, height, file, image_dpi=dpi)
            figure.draw(renderer)
            renderer.finalize()
    finally:
        figure.dpi = dpi
        figure.set_canvas(canvas)
    body = file.getvalue()
    body = _BREAK.sub(" ", body[body.index(">", body.index("<svg")) + 1 :]).replace("> <", ">\n<").strip()
    body = body.replace("xlink:href=", "href=").replace('"/>', '" />').replace(' "', '"').replace("base64, ", "base64,")
    return _ROOT.format(width, height) + _ID.sub(f"{label}--", body)


class _Visible(RendererSVG):
    """Writes no names of groups, no comments, no metadata and no style sheet; numbers what it names."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._names: dict[tuple[str, str], str] = {}
        self.writer.comment = lambda _: None  # type: ignore[method-assign]

    def _unseen(self, *_: Any, **__: Any) -> None:
        pass

    open_group = close_group = _write_metadata = _write_default_style = _unseen

    def _make_id(self, type: str, content: Any) -> str:
        """Number what matplotlib names by a hash of unrounded limits: their last digits differ from process to process."""
        return self._names.setdefault((type, str(content)), f"{type or 'c'}{len(self._names) + 1}")

    def get_text_width_height_descent(self, s: str, prop: FontProperties, ismath: Any) -> tuple[float, float, float]:
        if ismath or _TICK in s:
            size: tuple[float, float, float] = text_to_path.get_text_width_height_descent(s, prop, True)
            return size
        return text_size(s, prop.copy())

    def _draw_text_as_path(
        self, gc: Any, x: float, y: float, s: str, prop: FontProperties, angle: float, ismath: Any, mtext: Any = None
    ) -> None:
        if ismath or _TICK in s:
            super()._draw_text_as_path(gc, x, y, s, prop, angle, True, mtext)
            return
        places = _glyphs(s, prop.copy())
        for name in dict.fromkeys(name for name, _ in places if name not in self._glyph_map):
            self._glyph_map[name] = name
            self.writer.start("defs")
            if isinstance(_OUTLINES[name], tuple):
                vertices, codes = _OUTLINES[name]  # in the font's own units, 64 to one of FreeType
                _OUTLINES[name] = str(self._convert_path(Path(vertices * 64, codes), simplify=False))
            self.writer.element("path", id=name, d=_OUTLINES[name], transform="scale(0.015625)")
            self.writer.end("defs")
        scale = prop.get_size_in_points() / text_to_path.FONT_SCALE
        steps = [("translate", (x, y)), ("rotate", (-angle,)), ("scale", (scale, -scale))]
        colour = rgb2hex(gc.get_rgb())
        style = {} if colour == "#000000" else {"style": f"fill: {colour}"}
        self.writer.start("g", {**style, "transform": _generate_transform(steps)})
        for name, place in places:
            self.writer.element("use", attrib={"transform": place, "xlink:href": f"#{name}"})
        self.writer.end("g")


@lru_cache(maxsize=4096)
def _glyphs(text: str, font: FontProperties) -> tuple[tuple[str, str], ...]:
    """Return name and place of each glyph of one line of text; their outlines go to `_OUTLINES`."""
    face = text_to_path._get_font(font)  # type: ignore[attr-defined]
    places, new, _ = text_to_path.get_glyphs_with_font(face, text, glyph_map=_OUTLINES, return_new_glyphs_only=True)
    _OUTLINES.update(new)
    return tuple((name, _generate_transform([("translate", (x, y)), ("scale", (by,))])) for name, x, y, by in places)
