"""The acceptance criteria: what each compares, its default limit, and whether it is hard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class AcceptanceLimit:
    """The campaign's limit for one criterion, in the criterion's unit; `hard` None keeps the default."""

    limit: float
    hard: bool | None = None


@dataclass(frozen=True)
class CriterionSpec:
    """One criterion.

    Parameters
    ----------
    code : str
        Identity, also the key in the campaign file.
    title : str
        As the report shows it.
    unit : str
        Internal unit of limit and value; "" for a count or a share.
    quantity : str or None
        Quantity for parsing a limit with a unit; None for a bare number.
    sense : {"at least", "at most"}
        On which side of the limit a value passes.
    limit : float
        Default limit.
    hard : bool
        Whether failing excludes the run by default.
    scope : {"run", "alike", "within"}
        "run": the value of the run itself; "alike": its difference from the median of the runs, and between two runs;
        "within": the same among the runs of one configuration, for what the configuration itself may change.
    definition : str
        One sentence.
    """

    code: str
    title: str
    unit: str
    quantity: str | None
    sense: Literal["at least", "at most"]
    limit: float
    hard: bool
    scope: Literal["run", "alike", "within"]
    definition: str


# Limits are choices of this package unless a note says otherwise
_ALL = (
    CriterionSpec(
        "one-pass", "One pass of the route", "", None, "at most", 0.0, True, "run",
        "Reasons why the log is not one pass of the route: another route, reversed, several laps, not placed.",
    ),
    CriterionSpec(
        "coverage", "Route covered", "", None, "at least", 0.95, True, "run",
        "Share of the reference path that the run covers.",
    ),
    CriterionSpec(
        "cross-track", "Distance from the path", "m", "distance", "at most", 15.0, False, "run",
        "Median distance of the position fixes from the reference path.",
    ),
    CriterionSpec(
        "placement", "Uncertainty of place", "m", "distance", "at most", 150.0, False, "run",
        "Without a position: RMS by which single stretches would rather lie elsewhere.",
    ),
    CriterionSpec(
        "phase-duration", "Duration of a phase", "", None, "at most", 0.25, False, "alike",
        "Difference of the largest relative deviation of a phase's duration.",
    ),
    CriterionSpec(
        "stop-time", "Stop time before the highway entry", "s", "time", "at most", 120.0, False, "alike",
        "Sum of the stops on the route before the highway entry.",
    ),
    CriterionSpec(
        "stops", "Stops before the highway entry", "", None, "at most", 4.0, False, "alike",
        "Number of stops on the route before the highway entry.",
    ),
    CriterionSpec(
        "ramp-speed", "Speed by place on the ramp", "km/h", "speed", "at most", 12.0, False, "alike",
        "RMS difference of speed place by place on the ramps.",
    ),
    CriterionSpec(
        "highway-speed", "Speed by place on the highway", "km/h", "speed", "at most", 10.0, False, "alike",
        "RMS difference of speed place by place on the highway.",
    ),
    CriterionSpec(
        "ramp-acceleration", "Acceleration on the ramp", "m/s²", None, "at most", 0.3, False, "alike",
        "Mean acceleration from 60 % of the entry's speed to the highway entry; the trade keeps it alike between "
        "configurations so as not to skew recovery (common practice).",
    ),
    CriterionSpec(
        "ambient", "Ambient", "K", "temperature_difference", "at most", 10.0 / 9.0, False, "alike",
        "Mean ambient of the run; 2 °F between days is commonly accepted (common practice).",
    ),
    CriterionSpec(
        "start-coolant", "Coolant at the start", "K", "temperature_difference", "at most", 8.0, False, "alike",
        "Median coolant reading of the first minute: the soak state.",
    ),
    CriterionSpec(
        "start-over-ambient", "IAT over ambient at the start", "K", "temperature_difference", "at most", 4.0, False,
        "within", "Median IAT of the first minute less ambient: the soak state. Compared with the median of the runs of the "
        "same configuration, since intakes may differ in it: that is the effect under test. Runs of different configurations "
        "are not judged by it.",
    ),
    CriterionSpec(
        "time-of-day", "Time of day", "h", None, "at most", 2.0, False, "alike",
        "Clock time of the start: traffic and sun.",
    ),
    CriterionSpec(
        "wind", "Wind", "km/h", "speed", "at most", 15.0, False, "alike", "Mean wind during the run.",
    ),
    CriterionSpec(
        "rain", "Rain", "", None, "at most", 0.0, False, "alike", "Whether rain was recorded: 1 or 0.",
    ),
)  # fmt: skip
CRITERIA: dict[str, CriterionSpec] = {spec.code: spec for spec in _ALL}
