"""A campaign without a run is planned: days, sheets, files; one under way says what is still needed."""

import datetime as dt
import itertools
import json
import re
import shutil
import tomllib
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intake_report.campaign import load_campaign
from intake_report.campaign.model import Campaign, Run
from intake_report.cli import main
from intake_report.errors import IntakeReportError
from intake_report.plan import days, schedule
from intake_report.plan.days import SLOT, DayWindow, day_window, read_forecast, sun_elevation, window_notes
from intake_report.plan.design import Design
from intake_report.plan.plan import calendar, make_plan, order_sentences, runs_toml
from intake_report.plan.schedule import PlannedRun

DATA = Path(__file__).parents[2] / "data"
TODAY = dt.date(2026, 6, 1)
MADRID = ZoneInfo("Europe/Madrid")
TEXT = """schema = 1
[campaign]
id = "lid"
title = "Lid; with, and without"
question = "Cooler?"
units = "us"
timezone = "Europe/Madrid"
[vehicle]
description = "hatchback"
[[configuration]]
id = "open"
name = "Lid without seal"
role = "baseline"
[[configuration]]
id = "sealed"
name = "Lid with seal, ä"
role = "candidate"
deviations = ["foam seal, 6 mm; around the lid"]
[instrument]
logger = "adapter"
[instrument.channels.iat]
resolution = "1 degC"
accuracy = "1 degC"
[[route.phase]]
id = "city"
kind = "city"
start = "0 m"
end = "5 km"
[acceptance]
start-coolant = "9 degF"
[[claim]]
id = "cooler"
text = "Cooler in the city."
metric = "mean_over_ambient"
phase = "city"
configuration = "sealed"
relation = "lower"
[plan]
drive_time = "30 min"
hours = ["09:30-12:00", "14:00-16:00"]
weekdays = ["Tue", "Wed"]
"""


def written(folder: Path, text: str = TEXT) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "campaign.toml").write_text(text, "utf-8")
    return folder


def planned(tmp_path: Path, text: str = TEXT, **asked):
    return make_plan(written(tmp_path / "lid", text), TODAY, **asked)


def model(text: str = TEXT) -> Campaign:
    return Campaign.model_validate(tomllib.loads(text))


def table(tmp_path: Path, rows, head="time,temperature [degC],wind [km/h],precipitation,cloud") -> Path:
    file = tmp_path / "forecast.csv"
    file.write_text("\n".join([head, *rows]) + "\n", "utf-8")
    return file


def hourly(day: str, hours: range, temperature=20.0, wind=5, rain=0) -> list[str]:
    return [f"{day}T{h:02d}:00+02:00,{temperature + 5 - abs(h - 14) / 2},{wind},{rain},10" for h in hours]


def test_a_campaign_without_runs_becomes_a_folder(tmp_path, capsys):
    folder = written(tmp_path / "lid")
    command = ["plan", str(folder), "--date", "2026-06-01", "--out", str(tmp_path / "plans"), "--paper", "letter"]
    assert main(command) == 0
    said = capsys.readouterr().out
    assert "Drive 8 runs in 4 blocks" in said and "Rough: 100 simulated" in said
    made = tmp_path / "plans" / "lid" / "2026-06-01"
    assert {p.name for p in made.iterdir()} == {"plan.pdf", "plan.html", "plan.json", "plan.ics", "runs.toml"}
    plan = json.loads((made / "plan.json").read_text("utf-8"))
    assert plan["rough"] and len(plan["runs"]) == 8 and plan["design"]["blocks"] == 4
    days = {run["start"][:10] for run in plan["runs"]}
    assert days == {"2026-06-02", "2026-06-03", "2026-06-09", "2026-06-10"}  # Tuesdays and Wednesdays
    html = (made / "plan.html").read_text("utf-8")
    assert "within 9.0" in re.sub(r"[\xa0\s]+", " ", html) and "foam seal" in html  # limits in the driver's units
    pdf = pypdf.PdfReader(made / "plan.pdf")
    assert [round(float(x)) for x in pdf.pages[0].mediabox[2:]] == [612, 792]
    texts = [page.extract_text() for page in pdf.pages]
    # the review on one page, a page for each run, what the plan rests on; soak check, warm-up and stand before 09:30
    assert len(texts) == 10 and "Days and order" in texts[0] and "Run 1 of 8" in texts[1] and "rests on" in texts[9]
    assert "day at 08:25" in texts[1] and "day at" not in texts[2]
    last = texts[9].replace("\n", " ")
    assert "does not adjust for intake air over ambient at the start in this design: 2 degrees" in last
    assert main(command) == 0 and "unchanged" in capsys.readouterr().out
    six = TEXT.replace("[plan]", "[plan]\nblocks = 6")
    assert main(["plan", str(written(folder, six)), *command[2:-1], "a4"]) == 0
    pdf = pypdf.PdfReader(made.parent / "2026-06-01-r2" / "plan.pdf")
    assert [round(float(x)) for x in pdf.pages[0].mediabox[2:]] == [595, 842]
    assert len(pdf.pages) == 14 and "Run 1 of 12" in pdf.pages[1].extract_text()


def test_runs_are_ready_to_paste_and_follow_the_seed(tmp_path):
    text = TEXT.replace("[plan]", "[plan]\ncontrol = true\nrepeat_baseline = true")
    plan = planned(tmp_path, text)
    pasted = [Run.model_validate(run) for run in tomllib.loads(runs_toml(plan))["run"]]
    assert [run.id for run in pasted] == [run.id for run in plan.runs]
    assert all(run.control == (run.files[0].replace(".csv", "-control.csv"),) for run in pasted)
    for block in {run.block for run in pasted}:
        order = [run.configuration for run in pasted if run.block == block]
        assert order.count("open") == 2 and order[-1] == "open"
    assert runs_toml(planned(tmp_path, text)) == runs_toml(plan)


def test_the_example_of_the_readme_is_what_a_campaign_file_takes():
    text = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    example = re.search(r"<!-- plan -->\n```toml\n\[plan\]\n(.*?)```", text, re.DOTALL)
    assert example is not None
    planning = model(re.sub(r"(?s)\[plan\].*", "[plan]\n", TEXT) + example[1]).plan
    assert planning.worth and planning.drive_time == 2100.0 and planning.issued == "plan.json"


def test_the_calendar_is_read_back_by_another_library(tmp_path):
    plan = planned(tmp_path)
    text = calendar(plan)
    # RFC 5545: 3.1 lines of 75 octets and CRLF, 3.6.1 UID and DTSTAMP, 3.3.11 escaped text
    lines = text.split("\r\n")
    assert text.endswith("\r\n") and "\n" not in text.replace("\r\n", "")
    assert max(len(line.encode()) for line in lines) <= 75
    assert r"6 mm\; around" in text.replace("\r\n ", "")
    events = icalendar.Calendar.from_ical(text).walk("VEVENT")
    runs = [e for e in events if "soak-check" not in str(e["UID"])]
    assert [e.decoded("DTSTART") for e in runs] == [run.start.astimezone(dt.UTC) for run in plan.runs]
    assert len({str(e["UID"]) for e in events}) == len(events) == len(plan.runs) + 4
    assert events[0].decoded("DTSTART") == plan.runs[0].start - dt.timedelta(minutes=65)
    sealed = next(e for e in runs if "seal, ä" in str(e["SUMMARY"]))
    assert "foam seal, 6 mm; around the lid" in str(sealed["DESCRIPTION"])


@given(st.integers(1, 6), st.lists(st.integers(0, 95), min_size=2, max_size=8, unique=True),
       st.integers(10, 60), st.integers(0, 60))  # fmt: skip
@settings(max_examples=60)
def test_starts_lie_in_the_stretches_and_apart(runs, quarters, drive, between):
    zero = dt.datetime(2026, 6, 2, tzinfo=MADRID)
    at = sorted(quarters)[: len(quarters) // 2 * 2]
    stretches = tuple((zero + a * SLOT, zero + b * SLOT) for a, b in zip(at[::2], at[1::2], strict=True))
    planning = model().plan.model_copy(update={"drive_time": drive * 60.0, "changeover": between * 60.0, "stand": 0.0})
    length = dt.timedelta(minutes=drive)
    for starts in days.place(planning, runs, DayWindow(zero.date(), stretches, {})):
        assert len(starts) == runs
        assert all(any(a <= t and t + length <= b for a, b in stretches) for t in starts)
        assert all(b - a >= length + dt.timedelta(minutes=between) for a, b in itertools.pairwise(starts))


def test_starts_keep_what_the_run_sheets_ask_for_or_a_sentence_says_that_they_do_not(tmp_path):
    # at 09:30, 10:50 and 14:00 the last one would lie 3.2 h from the median
    text = TEXT.replace('"14:00-16:00"', '"14:00-18:00"') + "repeat_baseline = true\n"
    plan = planned(tmp_path, text)
    assert [f"{run.start:%H:%M}" for run in plan.runs[:3]] == ["14:00", "15:20", "16:40"] and not plan.unkept
    # 15:20 + 2 h, and the last run to its end
    assert [f"{time:%H:%M}" for time in plan.windows["day-1"].stretches[0]] == ["14:00", "17:50"]
    (late,) = planned(tmp_path, text.replace("14:00-18:00", "14:00-16:30")).unkept
    assert re.search(r"Time of day in day-1.* up to 2\.5\sh from .* ask for 2\.0\sh", late)
    # the first day warms by 2 K an hour, the second stays as it is; further days are needed by the other blocks
    rows = [f"2026-06-{n:02d}T{h:02d}:00Z,{2 * h if n == 2 else 20},5,0,10" for n in range(2, 18) for h in range(24)]
    runs = planned(tmp_path, TEXT.replace("[plan]", "[plan]\nblocks = 5"), forecast=table(tmp_path, rows)).runs
    assert {f"{run.start:%d}" for run in runs} == {"03", "09", "10", "16", "17"}


def test_sun_rises_when_published():
    # London (51.5 N, 0.1 W), 21 June 2024: sunrise 04:43, sunset 21:21 BST (HM Nautical Almanac Office; from memory)
    day = dt.datetime(2024, 6, 21, tzinfo=dt.UTC)
    edges = [day.replace(hour=3, minute=43), day.replace(hour=20, minute=21)]
    assert sun_elevation(edges, 51.5, -0.1) == pytest.approx([-0.833, -0.833], abs=0.25)
    # at noon in the equinox the sun stands at 90° − latitude
    assert sun_elevation([dt.datetime(2024, 3, 20, 12, 7, tzinfo=dt.UTC)], 45.0, 0.0) == pytest.approx([45.0], abs=0.3)


def test_weather_hours_and_daylight_make_the_window(tmp_path):
    text = TEXT + 'most_wind = "20 km/h"\nwarmest = "24 degC"\n'
    rows = [*hourly("2026-06-02", range(6, 11), 15), *hourly("2026-06-02", range(11, 14), 25)]
    rows += [*hourly("2026-06-02", range(14, 15), 15, wind=30), *hourly("2026-06-02", range(15, 20), 15, rain=1)]
    one = day_window(model(text), dt.date(2026, 6, 2), read_forecast(table(tmp_path, rows)), (40.0, -3.7))
    assert [(f"{a:%H:%M}", f"{b:%H:%M}") for a, b in one.stretches] == [("09:30", "11:00")]
    assert [one.lost[why] for why in ("too warm", "wind", "precipitation")] == [1.0, 1.0, 1.0]
    # on a winter day the declared hours are cut by darkness
    late = day_window(model(TEXT.replace("14:00-16:00", "16:00-20:00")), dt.date(2026, 12, 2), (), (40.0, -3.7))
    assert late.stretches[-1][1].hour < 19


def test_traps_of_zones_and_gaps_are_said(tmp_path):
    rows = [f"2026-06-02T{h:02d}:00+02:00,{30 - abs(h - 2)},5,0,10" for h in (*range(10), *range(15, 24))]
    rows.append("2026-06-03T00:00+02:00,20,5,0,10")
    notes = " ".join(window_notes(model(), [dt.date(2026, 10, 25)], read_forecast(table(tmp_path, rows)), None))
    for said in ("1 gap of more than 3 h", "warmest at 02:00", "clocks of Europe/Madrid change"):
        assert said in notes
    zoned = read_forecast(table(tmp_path, ["2026-06-02T09:00,68"], "time [Europe/Madrid],temperature [degF]"))
    assert zoned[0].time == dt.datetime(2026, 6, 2, 7, tzinfo=dt.UTC) and zoned[0].temperature == pytest.approx(20.0)


def test_reports_of_like_days_say_which_hours_fit(tmp_path):
    file = tmp_path / "metar.txt"
    file.write_text("METAR XXXX 020800Z 24005KT 9999 20/10 Q1013\nMETAR XXXX 030800Z 24025KT 9999 20/10 Q1013\n"
                    "METAR XXXX 030900Z 24005KT RA 20/10 Q1013\n", "utf-8")  # fmt: skip
    assert days.climate(model(TEXT + 'most_wind = "20 km/h"\n'), file, 2026, 6) == [(10, 2, 0.5), (11, 1, 0.0)]


@pytest.mark.parametrize(
    ("change", "asked", "says"),
    [
        (("last_day", 'last_day = "2026-05-01"'), {}, "no day is left"),
        (("hours", 'hours = ["09:30-10:30"]'), {}, "need a day each with .* h that fit"),
        (("coldest", 'coldest = "30 degC"\nwarmest = "20 degC"'), {}, "exchange them"),
        (("hours", 'hours = ["12:00-09:00"]'), {}, "ends before it starts"),
        (("worth", 'worth = { coler = "1 K" }'), {}, "no claim “coler”. Did you mean “cooler”"),
        (("worth", ""), {"campaigns": 5}, "5 simulated campaigns are too few"),
        (("worth", ""), {"like": Path("nowhere")}, "there is no results.json here"),
        (("issued", 'issued = "plan.json"'), {}, "“plan.json” does not exist"),
    ],
)
def test_bad_plans_are_one_sentence(tmp_path, change, asked, says):
    key, line = change
    text = re.sub(rf"(?m)^{key} = .*\n", "", TEXT) + line + "\n"
    with pytest.raises(IntakeReportError, match=says) as caught:
        planned(tmp_path, text, **asked)
    assert "\n" not in str(caught.value)


def test_one_configuration_and_no_scatter_are_refused(tmp_path):
    alone = re.sub(r"(?s)\[\[configuration\]\]\nid = \"sealed\".*?(?=\[instrument\])", "", TEXT)
    alone = re.sub(r"(?s)\[\[claim\]\].*?(?=\[plan\])", "", alone)
    with pytest.raises(IntakeReportError, match="one configuration alone needs no plan"):
        planned(tmp_path, alone)
    with pytest.raises(IntakeReportError, match=r"no scatter of .* is known.*--like"):
        planned(tmp_path, TEXT.replace("mean_over_ambient", "heat_soak_rate").replace('phase = "city"\nconf', "conf"))


@pytest.mark.parametrize(
    ("rows", "head", "says"),
    [
        (["2026-06-02T09:00,20"], "time,temperature", "has no time zone"),
        (["9 o'clock,20"], "time,temperature", "“9 o'clock” cannot be read"),
        (["2026-06-02T09:00Z,x"], "time,temperature", "line 2: “x” .*is not a number"),
        (["2026-06-02T09:00Z,1", "2026-06-02T08:00Z,1"], "time,temperature", "line 3: its times do not rise"),
        (["2026-06-02T09:00Z,1"], "time,wind", "no column “temperature”"),
        ([], "time,temperature", "no row"),
        (["2026-06-02T09:00,1"], "time [Nowhere],temperature", "“Nowhere” is not a time zone"),
        (["2026-01-02T09:00Z,1"], "time,temperature", "they do not meet"),
    ],
)
def test_bad_forecasts_are_one_sentence(tmp_path, rows, head, says):
    with pytest.raises(IntakeReportError, match=says):
        planned(tmp_path, forecast=table(tmp_path, rows, head))


def test_a_run_that_is_lost_is_scheduled_anew_with_what_it_is_compared_with():
    design = Design(("open", "sealed"), 3)
    rows = [("1", "open"), ("1", "sealed"), ("2", "open"), ("2", "sealed"), ("3", "open"), ("3", "sealed")]
    runs = tuple(
        PlannedRun(f"{block}-{c}", c, block, 1 + i % 2, (f"logs/{block}-{c}.csv.gz",), done=i < 5)
        for i, (block, c) in enumerate(rows)
    )

    def made(*lost: str) -> list[tuple[str, str, int]]:
        return [(r.id, r.block, r.position) for r in schedule.with_repeats(model(), design, runs, lost) if not r.done]

    left = ("3-sealed", "3", 2)
    assert made() == [left]
    # under way: at the end of the same day; else with the baseline, or with all that a lost baseline is compared with
    assert made("3-open") == [left, ("3-open-again", "3", 3)]
    assert made("1-sealed") == [left, ("1-sealed-again", "1-again", 1), ("1-again-open", "1-again", 2)]
    assert made("2-open") == [left, ("2-open-again", "2-again", 1), ("2-again-sealed", "2-again", 2)]
    assert [id for id, *_ in made("2-open", "2-sealed")] == ["3-sealed", "2-open-again", "2-sealed-again"]
    again = next(r for r in schedule.with_repeats(model(), design, runs, ["1-sealed"]) if r.id == "1-sealed-again")
    assert again.files == ("logs/1-sealed-again.csv.gz",)
    # what is planned or driven anew is not planned twice
    more = schedule.with_repeats(model(), design, runs, ["1-sealed"])
    assert schedule.with_repeats(model(), design, more, ["1-sealed"]) == more
    spare = (*runs, PlannedRun("1-sealed-b", "sealed", "1", 3, ("logs/b.csv",), done=True))
    assert schedule.with_repeats(model(), design, spare, ["1-sealed"]) == spare


def test_days_that_hold_one_configuration_each_are_no_blocks(tmp_path):
    names = ("stock", "open-cone", "sealed-snorkel")
    runs = schedule.planned_runs(load_campaign(DATA / "three-days" / "campaign.toml"), Design(names, 4), 1, None, ())
    left = schedule.by_block([run for run in runs if not run.done])
    assert list(left) == ["day-4", "day-5", "day-6", "day-7"]
    assert all(sorted(run.configuration for run in block) == sorted(names) for block in left.values())
    assert "within monday, wednesday or friday: one configuration" in order_sentences(runs)[-1]


@pytest.mark.slow
def test_a_campaign_under_way_says_what_is_still_needed(tmp_path):
    folder = tmp_path / "trial"
    shutil.copytree(DATA / "ramp-trial", folder)
    (folder / "logs" / "d3r3-open-cone.csv.gz").unlink()
    plan = make_plan(folder, dt.date(2026, 6, 20))
    left = [run for run in plan.runs if not run.done]
    assert left[0].id == "d3r3-open-cone" and left[0].block == "day-3" and plan.unkept[-1].startswith("day-3: begun")
    assert plan.cases[0].scatter.df > 0 and plan.cases[1].scatter.lost  # from its own runs
    assert "d3r3-open-cone" not in runs_toml(plan) and "day-4" in runs_toml(plan)
