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


def test_cross_offset_is_metres_to_the_left():
    geod = Geod(ellps="WGS84")
    at = np.array([300.0, 2000.0, 9000.0])
    a, o = ROUTE.position(at)
    a2, o2 = ROUTE.position(at, np.array([5.0, 5.0, 5.0]))
    _, _, metres = geod.inv(o, a, o2, a2)
    assert metres == pytest.approx(5.0, abs=0.02)
    forward, *_ = geod.inv(o, a, *ROUTE.position(at + 1.0)[::-1])
    aside, *_ = geod.inv(o, a, o2, a2)
    assert (forward - aside) % 360.0 == pytest.approx(90.0, abs=2.0)


def test_limits_can_be_braked_for():
    slack = ROUTE.limit[1:] ** 2 + 2.0 * 1.7 - ROUTE.limit[:-1] ** 2
    assert slack.min() > -1e-9
    assert 15.0 < 3.6 * ROUTE.limit.min() < 30.0 and 3.6 * ROUTE.limit.max() == pytest.approx(112.0)


def test_path_crosses_itself_in_the_city_and_at_the_ramp():
    from shapely import LineString

    xy = np.column_stack([ROUTE.x, ROUTE.y])[::5]
    assert not LineString(xy).is_simple
    assert LineString(xy[: int(2000 / 5)]).is_simple
    assert not LineString(xy[int(6200 / 5) : int(7000 / 5)]).is_simple


def test_gpx_is_read_back_within_a_metre():
    track = gpxpy.parse(gpx(ROUTE))
    points = track.tracks[0].segments[0].points
    assert track.length_2d() == pytest.approx(ROUTE.length, rel=5e-3)  # spherical distance of the reader
    a, o = ROUTE.position(np.array([0.0, ROUTE.length]))
    assert (points[0].latitude, points[0].longitude) == pytest.approx((a[0], o[0]), abs=1e-6)
    assert (points[-1].latitude, points[-1].longitude) == pytest.approx((a[1], o[1]), abs=1e-6)
