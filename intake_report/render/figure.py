"""Turn a matplotlib figure into a figure block whose bytes depend on nothing but the figure, and drawings made fit for a page.

A drawing in a report holds no script and nothing outside itself, and its ids are its own.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from xml.etree import ElementTree

from intake_report.errors import DataError
from intake_report.plots import STYLE
from intake_report.render import blocks

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PNG_DPI = 144
MOST_KEPT = 128  # drawings that are known to be clean; a report has some twenty
_PROLOG = re.compile(r"^\s*(<\?xml[^>]*\?>)?\s*(<!DOCTYPE[^>\[]*>)?\s*", re.DOTALL)
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_XML = "http://www.w3.org/XML/1998/namespace"
_DROPPED = {"metadata", "title", "desc"}
_REFUSED = {"script", "foreignObject", "a", "iframe", "animate", "set", "animateTransform", "animateMotion"}
_EVERYTHING = re.compile(r"^\s*\*\s*\{([a-z0-9:;. -]*)\}\s*$")  # the one style sheet that matplotlib writes
_PIXELS = "data:image/png;base64,"
_URL = re.compile(r"url\(\s*(['\"]?)(?P<target>[^)'\"]*)\1\s*\)")


def figure_block(
    fig: Figure, label: str, caption: str, alt: str, *, size: Literal["full", "half"] = "full"
) -> blocks.Figure:
    """Return `fig` as a figure block.

    `fig`: left as it is; `label`: unique in the report; names the files figures/<label>.svg and .png; `caption`, `alt`:
    caption (inline syntax) and alternative text (plain) that says what can be seen; `size` {"full", "half"}: width in the
    report: the text width or a good half of it. Returns same figure, same label: same bytes (ids are numbered, no date is
    stored).
    """
    import matplotlib as mpl

    from intake_report.render.svg import draw_svg

    with mpl.rc_context(STYLE):  # with the style of the layout: how many ticks there are depends on it
        drawn = draw_svg(fig, label)
    _CLEAN[drawn, label] = drawn
    return blocks.Figure(label=label, caption=caption, alt=alt, svg=drawn, size=size)


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


_CLEAN: dict[tuple[str, str], str] = {}  # every exporter cleans what it is given; it is the same figures each time


def clean_svg(svg: str, prefix: str) -> str:
    """Return `svg` as `cleaned` does; what was cleaned, or drawn here, is not parsed again."""
    if (svg, prefix) not in _CLEAN:
        if len(_CLEAN) > MOST_KEPT:
            _CLEAN.clear()
        made = cleaned(svg, prefix)
        _CLEAN[svg, prefix] = _CLEAN[made, prefix] = made
    return _CLEAN[svg, prefix]


def cleaned(svg: str, prefix: str) -> str:
    """Return `svg` without prolog, comments and metadata, with every id prefixed; same input, same output.

    `svg`: one SVG document; `prefix`: put before each id (once: cleaning twice changes nothing), so that several
    drawings can share one page. Returns one ``<svg>`` element. Raises DataError: the drawing is not well-formed, holds
    a script or points outside itself.
    """
    text = _PROLOG.sub("", svg, count=1)
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise DataError(f"The drawing of {prefix!r} declares entities and is refused.")
    try:
        root = ElementTree.fromstring(text)
    except ElementTree.ParseError as error:
        raise DataError(f"The drawing of {prefix!r} is not a well-formed SVG: {error}.") from None
    if root.tag != f"{{{_SVG}}}svg":
        raise DataError(f"The drawing of {prefix!r} is not an SVG document.")
    _move_style(root, prefix)
    _drop(root)
    used = _referenced(root, prefix)
    for element in root.iter():
        _clean_element(element, prefix, used)
    root.set("xmlns", _SVG)
    return ElementTree.tostring(root, encoding="unicode", short_empty_elements=True)


def _local(name: str) -> str:
    return name.rsplit("}", 1)[-1]


def _move_style(root: ElementTree.Element, prefix: str) -> None:
    """Move a style sheet for all elements to the root: in a page it would reach beyond its drawing."""
    for parent in list(root.iter()):
        for child in list(parent):
            if _local(child.tag) != "style":
                continue
            match = _EVERYTHING.match(child.text or "")
            if not match:
                raise DataError(f"The drawing of {prefix!r} has a style sheet of its own and is refused.")
            root.set("style", ";".join(part for part in (root.get("style", ""), match[1].strip()) if part))
            parent.remove(child)


def _drop(parent: ElementTree.Element) -> None:
    """Drop metadata, empty definitions and the white space between elements."""
    if parent.text is not None and not parent.text.strip():
        parent.text = None
    for child in list(parent):
        if _local(child.tag) in _DROPPED:
            parent.remove(child)
            continue
        _drop(child)
        child.tail = "\n" if len(child) or child.tail is None or not child.tail.strip() else child.tail
        if _local(child.tag) == "defs" and not len(child):
            parent.remove(child)


def _local_target(target: str, prefix: str) -> str:
    if not target.startswith("#"):
        raise DataError(f"The drawing of {prefix!r} points outside itself ({target[:60]!r}) and is refused.")
    return target[1:]


def _embedded(element: ElementTree.Element, target: str) -> bool:
    return _local(element.tag) == "image" and target.startswith(_PIXELS)


def _prefixed(name: str, prefix: str) -> str:
    return name if name.startswith(f"{prefix}--") else f"{prefix}--{name}"


def _referenced(root: ElementTree.Element, prefix: str) -> set[str]:
    """Return the ids that something in the drawing points to; the others only cost bytes."""
    found: set[str] = set()
    for element in root.iter():
        for name, value in element.attrib.items():
            if _local(name) == "href" and not _embedded(element, value):
                found.add(_local_target(value, prefix))
            elif _local(name) != "href":
                found.update(_local_target(match["target"], prefix) for match in _URL.finditer(value))
    return found


def _clean_element(element: ElementTree.Element, prefix: str, used: set[str]) -> None:
    tag = _local(element.tag)
    if tag in _REFUSED or not element.tag.startswith(f"{{{_SVG}}}"):
        raise DataError(f"The drawing of {prefix!r} holds a <{tag}> element and is refused.")
    element.tag = tag
    attributes = dict(element.attrib)
    element.attrib.clear()
    for name, value in attributes.items():
        local = _local(name)
        if local.lower().startswith("on"):
            raise DataError(f"The drawing of {prefix!r} has an event handler ({local}) and is refused.")
        if local == "id":
            if value in used:
                element.set("id", _prefixed(value, prefix))
        elif local == "href":
            target = (
                "".join(value.split())
                if _embedded(element, value)
                else "#" + _prefixed(_local_target(value, prefix), prefix)
            )
            element.set("href", target)
        elif name.startswith("{") and not name.startswith((f"{{{_XLINK}}}", f"{{{_XML}}}")):
            continue  # an editor's private attributes
        elif not name.startswith("{"):
            if local == "d":
                value = " ".join(value.split())
            element.set(name, _URL.sub(lambda match: f"url(#{_prefixed(match['target'][1:], prefix)})", value))
