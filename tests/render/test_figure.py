"""Figures: reproducible bytes, ids of their own, nothing that runs or loads."""

import re

import numpy as np
import pytest
from matplotlib.figure import Figure as MplFigure
from matplotlib.font_manager import findfont, get_font

from intake_report.errors import DataError
from intake_report.render import blocks
from intake_report.render.figure import FigureOf
from intake_report.render.html import caption, mime_bundle

from .samples import drawing

SVG = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="9" height="9">{}</svg>'


def test_same_figure_same_bytes_with_ids_of_its_own_and_no_date_metadata_or_address():
    first, second = (FigureOf(drawing(1), "fig-a").captioned("c", "alt") for _ in range(2))
    assert first == second
    assert FigureOf(drawing(2), "fig-a").captioned("c", "alt") != first
    ids = re.findall(r'id="([^"]+)"', first.svg)
    assert ids and all(name.startswith("fig-a--") for name in ids)
    assert "<metadata" not in first.svg
    assert re.findall(r"https?://[^\"]+", first.svg) == ["http://www.w3.org/2000/svg"]


def test_texts_and_pixels_of_a_drawing_are_harmless():
    fig = MplFigure(figsize=(3, 2))
    ax = fig.subplots()
    ax.set_title("--> <script>alert(1)</script>")
    ax.imshow(np.eye(3))
    svg = FigureOf(fig, "fig-a").captioned("c", "a").svg
    assert "script" not in svg and "data:image/png;base64," in svg


@pytest.mark.parametrize("svg", ['<!DOCTYPE svg [<!ENTITY a "b">]>' + SVG.format("&a;"), *map(SVG.format, (
    "<script>alert(1)</script>",
    '<g onload="alert(1)"/>',
    '<image href="http://a.b/c.png"/>',
    '<image href="data:image/svg+xml;base64,AA"/>',
    '<use xlink:href="other.svg#a"/>',
    '<a href="javascript:alert(1)"><g/></a>',
    '<rect style="fill: url(http://a.b/c)"/>',
    '<rect fill="url(x.svg#y)"/>',
    "<style>@import 'x.css';</style>",
    "<foreignObject/>",
    '<h:p xmlns:h="http://www.w3.org/1999/xhtml">x</h:p>',
    "<set attributeName='href' to='x'/>",
    "<g>",
    "<!-- -->",
    "<?x y?>",
    "<![CDATA[<script>]]>",
))])  # fmt: skip
def test_drawing_that_runs_or_loads_is_refused(svg):
    with pytest.raises(DataError, match="fig-a") as caught:
        blocks.Figure("fig-a", "c", "alt", svg)
    assert "\n" not in str(caught.value)


def test_a_figure_is_displayed_with_its_alternative_text(monkeypatch):
    monkeypatch.setattr("intake_report.render.html._SHOWN", {})
    block = FigureOf(drawing(1), "fig-a").captioned("c", "alt text")
    bundle = mime_bundle(block)
    assert set(bundle) == {"application/vnd.intake-report.blocks+json", "image/svg+xml", "text/plain"}
    assert bundle["image/svg+xml"] == block.svg
    below = caption(block)["text/html"]
    assert 'aria-label="alt text"' in below and "<b>Figure 1.</b> c</figcaption>" in below and "<svg" not in below


def test_powers_of_ten_are_typeset_and_a_name_with_dollars_is_not():
    sign = f'--DejaVuSans-{get_font(findfont("DejaVu Sans")).get_char_index(ord(chr(92))):x}"'
    figure = drawing(1)
    figure.axes[0].set_yscale("log")
    assert sign not in FigureOf(figure, "fa").captioned("c", "a").svg
    figure.axes[0].set_title(r"$\mu$ for $1", parse_math=False)
    assert sign in FigureOf(figure, "fa").captioned("c", "a").svg


def test_the_last_digits_of_a_limit_name_nothing():
    """A layout that differs by less than is printed gives the same bytes."""
    drawings = []
    for more in (0.0, 1e-13):
        figure = drawing(1)
        (panel,) = figure.axes
        box = panel.get_position()
        panel.set_position((box.x0 + more, box.y0, box.width, box.height))
        drawings.append(FigureOf(figure, "fa").captioned("c", "a").svg)
    assert "url(#fa--p1)" in drawings[0] and drawings[0] == drawings[1]
