"""A schematic drawing of each intake, from above, in place of the photographs that a real campaign has."""

from __future__ import annotations

import io

_SIZE, _FINE = (600, 400), 3  # drawn three times as fine and reduced, for smooth edges
_EDGE, _BODY, _DUCT, _CONE, _ELEMENT = "#333333", "#b9c4cd", "#dfe5ea", "#d9c9a3", "#8a7440"
_Shape = tuple[str, tuple[float, ...], str]  # kind, points (x, y, x, y …), colour, or the text of a label

_BAY: tuple[_Shape, ...] = (
    ("area", (14, 46, 586, 46, 586, 354, 14, 354), "#f7f7f5"),
    ("area", (70, 120, 88, 120, 88, 340, 70, 340), "#c9c9c9"),
    ("area", (440, 90, 570, 90, 570, 330, 440, 330), "#a5a5a5"),
    ("label", (505, 205), "engine"),
    ("label", (300, 378), "drawing, demo (front of the vehicle: left)"),
)
_ARTICLES: dict[str, tuple[_Shape, ...]] = {
    "stock": (
        ("tube", (360, 190, 440, 190), _DUCT),
        ("tube", (30, 82, 190, 82, 190, 140), _DUCT),
        ("area", (150, 130, 360, 130, 360, 290, 150, 290), _BODY),
        ("line", (255, 140, 255, 280), _ELEMENT),
        ("label", (255, 312), "closed airbox"),
        ("label", (315, 82), "short inlet"),
    ),
    "open-cone": (
        ("tube", (330, 190, 440, 190), "#eeeeee"),
        ("area", (190, 168, 330, 130, 330, 250, 190, 212), _CONE),
        ("line", (205, 176, 318, 150), _ELEMENT),
        ("line", (205, 190, 318, 190), _ELEMENT),
        ("line", (205, 204, 318, 230), _ELEMENT),
        ("label", (262, 284), "cone element, no shield"),
        ("label", (380, 146), "tube"),
    ),
    "sealed-snorkel": (
        ("tube", (360, 190, 440, 190), _DUCT),
        ("tube", (30, 320, 190, 320, 190, 260), _DUCT),
        ("area", (150, 120, 360, 120, 360, 270, 150, 270), _BODY),
        ("frame", (164, 134, 346, 134, 346, 256, 164, 256), _EDGE),
        ("line", (255, 150, 255, 242), _ELEMENT),
        ("label", (275, 92), "sealed box, gasketed lid"),
        ("label", (315, 302), "external"),
        ("label", (315, 330), "snorkel"),
    ),
}


def drawing(article: str) -> bytes:
    """Return the drawing of a configuration, by its id, as PNG."""
    from PIL import Image, ImageDraw, ImageFont

    picture = Image.new("RGB", (_FINE * _SIZE[0], _FINE * _SIZE[1]), "white")
    pen, font = ImageDraw.Draw(picture), ImageFont.load_default(28 * _FINE)
    for kind, points, colour in _BAY + _ARTICLES[article]:
        at = [_FINE * value for value in points]
        if kind == "label":
            pen.text((at[0], at[1]), colour, fill="black", font=font, anchor="mm")
        elif kind == "area":
            pen.polygon(at, fill=colour, outline=_EDGE, width=3 * _FINE)
        elif kind == "frame":
            pen.polygon(at, outline=colour, width=2 * _FINE)
        elif kind == "line":
            pen.line(at, fill=colour, width=10 * _FINE)
        else:
            pen.line(at, fill=_EDGE, width=46 * _FINE, joint="curve")
            pen.line(at, fill=colour, width=40 * _FINE, joint="curve")
    file = io.BytesIO()
    picture.resize(_SIZE, Image.Resampling.LANCZOS).quantize(32).save(file, "PNG", optimize=True)
    return file.getvalue()
