"""Kept steps: what comes back is what was computed; what a step reads decides; whatever is wrong with an entry, it is ignored."""

import os
import pickle
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from conftest import DATE, Small
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from intake_report.analyse import align_logs, clean_logs, conclude, load_logs, measure_runs
from intake_report.analyse.inputs import read_logs
from intake_report.analyse.measure import measure
from intake_report.cache import UNREAD, Cache, decode, encode, read_entry, write_entry
from intake_report.campaign import Campaign, load_campaign, vary
from intake_report.render import sections
from intake_report.results.text import results_json

SECTIONS = (sections.results, sections.uncertainty)


def read(kept, campaign):
    """The steps before measuring."""
    cleaned = kept(clean_logs, campaign, load_logs(campaign, kept))
    return cleaned, kept(align_logs, campaign, cleaned)


def chain(kept, campaign):
    """The steps and some sections of a report, as the notebook calls them."""
    result = kept(conclude, campaign, kept(measure_runs, campaign, *read(kept, campaign)))
    return results_json(result, DATE, 1), [kept(section, result) for section in SECTIONS]


class Counted(Cache):
    """Counts the steps that were computed."""

    computed = 0

    def _store(self, key, *parts):
        self.computed += len(parts) > 1  # not where it only notes which entry was the last
        super()._store(key, *parts)


@pytest.fixture(scope="module")
def kept(small: Small, tmp_path_factory):
    """A folder that holds the steps of the small campaign, and what they gave when they were computed."""
    folder = tmp_path_factory.mktemp("build") / "cache"
    return folder, chain(Counted(folder), load_campaign(small.file))


def test_what_was_kept_is_what_is_computed(small, kept):
    folder, first = kept
    again = Counted(folder)
    assert chain(again, load_campaign(small.file)) == first
    assert again.computed == 0
    assert first[0] == (small.report.folder / "results.json").read_text("utf-8")  # rendered without a cache


def test_a_change_costs_only_what_follows_from_it(small, kept):
    changed = Counted(kept[0])
    chain(changed, vary(load_campaign(small.file), {"campaign.title": "Another title"}))
    assert changed.computed == 1  # conclude; no section that is kept prints it
    varied = {"run.b2-stock.exclude": "a stop that no other run has"}
    chain(changed, vary(load_campaign(small.file), varied))
    assert changed.computed <= 2 + len(SECTIONS)
    campaign = vary(load_campaign(small.file), varied | {"metrics.recovery_margins": ["4 degF"]})
    assert chain(changed, campaign) == chain(Cache(), campaign)
    assert changed.computed <= 4 + 2 * len(SECTIONS)


REMEASURED = (
    {"metrics.recovery_margins": ["3 degF", "4 degF"]},
    {"metrics.recovery_margins": ["2.224 K"]},
    {"metrics.recovery_margins": ["2.223 K"]},  # told from the one before only by what its key does not show
    {"metrics.alarm_limit": "41 degC", "acceptance.stop-time": "1 s"},
)


def test_a_change_of_margins_or_limits_measures_only_what_hangs_on_it(small, kept, monkeypatch):
    asked: list[set[str]] = []

    def watched(metrics, series):
        asked.append({key.parameter.kind for key in metrics})
        return measure(metrics, series)

    first = load_campaign(small.file)
    made = read(Cache(kept[0]), first)
    for changes in REMEASURED:
        campaign = vary(first, changes)
        whole = measure_runs(campaign, *made)
        with monkeypatch.context() as patch:
            patch.setattr("intake_report.analyse.measure", watched)
            resuming = Cache(kept[0])
            resumed = resuming(measure_runs, campaign, *read(resuming, campaign))
        assert len(asked) == 1 and asked.pop() <= {"margin", "limit"}
        assert inlined(*encode(resumed)) == inlined(*encode(whole))


def inlined(tree, arrays):
    """What is encoded, with arrays where it points to them: which of them are shared does not count."""
    if isinstance(tree, list) and tree[:1] == ["array"]:
        return repr(arrays[tree[1]].tolist())
    return [inlined(part, arrays) for part in tree] if isinstance(tree, list) else tree


def test_a_text_that_names_a_file_stands_for_what_is_in_it(tmp_path):
    (tmp_path / "cache").mkdir()
    file = tmp_path / "previous.json"
    for text in ("one", "another"):
        file.write_text(text)
        assert Cache(tmp_path / "cache")(first_line, str(file)) == text


def first_line(file: str) -> str:
    """A step that reads a file."""
    return Path(file).read_text()


def test_a_log_with_another_byte_is_read_again(small, tmp_path):
    copy = shutil.copytree(small.file.parent, tmp_path / "copy")
    read = Counted(tmp_path / "cache")
    for _ in range(2):
        load_logs(load_campaign(copy / "campaign.toml"), read)
    assert read.computed == 1
    log = next(copy.rglob("*.csv"))
    log.write_bytes(log.read_bytes() + b"\n")
    load_logs(load_campaign(copy / "campaign.toml"), read)
    assert read.computed == 2


@pytest.mark.parametrize("step", UNREAD)
def test_a_step_reads_no_table_that_its_key_leaves_out(small, step, monkeypatch):
    """`vary` may change those tables without the step being computed again."""
    monkeypatch.setattr("intake_report.analyse.campaign_mistakes", lambda campaign: ())  # they are looked for each time
    read: set[str] = set()

    class Watched(Campaign):
        def __getattribute__(self, name):
            if name in Campaign.model_fields:
                read.add(Campaign.model_fields[name].alias or name)
            return super().__getattribute__(name)

    campaign = load_campaign(small.file)
    logs = read_logs(campaign)
    cleaned = clean_logs(campaign, logs)
    made = cleaned, align_logs(campaign, cleaned)
    watched = campaign.model_copy()
    object.__setattr__(watched, "__class__", Watched)
    step(watched, *{read_logs: (), clean_logs: (logs,), align_logs: (cleaned,), measure_runs: made}[step])
    left_out = {name for name, what in UNREAD[step].items() if what is True}
    assert {(Campaign.model_fields[name].alias or name) for name in left_out} & read == set()


class Runs:
    """What a pickle would run."""

    def __init__(self, file):
        self.file = file

    def __reduce__(self):
        return Path.touch, (self.file,)


def test_damaged_and_foreign_entries_are_ignored(small, kept, tmp_path):
    folder, ran = tmp_path / "cache", tmp_path / "ran"
    folder.mkdir()
    files = sorted(kept[0].glob("*.npz"))
    assert len(files) >= 6  # each kind of damage occurs
    for number, file in enumerate(files):
        data = bytearray(file.read_bytes())
        middle = slice(len(data) // 4, 3 * len(data) // 4)  # names of parts stand at both ends
        data[middle] = bytes(byte ^ 0xFF for byte in data[middle])
        renamed = files[number - 1].read_bytes()
        kinds = (data[: len(data) // 2], data, pickle.dumps(Runs(ran)), b"x", b"", renamed)
        (folder / file.name).write_bytes(kinds[number % len(kinds)])
    found = Counted(folder)
    assert chain(found, load_campaign(small.file)) == kept[1]
    assert found.computed == 5 + len(SECTIONS) and not ran.exists()


def test_a_folder_that_cannot_be_written_keeps_nothing(small, tmp_path):
    (tmp_path / "cache").write_text("a file")
    assert len(load_logs(load_campaign(small.file), Cache(tmp_path / "cache"))) == 4


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**60), 2**60) | st.floats() | st.text(max_size=5)
    | arrays.arrays(st.sampled_from([np.float64, np.int64, np.bool_]), arrays.array_shapes(max_dims=2, max_side=4)),
    lambda inner: st.lists(inner, max_size=4).map(tuple) | st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner),
    max_leaves=12,
)  # fmt: skip


@given(VALUES)
def test_values_come_back_with_their_kind(value):
    back = decode(*encode(value))
    assert repr(back) == repr(value) and repr(encode(back)[0]) == repr(encode(value)[0])  # NaN differs from itself


def test_frames_stamps_and_paths_come_back(tmp_path):
    index = pd.Index([0.0, 0.5], name="time")
    frame = pd.DataFrame({"t": [0.1, np.nan], "n": [1, 2], "name": ["a", None]}, index=index)
    frame.attrs["units"] = {"t": "s"}
    stamp = pd.Timestamp("2026-10-25T02:30")
    second = stamp.tz_localize("Etc/GMT-1").tz_convert("Europe/Berlin")  # of the two in that night
    value = (frame, frame["t"], frame.iloc[:0], second, stamp, Path("a/b"))
    write_entry(tmp_path / "entry", value)
    back = read_entry(tmp_path / "entry")
    pd.testing.assert_frame_equal(back[0], frame, check_exact=True)
    assert back[0].attrs == frame.attrs
    pd.testing.assert_series_equal(back[1], frame["t"], check_exact=True)
    pd.testing.assert_frame_equal(back[2], frame.iloc[:0])
    assert back[3:] == value[3:] and str(back[3].tz) == "Europe/Berlin"


def test_what_could_run_is_neither_written_nor_read():
    with pytest.raises(TypeError, match="cannot be kept"):
        encode(Runs("x"))
    for name in ("os:system", "intake_report.cli:main", "intake_report.cache:Cache"):
        with pytest.raises((ValueError, AttributeError)):
            decode(["own", name, []], [])


def test_two_processes_may_keep_the_same_entry(tmp_path, monkeypatch):
    """A draft and a notebook of one campaign share the folder: neither moves away what the other is writing."""
    file, move = tmp_path / "entry.npz", os.replace

    def between(*paths):
        monkeypatch.setattr(os, "replace", move)
        write_entry(file, "of another process")
        move(*paths)

    monkeypatch.setattr(os, "replace", between)
    write_entry(file, "of this one")
    assert read_entry(file) == "of this one" and list(tmp_path.iterdir()) == [file]
