"""How runs scatter: from runs that were driven, or from another report; what is assumed where neither is there."""

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import special

from intake_report.errors import DataError
from intake_report.messages import Part, message
from intake_report.statistics import additive_residuals

SHARE = 0.5
"""Of the scatter of a run that is taken as a day favouring one configuration, where each was driven once a day: the two
cannot be told apart then. A choice of this package; ½ is where both are alike."""
ASSUMED = {"temperature": 1.0, "temperature_difference": 1.0, "time": 15.0}
"""Standard deviation of a run by quantity [internal unit]: the upper part of what the simulated campaign ramp-trial shows
(`intake-report render data/ramp-trial`, table “Scatter of one run”: 0.2 to 1.4 K, 6 to 16 s)."""
ASSUMED_LEVEL = {"time": 60.0}  # s; a recovery time of the same campaign, rounded
BLOCKS_APART = 2.0  # scatter of blocks over that of runs, where it is not known; cancels in differences
UPPER = 0.8  # confidence of the upper limit of a scatter
ON_COMMON = " on the common drive"  # what the models say of a metric there, beside the metric as measured


@dataclass(frozen=True)
class Scatter:
    """How one metric scatters [internal unit of a difference]."""

    run: float  # Standard deviation of runs of one configuration in one block
    interaction: float  # Standard deviation by which a block favours one configuration
    block: float  # Standard deviation of what a block does to all runs alike
    df: float  # Degrees of freedom behind it; 0 where it is assumed
    basis: Part  # Where it comes from
    level: float = 0.0  # Usual value of the metric in the baseline; a time cannot fall by more than this
    lost: float | None = None  # Share of the instruments' draws in which a run does not reach its margin, if known
    watched: float | None = None  # Time for which a margin was watched for [s]; None where no run was censored
    factors: tuple[float, ...] = ()  # Scatter of each configuration over `run`, as the design has them; empty: alike
    shared: float = 0.0  # Standard uncertainty of a difference that runs do not reduce: of models, on the common drive

    @property
    def upper(self) -> float:
        """Factor to the upper limit (80 %) of the scatter, by chi squared; 1 where it is assumed."""
        return math.sqrt(self.df / float(special.chdtri(self.df, UPPER))) if self.df > 0.0 else 1.0


def estimate(values: Iterable[tuple[str, str, float]], basis: Part) -> Scatter | None:
    """Return the scatter of runs given as (configuration, block, value); None where nothing shows it.

    Within cells the runs scatter; between cells, beside configuration and block, the interaction scatters too. Mean squares
    are set equal to their expectations.
    """
    rows = list(values)
    if not rows:  # no run has a value of this metric
        return None
    cells: dict[tuple[str, str], list[float]] = {}
    for configuration, block, value in rows:
        cells.setdefault((configuration, block), []).append(value)
    within = len(rows) - len(cells)
    square = sum(float(np.sum((np.array(v) - np.mean(v)) ** 2)) for v in cells.values())
    configurations, blocks = ([cell[i] for cell in cells] for i in (0, 1))
    means = [float(np.mean(v)) for v in cells.values()]
    between = len(cells) - len(set(configurations)) - len(set(blocks)) + 1
    rest = float(np.sum(additive_residuals(means, configurations, blocks) ** 2)) if between > 0 else 0.0
    by_block = [float(np.mean([m for m, b in zip(means, blocks, strict=True) if b == name])) for name in set(blocks)]
    apart = float(np.std(by_block, ddof=1)) if len(by_block) > 1 else 0.0
    if within > 0 and square > 0.0:
        run = math.sqrt(square / within)
        size = len(cells) / sum(1.0 / len(v) for v in cells.values())
        shift = math.sqrt(max(rest / between - run**2 / size, 0.0)) if between > 0 else run
    elif between > 0 and rest > 0.0:
        run, shift = math.sqrt((1.0 - SHARE) * rest / between), math.sqrt(SHARE * rest / between)
    else:
        return None
    return Scatter(run, shift, apart or BLOCKS_APART * run, float(within + max(between, 0)), basis)


def from_results(document: Mapping[str, Any], basis: str) -> dict[str, Scatter]:
    """Return the scatter of every metric of a results.json, by key; that of a common drive under the key and `ON_COMMON`."""
    found = _of_values(document, document["values"], basis)
    common = document.get("common_drive")
    if common is None or common["failed"]:
        return found
    for key, scatter in _of_values(document, common["values"], basis).items():
        shared = [c["instrument"] for c in common["comparisons"] if c["key"] == key and c["instrument"] is not None]
        if shared:
            found[key + ON_COMMON] = replace(scatter, shared=math.sqrt(float(np.mean(np.square(shared)))))
    return found


def _of_values(document: Mapping[str, Any], all_values: Iterable[Mapping[str, Any]], basis: str) -> dict[str, Scatter]:
    all_values = list(all_values)
    used = {run["id"]: run for run in document["runs"] if run["decision"] != "excluded"}
    baseline = next((c["id"] for c in document["configurations"] if c["role"] == "baseline"), "")
    found = {}
    for key in dict.fromkeys(value["key"] for value in all_values):
        values = [v for v in all_values if v["key"] == key and v["run"] in used]
        reached = [v for v in values if v["value"] is not None]
        rows = [(v["configuration"], v["block"] or (used[v["run"]]["start"] or "")[:10], v["value"]) for v in reached]
        made = estimate(rows, message("{runs} runs of {basis}", code="scatter-runs", runs=len(rows), basis=basis))
        if made is None:
            continue
        usual = [v["value"] for v in reached if v["configuration"] == baseline] or [v["value"] for v in reached]
        lost = [v["draws_not_reached"] for v in values if v["draws_not_reached"] is not None]
        bounds = [v["bound"] for v in values if v["status"] == "not reached"]
        share, watched = float(np.mean(lost)) if lost else None, min(bounds, default=None)
        found[key] = replace(made, level=float(np.mean(usual)), lost=share, watched=watched)
    return found


def read_results(path: Path) -> dict[str, Scatter]:
    """Return the scatter that another report's results.json, or the folder that holds it, shows."""
    file, remedy = path / "results.json" if path.is_dir() else path, "Name a report's folder."
    try:
        found = from_results(json.loads(file.read_text(encoding="utf-8")), f"the report {file.parent.name}")
    except OSError:
        raise DataError("there is no results.json here.", file=file, remedy=remedy) from None
    except (ValueError, KeyError, TypeError):
        raise DataError("this is no results.json of a report.", file=file, remedy=remedy) from None
    if not found:
        more = "Name one with two runs of a configuration, or runs in two blocks; without --like a scatter is assumed."
        raise DataError("this report shows no scatter between runs.", file=file, remedy=more)
    return found
