"""Pulls from text tables: columns and units as the caller declares them."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from intake_report.dyno.pulls import Array, Place, Pull, make_pull
from intake_report.errors import DataError
from intake_report.units import to_internal

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

_TARGET = re.compile(r"^\s*([a-z_]+)\s*\[\s*([^\]]+?)\s*\]\s*$")


def read_columns(path: Path, columns: Mapping[str, str], known: Mapping[str, str]) -> dict[str, Array]:
    """Read declared columns of a delimited text file, in internal units.

    Parameters
    ----------
    path : Path
        Text with one header line; fields by comma or, with a decimal comma allowed, by semicolon or tab. Lines that
        begin with # are comments.
    columns : mapping of str to str
        Their header to "name [unit]". Empty: the headers themselves have that form.
    known : mapping of str to str
        Names that can be asked for, and their quantities.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        Empty fields are NaN.

    Raises
    ------
    DataError
        A file that cannot be read, a header that is not there, a field that is no number, an unknown name or unit.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise DataError("The file cannot be read as text.", file=path, remedy=f"({error})") from None
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    if len(lines) < 2:
        raise DataError("The file has no rows below its header.", file=path, remedy="Export the table again.")
    delimiter = next((d for d in ("\t", ";") if d in lines[0]), ",")
    rows = [[cell.strip().strip('"').strip() for cell in line.split(delimiter)] for line in lines]
    header = rows[0]
    ragged = next((i for i, row in enumerate(rows) if len(row) != len(header)), None)
    if ragged is not None:
        raise DataError(
            f"Row {ragged} has {len(rows[ragged])} fields, the header {len(header)}.",
            file=path,
            remedy="Export the table again; a decimal comma needs another delimiter than the comma.",
        )
    frame = pd.DataFrame(rows[1:], columns=pd.Index(header))
    wanted = dict(columns) or {name: name for name in header if _TARGET.match(name)}
    if not wanted:
        raise DataError("No column is mapped.", file=path, remedy='Map headers, as in "RPM" = "rpm [rpm]".')
    found: dict[str, Array] = {}
    for head, target in wanted.items():
        match = _TARGET.match(target)
        if match is None or match[1] not in known:
            raise DataError(
                f"'{target}' is not a column of this table.",
                file=path,
                where=head,
                remedy=f'Write "name [unit]" with one of {", ".join(known)}.',
            )
        if header.count(head) != 1:
            what = f"There is no column '{head}'." if head not in header else f"The header '{head}' occurs twice."
            raise DataError(what, file=path, where=head, remedy=f"The file has {', '.join(header)}.")
        if match[1] in found:
            raise DataError(f"Two columns are mapped to {match[1]}.", file=path, where=head, remedy="Map one of them.")
        cells = frame[head] if delimiter == "," else frame[head].str.replace(",", ".", regex=False)
        numbers = pd.to_numeric(cells.mask(cells == ""), errors="coerce")
        bad = numbers.isna() & (cells != "") & ~cells.str.lower().isin(["nan", "na"])
        if bad.any():
            first = int(np.flatnonzero(bad.to_numpy())[0])
            raise DataError(
                f"'{cells.iloc[first]}' is not a number.",
                file=path,
                where=f"row {first + 1}, column {head}",
                remedy="Correct it or leave the field empty.",
            )
        try:
            found[match[1]] = to_internal(numbers.to_numpy(dtype=np.float64), match[2], known[match[1]])
        except DataError as error:
            raise DataError(error.what, file=path, where=head, remedy=error.remedy) from None
    return found


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
