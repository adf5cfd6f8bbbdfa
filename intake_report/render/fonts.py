"""Which characters the fonts of the PDF can print, and what stands in for the others."""

from __future__ import annotations

import unicodedata
from functools import cache
from importlib.util import find_spec
from pathlib import Path

# Ranges that the text face and its fallback both cover; most texts never need to look further.
_SURE = frozenset(map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180)))) - {"\u00ad"}
_DROPPED = {"Cf", "Mn", "Me"}  # joiners, variation selectors, marks: nothing to show when the face lacks them


def font_folder() -> Path:
    """Return the folder of the DejaVu fonts that matplotlib brings (found without importing matplotlib)."""
    spec = find_spec("matplotlib")
    if spec is None or spec.origin is None:  # pragma: no cover - matplotlib is a dependency
        raise FileNotFoundError("matplotlib is not installed")
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"


@cache
def _covered() -> frozenset[int]:
    """Return the code points that every DejaVu face used in the PDF has."""
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]

    names = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSans-Oblique.ttf")
    maps = [frozenset(TTFont(font_folder() / name, lazy=True).getBestCmap()) for name in names]
    return frozenset.intersection(*maps)


def spellable(text: str) -> str:
    """Return `text` with each character that no font of the PDF has written as its code point, "[U+1F600]".

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    if _SURE.issuperset(text):
        return text
    return "".join(char if char in _SURE or ord(char) in _covered() else _spelled(char) for char in text)


def _spelled(char: str) -> str:
    return "" if unicodedata.category(char) in _DROPPED else f"[U+{ord(char):04X}]"
