"""One wide-open-throttle sweep [rpm, N·m, kW]: checked, corrected with the air of its cell [°C, kPa, %], on a grid."""

import datetime as dt
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from intake_report import air
from intake_report.air import AirState, Aspiration, Correction, uncorrected
from intake_report.campaign import Campaign
from intake_report.campaign.sections import DynoSection
from intake_report.errors import DataError, placed
from intake_report.loaders import read_columns
from intake_report.messages import Count, Message, message

Array = NDArray[np.float64]
Place = Literal["wheel", "engine"]
Quantity = Literal["power", "torque"]

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
    """Power [kW] from torque [N·m] and engine speed [rpm]."""
    return torque * speed / TORQUE_CONSTANT


def torque_from_power(power: Array, speed: Array) -> Array:
    """Torque [N·m] from power [kW] and engine speed [rpm], which must not be 0."""
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
    correction: Correction = field(default_factory=uncorrected)  # that torque and power hold, see `correct`

    @property
    def basis(self) -> str:
        """Where the figures apply, in words; pulls of different basis are never mixed."""
        return f"{self.measured_at}, estimated with {self.assumption}" if self.assumption else self.measured_at


def make_pull(
    id: str, configuration: str, measured_at: Place, order: int, table: Mapping[str, ArrayLike | None], *, session: str = "",
    time: dt.datetime | None = None, warm_up: bool = False, elevation: float | None = None, file: str | None = None,
) -> DynoPull:  # fmt: skip
    """Check one pull and complete torque or power; DataError says what is wrong with it.

    `table`: columns by their names in `COLUMNS`, internal units, in the order recorded: rpm with torque or power, (n,);
    others one value or one per row. `elevation`: of the cell [m], to question the pressure; `file`: for errors.
    """
    with placed(f"Pull {id}: ", file=file):
        speed, torque, power, notes = _sweep(table)
        cell, more = _cell([table.get(name) for name in CELL], elevation)
    return DynoPull(
        id, configuration, measured_at, order, speed, torque, power, session, time, cell,
        iat=_mean(table.get("iat")), coolant=_mean(table.get("coolant")), warm_up=warm_up, notes=(*notes, *more),
    )  # fmt: skip


def _sweep(table: Mapping[str, ArrayLike | None]) -> tuple[Array, Array, Array, list[Message]]:
    names = [name for name in ("rpm", "torque", "power") if table.get(name) is not None]
    given = {name: np.asarray(table[name], dtype=np.float64) for name in names}
    if len(given) < 2:
        raise DataError("it has neither torque nor power.", remedy="Map a torque or a power column.")
    if len({column.shape for column in given.values()}) > 1:
        raise DataError("its columns differ in length.", remedy="Export the pull again.")
    rows = np.column_stack(list(given.values()))
    whole = np.isfinite(rows).all(axis=1)
    rows = rows[whole]
    if (speed := rows[:, 0]).size < LEAST_ROWS:
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
    if (speed := columns["rpm"]).size < LEAST_ROWS:
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
        air.check_humidity(np.asarray(columns[2], dtype=np.float64))
    if pressure is not None:
        air.check_pressure(pressure, elevation)
    if temperature is not None and pressure is not None and humidity is not None:
        return AirState(temperature, pressure, humidity), ()
    known = {"temperature": temperature, "pressure": pressure, "humidity": humidity}
    absent = [name for name, mean in known.items() if mean is None]
    note = message("the cell air is incomplete ({absent} missing)", code="cell-air", absent=", ".join(absent))
    return None, (note,) if len(absent) < len(known) else ()


def read_pulls(campaign: Campaign) -> tuple[DynoPull, ...]:
    """Read and check all pulls of a campaign; cell air that is declared overrides a column of the file."""
    pulls, elevation = [], campaign.dyno.elevation
    for entry in campaign.pulls:
        same = ("id", "configuration", "measured_at", "order", "time", "warm_up")
        common: dict[str, Any] = {name: getattr(entry, name) for name in same} | {"session": entry.session or ""}
        declared = {name: getattr(entry, name) for name in CELL}
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

    A pull that was measured at the engine stays as it is. DataError: no percentage between 0 and 50 with a name.
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
    """Return the common basis of some pulls; DataError where what cannot be compared is mixed, with an example of each."""
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


def correct(pull: DynoPull, section: DynoSection) -> DynoPull:
    """Correct a pull with its cell air; with intake air, which would correct away the effect under test, it is refused."""
    aspiration: Aspiration = section.aspiration or "natural"
    asked, typed = air.correction_spec(section.correction).key != "none", pull.printed not in ("", "none")
    if asked and typed:
        what = f"Pull {pull.id} is typed as the dyno printed it ({pull.printed}), and is not corrected again."
        raise DataError(what, remedy='Set dyno.correction to "none".')
    if section.air == "intake" and not typed:
        what = "Power is never corrected with intake air: that would correct away the effect under test."
        raise DataError(what, remedy="Correct with the air of the test cell.")
    if asked and pull.cell is None:
        what = f"Pull {pull.id} cannot be corrected: its cell temperature, pressure and humidity are not all known."
        raise DataError(what, remedy='Give them, or use the correction "none".')
    if typed or pull.cell is None:
        return replace(pull, correction=uncorrected(aspiration))
    fuel, elevation = section.fuel_per_cycle, section.elevation
    by = air.correction(section.correction, pull.cell, aspiration=aspiration, fuel_per_cycle=fuel, elevation=elevation)
    return replace(pull, correction=by, power=pull.power * by.factor, torque=pull.torque * by.factor)


@dataclass(frozen=True)
class Grid:
    """Engine-speed band, step and smoothing window [rpm], the same for all curves that are compared."""

    low: float
    high: float
    step: float
    smoothing: float

    @property
    def speeds(self) -> Array:
        """Grid speeds, shape (m,) [rpm]."""
        return self.low + self.step * np.arange(round((self.high - self.low) / self.step) + 1, dtype=np.float64)


def common_grid(pulls: Sequence[DynoPull], step: float, smoothing: float = 0.0) -> Grid:
    """Grid from the lowest to the highest of its speeds that every pull covers [rpm]; DataError: fewer than two."""
    last, first = (max(pulls, key=lambda p: p.speed[0]), min(pulls, key=lambda p: p.speed[-1]))
    low, high = float(last.speed[0]), float(first.speed[-1])
    if low > high:
        what = f"one ends at {high:.0f} rpm, the other begins at {low:.0f} rpm."
        what = f"Pulls {first.id} and {last.id} have no engine speed in common: {what}"
        raise DataError(what, remedy="Leave one of them out.")
    low, high = math.ceil(low / step - 1e-9) * step, math.floor(high / step + 1e-9) * step
    if high - low < step:
        what = f"The pulls have fewer than two steps of the {step:g} rpm grid in common."
        raise DataError(what, remedy="Use a finer grid.")
    return Grid(low, high, step, smoothing)


def on_grid(speed: Array, values: Array, grid: Array, width: float) -> Array:
    """Values at the grid's engine speeds: a straight line fitted to the rows within ± width/2, NaN outside the pull.

    `speed` (n,), rising, `grid` (m,), `width` [rpm], 0: without smoothing. A local line has no bias where the curve is
    straight, also at the ends of the pull; at a peak it lowers the value by about curvature·width²/24.
    """
    smoothed = np.interp(grid, speed, values, left=np.nan, right=np.nan)
    first = np.searchsorted(speed, grid - width / 2.0, side="left")
    last = np.searchsorted(speed, grid + width / 2.0, side="right")
    # where the window is narrower than the rows there is nothing to smooth
    for i in np.flatnonzero(np.isfinite(smoothed) & (last - first >= 3)):
        x, y = speed[first[i] : last[i]] - grid[i], values[first[i] : last[i]]
        dx = x - x.mean()
        smoothed[i] = y.mean() - x.mean() * float(dx @ y) / float(dx @ dx)
    return smoothed


def gridded(items: Sequence[DynoPull], quantity: Quantity, grid: Grid) -> Array:
    """Smoothed, corrected values of each pull at the grid's speeds, shape (pulls, m)."""
    return np.array([on_grid(i.speed, getattr(i, quantity), grid.speeds, grid.smoothing) for i in items])


def pull_figures(item: DynoPull, grid: Grid) -> dict[str, Any]:
    """Figures of one pull over the common band [kW, N·m, kW·rpm], corrected and not, with its correction.

    `peak_*` of the smoothed, corrected curve, mean_* over the band by engine speed, area under the power curve.
    peak_power_unsmoothed: highest corrected row; smoothing_effect: what smoothing took from it [%]. peak_at_edge: the
    highest power lies at an end of the band, so the true peak may be outside it.
    """
    by, speeds = item.correction, grid.speeds
    power, torque = (gridded([item], quantity, grid)[0] for quantity in ("power", "torque"))
    width, area = grid.high - grid.low, float(np.trapezoid(power, speeds))
    rows = (item.speed >= grid.low) & (item.speed <= grid.high)
    top, twist = int(np.argmax(power)), int(np.argmax(torque))
    raw = float(np.max(item.power[rows])) if rows.any() else float(power[top])
    return _about(item) | {
        "peak_power": float(power[top]),
        "peak_power_speed": float(speeds[top]),
        "peak_torque": float(torque[twist]),
        "peak_torque_speed": float(speeds[twist]),
        "mean_power": area / width,
        "mean_torque": float(np.trapezoid(torque, speeds)) / width,
        "area": area,
        "peak_power_unsmoothed": raw,
        "smoothing_effect": 100.0 * (float(power[top]) / raw - 1.0) if raw else 0.0,
        "peak_at_edge": top in (0, speeds.size - 1),
        "peak_power_uncorrected": float(power[top]) / by.factor,
        "mean_power_uncorrected": area / width / by.factor,
        "peak_torque_uncorrected": float(torque[twist]) / by.factor,
    }


def stated_figures(item: DynoPull) -> dict[str, Any]:
    """Figures of a pull as the dyno printed them, and corrected where they were printed without correction."""
    stated, factor = item.stated, item.correction.factor
    measured = stated if item.printed == "none" else {}
    figures = _about(item)
    figures |= {f"{name}_uncorrected": measured.get(name) for name in ("peak_power", "mean_power", "peak_torque")}
    for name in ("peak_power", "peak_torque", "mean_power", "mean_torque"):
        figures[name] = stated[name] * factor if name in stated else None
    return figures


def _about(item: DynoPull) -> dict[str, Any]:
    by, told, of_cell = item.correction, ("configuration", "session", "order"), ("temperature", "pressure", "humidity")
    about = {"pull": item.id, **{name: getattr(item, name) for name in told}, "factor": by.factor}
    about |= {f"cell_{name}": getattr(by.air or item.cell, name, None) for name in of_cell}
    return about | {name: getattr(by, name) for name in ("vapour", "dry", "in_validity", "within_limit", "limitations")}
