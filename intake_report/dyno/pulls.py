"""One wide-open-throttle sweep as measured: checked, with power and torque that agree, at a stated place.

Engine speed [rpm], torque [N·m], power [kW], temperature [°C], pressure [kPa], humidity [%].
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from intake_report.air import AirState, check_humidity, check_pressure
from intake_report.errors import DataError

Array = NDArray[np.float64]
Place = Literal["wheel", "engine"]

TORQUE_CONSTANT = 60_000.0 / (2.0 * math.pi)
"""kW = N·m · rpm / 9549.296586 (exact: one revolution is 2π)."""

LEAST_ROWS = 5
REVERSAL = 50.0
"""Fall of engine speed inside a pull [rpm] that still counts as scatter of the reading (a choice of this package)."""
AGREEMENT = 0.01
"""Share by which power may differ from torque times speed (a choice of this package)."""

_SLIPS = (  # power over torque·speed if one of the two was in another unit than declared
    (1.3410, "the power looks like hp, not kW"),
    (1.3596, "the power looks like PS, not kW"),
    (0.7457, "the power looks like kW, not hp"),
    (1.3558, "the torque looks like lbf·ft, not N·m"),
    (0.7376, "the torque looks like N·m, not lbf·ft"),
    (1.8182, "power and torque look like hp and lbf·ft, not kW and N·m"),
)


def power_from_torque(torque: Array, speed: Array) -> Array:
    """Power [kW] from torque [N·m] and engine speed [rpm], shapes (n,)."""
    return torque * speed / TORQUE_CONSTANT


def torque_from_power(power: Array, speed: Array) -> Array:
    """Torque [N·m] from power [kW] and engine speed [rpm], shapes (n,); the speed must not be 0."""
    return power * TORQUE_CONSTANT / speed


@dataclass(frozen=True)
class DrivelineLoss:
    """An assumed loss between engine and wheel; an assumption with a name, never a measurement.

    Attributes
    ----------
    name : str
        As the reader sees it.
    share : float
        Lost share of the engine's power [%].
    """

    name: str
    share: float


@dataclass(frozen=True, eq=False)
class Pull:
    """One checked pull; build it with `make_pull`.

    Attributes
    ----------
    id, configuration, session : str
        What it is and when it belongs together with others.
    measured_at : {"wheel", "engine"}
        Where torque and power apply.
    order : int
        Position in the session, from 1.
    speed, torque, power : ndarray, shape (n,)
        Strictly increasing speed [rpm], torque [N·m], power [kW].
    cell : AirState or None
        Mean state of the cell or ambient air.
    iat, coolant : float or None
        Means over the pull [°C].
    warm_up : bool
        Declared as a warm-up pull.
    assumption : str
        Name of the driveline loss if the figures were not measured where they apply.
    notes : tuple of str
        What was done to the rows, one sentence each.
    """

    id: str
    configuration: str
    measured_at: Place
    order: int
    speed: Array
    torque: Array
    power: Array
    session: str = ""
    time: dt.datetime | None = None
    cell: AirState | None = None
    iat: float | None = None
    coolant: float | None = None
    warm_up: bool = False
    assumption: str = ""
    notes: tuple[str, ...] = field(default=())

    @property
    def basis(self) -> str:
        """Where the figures apply, in words; pulls of different basis are never mixed."""
        return f"{self.measured_at}, estimated with {self.assumption}" if self.assumption else self.measured_at


def make_pull(
    id: str,
    configuration: str,
    measured_at: Place,
    order: int,
    speed: ArrayLike,
    *,
    torque: ArrayLike | None = None,
    power: ArrayLike | None = None,
    session: str = "",
    time: dt.datetime | None = None,
    cell_temperature: ArrayLike | None = None,
    cell_pressure: ArrayLike | None = None,
    cell_humidity: ArrayLike | None = None,
    iat: ArrayLike | None = None,
    coolant: ArrayLike | None = None,
    warm_up: bool = False,
    elevation: float | None = None,
    file: str | None = None,
) -> Pull:
    """Check one pull and complete torque or power.

    Parameters
    ----------
    speed, torque, power : array_like, shape (n,)
        Rows in the order they were recorded [rpm], [N·m], [kW]; torque, power or both.
    cell_temperature, cell_pressure, cell_humidity : array_like, optional
        One value or one per row [°C], [kPa], [%]; station pressure, not reduced.
    iat, coolant : array_like, optional
        One value or one per row [°C].
    elevation : float, optional
        Of the cell [m], to question a pressure reduced to sea level.
    file : str, optional
        For error messages.

    Raises
    ------
    DataError
        Too few rows, a pull that runs backwards, torque and power that contradict each other, impossible cell air.
    """

    def wrong(what: str, remedy: str) -> DataError:
        return DataError(f"Pull {id}: {what}", file=file, remedy=remedy)

    if torque is None and power is None:
        raise wrong("it has neither torque nor power.", "Map a torque or a power column.")
    n = np.asarray(speed, dtype=np.float64)
    columns = [n] + [np.asarray(c, dtype=np.float64) for c in (torque, power) if c is not None]
    if any(c.shape != n.shape or c.ndim != 1 for c in columns):
        raise wrong("its columns differ in length.", "Export the pull again.")
    whole = np.all([np.isfinite(c) for c in columns], axis=0)
    notes = [] if whole.all() else [f"{int((~whole).sum())} rows without a value were left out"]
    columns = [c[whole] for c in columns]
    n = columns[0]
    if n.size < LEAST_ROWS:
        raise wrong(f"it has {n.size} rows with values.", f"A pull needs at least {LEAST_ROWS}.")
    if np.any(n <= 0.0):
        raise wrong("its engine speed is not positive everywhere.", "Trim the file to the sweep.")
    peak_so_far = np.maximum.accumulate(n)
    fall = float(np.max(peak_so_far - n))
    if n[-1] <= n[0] or fall > REVERSAL:
        row = int(np.argmax(peak_so_far - n)) + 1
        raise wrong(
            f"it runs backwards: the engine speed has fallen by {fall:.0f} rpm at row {row}.",
            "Trim the file to the rising sweep; a coast-down is not a pull.",
        )
    rising = np.concatenate([[True], n[1:] > peak_so_far[:-1]])
    if not rising.all():
        notes.append(f"{int((~rising).sum())} rows in which the engine speed did not rise were left out")
    columns = [c[rising] for c in columns]
    n = columns[0]
    if n.size < LEAST_ROWS:
        raise wrong(f"its engine speed rises in {n.size} rows only.", "Check the engine-speed column.")
    if torque is None:
        p = columns[1]
        t = torque_from_power(p, n)
    else:
        t = columns[1]
        p = power_from_torque(t, n)
        if power is not None:
            contradiction = _contradiction(columns[2], p, n)
            if contradiction:
                raise wrong(*contradiction)
            p = columns[2]
    cell, cell_notes = _cell(cell_temperature, cell_pressure, cell_humidity, elevation, wrong)
    return Pull(
        id=id,
        configuration=configuration,
        measured_at=measured_at,
        order=order,
        speed=n,
        torque=t,
        power=p,
        session=session,
        time=time,
        cell=cell,
        iat=_mean(iat),
        coolant=_mean(coolant),
        warm_up=warm_up,
        notes=(*notes, *cell_notes),
    )


def _contradiction(power: Array, from_torque: Array, speed: Array) -> tuple[str, str] | None:
    scale = float(np.max(np.abs(from_torque)))
    gap = np.abs(power - from_torque)
    worst = int(np.argmax(gap))
    if scale > 0.0 and gap[worst] <= AGREEMENT * scale:
        return None
    loaded = np.abs(from_torque) > 0.1 * scale
    remedy = "Check the units of both columns, and that both apply at the same place."
    if scale > 0.0 and loaded.any():
        ratio = float(np.median(power[loaded] / from_torque[loaded]))
        near, text = min(_SLIPS, key=lambda slip: abs(slip[0] - ratio))
        if abs(near - ratio) < 0.005:
            remedy = f"By the ratio of {ratio:.3f} {text}; check the units."
    what = (
        f"torque and power contradict each other: at {speed[worst]:.0f} rpm the power is {power[worst]:.1f} kW, "
        f"but torque times speed is {from_torque[worst]:.1f} kW."
    )
    return what, remedy


def _mean(values: ArrayLike | None) -> float | None:
    if values is None:
        return None
    array = np.asarray(values, dtype=np.float64).ravel()
    array = array[np.isfinite(array)]
    return float(array.mean()) if array.size else None


def _cell(
    temperature: ArrayLike | None,
    pressure: ArrayLike | None,
    humidity: ArrayLike | None,
    elevation: float | None,
    wrong: Callable[[str, str], DataError],
) -> tuple[AirState | None, tuple[str, ...]]:
    means = (_mean(temperature), _mean(pressure), _mean(humidity))
    try:
        if humidity is not None:
            check_humidity(np.asarray(humidity, dtype=np.float64))
        if means[1] is not None:
            check_pressure(means[1], elevation)
    except DataError as error:
        raise wrong(error.what, error.remedy or "Check the cell air.") from None
    t, p, rh = means
    if t is None or p is None or rh is None:
        absent = [x for x, m in zip(("temperature", "pressure", "humidity"), means, strict=True) if m is None]
        return None, (f"the cell air is incomplete ({', '.join(absent)} missing)",) if len(absent) < 3 else ()
    readings = np.asarray(temperature, dtype=np.float64).ravel()
    spread = float(np.nanmax(readings) - np.nanmin(readings))
    moved = (f"the cell temperature moved by {spread:.1f} K within the pull",) if spread > 1.0 else ()
    return AirState(t, p, rh, "cell"), moved


_LOSS = re.compile(r"^\s*(\d+(?:[.,]\d+)?)\s*%\s*(.*)$")


def parse_driveline_loss(text: str) -> DrivelineLoss:
    """Read an assumed driveline loss such as "15 % (assumed, same for all configurations)".

    Raises
    ------
    DataError
        If it does not start with a percentage between 0 and 50, or gives no name for the assumption.
    """
    match = _LOSS.match(text)
    share = float(match[1].replace(",", ".")) if match else math.nan
    if match is None or not 0.0 < share < 50.0 or not match[2].strip(" ()"):
        raise DataError(
            f"'{text}' is not a driveline loss with a name.",
            remedy='Write the share of engine power and what it rests on, as in "15 % (assumed, front-wheel drive)".',
        )
    return DrivelineLoss(f"a driveline loss of {share:g} % ({match[2].strip(' ()')})", share)


def estimate_at_engine(pull: Pull, loss: DrivelineLoss) -> Pull:
    """Engine figures estimated from wheel figures with an assumed loss; they stay apart from measured ones.

    Raises
    ------
    DataError
        If the pull was measured at the engine already.
    """
    if pull.measured_at != "wheel":
        raise DataError(f"Pull {pull.id} was measured at the engine; there is no driveline loss to add.")
    gain = 1.0 / (1.0 - loss.share / 100.0)
    return replace(pull, measured_at="engine", torque=pull.torque * gain, power=pull.power * gain, assumption=loss.name)


def one_basis(pulls: Sequence[Pull]) -> str:
    """Return the common basis of some pulls.

    Raises
    ------
    DataError
        If wheel, engine or estimated figures are mixed, with one example of each.
    """
    if not pulls:
        raise DataError("There is no pull.", remedy="Add pulls or check which were left out.")
    first: dict[str, str] = {}
    for pull in pulls:
        first.setdefault(pull.basis, pull.id)
    if len(first) > 1:
        examples = "; ".join(f"{id}: {basis}" for basis, id in first.items())
        raise DataError(
            f"Figures at the wheel and at the engine are not mixed ({examples}).",
            remedy="Compare pulls that were measured at the same place.",
        )
    return next(iter(first))
