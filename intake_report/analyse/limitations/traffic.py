"""Limitation of runs that met other traffic with one configuration than with another."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from intake_report import formatting
from intake_report.align import CRITERIA
from intake_report.analyse.acceptance import acceptance_limits
from intake_report.analyse.limitations.design import block_of
from intake_report.analyse.limitations.findings import Findings
from intake_report.formatting import count
from intake_report.results import Comparison, Limitation, RunResult
from intake_report.results.text import difference_interval, difference_quantity

BLOCKS = 2  # in one block alone one of two always stands longer
SHARE = 0.5  # of the limit between two runs: means of runs that meet it one by one should be nearer than that


@dataclass(frozen=True)
class Trait:
    """What traffic does to a run: the criterion whose limit holds, in words, and how it is read and printed."""

    code: str
    words: str
    of: Callable[[RunResult], float]
    quantity: str
    decimals: int


TRAITS = (
    Trait("stop-time", "stopped time", lambda run: run.stopped_time, "time", 0),
    Trait("stops", "number of stops", lambda run: float(run.stops), "number", 1),
)


@dataclass(frozen=True)
class Imbalance:
    """Two configurations in one trait: means, blocks that hold both, whether the first has more in all; one run each."""

    more: str
    fewer: str
    means: tuple[float, float]
    blocks: int
    always: bool
    single: bool


def imbalance(
    runs: Sequence[RunResult], pair: tuple[str, str], value: Callable[[RunResult], float], limit: float
) -> Imbalance | None:
    """Return how two configurations differ in a trait; None where they do not differ systematically.

    Parameters
    ----------
    runs : sequence of RunResult
        Runs in the comparison.
    pair : (str, str)
        Configurations.
    value : callable
        The trait of a run.
    limit : float
        Of the acceptance criterion, between two runs.

    Notes
    -----
    Systematic: one has more in every block that holds both (two or more), or the means differ by more than half of the
    limit. Means are over the blocks that hold both where there are any, since only those are compared within blocks.
    """
    sides = {c: [run for run in runs if run.configuration == c] for c in pair}
    if not all(sides.values()):
        return None
    blocks = [b for b in dict.fromkeys(block_of(run) for run in runs) if b is not None]
    cells = [tuple([value(r) for r in sides[c] if block_of(r) == b] for c in pair) for b in blocks]
    shared = [(one, other) for one, other in cells if one and other]
    if shared:
        means = [sum(sum(cell[i]) / len(cell[i]) for cell in shared) / len(shared) for i in (0, 1)]
    else:
        means = [sum(map(value, sides[c])) / len(sides[c]) for c in pair]
    more, fewer = (0, 1) if means[0] >= means[1] else (1, 0)
    runs_of = [run for side in sides.values() for run in side]
    always = len(shared) >= BLOCKS and all(min(cell[more]) > max(cell[fewer]) for cell in shared)
    if not always and abs(means[0] - means[1]) <= SHARE * limit:
        return None
    return Imbalance(pair[more], pair[fewer], (means[more], means[fewer]), len(shared), always, len(runs_of) == 2)


def traffic_unlike(f: Findings) -> Iterator[Limitation]:
    """Configurations that met other traffic: one stood longer or more often."""
    stated, baseline = acceptance_limits(f.campaign), f.campaign.baseline.id
    parts: list[str] = []
    met: list[str] = []
    for other in (c.id for c in f.campaign.configurations if c.id != baseline):
        for trait in TRAITS:
            limit = stated[trait.code].limit if trait.code in stated else CRITERIA[trait.code].limit
            found = imbalance(f.used, (baseline, other), trait.of, limit)
            if found is not None:
                parts.append(_said(f, trait, found))
                met += [other] if other not in met else []
    if parts:
        yield Limitation(
            "traffic-unlike",
            f"Traffic was not alike between configurations: {'; '.join(parts)}. Standing warms intake air whatever is fitted, so "
            f"that part of the difference may be traffic.{_by_distance(f, met)}",
            "Runs repeated until stops are alike, or more blocks. The distance-weighted mean over-ambient, in which standing does "
            "not count, stands beside the time-weighted one: a difference that traffic makes is smaller there.",
        )


def _said(f: Findings, trait: Trait, found: Imbalance) -> str:
    names = [f.campaign.configuration(id).name for id in (found.more, found.fewer)]
    texts = [formatting.with_unit(mean, trait.quantity, f.campaign.about.units, trait.decimals) for mean in found.means]
    where = f", more in each of the {count(found.blocks, 'block')} that hold both" if found.always else ""
    average = "" if found.single else " on average"
    return f"{trait.words} {texts[0]}{average} with {names[0]} against {texts[1]} with {names[1]}{where}"


def _by_distance(f: Findings, met: Sequence[str]) -> str:
    """Return the differences by time and by distance in the phase where those by time are largest."""
    rows = {(c.key, c.configuration): c for c in f.comparisons if c.difference is not None}
    keys = {key.key: key for key in f.metrics}
    parts = []
    for id in met:
        pairs = [
            (c, rows[f"distance_{c.key}", id])
            for c in rows.values()
            if c.configuration == id and c.key.startswith("mean_over_ambient") and (f"distance_{c.key}", id) in rows
        ]
        if not pairs:
            continue
        timed, placed = max(pairs, key=lambda pair: abs(pair[0].difference or 0.0))
        key = keys[timed.key]

        def said(c: Comparison, metric: str) -> str:
            units, key = f.campaign.about.units, keys[metric]
            form = (difference_quantity(key), units, key.spec.decimals)
            limits = difference_interval(c, key, units)
            interval = "" if limits == formatting.ABSENT else f" ({limits})"
            return f"{formatting.with_unit(c.difference, *form, signed=True)}{interval}"

        parts.append(
            f"{f.campaign.configuration(id).name}, {key.parameter.label or key.parameter.key}: "
            f"{said(timed, timed.key)} by time, {said(placed, placed.key)} by distance"
        )
    return f" Differences of the mean over-ambient: {'; '.join(parts)}." if parts else ""


PREDICATES = (traffic_unlike,)
