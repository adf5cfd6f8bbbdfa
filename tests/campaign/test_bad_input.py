"""What can be wrong with a campaign file: one clear sentence with file and key, and the way out."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import roadlog
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from intake_report.campaign import campaign_schema, load_campaign
from intake_report.errors import CampaignError, CampaignErrors

GOOD = roadlog.campaign()

# key to change, new value, where it must be found, what must be said
MISTAKES = [
    ("campaign.titel", "x", "campaign.titel", "the key “titel” is not known. Did you mean “title”?"),
    ("metrics.recovery_margin", ["3 degF"], "metrics.recovery_margin", "Did you mean “recovery_margins”?"),
    ("run.1.configuraton", "stock", "run[2].configuraton", "Did you mean “configuration”?"),
    ("run.0.log", {"colums": {}}, "run[1].log.colums", "Did you mean “columns”?"),
    ("route.phase.0.strat", "0 m", "route.phase[1].strat", "Did you mean “start”?"),
    ("instrument.channels.iat.resolutoin", "1 degC", "instrument.channels.iat.resolutoin", "“resolution”?"),
    ("zzz", 1, "zzz", "Known keys here: schema, campaign, vehicle"),
    ("campaign.title", None, "campaign.title", "this key is missing."),
    ("campaign.title", "", "campaign.title", "at least 1 character"),
    ("campaign.id", "../escape", "campaign.id", "is not an id"),
    ("campaign.id", ".", "campaign.id", "is not an id"),
    ("campaign.units", "metric", "campaign.units", "“metric” is not one of 'si' or 'us'"),
    ("campaign.timezone", "Europe/Atlantis", "campaign.timezone", "is not a time zone"),
    ("schema", 2, "schema", "not one of 1"),
    ("run.0.configuration", "seeled", "run[1].configuration", "there is no configuration “seeled”. Did you mean “sealed”?"),
    ("run.0.configuration", "x", "run[1].configuration", "The campaign has: stock, sealed."),
    ("run.1.id", "b1-stock", "run", "“b1-stock” is used 2 times."),
    ("configuration.1.role", "baseline", "configuration.role", "exactly one configuration with role “baseline”; it has 2"),
    ("configuration.0.role", "candidate", "configuration.role", "it has none"),
    ("run.0.files", ["logs/b1-stok.csv"], None, "“logs/b1-stok.csv” does not exist. Did you mean “b1-stock.csv”?"),
    ("run.0.files", [], "run[1].files", "at least one is needed"),
    ("run.0.files", ["../secret.csv"], "run[1].files[1]", "leaves the campaign folder"),
    ("run.0.files", ["logs/../../secret.csv"], "run[1].files[1]", "leaves the campaign folder"),
    ("run.0.files", ["/etc/hostname"], "run[1].files[1]", "must be relative"),
    ("run.0.files", ["C:\\logs\\a.csv"], "run[1].files[1]", "must be relative"),
    ("run.0.files", ["..\\secret.csv"], "run[1].files[1]", "leaves the campaign folder"),
    ("run.0.files", ["logs"], None, "“logs” does not exist"),
    ("log.columns.Intake (C)", "iat [degR2]", 'log.columns."Intake (C)"', "the unit “degR2” is not known."),
    ("log.columns.Intake (C)", "iat [kPa]", 'log.columns."Intake (C)"', "does not measure a temperature"),
    ("log.columns.Intake (C)", "iatt [degC]", 'log.columns."Intake (C)"', "no channel “iatt”. Did you mean “iat”?"),
    ("log.columns.Other", "iat [degC]", "log.columns", "2 columns are mapped to the channel “iat”."),
    ("metrics.recovery_margins", ["3"], "metrics.recovery_margins[1]", "“3” has no unit"),
    ("metrics.recovery_margins", [3], "metrics.recovery_margins[1]", "3 has no unit; write a text such as"),
    ("metrics.recovery_margins", ["-1 degC"], "metrics.recovery_margins[1]", "must not be below 0"),
    ("metrics.recovery_margins", ["3 km"], "metrics.recovery_margins[1]", "does not measure a temperature difference"),
    ("metrics.confidence", 95, "metrics.confidence", "less than 1"),
    ("metrics.alarm_limit", "nan degC", "metrics.alarm_limit", "is not a number with a unit"),
    ("metrics.alarm_limit", True, "metrics.alarm_limit", "has no unit"),
    ("route.phase.0.end", "0 m", "route.phase[1]", "the phase must end after it starts"),
    ("route.phase.0.kind", "motorway", "route.phase[1].kind", "“motorway” is not one of"),
    ("route.reference", "route.gpx", None, "the file “route.gpx” does not exist."),
    ("route.reference_run", "b1-stok", "route.reference_run", "Did you mean “b1-stock”?"),
    ("instrument.channels.iat.accuracy", "1", "instrument.channels.iat.accuracy", "has no unit"),
    ("instrument.channels.iat.accuracy", "1 kPa", "instrument.channels.iat.accuracy", "does not measure"),
    ("instrument.channels.iats", {}, "instrument.channels.iats", "there is no channel “iats”"),
    ("run.0.start", "yesterday", "run[1].start", "date"),
    ("run.0.road", "icy", "run[1].road", "is not one of"),
    ("weather", [{"id": "w", "kind": "metar"}], "weather[1]", "give one of `file`, `reports` and `readings`"),
    ("claim", [{"id": "c", "text": "t", "metric": "peak_iat", "configuration": "open", "relation": "lower"}],
     "claim[1].configuration", "there is no configuration “open”"),
    ("pull", [{"id": "p", "configuration": "stock", "file": "dyno/x.csv", "measured_at": "wheel", "order": 1}],
     None, "the file “dyno/x.csv” does not exist."),
]  # fmt: skip


@pytest.mark.parametrize(("key", "value", "where", "said"), MISTAKES, ids=[f"{k}={v}"[:60] for k, v, *_ in MISTAKES])
def test_every_mistake_names_file_key_and_way_out(tmp_path, key, value, where, said):
    file = roadlog.write(tmp_path)
    file.write_text(roadlog.toml(roadlog.changed(GOOD, key, value)), "utf-8")
    with pytest.raises(CampaignError) as caught:
        load_campaign(file)
    errors = caught.value.errors if isinstance(caught.value, CampaignErrors) else (caught.value,)
    (error,) = [e for e in errors if e.where == where and said in str(e)] or [pytest.fail(str(caught.value))]
    assert str(error).startswith(str(file))
    assert "\n" not in str(error)
    assert "pydantic" not in str(error) and "Traceback" not in str(error)


def test_the_campaign_that_the_mistakes_are_made_in_is_right(tmp_path):
    campaign = load_campaign(roadlog.write(tmp_path))
    assert [run.id for run in campaign.runs] == ["b1-stock", "b1-sealed", "b2-sealed", "b2-stock"]
    assert campaign.baseline.id == "stock"
    assert campaign.metrics.recovery_margins == pytest.approx((5.0 / 3.0, 25.0 / 9.0))
    assert load_campaign(tmp_path) == campaign  # the folder stands for the file in it


def test_all_mistakes_are_reported_at_once(tmp_path):
    data = GOOD
    for key, value in (("run.0.configuration", "seeled"), ("run.1.files", ["no.csv"]), ("log.columns.Other", "x [m]")):
        data = roadlog.changed(data, key, value)
    roadlog.write(tmp_path)
    (tmp_path / "campaign.toml").write_text(roadlog.toml(data), "utf-8")
    with pytest.raises(CampaignErrors) as caught:
        load_campaign(tmp_path)
    assert len(caught.value.errors) == 3
    assert len(str(caught.value).splitlines()) == 3


def test_a_link_out_of_the_folder_is_refused(tmp_path):
    file = roadlog.write(tmp_path / "campaign")
    (tmp_path / "secret.csv").write_text("time,x\n0,1\n")
    log = file.parent / "logs" / "b1-stock.csv"
    log.unlink()
    log.symlink_to(tmp_path / "secret.csv")
    with pytest.raises(CampaignError, match=r"“logs/b1-stock\.csv” leads out of the campaign folder"):
        load_campaign(file)


def test_a_link_inside_the_folder_is_fine(tmp_path):
    file = roadlog.write(tmp_path)
    log = tmp_path / "logs" / "b1-stock.csv"
    log.rename(tmp_path / "raw.csv")
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
    ],
)
def test_files_that_are_no_campaign(tmp_path, data, said):
    (tmp_path / "campaign.toml").write_bytes(data)
    with pytest.raises(CampaignError, match=said) as caught:
        load_campaign(tmp_path)
    assert str(tmp_path / "campaign.toml") in str(caught.value)


def test_a_byte_order_mark_is_no_mistake(tmp_path):
    file = roadlog.write(tmp_path)
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())
    assert load_campaign(file).about.id == "small-trial"


@pytest.mark.parametrize("place", ["", "nowhere", "nowhere/campaign.toml"])
def test_no_campaign_there(tmp_path, place):
    with pytest.raises(CampaignError, match=r"there is no campaign file here\. Name a folder with a campaign\.toml"):
        load_campaign(tmp_path / place)


def test_schema_knows_every_key_of_the_demo_and_is_stable(demo):
    import tomllib

    schema = json.loads(campaign_schema())
    assert schema["additionalProperties"] is False
    data = tomllib.loads(demo.file.read_text("utf-8"))
    assert set(data) <= set(schema["properties"])
    assert set(schema["required"]) <= set(data)
    assert set(data["run"][0]) <= set(schema["$defs"]["Run"]["properties"])


texts = st.text(max_size=12) | st.sampled_from(
    ["3 degF", "1 m", "stock", "nan", "inf", "-1", "2026-01-01", "{x}", "%s"]
)
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


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=places, value=junk)
def test_nothing_but_a_campaign_error_comes_out(tmp_path, place, value):
    from intake_report.campaign.load import _cross_checks, _validate

    file = Path("campaign.toml")
    if value is None:
        value = 0
    try:
        campaign = _validate(roadlog.changed(GOOD, place, value), file)
        campaign._file = tmp_path / "campaign.toml"
        errors = list(_cross_checks(campaign, file))
    except CampaignError as error:
        assert str(error).strip()
        return
    assert all(str(error).strip() for error in errors)
