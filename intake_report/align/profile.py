"""Speed as a function of place: what runs without a position have in common."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from intake_report.align.model import Floats
from intake_report.align.odometer import driven


@dataclass(frozen=True)
class Profile:
    """Speed [km/h] by driven distance, at `step` metres from 0 (shape (n,)); standstill takes no room."""

    speed: Floats
    step: float

    @property
    def length(self) -> float:
        """Length [m]."""
        return (len(self.speed) - 1) * self.step

    def at(self, distance: Floats) -> Floats:
        """Return speed at distances [m] of any shape, NaN outside the profile."""
        return np.interp(distance, np.arange(len(self.speed)) * self.step, self.speed, left=np.nan, right=np.nan)

    def coarse(self, factor: int) -> Profile:
        """Return the profile with the mean of each `factor` steps about every new one."""
        from scipy.ndimage import uniform_filter1d

        return Profile(uniform_filter1d(self.speed, factor, mode="nearest")[::factor], self.step * factor)


def speed_profile(time: Floats, speed: Floats, step: float = 10.0) -> Profile:
    """Return the speed profile of a run from its true speed samples [s], [km/h]."""
    way = driven(time, speed, time)
    # the lowest speed wherever the vehicle stood: several samples share one distance
    place, first = np.unique(way, return_index=True)
    lowest = np.minimum.reduceat(speed, first)
    grid = np.arange(0.0, way[-1] + 1e-9, step)
    # between samples a constant acceleration makes the square of speed linear in distance
    return Profile(np.sqrt(np.interp(grid, place, np.maximum(lowest, 0.0) ** 2)), step)
