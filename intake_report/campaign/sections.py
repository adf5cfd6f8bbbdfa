"""Field types of the campaign file, and its tables for what shall be shown, planned, and measured off the road."""

import datetime as dt
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StrictBool, StringConstraints, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, core_schema

from intake_report.errors import DataError
from intake_report.units import QUANTITIES, parse_quantity

# What a quantity of a campaign can be at all [internal unit]; generous round numbers from memory. A field may be narrower.
_POSSIBLE = {
    "temperature": (-273.15, 1500.0), "temperature_difference": (-1000.0, 1000.0), "speed": (0.0, 1000.0),
    "distance": (0.0, 1e7), "length": (-1000.0, 10_000.0), "time": (0.0, 1e6), "duration": (0.0, 1e7),
    "pressure": (0.0, 2000.0), "restriction": (0.0, 200.0), "volume_flow": (0.0, 10.0), "volume": (0.0, 100.0),
    "mass": (0.0, 1e5), "engine_speed": (0.0, 30_000.0),
}  # fmt: skip
FIRST_YEAR, LAST_YEAR = 1980, 2200  # clocks of loggers begin in 1980 (the epoch of satellite time) or later


class Section(BaseModel):
    """Base of every table of the campaign file: frozen, and a key it does not know is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=False, str_strip_whitespace=True)

    @classmethod
    def by_key(cls) -> dict[str, FieldInfo]:
        """Return the fields of the table by the keys that a campaign file has."""
        return {field.alias or name: field for name, field in cls.model_fields.items()}

    def _faults(self) -> Mapping[str, object]:
        """What keys that are right by themselves can have wrong together: the sentence, and whether it holds."""
        return {}

    @model_validator(mode="after")
    def _without_faults(self) -> Self:
        for sentence, wrong in self._faults().items():
            if wrong:
                raise ValueError(sentence)
        return self

    def _not_one(self, *keys: str) -> dict[str, object]:
        """The fault of a table that does not take what it holds from exactly one of the keys."""
        sentence = f"give one of {', '.join(f'“{key}”' for key in keys[:-1])} and “{keys[-1]}”"
        return {sentence: sum(bool(getattr(self, key)) for key in keys) != 1}


@dataclass(frozen=True)
class WithUnit:
    """Marks a field that is written with a unit and kept in the internal one of its quantity."""

    quantity: str  # key of `units.QUANTITIES`
    low: float | None = None  # allowed range [internal unit], limits included
    high: float | None = None
    above: float | None = None  # lower limit that is not allowed itself

    @property
    def unit(self) -> str:
        """Internal unit, as a campaign file writes it."""
        return QUANTITIES[self.quantity].internal.replace("delta_", "")

    def parse(self, value: object) -> float:
        """Return a text such as "3 degF" in the internal unit; ValueError for any other value, or out of range."""
        if isinstance(value, int | float) and not isinstance(value, bool):
            number = f"{value:g}" if abs(value) < 1e300 else str(value)[:20]
            raise ValueError(f'{number} has no unit; write the quantity with its unit: "{number} {self.unit}"')
        if not isinstance(value, str):
            what = {list: "a list", dict: "a table", bool: str(value).lower()}.get(type(value), f"“{value}”")
            raise ValueError(f'{what} is not a quantity; write it with its unit: "3 {self.unit}"')
        try:
            found = parse_quantity(value, self.quantity)
        except DataError as error:
            raise ValueError(str(error)) from None
        possible = _POSSIBLE.get(self.quantity, (-math.inf, math.inf))
        low, high = (limit if own is None else own for own, limit in zip((self.low, self.high), possible, strict=True))
        if self.above is not None and found <= self.above:
            raise ValueError(f"“{value}” must be above {self.above:g} {self.unit}")
        if not low <= found <= high:
            limit = f"below {low:g}" if found < low else f"above {high:g}"
            raise ValueError(f"“{value}” must not be {limit} {self.unit}")
        return found

    def __get_pydantic_core_schema__(self, source: object, handler: object) -> CoreSchema:
        """Return the validator that pydantic calls."""
        return core_schema.no_info_plain_validator_function(self.parse)

    def __get_pydantic_json_schema__(self, schema: object, handler: object) -> dict[str, Any]:
        """Return what editors are told about the field."""
        example = QUANTITIES[self.quantity].us.replace("delta_", "")
        text = f"A number with a unit of {self.quantity.replace('_', ' ')}, for example “3 {example}”."
        return {"type": "string", "description": text}


def described(description: str, default: Any = None, **more: Any) -> Any:
    """Return a field with what editors and the drafted file say of it; `default` is a value, or `dict` for an empty table."""
    own = {"default_factory": dict} if default is dict else {"default": default}
    return Field(description=description, **own, **more)


Temperature = Annotated[float, WithUnit("temperature")]
StandTemperature = Annotated[float, WithUnit("temperature", low=-60.0, high=80.0)]
Uncertainty = Annotated[float, WithUnit("temperature_difference", above=0.0, high=10.0)]
PositiveKelvins = Annotated[float, WithUnit("temperature_difference", above=0.0)]
Kelvins = Annotated[float, WithUnit("temperature_difference", low=0.0)]
Duration = Annotated[float, WithUnit("duration", low=0.0)]
Stand = Annotated[float, WithUnit("duration", low=0.0, high=30.0 * 86400.0)]
PressureDrop = Annotated[float, WithUnit("restriction", low=0.0)]
Pressure = Annotated[float, WithUnit("pressure", low=0.0)]
Percent = Annotated[float, WithUnit("ratio", low=0.0, high=100.0)]
Power = Annotated[float, WithUnit("power", low=0.0)]
Torque = Annotated[float, WithUnit("torque", low=0.0)]
Mass = Annotated[float, WithUnit("mass", low=0.0)]
Seconds = Annotated[float, WithUnit("time", low=0.0)]
Length = Annotated[float, WithUnit("length")]
Distance = Annotated[float, WithUnit("distance", low=0.0)]
Speed = Annotated[float, WithUnit("speed", low=0.0)]
Flow = Annotated[float, WithUnit("volume_flow", low=0.0)]


def _inside(value: str) -> str:
    path = PurePosixPath(value.replace("\\", "/"))
    if path.is_absolute() or (path.parts and path.parts[0].endswith(":")):
        raise ValueError(f"“{value}” must be relative to the campaign file")
    if ".." in path.parts:
        raise ValueError(f"“{value}” leaves the campaign folder; copy the file into it")
    return value


def _of_our_time(moment: Any) -> Any:
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise ValueError(f"the year {moment.year} is not one of {FIRST_YEAR} to {LAST_YEAR}")
    return moment


# Names that some operating systems keep for devices, and endings that they drop: ids become names of folders.
RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?|.*\.", re.I)


def _no_name_of_a_system(value: str) -> str:
    if RESERVED.fullmatch(value):
        raise ValueError(f"“{value}” is a name that some operating systems cannot give to a file; take another id")
    return value


Moment = Annotated[dt.datetime, AfterValidator(_of_our_time)]
Day = Annotated[dt.date, AfterValidator(_of_our_time)]
Month = Annotated[str, StringConstraints(pattern=r"^(19[89]\d|2[01]\d\d)-(0[1-9]|1[0-2])$")]  # of the same years

ID = r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$"
Identifier = Annotated[str, StringConstraints(pattern=ID), AfterValidator(_no_name_of_a_system)]
Text = Annotated[str, StringConstraints(min_length=1)]
RelativePath = Annotated[str, StringConstraints(min_length=1), AfterValidator(_inside)]
Hours = Annotated[str, StringConstraints(pattern=r"^([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d$")]
Covariate = Literal["start_over_ambient", "start_coolant", "standing_before"]


class Limit(Section):
    """The limit of one acceptance criterion; a text with a unit, or a number for a count."""

    limit: str | int | float
    hard: StrictBool = False


class Metrics(Section):
    """Settings that the metrics share."""

    recovery_margins: tuple[PositiveKelvins, ...] = (5.0 / 3.0, 25.0 / 9.0)
    # s; two time constants of a usual sensor (5 s): what is shorter is a gust or a step of the reading (own choice)
    recovery_hold: Seconds = 10.0
    alarm_limit: Temperature | None = None
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
    largest_rms: PositiveKelvins = 1.5
    largest_peak_bias: PositiveKelvins = 1.5
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
    margin: Kelvins | None = None
    phase: Identifier | None = None
    configuration: Identifier
    versus: Identifier | None = None
    relation: Literal["lower", "higher", "at most", "at least", "equal"]
    value: str | int | float | None = described('With unit and sign; "lower" with "-3 delta_degF": at least 3 lower')
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
    changeover: Duration = described("Cooling down and fitting another configuration", 1800.0)
    stand: Duration = described("The same stand before every run", 1200.0)
    first_day: Day | None = None
    last_day: Day | None = None
    weekdays: tuple[Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"], ...] = ()
    hours: tuple[Hours, ...] = described("Local hours in which traffic is alike: 09:30-11:30", ())
    coldest: Temperature | None = None
    warmest: Temperature | None = None
    most_wind: Speed | None = None
    most_cloud: Percent | None = None
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
    air: Literal["cell", "ambient", "intake"] = described(
        "Air of the correction; not intake air, which would correct away the effect under test", "cell"
    )
    elevation: Length | None = described("Of the test cell: questions a cell pressure reduced to sea level")
    fuel_per_cycle: Annotated[float, Field(gt=0.0, lt=1000.0)] | None = described(
        "mg per litre and cycle, for the compression-ignition corrections"
    )
    aspiration: Literal["natural", "boosted"] | None = None
    smoothing: Annotated[float, WithUnit("engine_speed", low=0.0)] | None = None
    grid: Annotated[float, WithUnit("engine_speed", low=1.0)] = 100.0
    warm_up_pulls: Annotated[int, Field(ge=0, le=1000)] = 0
    least_coolant: Temperature | None = described("A pull with a colder coolant counts as a warm-up pull")
    driveline_loss: str | None = described('A named assumption: "15 % (assumed, after ...)"')


class Pull(Section):
    """One wide-open-throttle sweep on the dyno: a file with its curve, or its figures as the dyno printed them."""

    id: Identifier
    configuration: Identifier
    file: RelativePath | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    peak_power: Power | None = described("Of one pull, not an average; as printed, where there is no curve")
    peak_torque: Torque | None = None
    mean_power: Power | None = None
    mean_torque: Torque | None = None
    printed_correction: str = described('Correction that the dyno printed beside these, "none" or "not known"', "")
    measured_at: Literal["wheel", "engine"]
    order: Annotated[int, Field(ge=1, le=1_000_000)]
    time: Moment | None = None
    session: Identifier | None = None
    cell_temperature: Temperature | None = None
    cell_pressure: Pressure | None = None
    cell_humidity: Percent | None = None
    warm_up: StrictBool = False
    notes: str = ""

    @property
    def stated(self) -> dict[str, float]:
        """Figures typed by hand [kW], [N·m]; empty for a pull with a curve."""
        figures = {name: getattr(self, name) for name in ("peak_power", "peak_torque", "mean_power", "mean_torque")}
        return {name: value for name, value in figures.items() if value is not None}

    def _faults(self) -> dict[str, object]:
        stated, printed = self.stated, self.printed_correction
        unnamed, misplaced = stated and not printed, self.file and printed
        unclear = bool(stated) == bool(self.file)
        return {
            "give either “file” or figures such as “peak_power” as the dyno printed them": unclear,
            "power and torque of a pull are greater than zero": min(stated.values(), default=1.0) <= 0.0,
            "say in “printed_correction” which correction the dyno printed, “none” or “not known”": unnamed,
            "“printed_correction” belongs to figures as printed; a curve is corrected by “dyno.correction”": misplaced,
        }


class BenchSection(Section):
    """Where restriction curves are compared."""

    airflow: Flow | None = described("Where restrictions are compared; the highest common one if absent")
    depression: PressureDrop | None = described("Test depression to which airflow is scaled (square-root rule)")


class RestrictionPoint(Section):
    """One point of a restriction curve."""

    airflow: Flow
    drop: PressureDrop


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
    depression: PressureDrop | None = described("Test depression of the configuration, where it is quoted")
    versus_depression: PressureDrop | None = described("Of the other configuration, where it is quoted")
    source: Text = Field(description="Who says so, and how it was measured")


class Exposure(Section):
    """One wet, dusty or hot trial with its observation, or several alike (`trials`)."""

    configuration: Identifier
    condition: Literal["wet", "dusty", "hot"]
    date: Day | None = None
    duration: Duration | None = None
    observation: Text
    adverse: StrictBool | Annotated[int, Field(ge=0, le=1_000_000)] = Field(
        description="Whether the trial showed what it looked for (moisture, dust past the filter, damage), or in how many"
    )
    trials: Annotated[int, Field(ge=1, le=1_000_000)] = described("How many like trials this row stands for", 1)
    inspector: str = described("A role, not a name", "")
    filter_mass_before: Mass | None = None
    filter_mass_after: Mass | None = None

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
    time: Duration | None = None
    note: str = ""
