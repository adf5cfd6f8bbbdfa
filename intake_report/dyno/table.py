"""Pulls from text tables: columns and units as the caller declares them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path

from intake_report.dyno.pulls import Place, Pull, make_pull
from intake_report.errors import DataError
from intake_report.loaders import read_columns

COLUMNS: dict[str, str] = {
    "rpm": "engine_speed",
    "torque": "torque",
    "power": "power",
    "cell_temperature": "temperature",
    "cell_pressure": "pressure",
    "cell_humidity": "ratio",
    "iat": "temperature",
    "coolant": "temperature",
}
"""What a column of a pull can be, and its quantity in `units.QUANTITIES`."""


def read_pull(
    path: Path,
    columns: Mapping[str, str],
    *,
    id: str,
    configuration: str,
    measured_at: Place,
    order: int,
    session: str = "",
    time: dt.datetime | None = None,
    cell_temperature: float | None = None,
    cell_pressure: float | None = None,
    cell_humidity: float | None = None,
    warm_up: bool = False,
    elevation: float | None = None,
) -> Pull:
    """Read and check one pull.

    Parameters
    ----------
    path : Path
        Table with an engine-speed column and torque, power or both.
    columns : mapping of str to str
        Their header to one of `COLUMNS` with its unit, as in ``{"Engine speed": "rpm [rpm]"}``.
    cell_temperature, cell_pressure, cell_humidity : float, optional
        Cell air [°C], [kPa], [%] where the table has no column for it; a declared value overrides the column.

    Raises
    ------
    DataError
        Anything `read_columns` or `make_pull` refuses.
    """
    table = read_columns(path, columns, COLUMNS)
    if "rpm" not in table:
        raise DataError("No column is mapped to rpm.", file=path, remedy='Map one, as in "RPM" = "rpm [rpm]".')
    return make_pull(
        id,
        configuration,
        measured_at,
        order,
        table["rpm"],
        torque=table.get("torque"),
        power=table.get("power"),
        session=session,
        time=time,
        cell_temperature=table.get("cell_temperature") if cell_temperature is None else cell_temperature,
        cell_pressure=table.get("cell_pressure") if cell_pressure is None else cell_pressure,
        cell_humidity=table.get("cell_humidity") if cell_humidity is None else cell_humidity,
        iat=table.get("iat"),
        coolant=table.get("coolant"),
        warm_up=warm_up,
        elevation=elevation,
        file=str(path),
    )
