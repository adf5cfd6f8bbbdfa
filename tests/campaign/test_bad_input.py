"""What can be wrong with a campaign file: one clear sentence with file and key, and the way out."""

import re
import tomllib
from pathlib import Path

import pytest
import roadlog
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from intake_report.campaign import Campaign, cross_checks, load_campaign
from intake_report.campaign.load import validate
from intake_report.errors import CampaignError, CampaignErrors

GOOD = roadlog.campaign()

SOAK = {
    "id": "night", "time": "2026-05-11T06:30:00+02:00", "stood": "9 h",
    "readings": {"iat": "15 degC", "coolant": "15 degC"},
}  # fmt: skip

# key to change, new value, where it must be found, what must be said
MISTAKES = [
    ("campaign.titel", "x", "campaign.titel", "the key “titel” is not known. Did you mean “title”?"),
    ("metrics.recovery_margin", ["3 degF"], "metrics.recovery_margin", "Did you mean “recovery_margins”?"),
    ("run.1.configuraton", "stock", "run[2].configuraton", "Did you mean “configuration”?"),
    ("instrument.channels.iat.resolutoin", "1 degC", "instrument.channels.iat.resolutoin", "“resolution”?"),
    ("zzz", 1, "zzz", "Known keys here: schema, campaign, vehicle"),
    ("campaign.title", None, "campaign.title", "this key is missing."),
    ("campaign.title", "", "campaign.title", "must not be empty"),
    ("campaign.id", "../escape", "campaign.id", "is not an id"),
    ("campaign.id", ".", "campaign.id", "is not an id"),
    ("campaign.units", "metric", "campaign.units", "“metric” is not one of “si” or “us”."),
    ("campaign.timezone", "Europe/Atlantis", "campaign.timezone", "is not a time zone"),
    ("schema", 2, "schema", "files of schema 1, not 2. Write schema = 1."),
    ("run.0.configuration", "seeled", "run[1].configuration", "there is no configuration “seeled”. Did you mean “sealed”?"),
    ("run.0.configuration", "x", "run[1].configuration", "The campaign has: stock, sealed."),
    ("run", GOOD["run"][0], "run", "this table may stand several times. Write [[run]]"),
    ("run.1.id", "b1-stock", "run", "“b1-stock” is used 2 times."),
    ("configuration.1.role", "baseline", "configuration.role", "exactly one configuration with role “baseline”; it has 2"),
    ("configuration.0.role", "candidate", "configuration.role", "it has none"),
    ("run.0.files", ["logs/b1-stok.csv"], "run[1].files[1]",
     "“logs/b1-stok.csv” does not exist. Did you mean “logs/b1-stock.csv”?"),
    ("run.0.files", ["log/b1-stock.csv"], "run[1].files[1]", "Did you mean “logs/b1-stock.csv”?"),
    ("run.0.control", ["nothing-like.it"], "run[1].control[1]", "Check the name, or put the file there."),
    ("run.0.files", [], "run[1].files", "at least one is needed"),
    ("campaign.id", "NUL", "campaign.id", "some operating systems cannot give to a file"),
    ("campaign.id", "trial.", "campaign.id", "some operating systems cannot give to a file"),
    ("run.0.files", ["../secret.csv"], "run[1].files[1]", "leaves the campaign folder"),
    ("run.0.files", ["logs/../../secret.csv"], "run[1].files[1]", "leaves the campaign folder"),
    ("run.0.files", ["/etc/hostname"], "run[1].files[1]", "must be relative"),
    ("run.0.files", ["C:\\logs\\a.csv"], "run[1].files[1]", "must be relative"),
    ("run.0.files", ["..\\secret.csv"], "run[1].files[1]", "leaves the campaign folder"),
    ("run.1.files", ["logs"], "run[2].files[1]", "“logs” is a folder; name the log files inside it."),
    ("route.reference", "logs", "route.reference", "“logs” is a folder; name the file inside it."),
    ("log.dbc", "car.dbc", "log.dbc", "the file “car.dbc” does not exist."),
    ("weather", [{"id": "w", "kind": "station", "file": "w.csv"}], "weather[1].file", "“w.csv” does not exist."),
    ("run.0.files", "logs/b1-stock.csv", "run[1].files", 'Write a list: files = ["logs/b1-stock.csv"].'),
    ("configuration.1.deviations", 3, "configuration[2].deviations", '3 is not a list. Write a list: deviations = ["…"].'),
    ("metrics.recovery_margins", "3 degF", "metrics.recovery_margins", 'Write a list: recovery_margins = ["3 degF"].'),
    ("instrument.channels.iat.resolution", 1, "instrument.channels.iat.resolution",
     '1 has no unit. Write the quantity with its unit: "1 degC".'),
    ("vehicle.mass", 1200, "vehicle.mass", '1200 has no unit; write the quantity with its unit: "1200 kg".'),
    ("campaign.title", 5, "campaign.title", '5 is not a text. Write a text in quotes: title = "…".'),
    ("log.columns.Intake (C)", 5, 'log.columns."Intake (C)"', 'Write a text in quotes: "Intake (C)" = "…".'),
    ("run.0.start", "14/06/2026 13:00", "run[1].start", "Write 2026-06-14T13:00:00+02:00."),
    ("log.date", "14/06/2026", "log.date", "“14/06/2026” is not a date. Write date = 2026-06-14."),
    ("metrics.draws", "many", "metrics.draws", "“many” is not a whole number. Write a whole number without quotes"),
    ("metrics.draws", 5, "metrics.draws", "5 must not be below 100."),
    ("log.day_first", "perhaps", "log.day_first", "Write day_first = true or day_first = false."),
    ("campaign", "small", "campaign", "“small” is not a table. Write a table: [campaign], its keys below it."),
    ("vehicle", None, "vehicle", "this key is missing."),
    ("acceptance.coverage", ["95 %"], "acceptance.coverage", "a list is not a limit. Write a limit with its unit"),
    ("acceptance.coverage", {"limt": "95 %"}, "acceptance.coverage.limt", "Did you mean “limit”?"),
    ("weather", [{"id": "w", "kind": "metar", "month": "July", "reports": ["METAR"]}], "weather[1].month",
     "“July” is not a month. Write month = \"2026-07\"."),
    ("log.delimiter", ";;", "log.delimiter", "“;;” is too long: at most 1 sign"),
    ("log.columns.Intake (C)", "iat [degR2]", 'log.columns."Intake (C)"', "the unit “degR2” is not known."),
    ("log.columns.Intake (C)", "iat [kPa]", 'log.columns."Intake (C)"', "does not measure a temperature"),
    ("log.columns.Intake (C)", "iatt [degC]", 'log.columns."Intake (C)"', "no channel “iatt”. Did you mean “iat”?"),
    ("log.columns.Other", "iat [degC]", "log.columns", "2 columns are mapped to the channel “iat”."),
    ("metrics.recovery_margins", ["3"], "metrics.recovery_margins[1]", "“3” has no unit"),
    ("metrics.recovery_margins", [3], "metrics.recovery_margins[1]", '3 has no unit; write the quantity with its unit: "3 degC"'),
    ("metrics.recovery_margins", ["3 degF", "1.67 K"], "metrics", "the same within 0.01 K"),
    ("metrics.recovery_margins", ["-1 degC"], "metrics.recovery_margins[1]", "must be above 0"),
    ("metrics.confidence", 95, "metrics.confidence", "95 must be less than 1."),
    ("metrics.alarm_limit", "nan degC", "metrics.alarm_limit", "is not a number with a unit"),
    ("metrics.alarm_limit", True, "metrics.alarm_limit", "true is not a quantity; write it with its unit"),
    ("route.phase.0.end", "0 m", "route.phase[1]", "the phase must end after it starts"),
    ("route.reference", "route.gpx", "route.reference", "the file “route.gpx” does not exist."),
    ("route.reference_run", "b1-stok", "route.reference_run", "Did you mean “b1-stock”?"),
    ("instrument.channels.iat.accuracy", "1 kPa", "instrument.channels.iat.accuracy", "does not measure"),
    ("instrument.channels.iats", {}, "instrument.channels.iats", "there is no channel “iats”"),
    ("weather", [{"id": "w", "kind": "metar"}], "weather[1]", "give one of “file”, “reports” and “readings”"),
    ("claim", [{"id": "c", "text": "t", "metric": "peak_iat", "configuration": "open", "relation": "lower"}],
     "claim[1].configuration", "there is no configuration “open”"),
    ("vehicle.mass", "0 kg", "vehicle.mass", "“0 kg” must be above 0 kg"),
    ("vehicle.mass", "1e300 kg", "vehicle.mass", "“1e300 kg” must not be above 100000 kg"),
    ("vehicle.mass", 10**400, "vehicle.mass", "has no unit"),
    ("metrics.alarm_limit", "-300 degC", "metrics.alarm_limit", "must not be below -273.15 degC"),
    ("route.phase.0.end", "1e300 m", "route.phase[1].end", "must not be above 1e+07 m"),
    ("route.phase.0.end", "2 km", "route.phase", "“ramp” begins at 1100 m, before “city” ends at 2000 m"),
    ("instrument.channels.iat.resolution", "0 degC", "instrument.channels.iat.resolution", "must be above 0"),
    ("run.0.start", "0001-01-01T00:00:00+00:00", "run[1].start", "the year 1 is not one of 1980 to 2200"),
    ("log.date", "9999-12-31", "log.date", "the year 9999 is not one of 1980 to 2200"),
    ("weather", [{"id": "w", "kind": "metar", "month": "2026-13", "reports": ["METAR"]}], "weather[1].month", "is not a month"),
    ("metrics.seed", 10**400, "metrics.seed", "must not be above"),
    ("restriction", [{"configuration": "stock", "points": [{"airflow": "1e300 m^3/h", "drop": "1 kPa"}]}],
     "restriction[1].points[1].airflow", "must not be above 10 m^3/s"),
    ("campaign.title", "Kit \x07bell", "campaign.title", "“Kit \\x07bell” holds a sign that cannot be seen"),
    ("run.0.notes", "safe \u202egnp.exe", "run[1].notes", "“safe \\u202egnp.exe” holds a sign that cannot be seen"),
    ("log.columns.Spe\x1bed", "speed [km/h]", "log.columns", "“Spe\\x1bed” holds a sign that cannot be seen"),
    ("soak_check", [SOAK | {"readings": {"iatt": "15 degC", "coolant": "15 degC"}}], "soak_check[1].readings.iatt",
     "there is no channel “iatt”. Did you mean “iat”?"),
    ("soak_check", [SOAK | {"readings": {"iat": "15 degC", "speed": "15 degC"}}], "soak_check[1].readings.speed",
     "“speed” is no temperature."),
    ("soak_check", [SOAK | {"file": "logs/b1-stock.csv"}], "soak_check[1]", "give one of “readings” and “file”"),
    ("soak_check", [{k: v for k, v in SOAK.items() if k != "time"}], "soak_check[1]", "readings need the “time”"),
    ("soak_check", [SOAK | {"readings": {"iat": "15 degC"}}], "soak_check[1]", "one reading tells nothing without a “reference”"),
    ("soak_check", [SOAK | {"reference": "15.2 degC"}], "soak_check[1]", "say its “reference_uncertainty”"),
    ("soak_check", [SOAK | {"reference": "15.2 degC", "reference_uncertainty": "0 K"}],
     "soak_check[1].reference_uncertainty", "must be above 0"),
    ("soak_check", [{"id": "night", "stood": "9 h", "file": "logs/none.csv"}], "soak_check[1].file", "does not exist"),
    ("pull", [{"id": "p", "configuration": "stock", "file": "dyno/x.csv", "measured_at": "wheel", "order": 1}],
     "pull[1].file", "the file “dyno/x.csv” does not exist."),
]  # fmt: skip


def spoilt(folder: Path, **changes) -> Path:
    file = roadlog.write(folder)
    data = GOOD
    for key, value in changes.items():
        data = roadlog.changed(data, key, value)
    file.write_text(roadlog.toml(data), "utf-8")
    return file


def one_error(file: Path) -> CampaignError:
    with pytest.raises(CampaignError) as caught:
        load_campaign(file)
    assert not isinstance(caught.value, CampaignErrors), str(caught.value)
    assert "\n" not in str(caught.value)
    return caught.value


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> Path:
    return roadlog.write(tmp_path_factory.mktemp("mistakes"))


@pytest.mark.parametrize(("key", "value", "where", "said"), MISTAKES, ids=[f"{k}={v}"[:60] for k, v, *_ in MISTAKES])
def test_every_mistake_is_one_error_with_file_key_and_way_out(written, key, value, where, said):
    written.write_text(roadlog.toml(roadlog.changed(GOOD, key, value)), "utf-8")
    error = one_error(written)
    assert error.where == where and said in str(error)
    assert str(error).startswith(str(written))
    foreign = "pydantic|Traceback|Input should|tuple|dictionary|instance|literal|`|String should"
    assert not re.search(foreign, str(error))


@pytest.mark.parametrize(
    ("change", "where", "said"),
    [
        ({"run.1.files": ["logs/b1-stock.csv"]}, "run[2].files[1]", "run “b1-sealed” is the same as “logs/b1-stock.csv” of run “b1-stock”"),
        ({"run.1.files": ["./logs/b1-stock.csv"]}, "run[2].files[1]", "of run “b1-sealed” is the same as"),
        ({"run.0.files": ["logs/b1-stock.csv"] * 2}, "run[1].files[2]", "run “b1-stock”: one drive would count as two"),
        ({"run.0.control": ["logs/b1-stock.csv"]}, "run[1].control[1]", "of the control of run “b1-stock” is the same as"),
    ],
)  # fmt: skip
def test_one_log_under_two_runs_or_twice_in_one_is_refused(tmp_path, change, where, said):
    error = one_error(spoilt(tmp_path, **change))
    assert error.where == where and said in error.what


def test_a_copy_in_a_run_that_is_left_out_and_a_control_of_several_runs_do_no_harm(tmp_path):
    copied = {"run.1.files": ["logs/b1-stock.csv"], "run.1.exclude": "the log was overwritten"}
    load_campaign(spoilt(tmp_path, **copied))
    (tmp_path / "logs/beside.csv").write_text("Elapsed (s),Speed (km/h)\n0,1\n")
    load_campaign(spoilt(tmp_path, **{f"run.{number}.control": ["logs/beside.csv"] for number in (0, 1)}))


def test_the_campaign_that_the_mistakes_are_made_in_is_right(tmp_path):
    file = roadlog.write(tmp_path)
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())  # a byte order mark is no mistake
    campaign = load_campaign(file)
    assert [run.id for run in campaign.runs] == ["b1-stock", "b1-sealed", "b2-sealed", "b2-stock"]
    assert campaign.baseline.id == "stock"
    assert campaign.metrics.recovery_margins == pytest.approx((5.0 / 3.0, 25.0 / 9.0))
    assert load_campaign(tmp_path) == campaign  # the folder stands for the file in it


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"campaign.colour": "red", "campaign.title": None}, ["campaign.colour", "campaign.title"]),  # unknown, missing
        ({"log.columns.X": "x [m]", "run.0.files": ["no.csv"]}, ['log.columns."X"', "run[1].files[1]"]),
    ],
)
def test_all_mistakes_are_reported_at_once(tmp_path, changes, where):
    with pytest.raises(CampaignErrors) as caught:
        load_campaign(spoilt(tmp_path, **changes))
    assert sorted(error.where for error in caught.value.errors) == where
    assert len(str(caught.value).splitlines()) == 2


def test_a_link_out_of_the_folder_is_refused_and_one_inside_is_fine(tmp_path):
    file = roadlog.write(tmp_path / "campaign")
    (tmp_path / "secret.csv").write_text("time,x\n0,1\n")
    log = file.parent / "logs" / "b1-stock.csv"
    log.unlink()
    log.symlink_to(tmp_path / "secret.csv")
    with pytest.raises(CampaignError, match=r"“logs/b1-stock\.csv” leads out of the campaign folder"):
        load_campaign(file)
    log.unlink()
    (tmp_path / "secret.csv").rename(file.parent / "raw.csv")
    log.symlink_to("../raw.csv")
    assert load_campaign(file).runs


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"schema = 1\n[campaign\n", "not valid TOML: .*line 2"),
        (b"schema = 1\nschema = 1\n", "not valid TOML: .*line 2"),
        (b"schema = 1\n# \xff\n", "line 2: the file is not UTF-8 text"),
        (b"", "campaign: this key is missing"),
        (b"\x00\x01", "not valid TOML"),
        (b"campaign = 3\nschema = 1\n", "campaign: "),
        (b"schema = 1\nrun = 'x'\n", "run: "),
        (b"schema = 1\nrun = " + b"[" * 20_000 + b"]" * 20_000, "brackets are nested too deep"),
        (b"schema = " + b"9" * 6000, "a number in it is longer than 4300 digits"),
    ],
)
def test_files_that_are_no_campaign(tmp_path, data, said):
    (tmp_path / "campaign.toml").write_bytes(data)
    with pytest.raises(CampaignError, match=said) as caught:
        load_campaign(tmp_path)
    assert str(tmp_path / "campaign.toml") in str(caught.value)


@pytest.mark.parametrize("place", ["", "nowhere", "nowhere/campaign.toml"])
def test_no_campaign_there(tmp_path, place):
    with pytest.raises(CampaignError, match=r"there is no campaign file here\. Name a folder with a campaign\.toml"):
        load_campaign(tmp_path / place)


def test_schema_knows_every_key_of_the_demo_and_is_stable(demo):
    schema = Campaign.model_json_schema(by_alias=True)
    assert schema["additionalProperties"] is False
    data = tomllib.loads(demo.file.read_text("utf-8"))
    assert set(data) <= set(schema["properties"])
    assert set(schema["required"]) <= set(data)
    assert set(data["run"][0]) <= set(schema["$defs"]["Run"]["properties"])


typical = ["3 degF", "1 m", "stock", "nan", "inf", "-1", "2026-01-01", "{x}", "%s"]
texts = st.text(max_size=12) | st.sampled_from(typical)
junk = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 9) | st.floats(allow_nan=True) | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=5,
)
places = st.sampled_from(
    [
        "schema", "campaign", "campaign.id", "campaign.units", "campaign.timezone", "vehicle.mass", "configuration",
        "configuration.0.role", "configuration.0.deviations", "instrument", "instrument.channels",
        "instrument.channels.iat.resolution", "log", "log.columns", "log.time_unit", "route.phase", "route.phase.0.start",
        "route.highway_entry", "run", "run.0", "run.0.files", "run.0.files.0", "run.0.start", "run.0.log", "weather",
        "ambient", "acceptance", "metrics", "metrics.recovery_margins", "metrics.equivalence", "claim", "dyno", "pull",
        "restriction", "exposure", "observation",
    ]
)  # fmt: skip


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=places, value=junk)
def test_nothing_but_a_campaign_error_comes_out(tmp_path, place, value):
    file = Path("campaign.toml")
    try:
        campaign = validate(roadlog.changed(GOOD, place, 0 if value is None else value), file)
        campaign._file = tmp_path / "campaign.toml"
        errors = list(cross_checks(campaign, file))
    except CampaignError as error:
        assert str(error).strip()
        return
    assert all(str(error).strip() for error in errors)
