"""Operating points of the engine: what each run did where, and the points that all runs share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Cells = NDArray[np.int64]

# Common practice: cells a reader can name, narrow enough that airflow and spark advance differ little inside one.
RPM_CELL = 250.0  # rpm
LOAD_CELL = 10.0  # %
LEAST_LOAD = 20.0  # %; below it the engine is idling, coasting or cut off
LEAST_SAMPLES = 5  # of every run in a cell, so that no cell rests on a moment
_STRIDE = 1000


@dataclass(frozen=True)
class EngineSamples:
    """The engine at steady moments of one run, on common times.

    Parameters
    ----------
    rpm, load : ndarray, (n,)
        Engine speed [rpm] and calculated load [%].
    channels : mapping of str to ndarray, (n,)
        "maf" [g/s], "pressure_ratio" (manifold over barometric) [%], "timing" [°], "iat" [°C], as far as recorded; NaN
        where there is no sample near.
    """

    rpm: Floats
    load: Floats
    channels: Mapping[str, Floats] = field(default_factory=dict)

    @property
    def cells(self) -> Cells:
        """Cell of each sample, (n,); −1 below `LEAST_LOAD`."""
        index = np.floor(self.rpm / RPM_CELL) * _STRIDE + np.floor(self.load / LOAD_CELL)
        usable = (self.load >= LEAST_LOAD) & np.isfinite(index)
        return np.where(usable, np.where(usable, index, 0.0), -1.0).astype(np.int64)


@dataclass(frozen=True)
class OperatingPoints:
    """Cells that every run visited, and the share of each over all runs.

    Parameters
    ----------
    cells : ndarray, (k,)
        Cells in order.
    weights : ndarray, (k,)
        Sum 1; the same for all runs, so that a run's mix of driving does not enter.
    """

    cells: Cells
    weights: Floats


def shared_points(runs: Sequence[EngineSamples]) -> OperatingPoints:
    """Return the cells in which every one of `runs` has `LEAST_SAMPLES` samples or more.

    Parameters
    ----------
    runs : sequence of EngineSamples
        Runs that have the channels.
    """
    total: dict[int, int] = {}
    common: set[int] | None = None
    for run in runs:
        found, count = np.unique(run.cells[run.cells >= 0], return_counts=True)
        for cell, n in zip(found.tolist(), count.tolist(), strict=True):
            total[cell] = total.get(cell, 0) + n
        enough = set(found[count >= LEAST_SAMPLES].tolist())
        common = enough if common is None else common & enough
    cells = np.array(sorted(common or ()), dtype=np.int64)
    weights = np.array([total[c] for c in cells.tolist()], dtype=np.float64)
    return OperatingPoints(cells, weights / weights.sum() if cells.size else weights)
