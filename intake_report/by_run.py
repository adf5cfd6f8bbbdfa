"""Runs in campaign order that are also found by their id."""

from __future__ import annotations

from typing import Any, TypeVar

from intake_report.errors import DataError, nearest

T = TypeVar("T")


class ByRun(tuple[T, ...]):
    """A tuple of objects with an attribute `run`, whose elements are found by that id too: ``logs["tue-1"]``."""

    __slots__ = ()

    def __getitem__(self, item: Any) -> Any:
        """Return the element of this run, or at this position."""
        if not isinstance(item, str):
            return super().__getitem__(item)
        ids = [element.run for element in self]  # type: ignore[attr-defined]
        if item not in ids:
            raise DataError(f"There is no run “{item}”.", remedy=nearest(item, ids, "There is:"))
        return super().__getitem__(ids.index(item))

    def _repr_html_(self) -> str:
        """Return one line per run for a notebook: id, length, channels with their number of samples."""
        import pandas as pd

        rows = []
        for element in self:
            frame = getattr(element, "frame", pd.DataFrame())
            length = f"{(frame.index[-1] - frame.index[0]) / 60.0:.1f} min" if len(frame) else ""
            samples = ", ".join(f"{name} {count}" for name, count in frame.count().items())
            rows.append((element.run, length, samples))  # type: ignore[attr-defined]
        html: str = pd.DataFrame(rows, columns=["run", "length", "channels and samples"]).to_html(index=False)
        return html
