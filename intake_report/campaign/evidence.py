"""Tables of the campaign file for what is measured off the road: dyno pulls, restriction, exposure, observations."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from intake_report.campaign.fields import Day, Identifier, Moment, RelativePath, Section, Text, WithUnit


class DynoSection(Section):
    """How the pulls are brought to common conditions."""

    correction: str = Field(default="none", description="Name of a power correction with its edition")
    air: Literal["cell", "ambient", "intake"] = Field(
        default="cell", description="Which air the correction takes; intake air is refused with the reason"
    )
    elevation: Annotated[float, WithUnit("length")] | None = Field(
        default=None, description="Of the test cell: questions a cell pressure that was reduced to sea level"
    )
    fuel_per_cycle: Annotated[float, Field(gt=0.0, lt=1000.0)] | None = Field(
        default=None, description="mg per litre and cycle, for the compression-ignition corrections"
    )
    aspiration: Literal["natural", "boosted"] | None = None
    smoothing: Annotated[float, WithUnit("engine_speed", low=0.0)] | None = None
    grid: Annotated[float, WithUnit("engine_speed", low=1.0)] = 100.0
    warm_up_pulls: Annotated[int, Field(ge=0, le=1000)] = 0
    least_coolant: Annotated[float, WithUnit("temperature")] | None = Field(
        default=None, description="A pull with a colder coolant counts as a warm-up pull"
    )
    driveline_loss: str | None = Field(default=None, description='A named assumption: "15 % (assumed, after ...)"')


class Pull(Section):
    """One wide-open-throttle sweep on the dyno: a file with its curve, or its figures as the dyno printed them."""

    id: Identifier
    configuration: Identifier
    file: RelativePath | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    peak_power: Annotated[float, WithUnit("power", low=0.0)] | None = Field(
        default=None, description="Of this one pull, never an average of several; as printed, where there is no curve"
    )
    peak_torque: Annotated[float, WithUnit("torque", low=0.0)] | None = None
    mean_power: Annotated[float, WithUnit("power", low=0.0)] | None = None
    mean_torque: Annotated[float, WithUnit("torque", low=0.0)] | None = None
    printed_correction: str = Field(
        default="", description='Correction that the dyno printed beside these figures, "none" or "not known"'
    )
    measured_at: Literal["wheel", "engine"]
    order: Annotated[int, Field(ge=1, le=1_000_000)]
    time: Moment | None = None
    session: Identifier | None = None
    cell_temperature: Annotated[float, WithUnit("temperature")] | None = None
    cell_pressure: Annotated[float, WithUnit("pressure", low=0.0)] | None = None
    cell_humidity: Annotated[float, WithUnit("ratio", low=0.0, high=100.0)] | None = None
    warm_up: bool = False
    notes: str = ""

    @property
    def stated(self) -> dict[str, float]:
        """Figures typed by hand [kW], [N·m]; empty for a pull with a curve."""
        figures = {name: getattr(self, name) for name in ("peak_power", "peak_torque", "mean_power", "mean_torque")}
        return {name: value for name, value in figures.items() if value is not None}

    @model_validator(mode="after")
    def _one_form(self) -> Pull:
        if bool(self.stated) == bool(self.file):
            raise ValueError("give either “file” or figures such as “peak_power” as the dyno printed them")
        if self.stated and not all(value > 0.0 for value in self.stated.values()):
            raise ValueError("power and torque of a pull are greater than zero")
        if self.stated and not self.printed_correction:
            raise ValueError("say in “printed_correction” which correction the dyno printed, “none” or “not known”")
        if self.file and self.printed_correction:
            raise ValueError(
                "“printed_correction” belongs to figures as printed; a curve is corrected by “dyno.correction”"
            )
        return self


class BenchSection(Section):
    """Where restriction curves are compared."""

    airflow: Annotated[float, WithUnit("volume_flow", low=0.0)] | None = Field(
        default=None, description="Airflow at which restrictions are compared; the highest common one if absent"
    )
    depression: Annotated[float, WithUnit("restriction", low=0.0)] | None = Field(
        default=None, description="Test depression to which airflow is scaled by the square-root rule"
    )


class RestrictionPoint(Section):
    """One point of a restriction curve."""

    airflow: Annotated[float, WithUnit("volume_flow", low=0.0)]
    drop: Annotated[float, WithUnit("restriction", low=0.0)]


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
            raise ValueError("give either “points” or “file”")
        return self


class Airflow(Section):
    """Airflow of one configuration as somebody quotes it: "15 % more"; shown as quoted, never a measurement."""

    configuration: Identifier
    versus: Identifier | None = Field(default=None, description="The other configuration; the baseline if absent")
    more: Annotated[float, WithUnit("ratio")] = Field(
        description="Airflow more than the other's, less than zero for less"
    )
    depression: Annotated[float, WithUnit("restriction", low=0.0)] | None = Field(
        default=None, description="Test depression of the configuration, where it is quoted"
    )
    versus_depression: Annotated[float, WithUnit("restriction", low=0.0)] | None = Field(
        default=None, description="Test depression of the other configuration, where it is quoted"
    )
    source: Text = Field(description="Who says so, and how it was measured")


class Exposure(Section):
    """One wet, dusty or hot trial with its observation, or several alike (`trials`)."""

    configuration: Identifier
    condition: Literal["wet", "dusty", "hot"]
    date: Day | None = None
    duration: Annotated[float, WithUnit("duration", low=0.0)] | None = None
    observation: Text
    adverse: bool | Annotated[int, Field(ge=0, le=1_000_000)] = Field(
        description="Whether the trial showed what it looked for (moisture, dust past the filter, damage), or in how many"
    )
    trials: Annotated[int, Field(ge=1, le=1_000_000)] = Field(
        default=1, description="How many like trials this row stands for"
    )
    inspector: str = Field(default="", description="A role, not a name")
    filter_mass_before: Annotated[float, WithUnit("mass", low=0.0)] | None = None
    filter_mass_after: Annotated[float, WithUnit("mass", low=0.0)] | None = None

    @property
    def adverse_trials(self) -> int:
        """In how many of the trials of this row the adverse observation was made."""
        return self.trials if self.adverse is True else int(self.adverse)

    @model_validator(mode="after")
    def _possible(self) -> Exposure:
        if self.adverse_trials > self.trials:
            raise ValueError(f"{self.adverse_trials} adverse observations in {self.trials} trials are not possible")
        if self.adverse is True and self.trials > 1:
            raise ValueError(f"say in how many of the {self.trials} trials it was adverse: write a number")
        return self


class Observation(Section):
    """One timed task or remark on serviceability."""

    configuration: Identifier
    task: Text
    time: Annotated[float, WithUnit("duration", low=0.0)] | None = None
    note: str = ""
