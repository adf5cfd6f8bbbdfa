"""Field types of the campaign file: quantities with units, identifiers, paths, dates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Annotated

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    StringConstraints,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from intake_report.errors import DataError
from intake_report.units import QUANTITIES, parse_quantity


class Section(BaseModel):
    """Base of every table of the campaign file: frozen, and a key it does not know is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=False, str_strip_whitespace=True)


@dataclass(frozen=True)
class Measured:
    """Marks a field that is written with a unit and kept in the internal unit of `quantity`.

    Parameters
    ----------
    quantity : str
        Key of `units.QUANTITIES`.
    low, high : float, optional
        Allowed range [internal unit], limits included.
    above : float, optional
        Lower limit that is not allowed itself [internal unit].
    """

    quantity: str
    low: float | None = None
    high: float | None = None
    above: float | None = None

    @property
    def _unit(self) -> str:
        return QUANTITIES[self.quantity].internal.replace("delta_", "")

    def parse(self, value: object) -> float:
        """Return `value` (a text such as "3 degF") in the internal unit.

        Raises
        ------
        ValueError
            If it is no text with a number and a fitting unit, or is out of range.
        """
        if not isinstance(value, str):
            raise ValueError(self._without_unit(value))
        try:
            number = parse_quantity(value, self.quantity)
        except DataError as error:
            raise ValueError(str(error)) from None
        if not math.isfinite(number):
            raise ValueError(f"“{value}” is not a finite number")
        if self.low is not None and number < self.low:
            raise ValueError(f"“{value}” must not be below {self.low:g} {self._unit}")
        if self.above is not None and number <= self.above:
            raise ValueError(f"“{value}” must be above {self.above:g} {self._unit}")
        if self.high is not None and number > self.high:
            raise ValueError(f"“{value}” must not be above {self.high:g} {self._unit}")
        return number

    def _without_unit(self, value: object) -> str:
        if isinstance(value, int | float) and not isinstance(value, bool):
            return f'{value:g} has no unit; write the quantity with its unit: "{value:g} {self._unit}"'
        what = {list: "a list", dict: "a table", bool: str(value).lower()}.get(type(value), f"“{value}”")
        return f'{what} is not a quantity; write it with its unit: "3 {self._unit}"'

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Return the validator that pydantic calls."""
        return core_schema.no_info_plain_validator_function(self.parse)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """Return what editors are told about the field."""
        example = QUANTITIES[self.quantity].us.replace("delta_", "")
        text = f"A number with a unit of {self.quantity.replace('_', ' ')}, for example “3 {example}”."
        return {"type": "string", "description": text}


def _inside(value: str) -> str:
    path = PurePosixPath(value.replace("\\", "/"))
    if path.is_absolute() or (path.parts and path.parts[0].endswith(":")):
        raise ValueError(f"“{value}” must be relative to the campaign file")
    if ".." in path.parts:
        raise ValueError(f"“{value}” leaves the campaign folder; copy the file into it")
    return value


Identifier = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")]
"""An id that can stand in a file name: letters, digits, `_`, `.`, `-`."""

Text = Annotated[str, StringConstraints(min_length=1)]
RelativePath = Annotated[str, StringConstraints(min_length=1), AfterValidator(_inside)]
