"""The inline syntax of block texts: cross references, bold, code; everything else is literal.

``[[label]]`` becomes "Figure 3" (a link), ``**bold**`` and code in back quotes mean what they mean in Markdown. Text
that somebody else wrote (a campaign's notes, a file name) goes through `literal`, which marks those signs with the
control character "data link escape", so that no text of a campaign can act as markup.
"""

import re
from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

_ESCAPE = "\x10"
_EMPHASIS = _ESCAPE + "/"
_TOKEN = re.compile(
    rf"{_ESCAPE}(?P<literal>[*`\[])"
    rf"|(?P<emphasis>{_ESCAPE}/)"
    r"|\[\[(?P<ref>[A-Za-z][A-Za-z0-9_-]*)\]\]"
    r"|`(?P<code>[^`]+)`"
    r"|(?P<bold>\*\*)"
)
_CODE_ESCAPE = re.compile(rf"{_ESCAPE}([*`\[])")
# C0 and C1 controls, lone surrogates and non-characters: refused by XML, by Typst or by both.
_UNPRINTABLE = re.compile("[\x00-\x08\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
# Directional overrides can show a number in another order than it has.
_DIRECTIONAL = re.compile("[\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
_LINE_END = re.compile(r"\r\n?|[\n\x0b\x0c\x85\u2028\u2029]")


class Piece(NamedTuple):
    """A stretch of text of one kind; for a cross reference `text` is the label."""

    text: str
    bold: bool = False
    italic: bool = False
    code: bool = False
    reference: bool = False


def printable(text: str) -> str:
    """Return `text` with U+FFFD for what cannot be printed, spaces for line ends, no overrides of direction."""
    if text.isascii() and text.isprintable():
        return text
    return _UNPRINTABLE.sub("\ufffd", _LINE_END.sub(" ", _DIRECTIONAL.sub("", text)))


def literal(text: str) -> str:
    """Return `text`, which somebody else wrote, so that the inline syntax leaves every character of it alone."""
    return re.sub(r"[*`\[]", lambda match: _ESCAPE + match.group(), text.replace(_ESCAPE, "\ufffd"))


def emphasis(text: str) -> str:
    """Return `text` (inline syntax) set in italics."""
    return f"{_EMPHASIS}{text}{_EMPHASIS}"


@lru_cache(maxsize=16384)  # page, PDF and notebook print the same texts, and tables the same cells
def parse(text: str) -> tuple[Piece, ...]:
    """Return the spans of a block text; adjacent ones differ in kind, and a bold mark without its partner is literal."""
    spans: list[Piece] = []
    bold = italic = False

    def add(words: str, *, code: bool = False, reference: bool = False) -> None:
        span = Piece(printable(words), bold, italic, code, reference)
        if words and not reference and spans and spans[-1][1:] == span[1:]:
            spans[-1] = spans[-1]._replace(text=spans[-1].text + span.text)
        elif words:
            spans.append(span)

    position = 0
    for match in _TOKEN.finditer(text):
        add(text[position : match.start()])
        position = match.end()
        if match["literal"]:
            add(match["literal"])
        elif match["emphasis"]:
            italic = not italic
        elif match["ref"]:
            add(match["ref"], reference=True)
        elif match["code"]:
            add(_CODE_ESCAPE.sub(r"\1", match["code"]), code=True)
        elif bold or "**" in text[position:]:
            bold = not bold
        else:
            add("**")
    add(text[position:])
    return tuple(spans)


def plain(text: str, resolve: Callable[[str], str] = str) -> str:
    """Return a block text without its marks; `resolve` gives the words for the label of a cross reference."""
    return "".join(resolve(span.text) if span.reference else span.text for span in parse(text))
