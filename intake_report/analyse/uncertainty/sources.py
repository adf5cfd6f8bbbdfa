"""The sources of uncertainty of one run's value: what the campaign declares about its instruments, or what is assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from intake_report import formatting
from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import declared_resolution
from intake_report.analyse.measure import ASSUMED_LAG
from intake_report.campaign import Campaign, InstrumentChannel
from intake_report.metrics.series import Floats
from intake_report.results import SourceRow
from intake_report.results.text import ROUNDING_MODE
from intake_report.units import UnitSystem, parse_quantity, to_display

# Limits assumed where the campaign declares none; this package's assumptions, stated in the report.
ASSUMED_ACCURACY = 2.5  # K; about what published resistance bands of such sensors give at 25 °C (as for ambient)
ASSUMED_SPEED = 2.0  # km/h
ASSUMED_CLOCK = 2.0  # s
LAG_SHARE = 0.5  # of the time constant: it depends on the speed of the air
POSITION = 5.0  # m; half-width of a matched position (common practice for consumer receivers)

Kind = Literal["reading", "lag", "ambient", "clock", "speed", "steps", "events"]

STEPS = "Steps and sampling"
EVENTS = "Times of events"


@dataclass(frozen=True)
class Source:
    """One source of uncertainty.

    Parameters
    ----------
    name : str
        As in the budget.
    kind : str
        What it acts on: "reading" and "ambient" shift temperatures [K], "lag" the sensor's time constant [s], "clock"
        the run against the weather [s], "speed" the speed reading [km/h]; "steps" and "events" differ from sample to
        sample and from event to event.
    common : bool
        The same draw for all runs.
    scale : float or None
        Half-width of a rectangular distribution, or standard deviation of a normal one; None for steps and events.
        Where `two_valued`, the other value beside zero.
    normal : bool
        Which of the two.
    quantity, basis : str
        For the report.
    two_valued : bool
        Zero or `scale`, each with probability ½: what was taken for the value, or the one other way it may be.
    """

    name: str
    kind: Kind
    common: bool
    scale: float | None
    normal: bool
    quantity: str
    basis: str
    two_valued: bool = False

    @property
    def u(self) -> float | None:
        """Standard uncertainty of the input; None where it differs from sample to sample."""
        if self.scale is None:
            return None
        if self.two_valued:
            return 0.5 * abs(self.scale)
        return self.scale if self.normal else self.scale / math.sqrt(3.0)

    def draw(self, rng: np.random.Generator, m: int) -> Floats:
        """Return m random values."""
        assert self.scale is not None
        if self.two_valued:
            return np.where(rng.uniform(size=m) < 0.5, self.scale, 0.0)
        return rng.normal(0.0, self.scale, m) if self.normal else rng.uniform(-self.scale, self.scale, m)

    def spread(self, k: int) -> Floats:
        """Return k values that stand for the distribution: the middles of k equally likely parts."""
        assert self.scale is not None
        share = (np.arange(k) + 0.5) / k
        if self.two_valued:
            return np.where(np.arange(k - k % 2) % 2 == 0, 0.0, self.scale)
        if not self.normal:
            return self.scale * (2.0 * share - 1.0)
        from scipy.special import ndtri

        return np.asarray(self.scale * ndtri(share), dtype=np.float64)

    @property
    def row(self) -> SourceRow:
        """As the report shows it."""
        return SourceRow(self.name, self.common, self.u, self.quantity, self.basis)


@dataclass(frozen=True)
class Sources:
    """All sources of a campaign, and a sentence for each number that was assumed."""

    sources: tuple[Source, ...]
    assumptions: tuple[str, ...]


def find_sources(campaign: Campaign, ambient: AmbientReference, step: float | None) -> Sources:
    """Return the sources of uncertainty of a run's value.

    Parameters
    ----------
    campaign : Campaign
        The instrument block.
    ambient : AmbientReference
        Its contributions.
    step : float or None
        Step of the IAT reading [K], found or declared.

    Notes
    -----
    Limits ± a are taken as rectangular (GUM 4.3.7), or, where the accuracy is declared as normal, as 95 % limits.
    """
    units = campaign.about.units
    found: list[Source] = []
    assumed: list[str] = []
    iat = campaign.instrument.channels.get("iat", InstrumentChannel())
    found.append(_accuracy(iat, assumed, units))
    if step is None:
        assumed.append(
            "No step was found in the intake air temperature readings and no resolution is declared: they are taken "
            "as continuous."
        )
    elif iat.rounding == "unknown":
        half = _text(0.5 * step, DELTA, units)
        # a reading cut off is low by half a step on average; between the two ways there is nothing
        basis = (
            f"rounded to the nearest step, as the values take it, or cut off and {half} low on average: 0 or + {half}, each "
            "with probability ½"
        )
        found.append(Source(ROUNDING_MODE, "reading", True, 0.5 * step, False, DELTA, basis, two_valued=True))
        assumed.append(
            "How the control unit rounds the intake air temperature is not declared: the values take it as rounded to the "
            f"nearest step; the intervals take it as rounded or cut off (then {half} higher than read), one as likely as the "
            "other."
        )
    found.append(_lag(iat, assumed))
    if step is not None:
        basis = f"steps of {_text(step, DELTA, units)} and the sampling interval, through the times of the steps"
        found.append(Source(STEPS, "steps", False, None, False, DELTA, basis))
    found += _ambient(ambient, units)
    found.append(_clock(campaign, assumed))
    found.append(_speed(campaign, assumed, units))
    basis = (
        f"half a sampling interval and half a step of speed for the highway entry, half an interval for stops, "
        f"± {_text(POSITION, 'length', units)} "
        "(assumed; the residual where distance comes from speed) for the limits of phases"
    )
    found.append(Source(EVENTS, "events", False, None, False, "time", basis))
    return Sources(tuple(found), tuple(assumed))


DELTA = "temperature_difference"


def _text(value: float, quantity: str, units: UnitSystem) -> str:
    """Return a limit in the reader's unit, three digits at most."""
    return (
        f"{float(to_display(value, quantity, units)):.3g}{formatting.NARROW_SPACE}{formatting.unit_of(quantity, units)}"
    )


def _accuracy(iat: InstrumentChannel, assumed: list[str], units: UnitSystem) -> Source:
    name = "Sensor accuracy"
    if iat.accuracy is None:
        text = f"± {_text(ASSUMED_ACCURACY, DELTA, units)}"
        assumed.append(
            f"No accuracy of the intake air temperature is declared: {text} is assumed, the same in all runs."
        )
        return Source(name, "reading", True, ASSUMED_ACCURACY, False, DELTA, f"{text} assumed")
    limit = parse_quantity(iat.accuracy, DELTA)
    if iat.accuracy_distribution == "normal":
        basis = f"± {_text(limit, DELTA, units)} declared, normal: taken as 95 % limits"
        return Source(name, "reading", True, limit / 1.959964, True, DELTA, basis)
    basis = f"± {_text(limit, DELTA, units)} declared, rectangular"
    return Source(name, "reading", True, limit, False, DELTA, basis)


def _lag(iat: InstrumentChannel, assumed: list[str]) -> Source:
    name = "Sensor time constant"
    share = f"{100 * LAG_SHARE:.0f} %"
    if iat.time_constant is None:
        assumed.append(
            f"No time constant of the intake air temperature sensor is declared: {ASSUMED_LAG:g} s ± {ASSUMED_LAG:g} s is assumed."
        )
        basis = f"{ASSUMED_LAG:g} s ± {ASSUMED_LAG:g} s assumed"
        return Source(name, "lag", True, ASSUMED_LAG, False, "time", basis)
    assumed.append(
        f"The time constant of the intake air temperature sensor is taken to lie within ± {share} of the declared one, since "
        "it depends on the speed of the air."
    )
    half = LAG_SHARE * iat.time_constant
    return Source(name, "lag", True, half, False, "time", f"{iat.time_constant:g} s declared, ± {share} assumed")


def _ambient(ambient: AmbientReference, units: UnitSystem) -> list[Source]:
    rows = []
    for part in ambient.choice.contributions:
        # interpolation and place are scatters that were observed, the others limits
        normal = part.name in ("interpolation in time", "place")
        scale = part.value if normal else math.sqrt(3.0) * part.value
        known = {
            "accuracy": "assumed, not declared" if "assumed" in part.basis else "declared",
            "resolution": "half a step",
            "rounding mode": "rounded or cut off is not known",
        }.get(part.name, part.basis)
        basis = known if normal else f"± {_text(scale, DELTA, units)} {known}"
        rows.append(Source(f"Ambient: {part.name}", "ambient", part.shared, scale, normal, DELTA, basis))
    return rows


def _clock(campaign: Campaign, assumed: list[str]) -> Source:
    limit = campaign.instrument.clock_accuracy
    if limit is None:
        assumed.append(
            f"No accuracy of the logger's clock is declared: ± {ASSUMED_CLOCK:g} s against the weather is assumed, each run its own."
        )
    half = ASSUMED_CLOCK if limit is None else limit
    basis = f"± {half:g} s {'assumed' if limit is None else 'declared'}, against the weather"
    return Source("Clock", "clock", False, half, False, "time", basis)


def _speed(campaign: Campaign, assumed: list[str], units: UnitSystem) -> Source:
    declared = campaign.instrument.channels.get("speed")
    known = declared is not None and declared.accuracy is not None
    half = ASSUMED_SPEED
    if declared is not None and declared.accuracy is not None:
        half = parse_quantity(declared.accuracy, "speed")
    text = f"± {_text(half, 'speed', units)}"
    if not known:
        assumed.append(f"No accuracy of the speed reading is declared: {text} is assumed, the same in all runs.")
    basis = f"{text} {'declared' if known else 'assumed'}, through the time of the highway entry"
    return Source("Speed accuracy", "speed", True, half, False, "speed", basis)


def speed_step(campaign: Campaign) -> float:
    """Return the step of the speed reading [km/h]: declared, else 1."""
    return declared_resolution(campaign).get("speed", 1.0)
