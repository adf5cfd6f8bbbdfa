"""Rows of another width than the header: filled up, cut, or left out, and counted."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from intake_report.loaders.base import Notice, plural
from intake_report.loaders.dialect import Dialect, split_line

if TYPE_CHECKING:
    import pyarrow as pa


def single_blanks(body: pa.Buffer) -> bytes:
    """Return the text with runs of blanks and tabs made one blank, none at the ends of lines."""
    text = re.sub(rb"[ \t]+", b" ", body.to_pybytes())
    return re.sub(rb"^ | (?=\r|\n|$)", b"", text, flags=re.MULTILINE)


def repair_rows(body: pa.Buffer, dialect: Dialect, width: int) -> tuple[bytes, list[Notice]]:
    """Bring every row to `width` fields.

    Short rows are filled up with empty fields: loggers leave trailing empty fields out. A short last row without line
    end is left out, for its last number may be cut. Longer rows are cut when the surplus is empty, else left out.

    Parameters
    ----------
    body : pyarrow.Buffer
        UTF-8 text of the rows.
    dialect : Dialect
        Delimiter.
    width : int
        Fields of a row.

    Returns
    -------
    body : bytes
        Repaired text.
    notices : list of Notice
        How many rows were touched, and the first line of each kind, counted in the file.
    """
    raw = body.to_pybytes()
    delimiter = dialect.delimiter
    sign = delimiter.encode()
    out: list[bytes] = []
    found: dict[str, list[int]] = {"short": [], "long": [], "cut": []}
    lines = raw.splitlines()
    ended = raw.endswith((b"\n", b"\r"))
    for number, line in enumerate(lines, dialect.data_line + 1):
        fields = line.count(sign) + 1
        if fields == width or not line.strip():
            out.append(line)
            continue
        if b'"' in line:
            cells = split_line(line.decode("utf-8", "replace"), delimiter)
            fields = len(cells)
            if fields == width:
                out.append(line)
                continue
        if fields > width:
            parts = line.split(sign)
            if b'"' in line or any(part.strip() for part in parts[width:]):
                found["long"].append(number)
            else:
                out.append(sign.join(parts[:width]))
            continue
        if number == dialect.data_line + len(lines) and not ended:
            found["cut"].append(number)
            continue
        found["short"].append(number)
        out.append(line + sign * (width - fields))
    return b"\n".join(out) + b"\n", _notices(found)


def _notices(found: dict[str, list[int]]) -> list[Notice]:
    texts = {
        "short": ("ragged-rows", "with too few fields filled up with empty ones"),
        "long": ("long-rows", "with too many fields left out"),
        "cut": ("cut-row", "cut at the end of the file left out"),
    }
    return [
        Notice(texts[kind][0], f"{plural(len(at), 'row')} {texts[kind][1]} (first: line {at[0]}).", count=len(at))
        for kind, at in found.items()
        if at
    ]
