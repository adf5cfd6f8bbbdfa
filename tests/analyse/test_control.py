"""The control vehicle: what is taken off, what stays censored, what is drawn, and what it buys on the demo's tandem drives."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import ROOT, run_chain
from scipy import stats

from analyse.test_compare import CITY, MODEL, RECOVERY, Shifts, rows, sealed
from intake_report.analyse.control import DrawsLessControl, against_control, control_effects, controlled
from intake_report.demo.scenario import SEALED
from intake_report.render.blocks import Paragraph, Table
from intake_report.render.sections.comparisons import basis_of_differences
from intake_report.render.sections.tables import comparison_table

MET = (0.0, 2.5, -1.8, 0.7, 3.1, -2.2)  # what both vehicles met on each drive [K]


def tandem():
    """Runs of 9 and 5 K and control drives of 9 K that met the same, each with its noise."""
    own, control = np.array([(9.0, 5.0) * 3, (9.0,) * 6]) + np.random.default_rng(3).normal(MET, 0.1, (2, 6))
    return rows(CITY, "s1 e1 s2 e2 s3 e3", own.tolist()), rows(CITY, "s1 s1 s2 s2 s3 s3", control.tolist())


def test_what_both_met_goes_away():
    runs, controls = tandem()
    plain, less = sealed(CITY, runs), sealed(CITY, against_control(runs, controls))
    assert not plain.shown and less.shown and less.low <= -4.0 <= less.high
    assert less.scatter < 0.2 * plain.scatter
    (effect,) = [e for e in control_effects(MODEL, (CITY,), runs, controls) if e.configuration == SEALED.id]
    assert (effect.difference, effect.plain_difference) == (less.difference, plain.difference)
    assert effect.half_width == pytest.approx(0.5 * (less.high - less.low)) and effect.runs == 6
    assert effect.half_width < 0.2 * effect.plain_half_width


def test_censored_runs_stay_longer_than_and_a_censored_control_leaves_nothing():
    runs = rows(RECOVERY, "s1 e1 s2", ((300.0,), 60.0, 110.0))
    first, second, third = against_control(runs, rows(RECOVERY, "s1 s1 s2", (100.0, (250.0,), 90.0)))
    assert first.status == "not reached" and first.bound == 200.0 and first.value is None
    assert second.status == "not computed" and second.reason.code == "control-not-reached"
    assert third.value == 20.0
    (alone,) = against_control(runs[:1], ())
    assert alone.status == "not computed" and alone.reason.code == "no-control"


def test_draws_are_those_of_the_tandem():
    """Left as they are, draws would scatter from run to run by what both vehicles met."""
    runs, controls = tandem()
    draws = Shifts(runs, {v.run: 1.0 for v in runs}, 0.3)
    less = against_control(runs, controls)
    row = sealed(CITY, less, DrawsLessControl(draws, controls))
    assert row.standard_error == pytest.approx(sealed(CITY, less).standard_error)
    assert DrawsLessControl(draws, ()).common(CITY.key, "r0") is None


def test_only_a_control_beside_every_run_is_used():
    runs = tuple(SimpleNamespace(id=f"r{i}", control=("c.csv",) if i else ()) for i in range(3))
    model = MODEL.model_copy(update={"runs": runs})
    assert controlled(model, {"r1", "r2"}) and not controlled(model, {"r0", "r1"}) and not controlled(model, set())


@pytest.fixture(scope="module")
def demo():
    return run_chain(ROOT / "data" / "tandem" / "campaign.toml")


def test_the_demo_says_what_its_control_bought(demo):
    runs, result = {run.id for run in demo.campaign.runs}, demo.result
    assert {c.run for c in demo.measured.controls} == runs
    headline = [k for k in result.metrics if k.spec.headline]
    assert len(result.control) == len(headline)
    # a recovery time may be open on a side, with the control or without
    bounded = [e for e in result.control if e.half_width is not None and e.plain_half_width is not None]
    assert {e.key for e in bounded} >= {k.key for k in headline if k.spec.id != "recovery_time"}
    assert all(e.half_width < e.plain_half_width for e in bounded)
    peak = next(e for e in result.control if e.key == "peak_over_ambient")
    assert peak.scatter < 0.5 * peak.plain_scatter
    # control drives are no runs of the campaign: not in the run log, the criteria or the values
    assert {r.id for r in result.runs} == runs
    assert not any("~" in c for c in result.criteria["run"]) and not any("~" in v.run for v in result.values)


def test_estimate_interval_and_p_of_the_demo_are_of_one_analysis(demo):
    """The interval lies about the tandem difference, not about the one without the control, and p belongs to both."""
    effects = {(e.key, e.configuration): e for e in demo.result.control}
    linear = [c for c in demo.result.comparisons if c.key.startswith("mean_over_ambient")]
    assert len(linear) == 3
    for c in linear:
        e, half = effects[c.key, c.configuration], 0.5 * (c.high - c.low)
        assert c.difference == e.difference != e.plain_difference
        assert 0.5 * (c.low + c.high) == pytest.approx(c.difference, abs=0.05 * half)
        assert e.half_width == pytest.approx(half) and half < 0.6 * e.plain_half_width
        # shared biases all but cancel here, so that p is that of t with the error of the scatter
        assert c.p_value == pytest.approx(2.0 * stats.t.sf(abs(c.difference) / c.standard_error, c.df), rel=0.15)


def test_the_report_says_which_runs_have_a_control_and_what_is_taken_less_it(demo):
    result = demo.result
    blocks = list(basis_of_differences(result))
    tables = {b.label: b for b in blocks if isinstance(b, Table)}
    text = " ".join(b.text for b in blocks if isinstance(b, Paragraph))
    assert "beside 4 of 4 runs" in text and "Values per run" in text and result.less_control
    headline = tuple(k for k in result.metrics if k.spec.headline)
    for table in (tables["tab-basis"], comparison_table(result, headline, "tab-x", "Headline")):
        assert "less the control vehicle" in table.caption
    assert not any("±" in cell for row in tables["tab-control"].rows for cell in row)
    half = replace(result, less_control=False, control_drives=(replace(result.control_drives[0], files=()), *result.control_drives[1:]))  # fmt: skip
    text = " ".join(b.text for b in basis_of_differences(half) if isinstance(b, Paragraph))
    assert f"beside 3 of 4 runs (not {half.control_drives[0].run})" in text and "no difference is taken less" in text
