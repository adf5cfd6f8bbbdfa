"""Wind, precipitation and sky from the reports near a run, and what the campaign declares of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from intake_report.weather.records import Observation, WeatherRecord

_DRY_WORDS = ("dry", "none", "no", "no rain")


@dataclass(frozen=True)
class Declared:
    """What the campaign states about a run's weather in words; passed through, never computed.

    Parameters
    ----------
    sun : str or None
        "full sun", "cloudy", "night" …
    rain : str or None
        "none", "light" …
    road : {"dry", "damp", "wet"} or None
        Road surface.
    note : str or None
        Anything else.
    """

    sun: str | None = None
    rain: str | None = None
    road: Literal["dry", "damp", "wet"] | None = None
    note: str | None = None


def reports_near(record: WeatherRecord, window: tuple[float, float], max_age: float) -> list[Observation]:
    """Return the reports within the run and the nearest one on either side that is not too old."""
    times = np.array([o.time.timestamp() for o in record.observations])
    first = max(int(np.searchsorted(times, window[0], side="right")) - 1, 0)
    last = min(int(np.searchsorted(times, window[1], side="left")), len(times) - 1)
    return [
        record.observations[k] for k in range(first, last + 1) if window[0] - max_age <= times[k] <= window[1] + max_age
    ]


def wind_near(concerned: Sequence[Observation], absent: list[tuple[str, str]]) -> dict[str, Any]:
    """Return the wind fields of `RunConditions`; a reason goes into `absent` when no report has the wind."""
    speeds = [o.wind_speed for o in concerned if o.wind_speed is not None]
    gusts = [o.wind_gust for o in concerned if o.wind_gust is not None]
    values: dict[str, Any] = {
        "wind_variable": any(o.wind_variable for o in concerned),
        "wind_gust": max(gusts, default=None),
    }
    if not speeds:
        absent.append(("wind_speed", "no report near the run has the wind; missing is not calm"))
        return values
    values["wind_speed"] = float(np.mean(speeds))
    directed = [(o.wind_speed, o.wind_direction) for o in concerned if o.wind_speed and o.wind_direction is not None]
    if directed and not values["wind_variable"]:
        speed, angle = (np.array(column, dtype=np.float64) for column in zip(*directed, strict=True))
        east, north = (speed * np.sin(np.radians(angle))).mean(), (speed * np.cos(np.radians(angle))).mean()
        # Opposed winds have no mean direction.
        if np.hypot(east, north) > 0.1 * speed.mean():
            values["wind_direction"] = float(np.degrees(np.arctan2(east, north)) % 360.0)
    return values


def precipitation_near(concerned: Sequence[Observation], absent: list[tuple[str, str]]) -> dict[str, Any]:
    """Return the precipitation fields of `RunConditions`."""
    told = [o.raining for o in concerned if o.raining is not None]
    depths = [o.rain for o in concerned if o.rain is not None]
    if not told:
        absent.append(("raining", "no report near the run tells"))
    return {"raining": any(told) if told else None, "rain": max(depths, default=None)}


def contradictions_near(declared: Declared, concerned: Sequence[Observation]) -> tuple[str, ...]:
    """Return sentences on what the campaign declares against what the reports near the run say."""
    wet = [o for o in concerned if o.raining]
    says_dry = (declared.rain or "").strip().lower() in _DRY_WORDS or declared.road == "dry"
    if not (wet and says_dry):
        return ()
    what = wet[0].present or "precipitation"
    return (
        f"Declared as {'a dry road' if declared.road == 'dry' else 'without rain'}, but {wet[0].source} reported "
        f"“{what}” at {wet[0].time:%H:%M} UTC.",
    )
