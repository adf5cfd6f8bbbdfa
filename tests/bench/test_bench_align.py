"""Speed of matching against the nearest point alone, on the same points and path.

One hour at 10 Hz: 36,000 fixes. Ratios, and one limit in seconds that is generous for any machine of the last ten years.
"""

import numpy as np
import pytest
import shapely
from align.roads import CENTRE, to_degrees
from align.support import StubRun, make_run
from timing import seconds

from intake_report.align import RoutePath, align_runs
from intake_report.align.path import build_path, to_metres
from intake_report.align.position import locate

pytestmark = pytest.mark.bench


def hour(run: str, seed: int, hours: float = 1.0) -> StubRun:
    """One hour at 10 Hz on a winding road of about 60 km, out and back."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, hours * 3600, 0.1)
    speed = np.maximum(62 + 45 * np.sin(t / 70 + rng.uniform(0, 6)), 0.0)
    x, y = road(np.cumsum(speed) / 36)
    latitude, longitude = to_degrees(x + rng.normal(0, 2, len(t)), y + rng.normal(0, 2, len(t)), CENTRE)
    return make_run(run, t, speed=np.round(speed), latitude=latitude, longitude=longitude)


def road(way: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Out for 33 km and back beside it."""
    out = np.where(way < 33000, way, 66000 - way)
    return out * 0.8, 900 * np.sin(out / 1500) + np.where(way < 33000, 0.0, 8.0)


def reference() -> RoutePath:
    return build_path(*road(np.arange(0.0, 64000.0, 15.0)), CENTRE)


def test_one_hour_at_ten_hertz() -> None:
    path, run = reference(), hour("hour", 1)
    located = locate(run, path)
    assert located.on_route.mean() > 0.97
    x, y = to_metres(run.frame["latitude"].to_numpy(), run.frame["longitude"].to_numpy(), CENTRE)
    line, points = shapely.LineString(np.column_stack([path.x, path.y])), shapely.points(x, y)
    took, plain = seconds(lambda: locate(run, path), lambda: shapely.line_locate_point(line, points), repeats=2)
    # the nearest point alone is wrong on the way back: that is why it is not enough
    wrong = np.abs(shapely.line_locate_point(line, points) - located.distance.to_numpy()) > 100
    print(f"\nmatched in {took:.3f} s; nearest point {plain:.3f} s; ratio {took / plain:.2f}; wrong {wrong.mean():.0%}")
    assert took < 0.5
    assert took < 2.0 * plain


def test_linear_in_length_and_in_runs() -> None:
    """An hour against a quarter; and short runs through the whole chain, 1,000 against 50: what is searched is capped at 40."""
    path = reference()
    short, long = hour("short", 2, 0.25), hour("long", 3)
    quarter, whole = seconds(lambda: locate(short, path), lambda: locate(long, path))
    print(f"\na quarter {quarter:.3f} s, an hour {whole:.3f} s, ratio {whole / quarter:.2f}")
    assert whole / quarter < 6.0
    few, many = ([hour(f"r{k}", k % 50, 0.02) for k in range(count)] for count in (50, 1000))
    one, all_of_them = seconds(lambda: align_runs(few), lambda: align_runs(many), repeats=2)
    print(f"\n50 runs {one:.2f} s, 1,000 runs {all_of_them:.2f} s, ratio {all_of_them / one:.1f} for 20 times the runs")
    assert all_of_them / one < 26.0
