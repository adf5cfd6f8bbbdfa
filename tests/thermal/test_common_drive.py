"""The common drive of a campaign: beside the measured differences, withheld where it fails, refused with a reason."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import run_chain
from test_real_drives import commute_campaign

from intake_report.analyse import conclude
from intake_report.analyse.claim_check import claim_mistakes, model_objection
from intake_report.analyse.common_drive import NO_DRIVE, beyond, common_drive, fitted, thermal_inputs
from intake_report.analyse.limitations.conditions import models
from intake_report.analyse.measure import metric_keys
from intake_report.campaign import Claim, CommonDriveSection, vary
from intake_report.errors import CampaignError, DataError
from intake_report.messages import said
from intake_report.metrics import evaluate
from intake_report.render.sections.claims import because
from intake_report.render.sections.comparisons import common_drive as section
from intake_report.render.sections.comparisons import common_drive_details
from intake_report.results import CommonDriveResult
from intake_report.statistics import clopper_pearson
from intake_report.thermal import CommonDrive, fit, left_out, replay, seen
from intake_report.thermal.model import drive_input
from thermal.studies import described, study_common_drive, summary

PEAK, CITY, RECOVERY = "peak_over_ambient", "mean_over_ambient:city", "recovery_time:2.78K"
TRACE = {"file": "trace.csv", "columns": {"s": "time [s]", "kmh": "speed [km/h]"}}


def asked(demo, **settings):
    """Return the demo's common drive with these settings."""
    chain = demo.chain
    campaign = chain.campaign.model_copy(update={"common_drive": CommonDriveSection.model_validate(settings)})
    used = {run.id for run in chain.result.runs if run.decision != "excluded"}
    return common_drive(campaign, chain.measured, used, chain.result.metrics, chain.result.comparisons)


@pytest.fixture(scope="module")
def found(demo):
    return asked(demo)


def test_nothing_is_modelled_unless_the_campaign_asks(demo):
    assert demo.chain.result.common_drive is None and not list(section(demo.chain.result))


def test_the_demo_on_the_drive_of_its_median_run(demo, found):
    """Differences keep their sign, one value per metric and run; the run that was driven comes back near what was measured."""
    print("\n", found.validation.round(2).to_string())
    assert not found.single and not found.failed and len(found.validation) == 9
    rows = {(c.key, c.configuration): c for c in found.comparisons}
    assert rows[PEAK, "open-cone"].low > 0.0 > rows[PEAK, "sealed-snorkel"].high
    assert sum(v.key == PEAK for v in found.values) == 9
    run = found.drive.value("run")
    own = next(v.value for v in found.values if (v.key, v.run) == (PEAK, run))
    measured = next(v.value for v in demo.chain.result.values if (v.key, v.run) == (PEAK, run))
    assert own == pytest.approx(measured, abs=1.0)
    assert (found.validation["rms"] < 1.5).all() and (found.validation["coverage"] > 0.9).all()


def test_a_model_beyond_its_limits_decides_nothing_and_the_same_input_gives_the_same_numbers(demo, found):
    strict = asked(demo, largest_rms="0.05 K")
    assert strict.values == found.values and strict.validation.equals(found.validation)
    assert set(strict.failed) == {"stock", "open-cone", "sealed-snorkel"}
    assert all(c.call == "indication" for c in strict.comparisons)
    assert strict.notes[-1].code == "failed"


def test_one_run_each_is_an_illustration(badly_designed):
    single = asked(badly_designed)
    assert set(single.single) and single.validation.empty
    assert all(c.call == "indication" for c in single.comparisons)
    assert "illustration" in list(section(replace(badly_designed.chain.result, common_drive=single)))[1].text


def test_sections_say_model_and_which_differences_claims_use(demo, found):
    result = replace(demo.chain.result, common_drive=found)
    _, paragraph, figure, table = section(result)
    assert "Claims use the measured differences alone" in paragraph.text and "standing time" in paragraph.text
    assert "Model" in figure.caption and len(table.rows) == len(found.comparisons)
    captions = [block.caption for block in common_drive_details(result) if block.kind == "table"]
    assert any("models alone" in caption for caption in captions)
    printed = str(list(common_drive_details(result)))
    assert ("not shown by the drives" in printed) == (not found.parameters["excited"].all())


def claim(**more) -> Claim:
    """Return a claim on the common drive, sealed against open."""
    given = {
        "id": "cooler", "text": "The sealed box keeps peaks lower than the open cone", "metric": "peak_over_ambient",
        "configuration": "sealed-snorkel", "versus": "open-cone", "relation": "lower", "common_drive": True,
    }  # fmt: skip
    return Claim.model_validate({k: v for k, v in (given | more).items() if v is not None})


def claimed(demo, **settings):
    """Return the demo concluded anew with one claim on the common drive and its settings."""
    campaign, section = demo.chain.campaign, CommonDriveSection.model_validate(settings)
    campaign = campaign.model_copy(update={"common_drive": section, "claims": (*campaign.claims, claim())})
    return conclude(campaign, demo.chain.measured)


def test_a_claim_rests_on_the_common_drive_only_where_the_model_holds(demo):
    """The same judge; withheld with the reason where a model fails its validation; other claims as before."""
    loose, strict = claimed(demo, largest_peak_bias="4 K"), claimed(demo, largest_rms="0.05 K")
    assert not loose.common_drive.failed
    *others, last = loose.claims
    assert last.verdict == "supported" and last.reason.code == "guard-band"
    assert last.reason.value("evidence").code == "on-common-drive"
    (row,) = loose.common_drive.direct
    assert (last.estimate, last.low, last.high) == (row.difference, row.low, row.high)
    assert tuple(others) == demo.chain.result.claims
    said_why = said(because(loose, last), "si").replace("\xa0", " ")
    assert f"{-last.estimate:.1f} K closer to ambient" in said_why and "by the models on the common drive" in said_why
    assert "these differences decide “The sealed box" in list(section(loose))[1].text
    assert strict.claims[-1].verdict == "cannot be tested" and strict.claims[-1].reason.code == "model-failed"
    assert "model-failed" in {x.code for x in strict.limitations}
    assert "model-failed" not in {x.code for x in loose.limitations}


@pytest.mark.parametrize(
    ("change", "settings", "message"),
    [
        ({"relation": "at most", "versus": None, "value": "9 K"}, {}, "only differences"),
        ({"metric": "peak_iat"}, {}, "is not computed on the common drive"),
        ({"phase": "city", "metric": "mean_over_ambient"}, TRACE, "neither phases"),
        ({}, None, "has no common drive"),
    ],
)
def test_claims_that_no_common_drive_decides_are_refused(demo, change, settings, message):
    section = None if settings is None else CommonDriveSection.model_validate(settings)
    campaign = demo.chain.campaign.model_copy(update={"common_drive": section, "claims": (claim(**change),)})
    (error,) = claim_mistakes(campaign, metric_keys(campaign))
    assert message in error.what and error.where == "claim[1].common_drive" and error.remedy


def traced(demo, rows):
    """Return the common drive on a trace of these times [s] and speeds [km/h]."""
    file = demo.file.parent / TRACE["file"]
    file.write_text("s,kmh\n" + "\n".join(f"{t},{speed}" for t, speed in rows))
    try:
        return asked(demo, **TRACE)
    finally:
        file.unlink()


def test_limitations_say_what_the_models_were_not_shown(demo, found, badly_designed):
    """A trace faster and hotter than what was driven; one run; no positions; and none of it where all is well."""
    chain = demo.chain
    fast = traced(demo, ((t, 200.0 if t % 100 > 50 else 0.0) for t in range(900)))
    assert [note.code for note in fast.beyond] == ["faster"] * 3 and not found.beyond and not found.headless
    facts = SimpleNamespace(name=lambda id: id, common_drive=replace(fast, headless=2, failed=("a",), single=("b",)))
    assert [x.code for x in models(facts)] == ["model-failed", "model-single", "model-extrapolated", "model-heading"]
    facts.common_drive = found
    assert found.failed or not list(models(facts))
    inputs, _ = thermal_inputs(chain.campaign, chain.measured, {"d1r3-sealed-snorkel"})
    (drive,) = inputs.values()
    one = SimpleNamespace(drives=(replace(drive, ambient=drive.ambient - 12.0),))
    assert [note.code for note in beyond("x", one, drive)] == ["other-air"]


def test_a_speed_trace_from_a_file(demo):
    """A trace has no phases: only metrics of the whole run are asked of it; broken ones are refused by name."""
    found = traced(demo, ((t, 50.0 if t % 120 < 80 else 0.0) for t in range(901)))
    assert {c.key for c in found.comparisons} == {PEAK}
    for rows in ([(0, 10), (0, 20)], [(0, 10), (1, 20)]):
        with pytest.raises(DataError, match="time does not rise"):
            traced(demo, rows)


def test_campaign_file_refuses_two_drives_and_unknown_runs(demo):
    with pytest.raises(CampaignError, match="name one"):
        vary(demo.chain.campaign, {"common_drive.run": "d1r1-stock", "common_drive.file": "x.csv"})
    with pytest.raises(CampaignError, match="no run “nobody”"):
        vary(demo.chain.campaign, {"common_drive.run": "nobody"})


def test_runs_that_cannot_be_modelled_say_why(demo):
    measured = demo.chain.measured
    series, clean = measured.series[0], measured.cleaned[0]
    assert drive_input(replace(series, ambient=None), clean).code == "no-ambient"
    early = series.time < series.time[0] + 300.0
    cut = {name: getattr(series, name)[early] for name in ("time", "iat", "reading", "ambient", "distance")}
    assert drive_input(replace(series, **cut), clean).code == "short-run"
    made, notes = drive_input(series, replace(clean, frame=clean.frame.drop(columns=["maf", "coolant"])))
    assert [note.code for note in notes] == ["channel-assumed"] * 2
    assert made.airflow.min() >= 0.5 and not made.heading_known
    assert drive_input(series, replace(clean, frame=clean.frame.drop(columns="speed"))).code == "no-channel"
    gap = clean.frame.copy()
    gap.loc[(gap.index > 300.0) & (gap.index < 400.0), "speed"] = np.nan
    assert drive_input(series, replace(clean, frame=gap)).code == "speed-gap"
    assert drive_input(series, replace(clean, frame=clean.frame.assign(rpm=0.0))).code == "no-reading"


def test_configurations_that_cannot_be_modelled_leave_no_comparison_and_say_why(demo):
    """No stops, no highway: the reason stands in the notes, and a claim on the common drive quotes it."""
    inputs, _ = thermal_inputs(demo.chain.campaign, demo.chain.measured, {run.id for run in demo.chain.campaign.runs})
    still = {id: replace(drive, speed=np.full(drive.speed.shape, 30.0)) for id, drive in inputs.items()}
    slow = {id: replace(drive, speed=np.minimum(drive.speed, 12.0)) for id, drive in inputs.items()}
    for made, code in ((still, "no-stops"), (slow, "no-highway")):
        fits, notes = fitted(demo.chain.campaign, made)
        assert not fits and [note.code for note in notes] == [code] * 3
    record = CommonDriveResult(NO_DRIVE, notes=notes)
    assert "faster than" in said(model_objection(demo.chain.campaign, claim(), record), "si")


@pytest.fixture(scope="module")
def sealed(demo):
    """Return the fit of two runs of one configuration, both as measured, and peak and city mean."""
    chain = demo.chain
    inputs, _ = thermal_inputs(chain.campaign, chain.measured, {"d1r3-sealed-snorkel", "d2r2-sealed-snorkel"})
    series = {run: chain.measured.series[run] for run in inputs}
    return fit(list(inputs.values())), series, tuple(k for k in chain.result.metrics if k.key in (PEAK, CITY))


def replayed_alone(fitted, series, keys):
    drive = fitted.drives[0]
    common = CommonDrive(drive, series[drive.run], fitted.effects[0])
    return replay([fitted], common, series, keys, np.random.default_rng(1))


def test_a_replay_on_its_own_drive_is_the_fit_itself(sealed):
    """The same metric functions on the modelled series: peak and phase means as the fit has them."""
    fitted, series, keys = sealed
    drive = fitted.drives[0]
    replayed = replayed_alone(*sealed)
    own = seen(series[drive.run], drive, drive, fitted.own(0))
    for key in keys:
        value = next(v.value for v in replayed.values if (v.key, v.run) == (key.key, drive.run))
        assert value == pytest.approx(evaluate(key, own).value, abs=1e-9)
        draws = replayed.draws.common(key.key, drive.run)
        assert 0.01 < np.std(draws) < 1.5 and np.median(draws) == pytest.approx(value, abs=0.2)


def test_what_the_model_leaves_out_of_a_metric_is_in_its_draws(sealed):
    """Measured runs 3 and 4 K above the model: 5 K in one run by its definition, 5/√2 K of the level in the draws of both."""
    fitted, series, keys = sealed
    exact = {one.run: seen(series[one.run], one, one, fitted.own(i)) for i, one in enumerate(fitted.drives)}
    above = {run: replace(one, iat=one.iat + k) for k, (run, one) in enumerate(exact.items(), 3)}
    none, some = (left_out([fitted], measured, keys) for measured in (exact, above))
    assert list(none.values()) == pytest.approx([0.0, 0.0], abs=1e-9)
    assert list(some.values()) == pytest.approx([5.0, 5.0])
    first, second = above
    # without two measured values nothing is left out
    bare = above | {second: replace(above[second], ambient=None)}
    assert left_out([fitted], bare, keys) == {PEAK: 0.0, CITY: 0.0}
    for key in (k.key for k in keys):
        narrow, wide = (replayed_alone(fitted, one, keys).draws for one in (exact, above))
        # of 100 draws a variance is known to 14 %
        more = np.var(wide.common(key, first), ddof=1) - np.var(narrow.common(key, first), ddof=1)
        assert more == pytest.approx(12.5, rel=0.5)
        both = [wide.common(key, run) for run in (first, second)]
        assert np.ptp(both[0] - both[1]) == pytest.approx(0.0, abs=1e-9)


NARROWER = {"demo": 2.0, "second": 1.0}
"""Least factor by which the spread is smaller than that of measured differences. In the second simulator many short queues even
out within a drive, and drives differ less to begin with."""


@pytest.mark.slow
@pytest.mark.parametrize("layout", ["3×2", "2×3"])
@pytest.mark.parametrize("simulator", ["demo", "second"])
def test_simulated_campaigns_on_a_common_drive(simulator, layout, part):
    """Peak and city mean: bias below 0.3 K, a smaller spread than measured, intervals that hold the truth; recovery: 3 s."""
    campaigns = part(200, 12)
    rows = summary(study_common_drive(simulator, layout, campaigns))
    print(f"\n{simulator}, {layout}, {campaigns} campaigns")
    print("\n".join(described(rows)))
    for r in rows:
        error = 2.6 * r["spread"] / np.sqrt(campaigns)
        if r["metric"] in (PEAK, CITY):
            assert abs(r["bias"]) < 0.3 + error
            assert r["measured_spread"] > NARROWER[simulator] * r["spread"]
            assert clopper_pearson(r["inside"], r["n"]).high >= 0.90
        if r["metric"] == RECOVERY and r["n"] > campaigns // 2:  # elsewhere runs are within the margin at the entry
            assert abs(r["bias"]) < 3.0 + error
            assert clopper_pearson(r["inside"], r["n"]).high >= 0.90


SUMMER, WINTER = (
    ["2017-07-07_normal", "2017-07-12_normal", "2017-08-02_normal"],
    ["2018-02-14_normal", "2018-02-22_normal", "2018-02-23_normal"],
)


@pytest.mark.slow
def test_real_commutes_are_beyond_the_model_and_it_says_so(drives, tmp_path):
    """Held-out error of real drives without positions, cold starts included: worse than simulated, and so without a say.

    Source of the drives: Automotive OBD-II Dataset, M. Weber, Karlsruhe Institute of Technology, 2023, CC BY 4.0.
    """
    chain = run_chain(commute_campaign(drives, tmp_path / "commute", SUMMER + WINTER, "aaabbb"))
    campaign = chain.campaign.model_copy(update={"common_drive": CommonDriveSection()})
    every = {run.id for run in campaign.runs}
    found = common_drive(campaign, chain.measured, every, chain.result.metrics, chain.result.comparisons)
    print("\n", found.validation.round(2).to_string())
    assert len(found.validation) == 6 and found.validation["rms"].max() < 4.0
    assert set(found.failed) == {"a", "b"} and all(c.call == "indication" for c in found.comparisons)
