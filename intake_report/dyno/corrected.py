"""Pulls corrected to common conditions with the cell or ambient air, never with intake air."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from intake_report.air import INTAKE_REFUSAL, Aspiration, Correction, correction, correction_spec, uncorrected
from intake_report.dyno.pulls import Array, Pull
from intake_report.errors import DataError

Quantity = Literal["power", "torque"]


@dataclass(frozen=True, eq=False)
class CorrectedPull:
    """A pull with its correction; `pull` keeps the uncorrected figures.

    Attributes
    ----------
    power, torque : ndarray, shape (n,)
        Corrected [kW], [N·m].
    """

    pull: Pull
    correction: Correction
    power: Array
    torque: Array

    def values(self, quantity: Quantity) -> Array:
        """Corrected power [kW] or torque [N·m], shape (n,)."""
        return self.power if quantity == "power" else self.torque


def correct(
    pull: Pull,
    method: str,
    *,
    air: Literal["cell", "ambient", "intake"] = "cell",
    aspiration: Aspiration = "natural",
    fuel_per_cycle: float | None = None,
    elevation: float | None = None,
) -> CorrectedPull:
    """Correct a pull by a named method with its cell air.

    Parameters
    ----------
    method : str
        Key of `air.CORRECTIONS`.
    air : {"cell", "ambient", "intake"}
        What to correct with; "intake" is refused, because it would correct away the effect under test.

    Raises
    ------
    DataError
        For intake air, missing cell air, or anything `air.correction` refuses.
    """
    if air == "intake":
        raise DataError(INTAKE_REFUSAL, remedy="Correct with the air of the test cell.")
    if pull.cell is None:
        if correction_spec(method).key != "none":
            raise DataError(
                f"Pull {pull.id} cannot be corrected: its cell temperature, pressure and humidity are not all known.",
                remedy='Give them, or use the correction "none".',
            )
        return CorrectedPull(pull, uncorrected(aspiration), pull.power, pull.torque)
    found = correction(method, pull.cell, aspiration=aspiration, fuel_per_cycle=fuel_per_cycle, elevation=elevation)
    return CorrectedPull(pull, found, pull.power * found.factor, pull.torque * found.factor)


def one_correction(items: Sequence[CorrectedPull]) -> str:
    """Return the name of the common correction of some pulls.

    Raises
    ------
    DataError
        If pulls corrected by different methods or editions are mixed.
    """
    names = sorted({item.correction.name for item in items})
    if len(names) > 1:
        raise DataError(
            f"Pulls corrected by different methods are not mixed ({'; '.join(names)}).",
            remedy="Correct all of them by one method.",
        )
    return names[0]
