"""Local metric coordinates against published geodesics."""

import math

import numpy as np
import pytest

from intake_report.align.path import to_degrees, to_metres


def dms(degrees: float, minutes: float, seconds: float) -> float:
    return math.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees)


def centred(origin: tuple[float, float], other: tuple[float, float], ellipsoid: str = "WGS84") -> tuple[float, float]:
    """Distance [m] and azimuth [°] of a point from the centre of the projection."""
    x, y = to_metres(np.array([other[0]]), np.array([other[1]]), origin, ellipsoid)
    return float(np.hypot(x[0], y[0])), math.degrees(math.atan2(x[0], y[0])) % 360


# Source: GeographicLib's geographiclib test_geodesic.py, GeodSolve0: s12 5853226 m, azi1 53.47022°
def test_long_geodesic_from_the_centre() -> None:
    distance, azimuth = centred((40.6, -73.8), (49.01666667, 2.55))
    assert distance == pytest.approx(5853226, abs=0.5)
    assert azimuth == pytest.approx(53.47022, abs=5e-6)


# Source: GeographicLib documentation, (40.6, -73.8) to (51.6, -0.5): 5551759.400 m
def test_second_long_geodesic() -> None:
    distance, _ = centred((40.6, -73.8), (51.6, -0.5))
    assert distance == pytest.approx(5551759.4003, abs=1e-3)


FLINDERS = (dms(-37, 57, 3.72030), dms(144, 25, 29.52440))
BUNINYONG = (dms(-37, 39, 10.15610), dms(143, 55, 35.38390))


# Source: Geoscience Australia, Vincenty test line on GRS80: 54972.271 m, azimuth 306°52'05.37"
def test_survey_line_from_its_end() -> None:
    distance, azimuth = centred(FLINDERS, BUNINYONG, "GRS80")
    assert distance == pytest.approx(54972.271, abs=1e-3)
    assert azimuth == pytest.approx(dms(306, 52, 5.37), abs=0.01 / 3600)


# The same line with the centre away from it, as a route has it: the stated scale error of r²/6R² bounds the difference
@pytest.mark.parametrize("centre", [(-37.8, 144.17), (-37.6, 144.5), (-38.0, 143.9)])
def test_survey_line_seen_from_a_centre_beside_it(centre: tuple[float, float]) -> None:
    x, y = to_metres(np.array([FLINDERS[0], BUNINYONG[0]]), np.array([FLINDERS[1], BUNINYONG[1]]), centre, "GRS80")
    far = np.hypot(x, y).max()
    bound = far**2 / (6 * 6371008.8**2)
    assert abs(math.hypot(x[1] - x[0], y[1] - y[0]) / 54972.271 - 1) < bound


# Source: WGS84 arc of the meridian from 45° to 46° is 111141.548 m, of the equator per degree 111319.491 m
def test_degrees_of_latitude_and_longitude() -> None:
    assert centred((45.0, 7.0), (46.0, 7.0))[0] == pytest.approx(111141.548, abs=1e-3)
    assert centred((0.0, 0.0), (0.0, 1.0))[0] == pytest.approx(111319.491, abs=1e-3)


def test_there_and_back() -> None:
    rng = np.random.default_rng(4)
    latitude, longitude = rng.uniform(47, 49, 50), rng.uniform(10, 12, 50)
    back = to_degrees(*to_metres(latitude, longitude, (48.0, 11.0)), (48.0, 11.0))
    assert np.abs(np.array(back) - np.array([latitude, longitude])).max() < 1e-9
