"""Real laps of one car on one loop, nothing changed between them, through the common drive.

The laps have no ambient: a constant for each session stands in for it, the same for both labels. Labels are dealt within
sessions, so that whatever differs is chance, or was put in.

Source of the drives: enviroCar contributors, ODbL 1.0.
"""

from dataclasses import replace

import numpy as np
import pytest
from analyse.loop import loop_chain, session_of
from metrics.support import rebuild

from intake_report.analyse.compare import compare
from intake_report.statistics import clopper_pearson
from intake_report.thermal import fit, leave_one_out, replay
from intake_report.thermal.model import drive_input
from thermal.studies import common_drive

pytestmark = pytest.mark.slow

MEAN = "mean_over_ambient:all"
BELOW = 3.0  # K that the air of a session is taken to lie below its lowest reading
LOWERING, DELAY = 3.0, 45.0  # K, s; put in as a first-order response to driving
SESSIONS = 3  # of a campaign, one lap of each label in each
LEFT_OUT = 5  # campaigns of which each lap is predicted from the others
LONGEST = 3000.0  # s; laps in which the driver paused are left out


@pytest.fixture(scope="module")
def laps(tmp_path_factory, drives):
    """Return the campaign, its metrics, and each lap as it is and lowered: series and what drives the model."""
    chain = loop_chain(tmp_path_factory, drives)
    campaign, measured = chain.campaign, chain.measured
    lowest = {}
    for series in measured.series:
        session = session_of(series.run)
        lowest[session] = min(lowest.get(session, np.inf), float(np.min(series.iat)))
    found = {}
    for series in measured.series:
        if series.time[-1] - series.time[0] > LONGEST:
            continue
        air = np.full(series.time.shape, lowest[session_of(series.run)] - BELOW)
        clean, pair = measured.cleaned[series.run], []
        speed = clean.good("speed")
        moving = np.interp(series.time, speed.index.to_numpy(dtype=float), speed.to_numpy(dtype=float)) > 5.0
        for size in (0.0, LOWERING):
            reading = np.round(series.reading - follow(series.time, size * moving))
            iat = rebuild(series.time, reading, 1.0, series.stops, (), series.lag)
            one = replace(series, ambient=air, reading=reading, iat=iat, step=1.0)
            made = drive_input(one, clean, measured.alignment.reference.path)
            assert isinstance(made, tuple), made
            pair.append((one, made[0]))
        (span,) = series.phases
        inside = (series.time >= span.start) & (series.time <= span.end)
        found[series.run] = (*pair, -float(np.mean(follow(series.time, LOWERING * moving)[inside])))
    return campaign, tuple(key for key in measured.metrics if key.key in ("peak_over_ambient", MEAN)), found


def follow(time, target):
    """Return the first-order response to a target, from nothing."""
    state, out = 0.0, np.zeros(time.shape)
    for i, step in enumerate(np.diff(time), 1):
        state += (target[i] - state) * -np.expm1(-step / DELAY)
        out[i] = state
    return out


def campaigns(laps, rng, count, lowered):
    """Yield comparisons on the common drive, fits, and what the lowering does to the mean of that drive, of random campaigns."""
    campaign, keys, found = laps
    sessions: dict[str, list[str]] = {}
    for run in found:
        sessions.setdefault(session_of(run), []).append(run)
    usable = [runs for runs in sessions.values() if len(runs) > 1]
    for _ in range(count):
        chosen = [rng.permutation(usable[i])[:2] for i in rng.permutation(len(usable))[:SESSIONS]]
        pairs = [found[run][lowered and label == "b"] for runs in chosen for run, label in zip(runs, "ab", strict=True)]
        labels = [label for runs in chosen for label in "ab"]
        series = [replace(one, configuration=label) for (one, _), label in zip(pairs, labels, strict=True)]
        drives = [replace(drive, configuration=label) for (_, drive), label in zip(pairs, labels, strict=True)]
        fits = [fit([drive for drive in drives if drive.configuration == label]) for label in "ab"]
        common = common_drive(fits, drives[0], series[0])
        replayed = replay(fits, common, {one.run: one for one in series}, keys, rng)
        yield compare(campaign, keys, replayed.values, replayed.draws), fits, found[series[0].run][2]


def test_labels_dealt_at_random_differ_by_no_more_than_chance_and_a_lowering_is_found(laps, part):
    """Of nothing 5 % are called; what 3 K put into driving do to the mean comes back, and intervals hold it."""
    count, rng = part(24, 4), np.random.default_rng(20170404)
    called, rms, found, width = dict.fromkeys((k.key for k in laps[1]), 0), [], [], []
    for rows, fits, _ in campaigns(laps, rng, count, lowered=False):
        if len(rms) < part(LEFT_OUT, 1):
            rms.append(np.sqrt(np.mean(leave_one_out(fits)["rms"] ** 2)))
        for row in rows:
            called[row.key] += row.p_value is not None and row.p_value < 0.05
    for rows, _, true in campaigns(laps, rng, count, lowered=True):
        row = next(row for row in rows if row.key == MEAN)
        found.append((row.difference - true, row.low <= true <= row.high, row.p_value < 0.05, true))
        width.append(0.5 * (row.high - row.low))
    found = np.array(found)
    print(
        f"\n{count} campaigns of 2 × 3 laps: called of nothing {called}; left-out runs {np.median(rms):.1f} K; lowered, {np.mean(found[:, 3]):.2f} K "
        f"in the mean: found with bias {np.mean(found[:, 0]):.2f}, spread {np.std(found[:, 0], ddof=1):.2f} K, held in {int(found[:, 1].sum())}, called in "
        f"{int(found[:, 2].sum())}, half-width {np.median(width):.1f} K"
    )
    for key, n in called.items():
        assert clopper_pearson(n, count).low <= 0.05, (key, n)
    assert abs(np.mean(found[:, 0])) < 0.3 + 2.6 * np.std(found[:, 0], ddof=1) / np.sqrt(count)
    assert clopper_pearson(int(found[:, 1].sum()), count).high >= 0.90
