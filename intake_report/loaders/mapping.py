"""Columns to channels: as the campaign states, and with the nearest right name when it states a wrong one."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from intake_report.channels import Channel, channel
from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, RawColumn, RawLog
from intake_report.loaders.header import clean_header
from intake_report.units import conversion, to_internal, unit_label

UNIT_OVERRIDDEN = "unit-stated"
"""Code of the notice that header and mapping name different units; the mapping is obeyed."""

_TARGET = re.compile(r"^\s*(?P<channel>[A-Za-z_][\w]*)\s*(?:\[(?P<unit>[^\]]*)\])?\s*$")


@dataclass(frozen=True)
class Mapped:
    """A column that has become a channel.

    Parameters
    ----------
    channel : Channel
        What it measures.
    values : numpy.ndarray
        (n,) [internal unit of the channel], NaN where there is no sample.
    header : str
        Where it came from.
    notices : tuple of Notice
    """

    channel: Channel
    values: FloatArray
    header: str
    notices: tuple[Notice, ...] = ()


def parse_target(text: str) -> tuple[Channel, str | None]:
    """Split "iat [degC]" into the channel and its unit (None when not given).

    Raises
    ------
    DataError
        If it is not of that form, or there is no such channel or unit.
    """
    match = _TARGET.match(text)
    if not match:
        raise DataError(f"“{text}” is no channel with a unit.", remedy='Write for example "iat [degC]".')
    entry = channel(match["channel"])
    unit = match["unit"]
    if unit is not None:
        conversion(unit, entry.quantity)
    return entry, unit


def match_column(log: RawLog, header: str) -> int:
    """Return the index of the column that `header` names: whole header, name without unit, then without regard to case.

    Raises
    ------
    DataError
        If none or several are called so; the nearest is suggested.
    """
    wanted = clean_header(header)
    for fold in (str, str.lower):
        for key in ("header", "name"):
            found = [i for i, column in enumerate(log.columns) if fold(str(getattr(column, key))) == fold(wanted)]
            if len(found) == 1:
                return found[0]
            if found:
                raise DataError(
                    f"The log has {len(found)} columns called “{wanted}”.",
                    file=log.path,
                    where=_key(header),
                    remedy="Rename one in a copy of the log.",
                )
    headers = [column.header or column.name for column in log.columns]
    near = difflib.get_close_matches(wanted.lower(), [text.lower() for text in headers], n=1, cutoff=0.4)
    original = next((text for text in headers if near and text.lower() == near[0]), None)
    hint = f"Did you mean “{original}”?" if original else "Columns are " + ", ".join(headers[:12]) + "."
    raise DataError(f"The log has no column “{header}”.", file=log.path, where=_key(header), remedy=hint)


def _key(header: str) -> str:
    return f'columns."{header}"'


def map_columns(log: RawLog, mapping: Mapping[str, str]) -> tuple[Mapped, ...]:
    """Turn columns into channels in internal units.

    Parameters
    ----------
    log : RawLog
        What a reader returned.
    mapping : mapping of str to str
        Header in the log -> "channel [unit]"; the unit may be left out when the header has one, and wins over it.

    Returns
    -------
    tuple of Mapped
        In the order of `mapping`.

    Raises
    ------
    DataError
        If a column, channel or unit is unknown, or one channel is named twice.
    """
    mapped: list[Mapped] = []
    for header, target in mapping.items():
        try:
            entry, unit = parse_target(target)
        except DataError as error:
            raise DataError(error.what, file=log.path, where=_key(header), remedy=error.remedy) from None
        other = next((item for item in mapped if item.channel.name == entry.name), None)
        if other is not None:
            raise DataError(
                f"“{other.header}” and “{header}” are both mapped to {entry.name}.",
                file=log.path,
                where="columns",
                remedy="Map one of them.",
            )
        mapped.append(_convert(log.columns[match_column(log, header)], entry, unit, log))
    return tuple(mapped)


def _convert(column: RawColumn, entry: Channel, unit: str | None, log: RawLog) -> Mapped:
    chosen = unit if unit is not None else column.unit
    if chosen is None:
        raise DataError(
            f"The column “{column.header}” carries no unit.",
            file=log.path,
            where="columns",
            remedy=f'State it: "{entry.name} [{_example(entry)}]".',
        )
    try:
        values = to_internal(column.values, chosen, entry.quantity)
    except DataError as error:
        raise DataError(
            f"The column “{column.header}” cannot be {entry.name}: {error.what}",
            file=log.path,
            where="columns",
            remedy=error.remedy or f'State the unit: "{entry.name} [{_example(entry)}]".',
        ) from None
    notices: tuple[Notice, ...] = ()
    if unit is not None and column.unit is not None and _differs(unit, column.unit, entry):
        name = column.header or column.name
        inside = "" if column.unit in name else f" (its unit: {column.unit})"
        text = (
            f"The header “{name}”{inside} names {unit_label(column.unit)}, and the mapping reads the column as {entry.name} "
            f"in {unit_label(unit)}."
        )
        notices = (Notice(UNIT_OVERRIDDEN, text, entry.name),)
    return Mapped(entry, values, column.header, notices)


def _differs(stated: str, written: str, entry: Channel) -> bool:
    try:
        return conversion(stated, entry.quantity) != conversion(written, entry.quantity)
    except DataError:
        return True


def _example(entry: Channel) -> str:
    from intake_report.units import QUANTITIES

    return QUANTITIES[entry.quantity].internal
