import gpxpy
import numpy as np
import pytest
from pyproj import Geod

from intake_report.demo.route import demo_route, gpx

ROUTE = demo_route()


def test_geodesic_length_agrees_with_route_distance():
    latitude, longitude = ROUTE.position(ROUTE.distance)
    length = Geod(ellps="WGS84").line_length(longitude, latitude)
    assert 17_000 < ROUTE.length < 20_000
    assert length == pytest.approx(ROUTE.length, rel=3e-4)


def test_gpx_is_read_back_within_a_metre():
    track = gpxpy.parse(gpx(ROUTE))
    points = track.tracks[0].segments[0].points
    assert track.length_2d() == pytest.approx(ROUTE.length, rel=5e-3)  # spherical distance of the reader
    a, o = ROUTE.position(np.array([0.0, ROUTE.length]))
    assert (points[0].latitude, points[0].longitude) == pytest.approx((a[0], o[0]), abs=1e-6)
    assert (points[-1].latitude, points[-1].longitude) == pytest.approx((a[1], o[1]), abs=1e-6)
