"""The campaign file as frozen models: what was driven, with what, where, when, and what shall be shown."""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple, get_origin
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field, PrivateAttr, StrictBool

from intake_report.campaign import sections
from intake_report.campaign.sections import Identifier, RelativePath, Section, Text, WithUnit, described
from intake_report.units import UnitSystem


def _timezone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"“{name}” is not a time zone; write one such as “Europe/Madrid” or “UTC”") from None
    return name


TimeZone = Annotated[str, AfterValidator(_timezone)]


class About(Section):
    """What the comparison is about and who answers for it."""

    id: Identifier
    title: Text
    question: Text
    decides: tuple[Text, ...] = described(
        "Metrics that the question is about, in order: “mean_over_ambient: city”, “recovery_time: 3 degF”", ()
    )
    units: UnitSystem = "si"
    paper: Literal["a4", "letter"] | None = described("Of the PDF; default by `units`")
    timezone: TimeZone = "UTC"
    prepared_by: str = ""
    reviewed_by: str = ""
    approved_by: str = ""


class Vehicle(Section):
    """The vehicle under test, as far as it matters for the result."""

    description: Text
    mass: Annotated[float, WithUnit("mass", above=0.0)] | None = None
    displacement: Annotated[float, WithUnit("volume", above=0.0)] | None = None
    aspiration: Literal["natural", "boosted"] | None = None
    transmission: str = ""
    fuel: str = ""
    odometer: sections.Distance | None = None
    notes: str = ""


class Configuration(Section):
    """One state of the intake hardware as tested."""

    id: Identifier
    name: Text
    role: Literal["baseline", "candidate", "reference"]
    description: str = ""
    deviations: tuple[Text, ...] = ()
    photo: RelativePath | None = described("PNG or JPEG in the campaign folder")


class InstrumentChannel(Section):
    """What is known about the reading of one channel; texts with units, checked against the channel's quantity."""

    resolution: str | None = None
    accuracy: str | None = None
    accuracy_distribution: Literal["rectangular", "normal"] = "rectangular"
    rounding: Literal["nearest", "down", "up", "unknown"] = "unknown"
    time_constant: sections.Seconds | None = None
    calibrated: sections.Day | None = None
    location: str = ""


class Instrument(Section):
    """The logger and its sensors."""

    logger: Text
    clock_accuracy: sections.Seconds | None = None
    channels: dict[str, InstrumentChannel] = Field(default_factory=dict)


class Log(Section):
    """How to read the logs."""

    columns: dict[str, str] = described('Their header = "channel [unit]"', dict)
    time: str | None = described("Header of the time column; found by its content if absent")
    time_unit: Literal["s", "ms", "us", "ns", "min", "h"] | None = None
    day_first: StrictBool | None = described("Whether 03/04/2026 is the third of April")
    timezone: TimeZone | None = described("Zone of times without an offset; the campaign's if absent")
    date: sections.Day | None = described("Date of logs that hold only the time of day")
    format: Literal["delimited", "parquet", "arrow", "mdf4", "candump", "gpx"] | None = None
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] | None = None
    encoding: str | None = None
    header_line: Annotated[int, Field(ge=0, le=1_000_000)] | None = None
    dbc: RelativePath | None = None


class Phase(Section):
    """A named stretch of the route, by route distance."""

    id: Identifier
    name: str = ""
    kind: Literal["city", "ramp", "highway"]
    start: sections.Distance
    end: sections.Distance

    def _faults(self) -> dict[str, object]:
        return {"the phase must end after it starts": self.end <= self.start}


class HighwayEntry(Section):
    """The one definition of the highway entry, the same for all runs."""

    speed: Annotated[float, WithUnit("speed", low=1.0)] = 80.0
    hold: sections.Seconds = 5.0


class Route(Section):
    """The fixed route."""

    description: str = ""
    reference: RelativePath | None = described("GPX file of the reference path")
    reference_run: Identifier | None = described("Run whose path is the reference")
    closed: StrictBool | None = described("The route is a loop; decided from the path if absent")
    phases: tuple[Phase, ...] = Field(default=(), alias="phase")
    highway_entry: HighwayEntry = HighwayEntry()


class Run(Section):
    """One drive of the route in one configuration."""

    id: Identifier
    configuration: Identifier
    block: Identifier | None = None
    files: tuple[RelativePath, ...] = Field(min_length=1)
    control: tuple[RelativePath, ...] = described("Log of the control vehicle in tandem", ())
    start: sections.Moment | None = None
    start_condition: str = ""
    road: Literal["dry", "damp", "wet"] | None = None
    sky: Literal["clear", "partly cloudy", "overcast", "night"] | None = None
    sun: str = described("Sun on the vehicle in words: full sun, behind the vehicle, shade", "")
    rain: Literal["none", "light", "moderate", "heavy"] | None = None
    driver: str = described("A role or initial, not a name", "")
    notes: str = ""
    exclude: str | None = described("Reason why the run is left out of the comparison")
    log: Log | None = described("Overrides of [log] for this run")


class WeatherReading(Section):
    """One reading taken by hand, or one value of a forecast, with its time."""

    time: sections.Moment
    temperature: sections.Temperature | None = None
    dew_point: sections.Temperature | None = None
    humidity: sections.Percent | None = None
    station_pressure: sections.Pressure | None = None
    altimeter: sections.Pressure | None = None
    wind_speed: sections.Speed | None = None
    wind_direction: Annotated[float, WithUnit("angle", low=0.0, high=360.0)] | None = None
    sky: str = ""

    def _faults(self) -> dict[str, object]:
        both = self.station_pressure is not None and self.altimeter is not None
        return {"give either “station_pressure” or “altimeter”, not both": both}


class Weather(Section):
    """One source of weather."""

    id: Identifier
    kind: Literal["metar", "station", "handheld", "forecast"]
    elevation: sections.Length | None = None
    file: RelativePath | None = None
    reports: tuple[Text, ...] = described("METAR reports, one text each", ())
    readings: tuple[WeatherReading, ...] = described("Of a handheld, or a forecast as recorded, each with its time", ())
    resolution: sections.Kelvins | None = described("Step of the temperature reading; found from a table if absent")
    month: sections.Month | None = described("Year and month of METAR reports, which give only the day: 2026-07")
    columns: dict[str, str] = Field(default_factory=dict)
    timezone: TimeZone | None = None
    max_age: sections.Duration = 5400.0
    accuracy: sections.Kelvins | None = None

    def _faults(self) -> dict[str, object]:
        return {
            **self._not_one("file", "reports", "readings"),
            "“reports” are METAR reports: the kind is “metar”": self.reports and self.kind != "metar",
            "METAR reports go into “reports”": self.readings and self.kind == "metar",
        }


class SoakCheck(Section):
    """Readings after a long stand, engine cold and out of the sun, when all temperature sensors must agree."""

    # common practice, and the rationality check of on-board diagnostics (from memory): it gives the sensors' offsets
    id: Identifier
    time: sections.Moment | None = described("When the readings were taken")
    stood: sections.Stand = Field(description="How long the vehicle stood before, engine off")
    readings: dict[str, sections.StandTemperature] = described(
        'Channel = what the logger showed: { iat = "15 degC" }', dict
    )
    file: RelativePath | None = described("Log of the stand by this logger, or a table; a column may be “reference”")
    log: Log | None = described("Overrides of [log] for this file")
    reference: sections.StandTemperature | None = described("Air temperature beside the sensors by a thermometer")
    reference_uncertainty: sections.Uncertainty | None = described("Standard uncertainty of the reference (k = 1)")
    notes: str = ""

    def _faults(self) -> dict[str, object]:
        alone, unknown = self.reference is None, self.reference_uncertainty is None
        single = alone and len(self.readings) == 1
        return {
            **self._not_one("readings", "file"),
            "readings need the “time” at which they were taken": self.readings and self.time is None,
            "one reading tells nothing without a “reference”: give that, or a second channel": single,
            "a reference is worth what is known of it: say its “reference_uncertainty”": not alone and unknown,
        }


class Ambient(Section):
    """Which ambient the over-ambient metrics refer to; one reference per campaign."""

    reference: str = described('"vehicle", the id of a weather source, or "auto"', "auto")


class NamedFile(NamedTuple):
    """A file that the campaign names: the key, the path, and for logs of runs that take part the run."""

    key: str
    relative: str
    kind: Literal["file", "log", "photo"] = "file"
    run: str = ""
    control: bool = False


class Campaign(Section):
    """A whole campaign file, its tables by name; quantities are in internal units."""

    schema_version: Literal[1] = Field(alias="schema")
    about: About = Field(alias="campaign")
    vehicle: Vehicle
    configurations: tuple[Configuration, ...] = Field(alias="configuration", min_length=1)
    instrument: Instrument
    log: Log = Log()
    route: Route = Route()
    runs: tuple[Run, ...] = Field(default=(), alias="run")
    weather: tuple[Weather, ...] = ()
    soak_checks: tuple[SoakCheck, ...] = Field(default=(), alias="soak_check")
    ambient: Ambient = Ambient()
    acceptance: dict[str, str | int | float | sections.Limit] = described(
        'Criterion = its limit: ambient = "2 degF"; the names are those that a report lists', dict
    )
    metrics: sections.Metrics = sections.Metrics()
    plan: sections.Planning = sections.Planning()
    comparison: sections.ComparisonSection = sections.ComparisonSection()
    common_drive: sections.CommonDriveSection | None = None
    claims: tuple[sections.Claim, ...] = Field(default=(), alias="claim")
    dyno: sections.DynoSection = sections.DynoSection()
    bench: sections.BenchSection = sections.BenchSection()
    pulls: tuple[sections.Pull, ...] = Field(default=(), alias="pull")
    restrictions: tuple[sections.Restriction, ...] = Field(default=(), alias="restriction")
    airflows: tuple[sections.Airflow, ...] = Field(default=(), alias="airflow")
    exposures: tuple[sections.Exposure, ...] = Field(default=(), alias="exposure")
    observations: tuple[sections.Observation, ...] = Field(default=(), alias="observation")

    _file: Path = PrivateAttr(default=Path("campaign.toml"))
    _source: bytes = PrivateAttr(default=b"")
    _given: Path | None = PrivateAttr(default=None)
    _varied: tuple[tuple[str, ...], dict[str, Any]] | None = PrivateAttr(default=None)

    @property
    def file(self) -> Path:
        """Path of the campaign file."""
        return self._file

    @property
    def given(self) -> Path:
        """Path of the campaign file as the user named it, for errors."""
        return self._given or self._file

    @property
    def folder(self) -> Path:
        """Folder that all paths of the campaign are relative to."""
        return self._file.parent

    @property
    def source(self) -> bytes:
        """The campaign file as it was read, byte for byte."""
        return self._source

    @property
    def varied(self) -> tuple[tuple[str, ...], dict[str, Any]] | None:
        """Keys that were changed since the file was read, and the tables as changed; None for what the file says."""
        return self._varied

    @property
    def baseline(self) -> Configuration:
        """The configuration that all others are compared with."""
        return next(c for c in self.configurations if c.role == "baseline")

    def configuration(self, id: str) -> Configuration:
        """Return the configuration with this id."""
        return next(c for c in self.configurations if c.id == id)

    def log_of(self, entry: Run | SoakCheck) -> Log:
        """Return how to read the logs of a run or a stand: [log] with its overrides."""
        own = entry.log or Log()
        return self.log.model_copy(update={name: getattr(own, name) for name in own.model_fields_set})

    def entries(self) -> dict[str, Any]:
        """Return every entry of the tables that may stand several times, by its key: run[1]."""
        fields = Campaign.model_fields.items()
        lists = [(f.alias or name, getattr(self, name)) for name, f in fields if get_origin(f.annotation) is tuple]
        return {f"{key}[{i}]": one for key, several in lists for i, one in enumerate(several, 1)}

    def named_files(self) -> Iterator[NamedFile]:
        """Yield every input file that the campaign names, with the key that names it."""
        single: dict[str, str | None] = {
            "log.dbc": self.log.dbc, "route.reference": self.route.reference, "plan.issued": self.plan.issued,
            "common_drive.file": self.common_drive.file if self.common_drive else None,
        }  # fmt: skip
        for key, entry in self.entries().items():
            if isinstance(entry, Run):
                for field, names in (("files", entry.files), ("control", entry.control)):
                    for j, name in enumerate(names, 1):
                        counted = "" if entry.exclude else entry.id
                        yield NamedFile(f"{key}.{field}[{j}]", name, "log", counted, field == "control")
            elif isinstance(entry, Configuration) and entry.photo:
                yield NamedFile(f"{key}.photo", entry.photo, "photo")
            log = getattr(entry, "log", None)
            single |= {f"{key}.file": getattr(entry, "file", None), f"{key}.log.dbc": log and log.dbc}
        yield from (NamedFile(key, name) for key, name in single.items() if name)

    def input_paths(self) -> tuple[str, ...]:
        """Return the relative paths of all input files named by the campaign, sorted."""
        return tuple(sorted({named.relative for named in self.named_files()}))
