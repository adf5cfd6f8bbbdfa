"""Tables of the campaign file for what shall be shown and how it is planned, and for what is measured off the road."""

from typing import Annotated, Literal

from pydantic import Field, StrictBool, StringConstraints

from intake_report.campaign import fields
from intake_report.campaign.fields import Day, Identifier, Moment, RelativePath, Section, Text, WithUnit, described

Hours = Annotated[str, StringConstraints(pattern=r"^([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d$")]
Covariate = Literal["start_over_ambient", "start_coolant", "standing_before"]


class Limit(Section):
    """The limit of one acceptance criterion; a text with a unit, or a number for a count."""

    limit: str | int | float
    hard: StrictBool = False


class Metrics(Section):
    """Settings that the metrics share."""

    recovery_margins: tuple[fields.PositiveKelvins, ...] = (5.0 / 3.0, 25.0 / 9.0)
    # s; two time constants of a usual sensor (5 s): what is shorter is a gust or a step of the reading (own choice)
    recovery_hold: fields.Seconds = 10.0
    alarm_limit: fields.Temperature | None = None
    minimum_stop: Annotated[float, WithUnit("time", low=1.0)] = 10.0
    confidence: Annotated[float, Field(gt=0.5, lt=1.0)] = 0.95
    draws: Annotated[int, Field(ge=100, le=100_000)] = 2000
    seed: Annotated[int, Field(ge=0, le=2**63)] = 1
    equivalence: dict[str, str] = described("Metric = margin within which two values count as equal", {})

    def _faults(self) -> dict[str, object]:
        margins = [round(margin, 2) for margin in self.recovery_margins]
        return {"two recovery_margins are the same within 0.01 K; name each once": len(set(margins)) < len(margins)}


class ComparisonSection(Section):
    """How the configurations are compared; to be written before the first drive."""

    covariates: tuple[Covariate, ...] | None = described(
        "What differences are adjusted for; [] for nothing, absent for the default of each metric", max_length=2
    )

    def _faults(self) -> dict[str, object]:
        named = self.covariates or ()
        return {"covariates names one of them twice; name each once": len(set(named)) < len(named)}


class CommonDriveSection(Section):
    """One drive on which thermal models of all configurations are replayed; without this table none are fitted."""

    run: Identifier | None = described("Its run; absent: the one with the median standing time")
    file: RelativePath | None = described("A table of speed over time instead of a run")
    columns: dict[str, str] = described('Header = "time [s]" or "speed [km/h]" of the file, in any unit of the two', {})
    # own choice: what a model may be off by before its numbers say less than the runs do
    largest_rms: fields.PositiveKelvins = 1.5
    largest_peak_bias: fields.PositiveKelvins = 1.5
    least_coverage: Annotated[float, Field(ge=0.0, le=1.0)] = 0.8

    def _faults(self) -> dict[str, object]:
        both = 'columns names the two of the file: {"its header" = "time [s]", "another" = "speed [km/h]"}'
        two = self.file and len(self.columns) != 2
        return {"run and file are two drives; name one": self.run and self.file, both: two}


class Claim(Section):
    """One sentence that somebody wants to make, tied to a metric."""

    id: Identifier
    text: Text
    metric: Text
    margin: fields.Kelvins | None = None
    phase: Identifier | None = None
    configuration: Identifier
    versus: Identifier | None = None
    relation: Literal["lower", "higher", "at most", "at least", "equal"]
    value: str | int | float | None = described("Limit of the value or of the difference, with its unit")
    common_drive: StrictBool = described("Judge the difference on the common drive, not as measured", False)


class Planning(Section):
    """What a campaign to come is planned from, and the plan that one under way follows."""

    issued: RelativePath | None = described("The plan.json followed, copied beside this file; the report compares it")
    looks: Annotated[int, Field(ge=0, le=1000)] = described("Comparisons seen before the planned runs were complete", 0)
    blocks: Annotated[int, Field(ge=2, le=40)] | None = described("Days or sessions to be driven")
    runs_per_block: Annotated[int, Field(ge=1, le=6)] = described("Of each configuration", 1)
    worth: dict[str, str] = described('Claim = smallest difference worth showing: { quicker = "10 s" }', dict)
    power: Annotated[float, Field(gt=0.5, lt=1.0)] = described("Chance to show it", 0.8)
    repeat_baseline: StrictBool = described("Drive the baseline once more at the end of each block", False)
    control: StrictBool = described("A control vehicle drives along", False)
    drive_time: Annotated[float, WithUnit("duration", above=0.0)] = described("One run, with the way back", 1800.0)
    changeover: fields.Duration = described("Cooling down and fitting another configuration", 1800.0)
    stand: fields.Duration = described("The same stand before every run", 1200.0)
    first_day: Day | None = None
    last_day: Day | None = None
    weekdays: tuple[Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"], ...] = ()
    hours: tuple[Hours, ...] = described("Local hours in which traffic is alike: 09:30-11:30", ())
    coldest: fields.Temperature | None = None
    warmest: fields.Temperature | None = None
    most_wind: fields.Speed | None = None
    most_cloud: fields.Percent | None = None
    dry: StrictBool = described("Only hours without precipitation", True)

    def _faults(self) -> dict[str, object]:
        temperatures = self.coldest is not None and self.warmest is not None and self.coldest >= self.warmest
        days = self.first_day is not None and self.last_day is not None and self.last_day < self.first_day
        spans = "“{}” ends before it starts; write two entries for hours across midnight"
        return {
            "no hour is both warmer than “coldest” and colder than “warmest”: exchange them": temperatures,
            "“last_day” lies before “first_day”: no day is left": days,
            **{spans.format(span): span[:5] >= span[-5:] for span in self.hours},
        }


class DynoSection(Section):
    """How the pulls are brought to common conditions."""

    correction: str = described("Name of a power correction with its edition", "none")
    air: Literal["cell", "ambient", "intake"] = described("Air of the correction; intake air is refused", "cell")
    elevation: fields.Length | None = described("Of the test cell: questions a cell pressure reduced to sea level")
    fuel_per_cycle: Annotated[float, Field(gt=0.0, lt=1000.0)] | None = described(
        "mg per litre and cycle, for the compression-ignition corrections"
    )
    aspiration: Literal["natural", "boosted"] | None = None
    smoothing: Annotated[float, WithUnit("engine_speed", low=0.0)] | None = None
    grid: Annotated[float, WithUnit("engine_speed", low=1.0)] = 100.0
    warm_up_pulls: Annotated[int, Field(ge=0, le=1000)] = 0
    least_coolant: fields.Temperature | None = described("A pull with a colder coolant counts as a warm-up pull")
    driveline_loss: str | None = described('A named assumption: "15 % (assumed, after ...)"')


class Pull(Section):
    """One wide-open-throttle sweep on the dyno: a file with its curve, or its figures as the dyno printed them."""

    id: Identifier
    configuration: Identifier
    file: RelativePath | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    peak_power: fields.Power | None = described("Of one pull, not an average; as printed, where there is no curve")
    peak_torque: fields.Torque | None = None
    mean_power: fields.Power | None = None
    mean_torque: fields.Torque | None = None
    printed_correction: str = described('Correction that the dyno printed beside these, "none" or "not known"', "")
    measured_at: Literal["wheel", "engine"]
    order: Annotated[int, Field(ge=1, le=1_000_000)]
    time: Moment | None = None
    session: Identifier | None = None
    cell_temperature: fields.Temperature | None = None
    cell_pressure: fields.Pressure | None = None
    cell_humidity: fields.Percent | None = None
    warm_up: StrictBool = False
    notes: str = ""

    @property
    def stated(self) -> dict[str, float]:
        """Figures typed by hand [kW], [N·m]; empty for a pull with a curve."""
        figures = {name: getattr(self, name) for name in ("peak_power", "peak_torque", "mean_power", "mean_torque")}
        return {name: value for name, value in figures.items() if value is not None}

    def _faults(self) -> dict[str, object]:
        stated, printed = self.stated, self.printed_correction
        return {
            "give either “file” or figures such as “peak_power” as the dyno printed them": bool(stated)
            == bool(self.file),
            "power and torque of a pull are greater than zero": min(stated.values(), default=1.0) <= 0.0,
            "say in “printed_correction” which correction the dyno printed, “none” or “not known”": stated
            and not printed,
            "“printed_correction” belongs to figures as printed; a curve is corrected by “dyno.correction”": (
                self.file and printed
            ),
        }


class BenchSection(Section):
    """Where restriction curves are compared."""

    airflow: fields.Airflow | None = described("Where restrictions are compared; the highest common one if absent")
    depression: fields.PressureDrop | None = described("Test depression to which airflow is scaled (square-root rule)")


class RestrictionPoint(Section):
    """One point of a restriction curve."""

    airflow: fields.Airflow
    drop: fields.PressureDrop


class Restriction(Section):
    """A restriction curve of one configuration, from a bench or from the road."""

    configuration: Identifier
    points: tuple[RestrictionPoint, ...] = ()
    file: RelativePath | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    source: str = ""

    def _faults(self) -> dict[str, object]:
        return self._not_one("points", "file")


class Airflow(Section):
    """Airflow of one configuration as somebody quotes it: "15 % more"; shown as quoted, never a measurement."""

    configuration: Identifier
    versus: Identifier | None = described("The other configuration; the baseline if absent")
    more: Annotated[float, WithUnit("ratio")] = Field(description="Airflow more than the other's, below zero for less")
    depression: fields.PressureDrop | None = described("Test depression of the configuration, where it is quoted")
    versus_depression: fields.PressureDrop | None = described("Of the other configuration, where it is quoted")
    source: Text = Field(description="Who says so, and how it was measured")


class Exposure(Section):
    """One wet, dusty or hot trial with its observation, or several alike (`trials`)."""

    configuration: Identifier
    condition: Literal["wet", "dusty", "hot"]
    date: Day | None = None
    duration: fields.Duration | None = None
    observation: Text
    adverse: StrictBool | Annotated[int, Field(ge=0, le=1_000_000)] = Field(
        description="Whether the trial showed what it looked for (moisture, dust past the filter, damage), or in how many"
    )
    trials: Annotated[int, Field(ge=1, le=1_000_000)] = described("How many like trials this row stands for", 1)
    inspector: str = described("A role, not a name", "")
    filter_mass_before: fields.Mass | None = None
    filter_mass_after: fields.Mass | None = None

    @property
    def adverse_trials(self) -> int:
        """In how many of the trials of this row the adverse observation was made."""
        return self.trials if self.adverse is True else int(self.adverse)

    def _faults(self) -> dict[str, object]:
        adverse, of = self.adverse_trials, self.trials
        return {
            f"{adverse} adverse observations in {of} trials are not possible": adverse > of,
            f"say in how many of the {of} trials it was adverse: write a number": self.adverse is True and of > 1,
        }


class Observation(Section):
    """One timed task or remark on serviceability."""

    configuration: Identifier
    task: Text
    time: fields.Duration | None = None
    note: str = ""
