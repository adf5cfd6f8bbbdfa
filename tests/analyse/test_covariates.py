"""Analysis of covariance: published example, reference library, simulation, and what is refused as a covariate."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import roadlog

from analyse.studies import campaign as make_campaign
from analyse.test_compare import CITY, RECOVERY, SEALED_ID, STOCK_ID, rows
from analyse.test_limitations import NOTHING
from intake_report.analyse.compare import Covariates, compare, compare_pair
from intake_report.analyse.limitations import Findings, derive_limitations
from intake_report.campaign import load_campaign
from intake_report.demo.scenario import SEALED, STOCK
from intake_report.errors import CampaignError
from intake_report.messages import said
from intake_report.statistics import blocked, coverage_factor, dealt_anew, fit_slopes

MODEL = make_campaign((STOCK, SEALED))
LAYOUT = " ".join(f"s{b} e{b}" for b in range(8))

# Scores before and after a treatment, three groups of ten: G. W. Snedecor, W. G. Cochran, Statistical Methods, 6th ed. (1967),
# p. 422; data as in the documentation of a statistics package, "Analysis of Covariance", Example 53.4, at
# https://go.documentation.sas.com/api/docsets/statug/v_016/content/statug_glm_examples04.htm (its results below from memory).
BEFORE = {"A": [11, 8, 5, 14, 19, 6, 10, 6, 11, 3], "D": [6, 6, 7, 8, 18, 8, 19, 8, 5, 15],
          "F": [16, 13, 11, 9, 21, 16, 12, 12, 7, 12]}  # fmt: skip
AFTER = {"A": [6, 0, 2, 8, 11, 4, 13, 1, 8, 0], "D": [0, 2, 3, 1, 18, 4, 14, 9, 1, 9],
         "F": [13, 10, 18, 5, 23, 12, 5, 16, 1, 20]}  # fmt: skip


def test_the_published_example():
    ids = [name for name, scores in BEFORE.items() for _ in scores]
    x = np.concatenate([np.array(scores, dtype=float) for scores in BEFORE.values()])[:, None]
    y = np.concatenate([np.array(scores, dtype=float) for scores in AFTER.values()])
    fit = fit_slopes(y, ids, None, x)
    assert fit.slope == pytest.approx([0.98718381], abs=1e-7) and fit.error == pytest.approx([0.16449757], abs=1e-7)
    assert fit.df == 26 and fit.scatter**2 == pytest.approx(16.046254, abs=1e-6)
    for name, difference in (("A", -3.446138280), ("D", -3.337166948)):
        model = blocked([str(i) for i in range(30)], ids, None, (name, "F"), x)
        assert model.weights @ y == pytest.approx(difference, abs=1e-8)
        assert model.weights @ x[:, 0] == pytest.approx(0.0, abs=1e-9)  # a shift of the covariate is nobody's effect


def _simulated(rng, effect: float = 0.0):
    ids, blocks = zip(*((c, b) for b in range(8) for c in (STOCK_ID, SEALED_ID)), strict=True)
    x = rng.normal(0.0, 3.0, 16)
    y = rng.normal(0.0, 4.0, 8).repeat(2) + 0.5 * x + rng.normal(0.0, 1.0, 16)
    return list(ids), list(blocks), x, y + effect * np.array([c == SEALED_ID for c in ids])


def test_slope_curvature_and_unequal_slopes_as_a_reference_library_finds_them():
    import pandas as pd
    import statsmodels.formula.api as formula
    import statsmodels.stats.anova as anova

    ids, blocks, x, y = _simulated(np.random.default_rng(4), 1.0)
    fit = fit_slopes(y, ids, blocks, x[:, None])
    frame = pd.DataFrame({"y": y, "x": x - x.mean(), "c": ids, "b": blocks})
    plain = formula.ols("y ~ C(c) + C(b) + x", frame).fit()
    assert fit.slope[0] == pytest.approx(plain.params["x"]) and fit.error[0] == pytest.approx(plain.bse["x"])
    for more, p in (("I(x**2)", fit.curved), ("C(c):x", fit.unequal)):
        wide = formula.ols(f"y ~ C(c) + C(b) + x + {more}", frame).fit()
        assert p == pytest.approx(anova.anova_lm(plain, wide)["Pr(>F)"].iloc[1])
    model = blocked([str(i) for i in range(16)], ids, blocks, (SEALED_ID, STOCK_ID), x[:, None])
    name = next(n for n in plain.params.index if n.startswith("C(c)"))
    sign = 1.0 if SEALED_ID in name else -1.0
    assert model.weights @ y == pytest.approx(sign * plain.params[name])


@pytest.mark.parametrize("unequal", [1.0, 1.5])
def test_intervals_hold_the_truth_and_narrow(unequal):
    """20,000 simulated campaigns of 8 blocks: coverage 93 to 97 %, narrower where the covariate explains, hardly wider else."""
    rng = np.random.default_rng(11)
    ids, blocks, x, _ = _simulated(rng)
    runs, pair = [str(i) for i in range(16)], (SEALED_ID, STOCK_ID)
    sd = np.array([unequal if c == SEALED_ID else 1.0 for c in ids])
    noise = rng.normal(0.0, 1.0, (20_000, 16)) * sd + rng.normal(0.0, 4.0, (20_000, 8)).repeat(2, axis=1)
    widths = {}
    for slope in (0.5, 0.0):
        for adjusted in (False, True):
            model = blocked(runs, ids, blocks, pair, x[:, None] if adjusted else None)
            found = model.evaluate(noise + slope * x)
            half = coverage_factor(0.95, model.df) * found.error
            widths[slope, adjusted] = float(np.median(half))
            if adjusted:
                assert 0.93 <= np.mean(np.abs(found.difference) <= half) <= 0.97
    assert widths[0.5, True] < 0.9 * widths[0.5, False]
    assert widths[0.0, True] < 1.25 * widths[0.0, False]


def known(values, x, **more) -> Covariates:
    return Covariates({"start_over_ambient": dict(zip([v.run for v in values], x, strict=True)), **more}, {})


def limitations(values, rows_) -> set[str]:
    f = Findings(MODEL, (), (), NOTHING, (), (), (CITY,), values, rows_)
    return {limitation.code for limitation in derive_limitations(f)}


def declared(*names: str):
    return MODEL.model_copy(update={"comparison": MODEL.comparison.model_copy(update={"covariates": names})})


def _balanced():
    """A slope of 0.6 and an effect of −1."""
    rng = np.random.default_rng(2)
    x = rng.permuted(np.tile([-3.0, 3.0], (8, 1)), axis=1).ravel() + rng.normal(0.0, 0.5, 16)
    y = 10.0 + rng.normal(0.0, 2.0, 8).repeat(2) + 0.6 * x + rng.normal(0.0, 0.4, 16) + np.tile([0.0, -1.0], 8)
    return x, rows(CITY, LAYOUT, y.tolist())


def test_the_default_adjusts_and_keeps_the_unadjusted_beside_it():
    x, values = _balanced()
    (row,) = compare(MODEL, (CITY,), values, None, known(values, x))
    plain = compare_pair(MODEL, CITY, values, SEALED_ID, STOCK_ID)
    assert row.unadjusted.difference == plain.difference and row.unadjusted.low == plain.low
    assert row.unadjusted.p_adjusted == plain.p_value and row.unadjusted.call == "not shown"
    assert row.call == "shown" and row.low <= -1.0 <= row.high
    (fit,) = row.covariates
    assert abs(fit.slope - 0.6) < 2.0 * fit.u and fit.scatter < 0.5 * fit.scatter_without
    assert row.difference == pytest.approx(plain.difference - fit.slope * fit.unbalance)
    assert compare(declared(), (CITY,), values, None, known(values, x))[0].unadjusted is None  # [] is "nothing"


def test_what_the_configuration_changes_is_no_covariate():
    x, values = _balanced()
    (row,) = compare(MODEL, (CITY,), values, None, known(values, x * 0.2 + np.tile([0.0, 4.0], 8)))
    assert row.unadjusted is None and [why.code for why in row.refused] == ["covariate-of-configuration"]
    text = said(row.refused[0], "si")
    assert "+4.2" in text and "part of what the configuration does" in text
    assert "covariate-refused" in limitations(values, (row,))


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda x, values: (x[:8], values[:8]), "covariate-freedom"),
        (lambda x, values: (np.repeat(x[::2], 2), values), "covariate-constant"),
        (lambda x, values: (x[:-1], values), "covariate-missing"),
    ],
)
def test_a_declared_covariate_that_cannot_be_used_is_refused_with_its_reason(change, code):
    x, values = change(*_balanced())
    covariates = known(values[:-1] if code == "covariate-missing" else values, x)
    (row,) = compare(declared("start_over_ambient"), (CITY,), values, None, covariates)
    assert row.unadjusted is None and [why.code for why in row.refused] == [code]
    assert compare(MODEL, (CITY,), values, None, covariates)[0].refused == ()  # a default is left out without a word


def test_a_second_covariate_needs_twice_the_freedom_and_recovery_has_none_by_default():
    x, values = _balanced()
    covariates = known(values, x, start_coolant={v.run: float(i % 5) for i, v in enumerate(values)})
    (row,) = compare(declared("start_over_ambient", "start_coolant"), (CITY,), values, None, covariates)
    assert [fit.name for fit in row.covariates] == ["start_over_ambient"]
    assert [why.code for why in row.refused] == ["covariate-freedom"]
    times = rows(RECOVERY, LAYOUT, [60.0 + i for i in range(16)])
    assert compare(MODEL, (RECOVERY,), times, None, covariates)[0].unadjusted is None


def test_runs_dealt_anew_are_all_arrangements_in_small():
    """Against every one of the 252 ways to deal ten runs; three pairs reach no p that could decide."""
    rng, marks = np.random.default_rng(6), np.array([1.0, 0.0] * 5)
    x = rng.normal(0.0, 3.0, (10, 1))
    y = 0.5 * x[:, 0] + marks + rng.normal(0.0, 0.7, 10)

    def correlation(chosen) -> float:
        z = np.isin(np.arange(10), chosen).astype(float)
        basis = np.column_stack([np.ones(10), x])
        zr, yr = (v - basis @ np.linalg.lstsq(basis, v, rcond=None)[0] for v in (z, y))
        return abs(zr @ yr) / np.linalg.norm(zr)

    every = [correlation(chosen) for chosen in combinations(range(10), 5)]
    exact = np.mean(np.array(every) >= correlation(np.flatnonzero(marks)) - 1e-9)
    found = dealt_anew(y, marks.astype(bool), ["all"] * 10, x, np.random.default_rng(1))
    assert found == pytest.approx(exact, abs=4.0 * np.sqrt(exact / 2000.0)) and exact < 0.5
    assert dealt_anew(y[:6], marks[:6].astype(bool), [0, 0, 1, 1, 2, 2], x[:6], np.random.default_rng(1)) is None
    # what is common to the runs of a day takes no part: they are dealt among themselves
    day, marks, x, y = np.repeat([0, 1], 6), np.array([True, False] * 6), rng.normal(size=(12, 1)), rng.normal(size=12)
    moved = [(y + by * day, marks, day, x + by * day[:, None], np.random.default_rng(1)) for by in (0.0, 20.0)]
    assert dealt_anew(*moved[0]) == dealt_anew(*moved[1])


def test_a_bent_line_and_the_hot_bay_are_said():
    x, values = _balanced()
    curved = tuple(replace(v, value=v.value + 0.4 * (a - 1.0) ** 2) for v, a in zip(values, x, strict=True))
    for some, codes in ((curved, {"covariate-form", "start-adjusted"}), (values, {"start-adjusted"})):
        assert codes <= limitations(some, compare(MODEL, (CITY,), some, None, known(some, x)))


@pytest.mark.parametrize(
    ("names", "word"),
    [
        ('["start_over_ambient", "start_over_ambient"]', "twice"),
        ('["start_over"]', "start_over_ambient"),
        ('["start_over_ambient", "start_coolant", "standing_before"]', "2"),
    ],
)
def test_the_campaign_names_covariates_once_and_rightly(tmp_path, names, word):
    file = roadlog.write(tmp_path)
    file.write_text(f"{file.read_text('utf-8')}\n[comparison]\ncovariates = {names}\n", encoding="utf-8")
    with pytest.raises((CampaignError, ExceptionGroup)) as caught:
        load_campaign(file)
    texts = [str(e) for e in getattr(caught.value, "exceptions", (caught.value,))]
    assert any("comparison" in text for text in texts) and any(word in text for text in texts), texts
