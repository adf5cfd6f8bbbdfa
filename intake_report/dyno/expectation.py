"""Power expected from the density of the intake air alone, beside the power that was measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from intake_report.air import PowerExpectation, expected_power
from intake_report.dyno.pulls import Pull
from intake_report.statistics import Difference


@dataclass(frozen=True)
class ExpectedPower:
    """What the intake air temperatures of a candidate let expect, and what the pulls gave, both against the baseline.

    Attributes
    ----------
    baseline_iat, candidate_iat : float
        Mean of the pulls' mean intake air temperatures [°C].
    models : tuple of PowerExpectation
        Expected change of power by every model, each with its standing.
    measured, measured_low, measured_high : float or None
        Measured change of the mean power over the common band [%], with its interval.
    """

    baseline: str
    candidate: str
    baseline_iat: float
    candidate_iat: float
    models: tuple[PowerExpectation, ...]
    measured: float | None
    measured_low: float | None
    measured_high: float | None


def expected_beside_measured(
    pulls: Sequence[Pull], baseline: str, differences: Mapping[str, Difference], power: Sequence[float]
) -> tuple[ExpectedPower, ...]:
    """Compare expectation and measurement for every candidate; empty where an IAT is not known for both sides.

    Parameters
    ----------
    pulls : sequence of Pull, length n
        The pulls that count.
    differences : mapping of str to Difference
        Mean power of each candidate less that of the baseline [kW].
    power : sequence of float, length n
        Mean power of each pull [kW], for the percentage.

    Notes
    -----
    The expectation holds other things equal (pressure, mixture, ignition timing, knock control), which a change of the
    intake does not; it is a plausibility check, not a prediction.
    """

    def iat(name: str) -> float | None:
        known = [p.iat for p in pulls if p.configuration == name and p.iat is not None]
        return sum(known) / len(known) if known else None

    base = [value for value, pull in zip(power, pulls, strict=True) if pull.configuration == baseline]
    cold = iat(baseline)
    results = []
    for name, found in differences.items():
        own = iat(name)
        if cold is None or own is None:
            continue
        scale = 100.0 * len(base) / sum(base)
        measured, low, high = (None if x is None else scale * x for x in (found.difference, found.low, found.high))
        results.append(ExpectedPower(baseline, name, cold, own, expected_power(own, cold), measured, low, high))
    return tuple(results)
