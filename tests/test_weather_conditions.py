"""Conditions during a run: interpolation, ages, reasons instead of numbers."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report import air
from intake_report.campaign import Run
from intake_report.messages import said
from intake_report.weather import WeatherObservation, ambient_at, conditions_during, handheld_record
from intake_report.weather.observations import build_record, completed

T0 = pd.Timestamp("2026-05-12 10:00Z")


def at(minutes):
    return T0 + pd.Timedelta(minutes=minutes)


def record(points, **more):
    return handheld_record("probe", [WeatherObservation(at(m), t, **more) for m, t in points], elevation=500.0)


def station(*observations):
    return build_record("s", "station", 500.0, [completed(o, 500.0) for o in observations])


def reasons(conditions):
    return {name: said(reason, "si").replace("\N{NO-BREAK SPACE}", " ") for name, reason in conditions.absent.items()}


HOURLY = [(0, 20.0), (60, 26.0), (120, 24.0)]


@given(
    points=st.dictionaries(st.integers(0, 600), st.floats(-20, 45), min_size=1, max_size=12),
    start=st.integers(0, 590),
    length=st.integers(1, 200),
)
def test_agrees_with_a_fine_grid(points, start, length):
    r = record(sorted(points.items()))
    c = conditions_during(r, at(start), at(start + length), max_age=1e9)
    grid = np.linspace(at(start).timestamp(), at(start + length).timestamp(), 60 * length + 1)
    series = ambient_at(r, grid, max_age=1e9)
    assert c.ambient_mean == pytest.approx(np.trapezoid(series, grid) / (60.0 * length), abs=1e-6)
    assert c.ambient_high == pytest.approx(series.max(), abs=1e-6)
    known = np.array([at(m).timestamp() for m in points])
    # The grid may step over the middle between two reports by half a second.
    assert c.age_worst == pytest.approx(np.abs(grid[:, None] - known).min(axis=1).max(), abs=0.6)


def test_beyond_the_maximum_age_there_is_a_reason_and_no_number():
    r = record(HOURLY)
    c = conditions_during(r, at(110), at(200))
    assert c.ambient_mean is None and c.age_worst == 4800.0
    assert reasons(c)["ambient_mean"] == "the nearest report is 80 min away at worst, more than 60 min"
    assert conditions_during(r, at(110), at(200), max_age=4800.0).ambient_mean is not None
    assert conditions_during(r, at(110), at(200), max_age=4799.0).ambient_mean is None


def test_a_gap_in_the_middle_counts_though_both_ends_are_fresh():
    c = conditions_during(record([(0, 20.0), (240, 30.0)]), at(10), at(230))
    assert c.age_worst == 7200.0 and c.ambient_mean is None


def test_ambient_series():
    r = record(HOURLY)
    times = np.array([at(m).timestamp() for m in (-30, 0, 30, 90, 150, 181)])
    np.testing.assert_allclose(ambient_at(r, times), [20.0, 20.0, 23.0, 25.0, 24.0, np.nan])
    assert np.isnan(ambient_at(r, times, max_age=60.0)).tolist() == [True, False, True, True, True, True]
    assert np.isnan(ambient_at(station(WeatherObservation(T0, wind_speed=3.0)), times)).all()


def test_air_state_is_the_mean_of_the_interpolated_quantities():
    r = record([(0, 20.0), (60, 30.0)], humidity=50.0, pressure=95.0, pressure_kind="station")
    c = conditions_during(r, at(0), at(60))
    e = (air.vapour_pressure(20.0, 50.0) + air.vapour_pressure(30.0, 50.0)) / 2.0
    assert c.station_pressure == pytest.approx(95.0)
    assert c.dry_pressure == pytest.approx(95.0 - e)
    ends = [air.density_ideal(t, 95.0, air.vapour_pressure(t, 50.0)) for t in (20.0, 30.0)]
    assert c.air_density == pytest.approx(sum(ends) / 2.0)
    assert c.dew_point == pytest.approx(air.dew_point_from_vapour(e))
    assert not c.absent


def test_each_quantity_has_its_own_reason():
    late = WeatherObservation(at(400), 22.0, humidity=50.0, pressure=95.0, pressure_kind="station")
    r = station(WeatherObservation(at(0), 20.0, humidity=50.0), WeatherObservation(at(60), 22.0), late)
    c = conditions_during(r, at(10), at(70))
    why = reasons(c)
    assert c.ambient_mean is not None
    assert "390 min away" in why["station_pressure"] and "70 min away" in why["humidity"]
    assert c.station_pressure is c.humidity is c.air_density is c.dry_pressure is None
    c = conditions_during(station(WeatherObservation(T0, wind_speed=3.0)), at(0), at(10))
    assert (c.ambient_mean, c.age_worst, c.wind_speed) == (None, None, 3.0)
    assert reasons(c)["ambient_mean"] == "s does not report it"


def wind(minutes, speed, direction=None, **more):
    return WeatherObservation(at(minutes), wind_speed=speed, wind_direction=direction, source="s", **more)


def first_hour(*winds):
    return conditions_during(station(*winds), at(0), at(60))


def test_missing_wind_is_not_calm():
    c = first_hour(wind(0, 10.0, 350.0), wind(30, None), wind(60, 20.0, 20.0, wind_gust=40.0))
    assert c.wind_speed == 15.0 and c.wind_gust == 40.0
    # Mean of vectors: 10 from 350°, 20 from 20°.
    east = 10 * math.sin(math.radians(350)) + 20 * math.sin(math.radians(20))
    north = 10 * math.cos(math.radians(350)) + 20 * math.cos(math.radians(20))
    assert c.wind_direction == pytest.approx(math.degrees(math.atan2(east, north)))
    assert first_hour(wind(0, None), wind(60, None)).wind_speed is None
    calm = first_hour(wind(0, 0.0, 0.0), wind(60, 0.0))
    assert (calm.wind_speed, calm.wind_direction) == (0.0, None)


def test_variable_and_opposed_winds_have_no_direction():
    c = first_hour(wind(0, 10.0, 90.0), wind(60, 5.0, wind_variable=True))
    assert c.wind_variable and c.wind_direction is None
    # the mean vector is 8 and 12 % of the mean speed
    assert first_hour(wind(0, 10.0, 90.0), wind(60, 8.5, 270.0)).wind_direction is None
    assert first_hour(wind(0, 10.0, 90.0), wind(60, 7.9, 270.0)).wind_direction == pytest.approx(90.0)


def test_reports_of_another_hour_do_not_count_as_wind():
    r = station(wind(-600, 77.0), wind(0, 10.0, 90.0), wind(600, 99.0, 90.0))
    assert conditions_during(r, at(5), at(20)).wind_speed == 10.0
    assert conditions_during(r, at(-20), at(-5)).wind_speed == 10.0


def test_what_is_declared_against_what_was_reported():
    rainy = station(wind(0, 5.0, raining=True, present="-RA"))
    c = conditions_during(rainy, at(0), at(30), declared=Run.model_construct(rain="none", road="wet"))
    assert c.raining is True
    assert said(c.notes[0], "si") == "Declared as without rain, but s reported “-RA” at 10:00 UTC."
    assert conditions_during(rainy, at(0), at(30), declared=Run.model_construct(rain="light", road="wet")).notes == ()
