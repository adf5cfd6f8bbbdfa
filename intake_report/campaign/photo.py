"""Photographs of test articles: read, turned upright, without metadata, at a size that a report can carry."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from intake_report.errors import DataError

if TYPE_CHECKING:
    from PIL.Image import Image

LARGEST_FILE = 20_000_000  # bytes; beyond what cameras write as JPEG
MOST_PIXELS = 100_000_000  # a small file may unpack to more than memory holds
PRINTED = 900  # pixels along the longer side; 300 dpi at a third of the text width, common practice in print


def read_photo(path: Path) -> Image:
    """Return a photograph as it is printed: pixels only, in RGB.

    `path`: PNG or JPEG. Raises DataError: the file is too large, is no PNG or JPEG, or ends early.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    size = path.stat().st_size
    if size > LARGEST_FILE:
        what = f"the photograph has {size / 1e6:.0f} MB, and {LARGEST_FILE / 1e6:.0f} MB is the limit."
        raise DataError(what, remedy="Save it smaller.")
    try:
        with warnings.catch_warnings(), path.open("rb") as file:
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # judged here
            photo = Image.open(file, formats=("PNG", "JPEG"))
            if photo.width * photo.height > MOST_PIXELS:
                what = f"the photograph has {photo.width} × {photo.height} pixels, and {MOST_PIXELS / 1e6:.0f} million is the limit."
                raise DataError(what, remedy="Save it smaller.")
            photo.load()
    except Image.DecompressionBombError:
        raise DataError("the photograph has too many pixels.", remedy="Save it smaller.") from None
    except (OSError, ValueError, SyntaxError) as error:
        why = "is no PNG or JPEG" if isinstance(error, UnidentifiedImageError) else "is damaged or ends early"
        raise DataError(f"the photograph {why}.", remedy="Save it as PNG or JPEG.") from None
    upright = ImageOps.exif_transpose(photo).convert("RGBA")
    ground = Image.new("RGBA", upright.size, "white")
    plain = Image.alpha_composite(ground, upright).convert("RGB")
    plain.thumbnail((PRINTED, PRINTED))
    return plain
