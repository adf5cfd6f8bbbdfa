"""Tables of the campaign file for what is measured off the road: dyno pulls, restriction, exposure, observations."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal

from pydantic import Field, model_validator

from intake_report.campaign.fields import Identifier, Measured, RelativePath, Section, Text


class DynoSection(Section):
    """How the pulls are brought to common conditions."""

    correction: str = Field(default="none", description="Name of a power correction with its edition")
    aspiration: Literal["natural", "boosted"] | None = None
    smoothing: Annotated[float, Measured("engine_speed", low=0.0)] | None = None
    grid: Annotated[float, Measured("engine_speed", low=1.0)] = 100.0
    warm_up_pulls: Annotated[int, Field(ge=0)] = 0
    driveline_loss: str | None = Field(default=None, description='A named assumption: "15 % (assumed, after ...)"')


class Pull(Section):
    """One wide-open-throttle sweep on the dyno."""

    id: Identifier
    configuration: Identifier
    file: RelativePath
    columns: dict[str, str] = Field(default_factory=dict)
    measured_at: Literal["wheel", "engine"]
    order: Annotated[int, Field(ge=1)]
    time: dt.datetime | None = None
    session: Identifier | None = None
    cell_temperature: Annotated[float, Measured("temperature")] | None = None
    cell_pressure: Annotated[float, Measured("pressure", low=0.0)] | None = None
    cell_humidity: Annotated[float, Measured("ratio", low=0.0, high=100.0)] | None = None
    warm_up: bool = False
    notes: str = ""


class RestrictionPoint(Section):
    """One point of a restriction curve."""

    airflow: Annotated[float, Measured("volume_flow", low=0.0)]
    drop: Annotated[float, Measured("restriction", low=0.0)]


class Restriction(Section):
    """A restriction curve of one configuration, from a bench or from the road."""

    configuration: Identifier
    points: tuple[RestrictionPoint, ...] = ()
    file: RelativePath | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    source: str = ""

    @model_validator(mode="after")
    def _has_points(self) -> Restriction:
        if bool(self.points) == bool(self.file):
            raise ValueError("give either `points` or `file`")
        return self


class Exposure(Section):
    """One wet, dusty or hot trial with its observation."""

    configuration: Identifier
    condition: Literal["wet", "dusty", "hot"]
    date: dt.date | None = None
    duration: Annotated[float, Measured("duration", low=0.0)] | None = None
    observation: Text
    adverse: bool = Field(
        description="Whether the trial showed what it looked for: moisture, dust past the filter, damage"
    )
    inspector: str = Field(default="", description="A role, not a name")
    filter_mass_before: Annotated[float, Measured("mass", low=0.0)] | None = None
    filter_mass_after: Annotated[float, Measured("mass", low=0.0)] | None = None


class Observation(Section):
    """One timed task or remark on serviceability."""

    configuration: Identifier
    task: Text
    time: Annotated[float, Measured("duration", low=0.0)] | None = None
    note: str = ""
