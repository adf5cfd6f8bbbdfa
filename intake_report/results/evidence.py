"""Frozen result types of the evidence beside the road logs (weather, air, dyno, restriction, exposure, service) and by place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from intake_report.messages import Part

if TYPE_CHECKING:
    from intake_report.bench import BenchResult, RestrictionSet
    from intake_report.dyno import DynoResult
    from intake_report.weather import Contribution


@dataclass(frozen=True)
class RunWeather:
    """Air and wind during one run."""

    run: str
    source: str  # Id of the source of pressure, humidity and density; empty where none has them
    ambient_change: float | None  # Reference ambient at the end of the run less that at its start [K]
    age: float | None  # Longest time from any moment of the run to the nearest report of `age_source` [s]
    age_source: str  # Id of the source whose age it is
    # pressure, dry_pressure: Of the station, not reduced to sea level, and of its dry part [kPa]
    pressure: float | None
    dry_pressure: float | None
    humidity: float | None  # humidity, dew_point: [%], [°C]
    dew_point: float | None
    # density, density_altitude: Of the humid air [kg/m³], and the standard atmosphere's height [m]
    density: float | None
    density_altitude: float | None
    wind_source: str
    wind_speed: float | None  # wind: [km/h], [°]; None is missing, not calm
    wind_gust: float | None
    wind_direction: float | None
    wind_variable: bool
    raining: bool | None  # Whether a report near the run had precipitation
    reported_sky: tuple[str, ...]  # As reported
    road: str  # road, sky, sun, rain: As the campaign declares; empty if it does not
    sky: str
    sun: str
    rain: str
    notes: tuple[Part, ...]  # Contradictions between declared and reported
    absent: tuple[Part, ...]  # What no source says, with the reason


@dataclass(frozen=True)
class EvidenceNotice:
    """Something noticed while reading weather, dyno or bench data; shown under data quality."""

    source: str
    code: str
    text: Part


@dataclass(frozen=True, eq=False)
class WeatherEvidence:
    """All weather of the campaign."""

    chosen_by: str  # "campaign", "rule" or "none"
    rule: Part  # How the reference is chosen where the campaign names none
    uncertainty: float | None  # uncertainty, uncertainty_between: Of the reference [K], standard
    uncertainty_between: float | None
    contributions: tuple[Contribution, ...]  # Behind them
    sources: pd.DataFrame  # Of ambient temperature: what each is, its reports, runs covered, standard uncertainty [K]
    offsets: pd.DataFrame  # Mean over the runs of the first source less the second [K], with its interval
    runs: tuple[RunWeather, ...]
    forecasts: pd.DataFrame  # Of a run and quantity: forecast, what came, and whether `within` the limit
    forecast_limit: float  # Difference between forecast and actual that is commonly accepted [K]


@dataclass(frozen=True, eq=False)
class AirEvidence:
    """Mass of air in a fixed volume against its temperature, at the mean pressure and humidity of the runs."""

    volume: float  # [L]
    displacement: bool  # Whether it is the engine's
    where: str  # Over which part of the route the temperatures are means, in words
    ambient: float  # ambient, pressure, humidity: State in which the air was drawn in [°C], [kPa], [%]
    pressure: float
    humidity: float
    density: float  # Of that air as an ideal mix [kg/m³]
    density_cipm: float | None  # The same by CIPM-2007; None outside its range
    ambient_mass: float  # Air in the volume at ambient temperature [g]
    source: Part  # Where that state comes from
    temperatures: tuple[float, ...]  # temperatures, masses: The curve [°C], [g]
    masses: tuple[float, ...]
    # By configuration: runs, mean temperature [°C], mass [g]; against the baseline's its change [%] and the power expected
    points: pd.DataFrame


@dataclass(frozen=True, eq=False)
class RoadAirflow:
    """Restriction and volumetric efficiency from the road logs at wide-open throttle."""

    pressure: str  # Which pressure it is, in words
    throttle: float  # Least throttle reading that counts [%]
    curves: RestrictionSet | None  # Restriction curves; None with the `reason`
    full: pd.DataFrame  # Volumetric efficiency [%] by configuration, against ambient density; empty with the `reason`
    reason: Part


@dataclass(frozen=True)
class TheoreticalAirflow:
    """What the engine displaces at one engine speed, beside the airflow at which restrictions are compared."""

    speed: float  # Highest engine speed of the pulls' common band [rpm]
    airflow: float  # Displaced there [m³/s]
    share: float | None  # Common airflow of the bench over it [%]


@dataclass(frozen=True)
class Evidence:
    """Everything beside the road logs that the campaign has."""

    weather: WeatherEvidence
    air: AirEvidence | None
    dyno: DynoResult | None
    bench: BenchResult | None
    road: RoadAirflow | None
    theoretical: TheoreticalAirflow | None
    tested: tuple[str, ...]  # tested, untested: Kinds of evidence that the campaign has and has not, in words
    untested: tuple[str, ...]
    notices: tuple[EvidenceNotice, ...]  # For data quality


@dataclass(frozen=True, eq=False)
class Places:
    """Everything by place."""

    quantity: str  # Over-ambient, or intake air temperature where there is no ambient
    step: float  # Length of a cell [m]
    centres: tuple[float, ...]  # Middle of each cell [m]
    # By configuration: mean, low, high, and runs with a value, of every cell; None where no run has one
    curves: pd.DataFrame
    traffic: dict[str, tuple[float, ...]]  # "dwell": median time in each cell [s]; "passes": most passes of a run
    peaks: pd.DataFrame  # By run: route distance [m] and value of its true peak
    peak_centre: float | None  # Common place of the peaks [m]
    peak_spread: float | None  # Median distance from it [m]
    peak_share: float | None  # Of the runs within `peak_within` [m] of it
    peak_within: float | None
    one_place: bool  # Whether the peaks fall at one place
    stops: pd.DataFrame  # By route distance [m]: name, share of the runs that stopped there, durations [s] by run
    proposed: str = ""  # Phases by the speed profile, in campaign-file form; empty when the campaign states phases
