"""Why cold air matters: mass of air in a fixed volume against its temperature, with the campaign's configurations."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from intake_report import air
from intake_report.campaign import Campaign
from intake_report.formatting import listing
from intake_report.metrics import RunSeries
from intake_report.metrics.series import weights
from intake_report.report_table import rows_of
from intake_report.results.evidence import AirEvidence, AirPoint, RunWeather

UNIT_VOLUME = 1.0  # L; where the displacement is not declared
STANDARD_PRESSURE = 101.325  # kPa; standard atmosphere at sea level
POINTS = 61


def air_evidence(
    campaign: Campaign,
    series: Iterable[RunSeries],
    conditions: pd.DataFrame,
    weather: tuple[RunWeather, ...],
) -> AirEvidence | None:
    """Return the curve and the configurations on it; None without intake air or ambient temperatures.

    Parameters
    ----------
    campaign : Campaign
        Displacement, phases, baseline.
    series : iterable of RunSeries
        Runs that take part in the comparison.
    conditions, weather
        Ambient, pressure and humidity of each run.

    Notes
    -----
    The state of the air is the mean over the runs, the same for all configurations: what differs is the intake air
    temperature alone. Without a recorded pressure the standard atmosphere at sea level is taken, and dry air without
    a humidity; the source says so.
    """
    kinds: dict[str, str] = {phase.id: phase.kind for phase in campaign.route.phases}
    found: dict[str, list[float]] = {}
    used = set()
    in_city = any(kind == "city" for kind in kinds.values())
    for run in series:
        mean = _mean_iat(run, kinds if in_city else {})
        if mean is not None:
            found.setdefault(run.configuration, []).append(mean)
            used.add(run.run)
    ambient = [c.ambient_mean for c in rows_of(conditions) if c.run in used and c.ambient_mean is not None]
    if not found or not ambient:
        return None
    state = [w for w in weather if w.run in used]
    pressures = [w.pressure for w in state if w.pressure is not None]
    humidities = [w.humidity for w in state if w.humidity is not None]
    temperature = float(np.mean(ambient))
    pressure = float(np.mean(pressures)) if pressures else STANDARD_PRESSURE
    humidity = float(np.mean(humidities)) if humidities else 0.0
    volume = campaign.vehicle.displacement or UNIT_VOLUME

    def mass(at: float) -> float:
        return float(
            air.mass_in_volume(
                at, volume, ambient_temperature=temperature, ambient_pressure=pressure, ambient_humidity=humidity
            )
        )

    means = {c.id: float(np.mean(found[c.id])) for c in campaign.configurations if c.id in found}
    base = means.get(campaign.baseline.id)
    points = tuple(
        AirPoint(
            configuration=id,
            n=len(found[id]),
            iat=iat,
            mass=mass(iat),
            change=None if base is None or id == campaign.baseline.id else 100.0 * (mass(iat) / mass(base) - 1.0),
            expected=() if base is None or id == campaign.baseline.id else air.expected_power(iat, base),
        )
        for id, iat in means.items()
    )
    low = float(np.floor((min(temperature, *means.values()) - 10.0) / 5.0) * 5.0)
    high = float(np.ceil((max(temperature, *means.values()) + 10.0) / 5.0) * 5.0)
    curve = np.linspace(low, high, POINTS)
    return AirEvidence(
        volume=volume,
        displacement=campaign.vehicle.displacement is not None,
        where="in the city" if in_city else "over the whole run",
        ambient=temperature,
        pressure=pressure,
        humidity=humidity,
        density=mass(temperature) / volume,
        density_cipm=air.density_cipm(temperature, pressure, humidity)
        if air.cipm_in_range(temperature, pressure)
        else None,
        ambient_mass=mass(temperature),
        source=_source(pressures, humidities, state),
        temperatures=tuple(curve.tolist()),
        masses=tuple(mass(t) for t in curve.tolist()),
        points=points,
    )


def _mean_iat(run: RunSeries, kinds: dict[str, str]) -> float | None:
    """Return the time-weighted mean intake air temperature [°C] of one run in its city phases, or over all of it."""
    if run.time.size < 2:
        return None
    spans = [(span.start, span.end) for span in run.phases if kinds.get(span.label) == "city"]
    if not kinds:
        spans = [(float(run.time[0]), float(run.time[-1]))]
    weight = np.sum([weights(run.time, start, end, run.max_gap) for start, end in spans], axis=0)
    total = float(np.sum(weight))
    if total <= 0.0:
        return None
    return float(np.sum(run.iat * weight) / total)


def _source(pressures: list[float], humidities: list[float], state: list[RunWeather]) -> str:
    names = list(dict.fromkeys(w.source for w in state if w.source))
    if pressures and humidities:
        return f"the mean over the runs by {listing(names)}"
    if pressures:
        return f"the mean over the runs by {listing(names)} (no humidity was recorded: dry air is taken)"
    return "the standard atmosphere at sea level with dry air, because no station pressure was recorded"
