"""Small text tables of bench and dyno data: columns and units as the caller declares them."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from intake_report.errors import DataError
from intake_report.units import to_internal

Array = NDArray[np.float64]

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
    delimiter = next((mark for mark in ("\t", ";") if mark in lines[0]), ",")
    rows = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=delimiter)]
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
