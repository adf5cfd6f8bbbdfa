"""Which ambient temperature counts: candidates, their uncertainty, one choice by a stated rule; spread between runs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from intake_report.errors import DataError
from intake_report.weather.records import KIND_LABELS, Kind, WeatherRecord
from intake_report.weather.vehicle import SourceComparison

# Half-widths assumed where the campaign declares no accuracy [K]. METAR: "operationally desirable accuracy" of ICAO
# Annex 3, from memory. Vehicle: about 2.5 K at 25 °C follows from published resistance bands of such sensors (an
# estimate). Station and handheld: this package's own assumption for an instrument that is not described.
ASSUMED_ACCURACY: dict[Kind, float] = {"metar": 1.0, "station": 1.0, "handheld": 1.0, "vehicle": 2.5}
# 2 °F between days is what the trade accepts (common practice) [K].
SPREAD_LIMIT = 2.0 * 5.0 / 9.0
_TIE = 0.05  # K: smaller differences between uncertainties that rest on assumptions mean nothing
_PREFERENCE: tuple[Kind, ...] = ("station", "metar", "handheld", "vehicle")

RULE = (
    "The campaign's choice counts. Without one: of the sources that cover every run, the one with the smallest "
    "standard uncertainty; within 0.05 K of it, in the order station, METAR, handheld, vehicle sensor at speed. "
    "If none covers every run, the one that covers most."
)


@dataclass(frozen=True)
class Contribution:
    """One contribution to the standard uncertainty of a reference.

    Parameters
    ----------
    name : str
        "accuracy", "resolution", "rounding mode", "interpolation in time" or "place".
    value : float
        Standard uncertainty [K].
    basis : str
        Where it comes from.
    shared : bool
        True if it is the same in all runs of the source, so that it cancels in a difference between runs.
    """

    name: str
    value: float
    basis: str
    shared: bool


@dataclass(frozen=True)
class ReferenceCandidate:
    """A source that could be the reference: the runs it covers and its uncertainty contributions."""

    source: str
    kind: Kind
    covered: tuple[str, ...]
    contributions: tuple[Contribution, ...]

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the ambient temperature of one run [K]."""
        return math.sqrt(sum(c.value**2 for c in self.contributions))

    @property
    def uncertainty_between(self) -> float:
        """Standard uncertainty without what all runs share [K]: counts in a comparison of runs."""
        return math.sqrt(sum(c.value**2 for c in self.contributions if not c.shared))


@dataclass(frozen=True)
class AmbientReference:
    """The one ambient reference of a campaign.

    Parameters
    ----------
    source : str or None
        None if no ambient temperature was recorded.
    kind : str or None
        Of the source.
    chosen_by : {"campaign", "rule", "none"}
        Who chose.
    reason : str
        One or two sentences.
    uncertainty, uncertainty_between : float or None
        Standard, of one run's ambient, with and without what all runs share [K].
    contributions : tuple of Contribution
        Behind them.
    comparisons : tuple of SourceComparison
        All sources against each other.
    candidates : tuple of ReferenceCandidate
        All that were considered.
    uncovered : tuple of str
        Runs without this reference.
    """

    source: str | None
    kind: Kind | None
    chosen_by: Literal["campaign", "rule", "none"]
    reason: str
    uncertainty: float | None
    uncertainty_between: float | None
    contributions: tuple[Contribution, ...]
    comparisons: tuple[SourceComparison, ...]
    candidates: tuple[ReferenceCandidate, ...]
    uncovered: tuple[str, ...]


def interpolation_error(record: WeatherRecord) -> float | None:
    """Return how well the record interpolates in time: RMS of each report against its two neighbours [K].

    Each report is left out and predicted by the straight line between the one before and the one after, which spans
    twice the usual interval and carries the rounding of three readings: an upper estimate. None with fewer than three
    such reports.
    """
    times, values = record.series("temperature")
    if len(times) < 5:
        return None
    share = (times[1:-1] - times[:-2]) / (times[2:] - times[:-2])
    predicted = values[:-2] + share * (values[2:] - values[:-2])
    return float(np.sqrt(np.mean((values[1:-1] - predicted) ** 2)))


def reference_contributions(
    kind: Kind,
    *,
    accuracy: float | None = None,
    resolution: float | None = None,
    interpolation: float | None = None,
    place: float | None = None,
) -> tuple[Contribution, ...]:
    """Return the contributions to the standard uncertainty of a source (GUM: limits as rectangular distributions).

    Parameters
    ----------
    kind : {"metar", "station", "handheld", "vehicle"}
        Of the source.
    accuracy : float, optional
        Declared limit ± [K]; without it the one of `ASSUMED_ACCURACY`, said so.
    resolution : float, optional
        Step of the reading [K].
    interpolation : float, optional
        As of `interpolation_error` [K].
    place : float, optional
        Standard deviation of the difference between the place of the instrument and the road [K], for example `sd` of
        a comparison with another source.
    """
    if kind == "forecast":
        raise DataError("a forecast is no measurement.", remedy="Choose a source that measured.")
    limit = ASSUMED_ACCURACY[kind] if accuracy is None else accuracy
    stated = "declared" if accuracy is not None else "assumed, not declared"
    found = [Contribution("accuracy", limit / math.sqrt(3.0), f"±{limit:g} K {stated}", shared=True)]
    if resolution is not None:
        found.append(
            Contribution("resolution", resolution / math.sqrt(12.0), f"steps of {resolution:g} K", shared=False)
        )
        if kind == "vehicle":
            half = resolution / 2.0
            found.append(
                Contribution(
                    "rounding mode",
                    half / math.sqrt(3.0),
                    f"the control unit may round or cut off: ±{half:g} K",
                    shared=True,
                )
            )
    if interpolation is not None:
        found.append(
            Contribution(
                "interpolation in time", interpolation, "reports predicted from their neighbours", shared=False
            )
        )
    if place is not None:
        found.append(Contribution("place", place, "scatter against another source", shared=False))
    return tuple(found)


def choose_reference(
    candidates: Sequence[ReferenceCandidate],
    runs: Sequence[str],
    comparisons: Sequence[SourceComparison] = (),
    chosen: str | None = None,
) -> AmbientReference:
    """Choose the ambient reference by `RULE`.

    Parameters
    ----------
    candidates : sequence of ReferenceCandidate
        All sources with an ambient temperature.
    runs : sequence of str
        All runs of the comparison.
    comparisons : sequence of SourceComparison
        Shown with the choice; they do not decide.
    chosen : str, optional
        Source or kind that the campaign names.

    Returns
    -------
    AmbientReference

    Raises
    ------
    DataError
        If the campaign names a source that is not there, or a kind that several sources have, or a forecast.
    """
    candidates = [c for c in candidates if c.kind != "forecast"]
    offered = tuple(c for c in candidates if c.covered)
    if chosen is not None:
        picked = _named(candidates, chosen)
        return _reference(picked, "campaign", f"The campaign names {_label(picked)}.", candidates, runs, comparisons)
    if not offered:
        why = "No run has an ambient temperature from any source: over-ambient metrics cannot be computed."
        return AmbientReference(
            None, None, "none", why, None, None, (), tuple(comparisons), tuple(candidates), tuple(runs)
        )
    most = max(len(set(c.covered) & set(runs)) for c in offered)
    able = [c for c in offered if len(set(c.covered) & set(runs)) == most]
    smallest = min(c.uncertainty for c in able)
    near = [c for c in able if c.uncertainty <= smallest + _TIE]
    picked = min(near, key=lambda c: (_PREFERENCE.index(c.kind), c.uncertainty, c.source))
    coverage = "covers every run" if most == len(set(runs)) else f"covers most runs ({most} of {len(set(runs))})"
    if len(offered) == 1:
        reason = f"{_label(picked)} is the only source; it {coverage}."
    else:
        rivals = ", ".join(f"{c.source} {c.uncertainty:.2f} K" for c in offered if c is not picked)
        reason = (
            f"{_label(picked)} {coverage}; its standard uncertainty is {picked.uncertainty:.2f} K (others: {rivals})."
        )
        if len(near) > 1:
            reason += " Sources within 0.05 K of each other are taken in the order station, METAR, handheld, vehicle."
    return _reference(picked, "rule", reason[0].upper() + reason[1:], candidates, runs, comparisons)


def _named(candidates: Sequence[ReferenceCandidate], chosen: str) -> ReferenceCandidate:
    by_source = [c for c in candidates if c.source == chosen]
    by_kind = [c for c in candidates if c.kind == chosen]
    found = by_source or by_kind
    if not found:
        names = ", ".join(c.source for c in candidates) or "none at all"
        raise DataError(f"the ambient reference “{chosen}” is not recorded.", remedy=f"Sources are {names}.")
    if len(found) > 1:
        raise DataError(
            f"the ambient reference “{chosen}” could be {' or '.join(c.source for c in found)}.",
            remedy="Name the source.",
        )
    return found[0]


def _label(candidate: ReferenceCandidate) -> str:
    if candidate.kind == "vehicle":
        return "the vehicle ambient sensor at speed"
    return f"the {KIND_LABELS[candidate.kind]} “{candidate.source}”"


def _reference(
    picked: ReferenceCandidate,
    chosen_by: Literal["campaign", "rule"],
    reason: str,
    candidates: Sequence[ReferenceCandidate],
    runs: Sequence[str],
    comparisons: Sequence[SourceComparison],
) -> AmbientReference:
    uncovered = tuple(run for run in runs if run not in picked.covered)
    if uncovered:
        reason += f" It does not cover {', '.join(uncovered)}."
    return AmbientReference(
        picked.source,
        picked.kind,
        chosen_by,
        reason,
        picked.uncertainty,
        picked.uncertainty_between,
        picked.contributions,
        tuple(comparisons),
        tuple(candidates),
        uncovered,
    )


@dataclass(frozen=True)
class AmbientSpread:
    """How far the mean ambient of runs or days lies apart.

    Parameters
    ----------
    lowest, highest : str or None
        Coldest and warmest run.
    spread : float or None
        Their difference [K]; None with fewer than two values.
    limit : float
        Accepted difference [K].
    within : bool or None
        `spread` ≤ `limit`.
    sure : bool or None
        The spread is farther from the limit than the expanded uncertainty of a difference of two runs (k = 2); None
        without an uncertainty.
    beyond : tuple of (str, str, float)
        Pairs farther apart than the limit, colder first, widest first, with their difference [K].
    """

    lowest: str | None
    highest: str | None
    spread: float | None
    limit: float
    within: bool | None
    sure: bool | None
    beyond: tuple[tuple[str, str, float], ...]


def ambient_spread(
    means: Mapping[str, float], limit: float = SPREAD_LIMIT, uncertainty_between: float | None = None
) -> AmbientSpread:
    """Compare the mean ambient of runs (or days) against the accepted difference.

    Parameters
    ----------
    means : mapping of run id to float
        [°C]; leave out runs without one.
    limit : float
        [K]; 2 °F by default (common practice).
    uncertainty_between : float, optional
        Standard uncertainty of one mean without what all share [K].
    """
    if len(means) < 2:
        only = next(iter(means), None)
        return AmbientSpread(only, only, None, limit, None, None, ())
    ordered = sorted(means, key=lambda run: (means[run], run))
    lowest, highest = ordered[0], ordered[-1]
    spread = means[highest] - means[lowest]
    # The limit is often a converted 2 °F: equality within rounding of floats is "within".
    tolerance = 1e-9
    pairs = [(a, b, means[b] - means[a]) for a, b in itertools.combinations(ordered, 2)]
    beyond = sorted((p for p in pairs if p[2] > limit + tolerance), key=lambda p: -p[2])
    sure = None
    if uncertainty_between is not None:
        sure = abs(spread - limit) > 2.0 * math.sqrt(2.0) * uncertainty_between
    return AmbientSpread(lowest, highest, spread, limit, spread <= limit + tolerance, sure, tuple(beyond))
