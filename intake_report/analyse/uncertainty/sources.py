"""The sources of uncertainty of one run's value: what the campaign declares about its instruments, or what is assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtri

from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import declared_resolution
from intake_report.campaign import Campaign, InstrumentChannel
from intake_report.messages import Message, Part, Value, message
from intake_report.metrics.series import Floats
from intake_report.results import SourceRow
from intake_report.results.text import ROUNDING_MODE
from intake_report.units import parse_quantity

# Limits assumed where the campaign declares none; this package's assumptions, stated in the report.
ASSUMED_ACCURACY = 2.5  # K; about what published resistance bands of such sensors give at 25 °C (as for ambient)
ASSUMED_SPEED = 2.0  # km/h
ASSUMED_CLOCK = 2.0  # s
NORMAL_95 = 1.959964  # standard deviations of a 95 % limit of a normal distribution
POSITION = 5.0  # m; half-width of a matched position (common practice for consumer receivers)

Kind = Literal["reading", "ambient", "clock", "speed", "steps", "events"]

DELTA = "temperature_difference"


@dataclass(frozen=True)
class Source:
    """One source of uncertainty, named as in the budget; `basis` is what is known, for the report.

    `kind` is what it acts on: "reading" and "ambient" shift temperatures [K], "clock" the run against the weather [s], "speed" the speed reading [km/h]; "steps" and "events" differ from sample to sample and from
    event to event. A `common` one has the same draw for all runs. `scale` [internal unit of `quantity`] is the half-width of a
    rectangular distribution, or the standard deviation where `normal`; None for steps and events. A `two_valued` one is zero or
    `scale`, each with probability ½: what was taken for the value, or the one other way it may be.
    """

    name: str
    kind: Kind
    common: bool
    scale: float | None
    normal: bool
    quantity: str
    basis: Part
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
        return np.asarray(self.scale * ndtri(share), dtype=np.float64)

    @property
    def row(self) -> SourceRow:
        """As the report shows it."""
        return SourceRow(self.name, self.common, self.u, self.quantity, self.basis)


@dataclass(frozen=True)
class Sources:
    """All sources of a campaign, and a sentence for each number that was assumed."""

    sources: tuple[Source, ...]
    assumptions: tuple[Message, ...]


def find_sources(campaign: Campaign, ambient: AmbientReference, step: float | None) -> Sources:
    """Return the sources of uncertainty of a run's value; `step` is that of the IAT reading [K], found or declared.

    Limits ± a are taken as rectangular (GUM 4.3.7), or, where the accuracy is declared as normal, as 95 % limits.
    """
    channels = campaign.instrument.channels
    iat, speed = channels.get("iat", InstrumentChannel()), channels.get("speed", InstrumentChannel())
    assumed: list[Message] = []
    found = [_accuracy(iat, assumed), *_steps(iat, step, assumed), *_ambient(ambient)]
    clock = campaign.instrument.clock_accuracy
    if clock is None:
        assumed.append(
            message(
                "No accuracy of the logger's clock is declared: ± {limit} against the weather is assumed, each run its own.",
                code="clock-assumed",
                limit=Value(ASSUMED_CLOCK, "time", 0),
            )
        )
    found.append(_limited("Clock", "clock", False, "time", clock, ASSUMED_CLOCK, "against the weather"))
    if speed.accuracy is None:
        assumed.append(
            message(
                "No accuracy of the speed reading is declared: ± {limit} is assumed, the same in all runs.",
                code="speed-assumed",
                limit=Value(ASSUMED_SPEED, "speed"),
            )
        )
    declared = None if speed.accuracy is None else parse_quantity(speed.accuracy, "speed")
    where = "through the time of the highway entry"
    found.append(_limited("Speed accuracy", "speed", True, "speed", declared, ASSUMED_SPEED, where))
    basis = message(
        "half a sampling interval and half a step of speed for the highway entry, half an interval for stops, ± {position} "
        "(assumed; the residual where distance comes from speed) for the limits of phases",
        position=Value(POSITION, "length"),
    )
    found.append(Source("Times of events", "events", False, None, False, "time", basis))
    return Sources(tuple(found), tuple(assumed))


def _limited(
    name: str, kind: Kind, common: bool, quantity: str, declared: float | None, assumed: float, where: str
) -> Source:
    half = assumed if declared is None else declared
    basis = message(
        "± {limit} {known}, {where}",
        limit=Value(half, quantity),
        known="assumed" if declared is None else "declared",
        where=where,
    )
    return Source(name, kind, common, half, False, quantity, basis)


def _steps(iat: InstrumentChannel, step: float | None, assumed: list[Message]) -> list[Source]:
    """Return what steps of the reading leave open; a reading cut off is low by half a step on average."""
    if step is None:
        assumed.append(
            message(
                "No step was found in the intake air temperature readings and no resolution is declared: they are taken "
                "as continuous.",
                code="continuous-assumed",
            )
        )
        return []
    basis = message(
        "steps of {step} and the sampling interval, through the times of the steps", step=Value(step, DELTA, 2)
    )
    steps = Source("Steps and sampling", "steps", False, None, False, DELTA, basis)
    if iat.rounding != "unknown":
        return [steps]
    half = Value(0.5 * step, DELTA, 2)
    assumed.append(
        message(
            "How the control unit rounds the intake air temperature is not declared: the values take it as rounded to the "
            "nearest step; the intervals take it as rounded or cut off (then {half} higher than read), one as likely as the "
            "other.",
            code="rounding-assumed",
            half=half,
        )
    )
    # between the two ways there is nothing
    basis = message(
        "rounded to the nearest step, as the values take it, or cut off and {half} low on average: 0 or + {half}, each "
        "with probability ½",
        half=half,
    )
    return [Source(ROUNDING_MODE, "reading", True, 0.5 * step, False, DELTA, basis, two_valued=True), steps]


def _accuracy(iat: InstrumentChannel, assumed: list[Message]) -> Source:
    name, normal = "Sensor accuracy", iat.accuracy_distribution == "normal"
    if iat.accuracy is None:
        limit = Value(ASSUMED_ACCURACY, DELTA, 1)
        assumed.append(
            message(
                "No accuracy of the intake air temperature is declared: ± {limit} is assumed, the same in all runs.",
                code="accuracy-assumed",
                limit=limit,
            )
        )
        basis = message("± {limit} assumed", limit=limit)
        return Source(name, "reading", True, ASSUMED_ACCURACY, False, DELTA, basis)
    half = parse_quantity(iat.accuracy, DELTA)
    shape = "normal: taken as 95 % limits" if normal else "rectangular"
    basis = message("± {limit} declared, {shape}", limit=Value(half, DELTA, 1), shape=shape)
    return Source(name, "reading", True, half / NORMAL_95 if normal else half, normal, DELTA, basis)


def _ambient(ambient: AmbientReference) -> list[Source]:
    rows = []
    for part in ambient.choice.contributions:
        # interpolation and place are scatters that were observed, the others limits
        normal = part.name in ("interpolation in time", "place")
        scale = part.value if normal else math.sqrt(3.0) * part.value
        basis = message("± {limit} {basis}", limit=Value(scale, DELTA, 2), basis=part.basis)
        rows.append(
            Source(
                f"Ambient: {part.name}", "ambient", part.shared, scale, normal, DELTA, part.basis if normal else basis
            )
        )
    return rows


def speed_step(campaign: Campaign) -> float:
    """Return the step of the speed reading [km/h]: declared, else 1."""
    return declared_resolution(campaign).get("speed", 1.0)
