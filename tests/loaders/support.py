"""Small logs made by code."""

from __future__ import annotations

from pathlib import Path


def write(path: Path, text: str | bytes) -> Path:
    """Write a file and return its path."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path
