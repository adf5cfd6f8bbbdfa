"""One wide-open-throttle sweep as measured: read, checked, with power and torque that agree, at a stated place.

Engine speed [rpm], torque [N·m], power [kW], temperature [°C], pressure [kPa], humidity [%].
"""

import datetime as dt
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from intake_report.air import AirState, Correction, check_humidity, check_pressure, uncorrected
from intake_report.campaign import Campaign
from intake_report.errors import DataError, placed
from intake_report.loaders import read_columns
from intake_report.messages import Count, Message, message

Array = NDArray[np.float64]
Place = Literal["wheel", "engine"]

TORQUE_CONSTANT = 60_000.0 / (2.0 * math.pi)  # kW = N·m · rpm / 9549.296586 (exact: one revolution is 2π)
LEAST_ROWS = 5
# Choices of this package
REVERSAL = 50.0  # rpm: fall of engine speed inside a pull that still counts as scatter of the reading
AGREEMENT = 0.01  # share by which power may differ from torque times speed
# what a column of a pull can be, and its quantity in `units.QUANTITIES`
COLUMNS = {
    "rpm": "engine_speed", "torque": "torque", "power": "power", "cell_temperature": "temperature",
    "cell_pressure": "pressure", "cell_humidity": "ratio", "iat": "temperature", "coolant": "temperature",
}  # fmt: skip
CELL = ("cell_temperature", "cell_pressure", "cell_humidity")

_SLIPS = (  # power over torque·speed if one of the two was in another unit than declared
    (1.3410, "the power looks like hp, not kW"),
    (1.3596, "the power looks like PS, not kW"),
    (0.7457, "the power looks like kW, not hp"),
    (1.3558, "the torque looks like lbf·ft, not N·m"),
    (0.7376, "the torque looks like N·m, not lbf·ft"),
    (1.8182, "power and torque look like hp and lbf·ft, not kW and N·m"),
)
_LOSS = re.compile(r"^\s*(\d+(?:[.,]\d+)?)\s*%\s*(.*)$")


def power_from_torque(torque: Array, speed: Array) -> Array:
    """Power [kW] from torque [N·m] and engine speed [rpm], shapes (n,)."""
    return torque * speed / TORQUE_CONSTANT


def torque_from_power(power: Array, speed: Array) -> Array:
    """Torque [N·m] from power [kW] and engine speed [rpm], shapes (n,); the speed must not be 0."""
    return power * TORQUE_CONSTANT / speed


@dataclass(frozen=True, eq=False)
class DynoPull:
    """One checked pull; build it with `make_pull`."""

    id: str
    configuration: str
    measured_at: Place  # where torque and power apply
    order: int  # position in the session, from 1
    speed: Array  # (n,): strictly increasing [rpm]; without rows where only figures were typed
    torque: Array  # (n,) [N·m]
    power: Array  # (n,) [kW]
    session: str = ""
    time: dt.datetime | None = None
    cell: AirState | None = None  # mean state of the cell or ambient air
    iat: float | None = None  # means over the pull [°C]
    coolant: float | None = None
    warm_up: bool = False  # declared as a warm-up pull
    assumption: str = ""  # name of the driveline loss if the figures were not measured where they apply
    notes: tuple[Message, ...] = ()  # what was done to the rows
    stated: Mapping[str, float] = field(default_factory=dict)  # figures as the dyno printed them [kW], [N·m]
    printed: str = ""  # the correction of these
    correction: Correction = field(default_factory=uncorrected)  # that torque and power hold, see `curves.correct`

    @property
    def basis(self) -> str:
        """Where the figures apply, in words; pulls of different basis are never mixed."""
        return f"{self.measured_at}, estimated with {self.assumption}" if self.assumption else self.measured_at


def make_pull(
    id: str, configuration: str, measured_at: Place, order: int, table: Mapping[str, ArrayLike | None], *, session: str = "",
    time: dt.datetime | None = None, warm_up: bool = False, elevation: float | None = None, file: str | None = None,
) -> DynoPull:  # fmt: skip
    """Check one pull and complete torque or power.

    `table`: columns by their names in `COLUMNS`, internal units, rows in the order they were recorded: rpm with torque,
    power or both, shape (n,); all others one value or one per row. The pressure is the station pressure; `elevation`:
    of the cell [m], to question a pressure reduced to sea level; `file`: for error messages. Raises DataError: too few
    rows, a pull that runs backwards, torque and power that contradict each other, impossible cell air.
    """
    with placed(f"Pull {id}: ", file=file):
        speed, torque, power, notes = _sweep(table)
        cell, more = _cell([table.get(name) for name in CELL], elevation)
    return DynoPull(
        id, configuration, measured_at, order, speed, torque, power, session, time, cell,
        iat=_mean(table.get("iat")), coolant=_mean(table.get("coolant")), warm_up=warm_up, notes=(*notes, *more),
    )  # fmt: skip


def _sweep(table: Mapping[str, ArrayLike | None]) -> tuple[Array, Array, Array, list[Message]]:
    """Return speed, torque and power of the rising rows, with notes on rows left out."""
    names = [name for name in ("rpm", "torque", "power") if table.get(name) is not None]
    given = {name: np.asarray(table[name], dtype=np.float64) for name in names}
    if len(given) < 2:
        raise DataError("it has neither torque nor power.", remedy="Map a torque or a power column.")
    if len({column.shape for column in given.values()}) > 1:
        raise DataError("its columns differ in length.", remedy="Export the pull again.")
    rows = np.column_stack(list(given.values()))
    whole = np.isfinite(rows).all(axis=1)
    rows = rows[whole]
    speed = rows[:, 0]
    if speed.size < LEAST_ROWS:
        raise DataError(f"it has {speed.size} rows with values.", remedy=f"A pull needs at least {LEAST_ROWS}.")
    if np.any(speed <= 0.0):
        raise DataError("its engine speed is not positive everywhere.", remedy="Trim the file to the sweep.")
    peak_so_far = np.maximum.accumulate(speed)
    fall = peak_so_far - speed
    if speed[-1] <= speed[0] or float(fall.max()) > REVERSAL:
        row = int(np.argmax(fall)) + 1
        what = f"it runs backwards: the engine speed has fallen by {fall.max():.0f} rpm at row {row}."
        raise DataError(what, remedy="Trim the file to the rising sweep; a coast-down is not a pull.")
    rising = np.concatenate([[True], speed[1:] > peak_so_far[:-1]])
    columns = dict(zip(given, rows[rising].T, strict=True))
    speed = columns["rpm"]
    if speed.size < LEAST_ROWS:
        raise DataError(f"its engine speed rises in {speed.size} rows only.", remedy="Check the engine-speed column.")
    notes = [
        message(text, code=code, rows=Count(int((~kept).sum()), "row"))
        for kept, text, code in (
            (whole, "{rows} without a value left out", "rows-without-value"),
            (rising, "{rows} in which the engine speed did not rise left out", "rows-not-rising"),
        )
        if not kept.all()
    ]
    if "torque" not in columns:
        return speed, torque_from_power(columns["power"], speed), columns["power"], notes
    computed = power_from_torque(columns["torque"], speed)
    if "power" in columns:
        _check_agreement(columns["power"], computed, speed)
    return speed, columns["torque"], columns.get("power", computed), notes


def _check_agreement(power: Array, from_torque: Array, speed: Array) -> None:
    scale = float(np.max(np.abs(from_torque)))
    gap = np.abs(power - from_torque)
    worst = int(np.argmax(gap))
    if scale > 0.0 and gap[worst] <= AGREEMENT * scale:
        return
    loaded = np.abs(from_torque) > 0.1 * scale
    remedy = "Check the units of both columns, and that both apply at the same place."
    if scale > 0.0 and loaded.any():
        ratio = float(np.median(power[loaded] / from_torque[loaded]))
        near, text = min(_SLIPS, key=lambda slip: abs(slip[0] - ratio))
        if abs(near - ratio) < 0.005:
            remedy = f"By the ratio of {ratio:.3f} {text}; check the units."
    what = f"at {speed[worst]:.0f} rpm the power is {power[worst]:.1f} kW, but torque times speed is {from_torque[worst]:.1f} kW."
    raise DataError(f"torque and power contradict each other: {what}", remedy=remedy)


def _mean(values: ArrayLike | None) -> float | None:
    array = np.asarray([] if values is None else values, dtype=np.float64).ravel()
    array = array[np.isfinite(array)]
    return float(array.mean()) if array.size else None


def _cell(columns: Sequence[ArrayLike | None], elevation: float | None) -> tuple[AirState | None, tuple[Message, ...]]:
    """Return the mean state of the cell air, None where it is incomplete, with a note."""
    temperature, pressure, humidity = (_mean(column) for column in columns)
    if columns[2] is not None:
        check_humidity(np.asarray(columns[2], dtype=np.float64))
    if pressure is not None:
        check_pressure(pressure, elevation)
    if temperature is not None and pressure is not None and humidity is not None:
        return AirState(temperature, pressure, humidity), ()
    known = {"temperature": temperature, "pressure": pressure, "humidity": humidity}
    absent = [name for name, mean in known.items() if mean is None]
    note = message("the cell air is incomplete ({absent} missing)", code="cell-air", absent=", ".join(absent))
    return None, (note,) if len(absent) < len(known) else ()


def read_pulls(campaign: Campaign) -> tuple[DynoPull, ...]:
    """Read and check all pulls of a campaign; cell air that is declared overrides a column of the file.

    Raises DataError: anything `read_columns` or `make_pull` refuses, with the file.
    """
    pulls = []
    for entry in campaign.pulls:
        same = ("id", "configuration", "measured_at", "order", "time", "warm_up")
        common: dict[str, Any] = {name: getattr(entry, name) for name in same} | {"session": entry.session or ""}
        declared = {name: getattr(entry, name) for name in CELL}
        elevation = campaign.dyno.elevation
        if entry.file is None:
            with placed(f"Pull {entry.id}: ", file=campaign.file):
                cell, notes = _cell(list(declared.values()), elevation)
            common |= dict.fromkeys(("speed", "torque", "power"), np.empty(0))
            common |= {"stated": entry.stated, "printed": entry.printed_correction}
            pulls.append(DynoPull(**common, cell=cell, notes=notes))
            continue
        path = campaign.folder / entry.file
        table: dict[str, ArrayLike | None] = {**read_columns(path, entry.columns, COLUMNS)}
        if "rpm" not in table:
            raise DataError("No column is mapped to rpm.", file=path, remedy='Map one, as in "RPM" = "rpm [rpm]".')
        table |= {name: value for name, value in declared.items() if value is not None}
        pulls.append(make_pull(**common, table=table, elevation=elevation, file=str(path)))
    return tuple(pulls)


def estimate_at_engine(pull: DynoPull, loss: str) -> DynoPull:
    """Engine figures estimated from wheel figures with an assumed loss such as "15 % (assumed, same for all)".

    They stay apart from measured ones; a pull that was measured at the engine stays as it is.

    Raises DataError: if the loss does not start with a percentage between 0 and 50, or gives no name for the
    assumption.
    """
    match = _LOSS.match(loss)
    share = float(match[1].replace(",", ".")) if match else math.nan
    if match is None or not 0.0 < share < 50.0 or not match[2].strip(" ()"):
        remedy = 'Write the share of engine power and what it rests on, as in "15 % (assumed, front-wheel drive)".'
        raise DataError(f"'{loss}' is not a driveline loss with a name.", remedy=remedy)
    if pull.measured_at != "wheel":
        return pull
    gain = 1.0 / (1.0 - share / 100.0)
    name = f"a driveline loss of {match[1]} % ({match[2].strip(' ()')})"
    stated = {figure: value * gain for figure, value in pull.stated.items()}
    torque, power = pull.torque * gain, pull.power * gain
    return replace(pull, measured_at="engine", torque=torque, power=power, assumption=name, stated=stated)


def one_basis(pulls: Sequence[DynoPull]) -> str:
    """Return the common basis of some pulls.

    Raises DataError: if wheel, engine or estimated figures are mixed, with one example of each; or curves and figures
    as printed; or figures that were printed with unlike corrections.
    """
    rules: tuple[tuple[str, str, Callable[[DynoPull], str]], ...] = (
        ("Figures at the wheel and at the engine", "that were measured at the same place", lambda pull: pull.basis),
        ("Curves and figures as printed", "of one kind", lambda pull: "as printed" if pull.stated else "a curve"),
        ("Figures printed with unlike corrections", "with one correction", lambda pull: pull.printed or "none"),
    )
    for what, alike, kind in rules:
        first: dict[str, str] = {}
        for pull in pulls:
            first.setdefault(kind(pull), pull.id)
        if len(first) > 1:
            examples = "; ".join(f"{id}: {value}" for value, id in first.items())
            raise DataError(f"{what} are not mixed ({examples}).", remedy=f"Compare pulls {alike}.")
    return pulls[0].basis
