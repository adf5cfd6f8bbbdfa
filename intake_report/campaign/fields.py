"""Field types of the campaign file: quantities with units, identifiers, paths, dates, photographs."""

import datetime as dt
import math
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Self

from PIL import Image, ImageOps, UnidentifiedImageError
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, model_validator
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
Airflow = Annotated[float, WithUnit("volume_flow", low=0.0)]


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

LARGEST_FILE = 20_000_000  # bytes; beyond what cameras write as JPEG
MOST_PIXELS = 100_000_000  # a small file may unpack to more than memory holds
PRINTED = 900  # pixels along the longer side; 300 dpi at a third of the text width, common practice in print


def read_photo(path: Path) -> Image.Image:
    """Return a photograph as it is printed, in RGB. DataError: too large, no PNG or JPEG, or ends early."""

    def too_large(what: str) -> DataError:
        return DataError(f"the photograph has {what}.", remedy="Save it smaller.")

    size, pixels = path.stat().st_size, MOST_PIXELS / 1e6
    if size > LARGEST_FILE:
        raise too_large(f"{size / 1e6:.0f} MB, and {LARGEST_FILE / 1e6:.0f} MB is the limit")
    try:
        with warnings.catch_warnings(), path.open("rb") as file:
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # judged here
            photo = Image.open(file, formats=("PNG", "JPEG"))
            if photo.width * photo.height > MOST_PIXELS:
                raise too_large(f"{photo.width} × {photo.height} pixels, and {pixels:.0f} million is the limit")
            photo.load()
    except Image.DecompressionBombError:
        raise too_large(f"more than the {pixels:.0f} million pixels that are the limit") from None
    except (OSError, ValueError, SyntaxError) as error:
        why = "is no PNG or JPEG" if isinstance(error, UnidentifiedImageError) else "is damaged or ends early"
        raise DataError(f"the photograph {why}.", remedy="Save it as PNG or JPEG.") from None
    upright = ImageOps.exif_transpose(photo).convert("RGBA")
    plain = Image.alpha_composite(Image.new("RGBA", upright.size, "white"), upright).convert("RGB")
    plain.thumbnail((PRINTED, PRINTED))
    return plain
