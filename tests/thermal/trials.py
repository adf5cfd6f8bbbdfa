"""Simulated campaigns as the common drive sees them, and those of the second simulator."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from metrics.support import rebuild

from intake_report.metrics import RunSeries, Span
from intake_report.thermal.model import DriveInput
from thermal.second import DT, LAG, TOWN, Article, Weather, heat, traffic, wandering


@dataclass(frozen=True)
class Trial:
    """One campaign: its runs, the one whose drive all configurations are put on, and what each would truly read there.

    `truth`: by configuration, the element on that drive in air without fluctuations.
    """

    series: list[RunSeries]
    drives: list[DriveInput]
    chosen: str
    truth: dict[str, RunSeries]


def median(runs: Sequence[int], standing: Callable[[int], float]) -> int:
    """Return the run with the median standing time."""
    return sorted(runs, key=standing)[(len(runs) - 1) // 2]


def series_and_drive(
    id: str, article: Article, block: str, day: Weather, speeds: np.ndarray, made: dict, i: int
) -> tuple[RunSeries, DriveInput]:
    """Return run i as metrics and model see it: readings rounded to 1 °C, speed to 1 km/h, every second."""
    every = slice(0, len(speeds), round(1.0 / DT))
    v = speeds[every]
    time, distance = np.arange(v.size, dtype=np.float64), np.cumsum(v)
    still = np.diff(np.concatenate([[0], (v <= 0.0).astype(int), [0]]))
    stops = tuple(
        Span(float(a), float(b - 1))
        for a, b in zip(np.flatnonzero(still > 0), np.flatnonzero(still < 0), strict=True)
        if b - a > 1
    )
    ramp = float(np.searchsorted(distance, TOWN))
    entry = ramp + float(np.argmax(v[int(ramp) :] > 80.0 / 3.6))
    reading = np.round(made["element"][every, i])
    ambient = np.round(day.ambient + day.drift * time / 3600.0, 1)
    spans = (Span(0.0, ramp, "city"), Span(ramp, entry, "on-ramp"), Span(entry, float(time[-1]), "highway"))
    series = RunSeries(
        run=id, configuration=article.id, block=block, time=time, iat=rebuild(time, reading, 1.0, stops, (entry,), LAG),
        ambient=ambient, distance=distance, stops=stops, phases=spans, entry=entry, entry_end=float(time[-1]),
        reading=reading, lag=LAG, hold=10.0,
    )  # fmt: skip
    calm, two = np.zeros(time[::2].shape), slice(0, None, 2)
    drive = DriveInput(
        id, article.id, block, time[two], np.round(3.6 * v[two]) / 3.6, made["airflow"][every, i][two],
        np.round(made["coolant"][every, i][two]), ambient[two], calm, calm, reading_time=time, reading=reading, lag=LAG,
    )  # fmt: skip
    return series, drive


def second_trials(articles: tuple[Article, ...], blocks: int, campaigns: int, seed: int) -> list[Trial]:
    """Simulate campaigns with one run of each article in each block, a day each."""
    rng, size = np.random.default_rng([seed, 2]), blocks * len(articles)
    days = [[Weather.drawn(rng) for _ in range(blocks)] for _ in range(campaigns)]
    runs = []
    for c in range(campaigns):
        for r in range(size):
            day, article = days[c][r // len(articles)], articles[(r + r // len(articles)) % len(articles)]
            speeds = traffic(rng, day.traffic)
            air = day.ambient + day.drift * DT * np.arange(speeds.size) / 3600.0
            rear = day.ambient + rng.uniform(8.0, 20.0)
            start = np.array([rng.uniform(85.0, 94.0), rear, day.ambient + 6.0, rng.uniform(180.0, 260.0)])
            runs.append((article, day, speeds, air + wandering(rng, speeds.size), air, start))
    made = heat([run[:4] + run[5:] for run in runs])
    medians = [median(range(c * size, (c + 1) * size), lambda i: np.sum(runs[i][2] == 0.0)) for c in range(campaigns)]
    same = [(article, *runs[i][1:3], *runs[i][4:]) for i in medians for article in articles]
    still, trials = heat(same), []
    for c, i in enumerate(medians):
        pairs = []
        for j in range(c * size, (c + 1) * size):
            block = f"day-{(j - c * size) // len(articles) + 1}"
            pairs.append(series_and_drive(f"c{c}-{j}", runs[j][0], block, *runs[j][1:3], made, j))
        truth = {}
        for k, article in enumerate(articles, c * len(articles)):
            real, _ = series_and_drive("true", article, "", *same[k][1:3], still, k)
            every = slice(0, len(same[k][2]), round(1.0 / DT))
            truth[article.id] = replace(real, iat=still["element"][every, k], ambient=same[k][3][every])
        trials.append(Trial([one for one, _ in pairs], [drive for _, drive in pairs], f"c{c}-{i}", truth))
    return trials
