"""The instruments' Monte Carlo as comparisons use it."""

from __future__ import annotations

from intake_report.analyse.compare.model_of_runs import Floats
from intake_report.analyse.uncertainty import Uncertainty


class RunsDraws:
    """Draws of all runs by metric key and run id; see `combine.InstrumentDraws`."""

    def __init__(self, uncertainty: Uncertainty | None) -> None:
        self._runs = {run.run: run for run in (uncertainty.runs if uncertainty is not None else ())}

    def common(self, key: str, run: str) -> Floats | None:
        """Return the draws of what all runs share, (m,); None where the metric was not drawn."""
        found = self._runs.get(run)
        return None if found is None else found.common.get(key)

    def total(self, key: str, run: str) -> Floats | None:
        """Return the draws of all sources, (m,)."""
        found = self._runs.get(run)
        return None if found is None else found.all.get(key)
