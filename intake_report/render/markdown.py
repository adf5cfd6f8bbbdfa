"""Markdown cells as blocks: headings, paragraphs, lists, emphasis, code. Everything else stays text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

from intake_report.render.blocks import Block, Callout, Heading, ItemList, Paragraph, Preformatted
from intake_report.render.inline import emphasis, literal

_REFERENCE_OPEN, _REFERENCE_CLOSE = "[[", "]]"


@cache
def _parser() -> Any:
    import mistune

    return mistune.create_markdown(renderer="ast")


def markdown_blocks(source: str) -> tuple[Block, ...]:
    """Return the blocks of one Markdown cell.

    Parameters
    ----------
    source : str
        ``[[label]]`` is a cross reference here too. Links keep their address as text, images their alternative
        text: a report loads nothing.

    Returns
    -------
    tuple of Block
    """
    return tuple(_blocks(_parser()(source)))


def _blocks(tokens: Sequence[Any]) -> Iterator[Block]:
    for token in tokens:
        kind, children = token["type"], token.get("children", ())
        if kind == "heading":
            yield Heading(min(token["attrs"]["level"], 3), _inline(children))
        elif kind in ("paragraph", "block_text"):
            yield Paragraph(_inline(children))
        elif kind == "list":
            yield ItemList(tuple(_items(token)), bool(token["attrs"].get("ordered")))
        elif kind == "block_code":
            yield Preformatted(token["raw"].rstrip("\n"))
        elif kind == "block_quote":
            texts = tuple(block.text for block in _blocks(children) if isinstance(block, Paragraph | Heading))
            yield Callout("note", "", texts)
        elif kind == "block_html":
            yield Paragraph(literal(token["raw"].strip()))


def _items(token: Any) -> Iterator[str]:
    """Yield the items of a list; those of a list inside it follow their parent, marked with a dash."""
    for item in token["children"]:
        texts: list[str] = []
        nested: list[str] = []
        for child in item.get("children", ()):
            if child["type"] == "list":
                nested.extend(f"– {text}" for text in _items(child))
            elif "children" in child:
                texts.append(_inline(child["children"]))
            else:
                texts.append(literal(child.get("raw", "").strip()))
        yield " ".join(text for text in texts if text)
        yield from nested


def _inline(tokens: Sequence[Any]) -> str:
    return "".join(_piece(token) for token in tokens)


def _piece(token: Any) -> str:
    kind, children = token["type"], token.get("children", ())
    if kind == "text":
        return _text(token["raw"])
    if kind == "codespan":
        # A back quote inside code would end it; literal() keeps it and the mark itself stays outside.
        return "`" + literal(token["raw"]) + "`" if "`" not in token["raw"] else literal(token["raw"])
    if kind == "strong":
        return f"**{_inline(children)}**"
    if kind == "emphasis":
        return emphasis(_inline(children))
    if kind in ("linebreak", "softbreak"):
        return " "
    if kind == "link":
        words, address = _inline(children), token["attrs"]["url"]
        return words if address in ("", words) else f"{words} ({literal(address)})"
    if kind == "image":
        return _inline(children)
    return literal(token.get("raw", ""))


def _text(raw: str) -> str:
    """Return literal text in which ``[[label]]`` alone keeps its meaning."""
    parts = raw.split(_REFERENCE_OPEN)
    made = [literal(parts[0])]
    for part in parts[1:]:
        label, closed, rest = part.partition(_REFERENCE_CLOSE)
        if closed and label and label.replace("-", "").replace("_", "").isalnum():
            made.append(f"{_REFERENCE_OPEN}{label}{_REFERENCE_CLOSE}{literal(rest)}")
        else:
            made.append(literal(_REFERENCE_OPEN + part))
    return "".join(made)
