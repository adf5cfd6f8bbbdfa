"""What comes out: JSON with stable keys, pages that stay within the terminal, a timeline that is true."""

import dataclasses
import io
import itertools
import json
import sys

import pandas as pd
import pytest
from conftest import start_command
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from intake_report import cli
from intake_report.check.chain import check_logs
from intake_report.check.logs import LogCheck, to_json
from intake_report.check.page import BLOCKS, bars, condense, draw, page, rendered, show, show_summary
from intake_report.check.work import sentence
from intake_report.formatting import duration_text, usual

from .support import log, plain_log, planned_campaign

KEYS = {
    "schema", "files", "verdict", "reasons", "limitations", "notes", "compared", "format", "rows", "start", "duration",
    "units", "campaign", "run", "configuration", "block", "found_by", "mapping_from", "mapping_text", "columns",
    "channels", "quality", "cross_checks", "criteria", "pairs", "drive", "timeline",
    "phases_text", "soak_text",
}  # fmt: skip


def test_keys_are_stable_and_a_number_that_is_none_is_refused():
    assert set(json.loads(to_json(LogCheck(("a",), "unreadable")))) == KEYS
    with pytest.raises(ValueError):
        to_json(LogCheck(("a",), "accept", duration=float("nan")))


@pytest.fixture(scope="module")
def checks(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    file = planned_campaign(folder, campaign__units="us")
    logs = [log(folder / "good.csv"), log(folder / "hot.csv", ambient=28.0), log(folder / "half.csv", rows=slice(200))]
    (folder / "empty.csv").write_text("")
    return [*check_logs([*logs, folder / "empty.csv"], file), *check_logs([plain_log(folder / "plain.csv"), *logs])]


def lines_of(check, width):
    return rendered([page(check, width)], Console(width=width, file=io.StringIO())).splitlines()


@pytest.mark.parametrize("width", [60, 80, 120])
def test_lines_stay_within_the_terminal_but_for_those_to_paste(checks, width):
    for check in checks:
        pasted = set(check.mapping_text.splitlines())
        for line in lines_of(check, width):
            assert len(line) <= width or line in pasted, line


def test_the_verdict_comes_first_and_the_reasons_next(checks):
    for check in checks:
        lines = lines_of(check, 80)
        word = "cannot be judged" if check.verdict == "unreadable" and check.format else check.verdict
        assert lines[0].startswith(word.upper())
        assert " ".join(lines[1:8]).split()[1] == check.reasons[0].split()[0]


def test_channels_are_shown_in_the_units_of_the_log(tmp_path):
    path = plain_log(tmp_path / "f.csv")
    rows = pd.read_csv(path)
    rows["Intake Temp (F)"] = rows.pop("Intake Temp (C)") * 1.8 + 32.0
    rows.to_csv(path, index=False, float_format="%.1f")
    (check,) = check_logs([path])
    line = next(line for line in lines_of(check, 100) if line.startswith("Intake air temperature"))
    low, high = rows["Intake Temp (F)"].agg(["min", "max"])
    assert line.split()[5:10] == [f"{low:.1f}", "to", f"{high:.1f}", "°F", "1.8"]


def test_several_logs_end_with_a_line_each(checks, monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "70")
    show_summary(checks)
    *_, count, _, _, _, _, _, _, _, last = capsys.readouterr().out.splitlines()
    assert count == "8 logs" and len(last) <= 70 and last.startswith("half.csv")


def test_every_criterion_is_shown_with_limit_value_and_verdict(checks):
    check = checks[1]
    lines = lines_of(check, 120)
    for criterion in check.criteria:
        assert any(criterion.title in line for line in lines)
    row = next(line for line in lines if line.startswith("Ambient  "))
    assert row.split() == ["Ambient", "83", "°F", "12.6", "°F", "≤", "2.0", "°F", "limitation"]


def test_a_value_beyond_its_limit_never_reads_like_the_limit(checks):
    coverage = next(c for c in checks[0].criteria if c.code == "coverage")
    near = dataclasses.replace(coverage, value=0.9496, outcome="fail")
    assert sentence(near, dataclasses.replace(checks[0], units="si")).startswith("Route covered: 94.96")


@pytest.mark.parametrize(
    ("printed", "text"),
    [
        (duration_text(42.4), "42 s"), (duration_text(60), "1 min"), (duration_text(1450), "24 min 10 s"),
        (duration_text(3600), "1 h 00 min"), (duration_text(3899), "1 h 04 min"),
        (usual(10.0 / 9.0, "temperature_difference", "us"), "2.0 °F"), (usual(25.0, "temperature", "us"), "77 °F"),
        (usual(None, "speed", "si"), "–"),
    ],
)  # fmt: skip
def test_durations_and_values_in_the_readers_units(printed, text):
    assert printed.replace("\N{NO-BREAK SPACE}", " ") == text


@given(st.lists(st.none() | st.floats(-100, 300), min_size=1, max_size=300), st.integers(1, 200))
def test_condensed_values_lie_among_the_values(data, columns):
    out = condense(data, columns)
    known = [v for v in data if v is not None]
    assert len(out) == columns
    for value in out:
        assert value is None or min(known) - 1e-9 <= value <= max(known) + 1e-9


@given(st.lists(st.none() | st.floats(0, 100), min_size=1, max_size=80), st.integers(1, 4))
def test_a_higher_value_is_never_drawn_lower(data, rows):
    lines = bars(data, 0.0, 100.0, rows)
    assert len(lines) == rows and all(len(line) == len(data) for line in lines)

    def height(i: int) -> int:
        return sum(1 + BLOCKS.index(line[i]) for line in lines if line[i] != " ")

    drawn = [(v, height(i)) for i, v in enumerate(data)]
    assert all(h == 0 for v, h in drawn if v is None) and all(h >= 1 for v, h in drawn if v is not None)
    assert all(a[1] <= b[1] for a, b in itertools.pairwise(sorted((v, h) for v, h in drawn if v is not None)))


def test_a_gap_is_drawn_where_it_is():
    missing, iat = (0.0,) * 80 + (1.0,) * 40 + (0.0,) * 120, (30.0,) * 80 + (None,) * 40 + (31.0,) * 120
    line = {"width": 5.0, "speed": (50.0,) * 240, "iat": iat, "missing": missing}
    drawn = draw(LogCheck(("a",), "accept", timeline=line), 76)
    gaps = next(text for text in drawn if text.startswith("gaps"))
    assert gaps[7:67] == "·" * 20 + "█" * 10 + "·" * 30
    assert gaps.split()[-2:] == ["17", "%"] or gaps.split()[-1] == "17\N{NO-BREAK SPACE}%"
    assert drawn[-1].split() == ["0", "5", "10", "15", "20", "min"]


class Terminal(io.TextIOWrapper):
    def isatty(self) -> bool:
        return True


def shown(path, encoding, kind, monkeypatch):
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", kind(raw, encoding=encoding))
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    assert cli.main(["check", str(path)]) == 0
    sys.stdout.flush()
    return raw.getvalue().decode(encoding)


def test_signs_that_steer_a_terminal_are_written_out(capsys):
    show(LogCheck(("a\x1b[2J.csv",), "accept", reasons=("“Speed\u202e\x07” is known.",), format="delimited"))
    out = capsys.readouterr().out
    assert "a\\x1b[2J.csv" in out and "Speed\\u202e\\x07" in out and "\x1b" not in out


def test_colours_only_on_a_terminal(tmp_path, monkeypatch):
    path = plain_log(tmp_path / "a.csv")
    assert "\x1b[1;32mACCEPT" in shown(path, "utf-8", Terminal, monkeypatch)
    assert "\x1b" not in shown(path, "utf-8", io.TextIOWrapper, monkeypatch)


def test_a_terminal_that_cannot_show_a_sign_gets_another(tmp_path, monkeypatch):
    assert shown(plain_log(tmp_path / "a.csv"), "ascii", io.TextIOWrapper, monkeypatch).startswith("ACCEPT   a.csv")


def test_a_reader_that_has_seen_enough_gets_no_traceback(tmp_path):
    with start_command("check", "--json", *[plain_log(tmp_path / f"{i}.csv") for i in range(4)]) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.read(10)
        process.stdout.close()
        assert process.stderr.read() == ""
