"""Character encodings of text logs: found from the bytes, brought to UTF-8, and doubly encoded headers repaired."""

from __future__ import annotations

import codecs
import re
from pathlib import Path

from intake_report.errors import DataError
from intake_report.loaders.base import MEBIBYTE, Notice, plural
from intake_report.loaders.compression import Buffer

_SAMPLE = 256 * 1024
_WHOLE_CHECK = 64 * MEBIBYTE
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_CONTROL = bytes(set(range(32)) - {9, 10, 12, 13} - {0})
# UTF-8 bytes read as Windows-1252 or Latin-1: a lead byte 0xC2–0xC3 or 0xE2 shows as Â, Ã or â before another sign.
_DOUBLE = re.compile("[ÂÃâ][\u0080-\u00bf\u2018-\u203a\u20ac\u2122\u0152-\u0192\u02c6\u02dc]{1,2}")


def to_utf8(data: Buffer, path: Path, encoding: str | None = None) -> tuple[Buffer, int, str, tuple[Notice, ...]]:
    """Return the text of a log as UTF-8 bytes.

    Parameters
    ----------
    data : bytes or mmap
        Content of the file.
    path : Path
        For messages.
    encoding : str, optional
        Encoding that the user states; found from the bytes when absent.

    Returns
    -------
    data : bytes or mmap
        UTF-8 (the same object when it already was).
    offset : int
        Where the text starts: after a byte-order mark.
    encoding : str
        What was found.
    notices : tuple of Notice

    Raises
    ------
    DataError
        If the content is not text, or not of the stated encoding.
    """
    notices: list[Notice] = []
    head = bytes(data[:_SAMPLE])
    bom, found = _by_mark(head)
    chosen = encoding or found or _by_pattern(head)
    if chosen is not None and codecs_name(chosen, path) not in ("utf-8", "ascii"):
        text, lost = _decode(bytes(data[bom:]), chosen, path)
        if lost:
            notices.append(
                Notice("encoding-errors", f"{plural(lost, 'character')} could not be read as {chosen}.", count=lost)
            )
        if found is None and encoding is None:
            notices.append(Notice("encoding-found", f"The text is {chosen} without a byte-order mark."))
        return _without_nul(text.encode("utf-8", "replace"), 0, chosen, notices)
    _refuse_binary(head[bom:], path, len(data))
    if chosen is None and not _is_utf8(data, head):
        return _repaired(bytes(data[bom:]), notices)
    return _without_nul(data, bom, "utf-8", notices)


def codecs_name(encoding: str, path: Path) -> str:
    """Return Python's name of an encoding.

    Raises
    ------
    DataError
        If there is no such encoding.
    """
    try:
        return codecs.lookup(encoding).name
    except LookupError:
        raise DataError(
            f"There is no text encoding “{encoding}”.", file=path, remedy='Use for example "utf-8" or "latin-1".'
        ) from None


def repair_double_encoding(text: str) -> str:
    """Undo a UTF-8 text that was read as Windows-1252 and encoded again ("Â°C" becomes "°C").

    Text without that pattern is returned unchanged.
    """
    for _ in range(3):  # some exports do it twice
        if not _DOUBLE.search(text):
            break
        text = _DOUBLE.sub(_undo, text)
    return text


def _undo(match: re.Match[str]) -> str:
    for encoding in ("cp1252", "latin-1"):
        try:
            return match.group().encode(encoding).decode("utf-8")
        except UnicodeError:
            continue
    head, tail = match.group()[:2], match.group()[2:]
    return _undo_two(head) + tail if tail else head


def _undo_two(text: str) -> str:
    try:
        return text.encode("cp1252").decode("utf-8")
    except UnicodeError:
        return text


def _by_mark(head: bytes) -> tuple[int, str | None]:
    for mark, name in _BOMS:
        if head.startswith(mark) and not (name == "utf-32-le" and len(head) % 4):
            return len(mark), name
    return 0, None


def _by_pattern(head: bytes) -> str | None:
    """Recognise UTF-16 without a mark: every other byte of plain text is zero."""
    if len(head) < 8:
        return None
    even, odd = head[0::2], head[1::2]
    if odd.count(0) > 0.7 * len(odd) and even.count(0) < 0.1 * len(even):
        return "utf-16-le"
    if even.count(0) > 0.7 * len(even) and odd.count(0) < 0.1 * len(odd):
        return "utf-16-be"
    return None


def _decode(data: bytes, encoding: str, path: Path) -> tuple[str, int]:
    text = data.decode(encoding, "replace")
    lost = text.count("\ufffd")
    plain = sum(text.count(sign) for sign in "0123456789.,;\t\n\r -")
    if lost > max(16, len(text) // 50) or plain * 10 < len(text):
        raise DataError(
            f"The file is not {encoding} text.", file=path, remedy="Leave the encoding out to have it found."
        )
    return text.replace("\ufffd", "?"), lost


def _repaired(data: bytes, notices: list[Notice]) -> tuple[Buffer, int, str, tuple[Notice, ...]]:
    """Read text that is not valid UTF-8: damaged UTF-8 when most of its signs are, else Windows-1252."""
    text = data.decode("utf-8", "replace")
    bad = text.count("\ufffd")
    if sum(sign > "\x7f" for sign in text if sign != "\ufffd") >= bad:
        notices.append(Notice("encoding-errors", f"{plural(bad, 'sign')} could not be read as UTF-8.", count=bad))
        return _without_nul(text.replace("\ufffd", "?").encode("utf-8"), 0, "utf-8", notices)
    notices.append(Notice("encoding-found", "The text is not UTF-8; it was read as Windows-1252 (Latin-1)."))
    text = data.decode("cp1252", "replace").replace("\ufffd", "?")
    return _without_nul(text.encode("utf-8"), 0, "cp1252", notices)


def _is_utf8(data: Buffer, head: bytes) -> bool:
    """Tell whether the text, or the head of a large one, is valid UTF-8."""
    whole = bytes(data) if len(data) <= _WHOLE_CHECK else head
    if whole.isascii():
        return True
    try:
        codecs.getincrementaldecoder("utf-8")().decode(whole)
    except UnicodeDecodeError:
        return False
    return True


def _refuse_binary(head: bytes, path: Path, size: int) -> None:
    if re.match(rb"\s*<(!doctype html|html)", head[:512], re.IGNORECASE):
        raise DataError("This is a web page, not a log.", file=path, remedy="Download the log itself.")
    head = head.rstrip(b"\0")  # a logger that loses power leaves the rest of its last block zero
    if not head.strip(b"\0 \t\r\n"):
        raise DataError("The file is empty." if not size else "The file holds no text.", file=path)
    control = len(head) - len(head.translate(None, _CONTROL))
    if control > max(2, len(head) // 100) or head.count(0) > len(head) // 3:
        raise DataError(
            "The file is not text and has no known signature.",
            file=path,
            remedy="Export the log as delimited text, Parquet, MDF 4 or GPX.",
        )


def _without_nul(
    data: Buffer, offset: int, encoding: str, notices: list[Notice]
) -> tuple[Buffer, int, str, tuple[Notice, ...]]:
    if data.find(b"\0") >= 0:
        whole = bytes(data)
        count = whole.count(b"\0")
        data = whole.replace(b"\0", b"")
        notices.append(Notice("nul-bytes", f"{plural(count, 'NUL byte')} removed from the text.", count=count))
    return data, offset, encoding, tuple(notices)
