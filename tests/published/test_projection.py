"""Local metric coordinates against published geodesics."""

import math

import numpy as np
import pytest
from align.roads import to_degrees

from intake_report.align.path import to_metres


def dms(degrees: float, minutes: float, seconds: float) -> float:
    return math.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees)


FLINDERS = (dms(-37, 57, 3.72030), dms(144, 25, 29.52440))
BUNINYONG = (dms(-37, 39, 10.15610), dms(143, 55, 35.38390))


@pytest.mark.parametrize(
    ("start", "end", "metres", "within", "direction"),
    [
        # GeographicLib's geographiclib test_geodesic.py, GeodSolve0: s12 5853226 m, azi1 53.47022°
        ((40.6, -73.8), (49.01666667, 2.55), 5853226, 0.5, (53.47022, 5e-6)),
        # GeographicLib documentation
        ((40.6, -73.8), (51.6, -0.5), 5551759.4003, 1e-3, None),
        # Geoscience Australia, Vincenty test line on GRS80, by 1e-4 m of this the same on WGS84: 54972.271 m, azimuth 306°52'05.37"
        (FLINDERS, BUNINYONG, 54972.271, 1e-3, (dms(306, 52, 5.37), 0.01 / 3600)),
        # WGS84 arc of the meridian from 45° to 46°, of the equator per degree
        ((45.0, 7.0), (46.0, 7.0), 111141.548, 1e-3, None),
        ((0.0, 0.0), (0.0, 1.0), 111319.491, 1e-3, None),
    ],
)
def test_geodesic_from_the_centre(start, end, metres, within, direction) -> None:
    x, y = to_metres(*np.array([end]).T, start)
    assert float(np.hypot(x[0], y[0])) == pytest.approx(metres, abs=within)
    if direction is not None:
        assert math.degrees(math.atan2(x[0], y[0])) % 360 == pytest.approx(direction[0], abs=direction[1])


# The survey line with the centre away from it, as a route has it: the stated scale error of r²/6R² bounds the difference
@pytest.mark.parametrize("centre", [(-37.8, 144.17), (-37.6, 144.5), (-38.0, 143.9)])
def test_survey_line_seen_from_a_centre_beside_it(centre: tuple[float, float]) -> None:
    x, y = to_metres(*np.array([FLINDERS, BUNINYONG]).T, centre)
    far = np.hypot(x, y).max()
    bound = far**2 / (6 * 6371008.8**2)
    assert abs(math.hypot(x[1] - x[0], y[1] - y[0]) / 54972.271 - 1) < bound


def test_there_and_back() -> None:
    rng = np.random.default_rng(4)
    latitude, longitude = rng.uniform(47, 49, 50), rng.uniform(10, 12, 50)
    back = to_degrees(*to_metres(latitude, longitude, (48.0, 11.0)), (48.0, 11.0))
    assert np.abs(np.array(back) - np.array([latitude, longitude])).max() < 1e-9
