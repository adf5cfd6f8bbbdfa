"""Sections in the reader's words: places, acceptance, provenance, cover facts, and what the figures leave room for."""

import re
from collections import Counter
from dataclasses import replace

import pytest

from intake_report import plots_values
from intake_report.messages import Interval, Value, message
from intake_report.render import sections
from intake_report.render.blocks import Column, Cover, Definitions, Paragraph, Preformatted, Table, plain
from intake_report.render.document import number
from intake_report.render.sections import body, findings
from intake_report.render.typst import WHOLE, plan

from .samples import table


def texts(blocks, kind=Paragraph) -> list[str]:
    return [b.text for b in blocks if isinstance(b, kind)]


def test_peaks_by_place_are_those_of_the_metric(result):
    metric = {v.run: (v.value, v.distance) for v in result.of("peak_over_ambient")}
    peaks = {p.run: (p.value, p.distance) for p in result.places.peaks.itertuples()}
    assert peaks == {r: pytest.approx(v) for r, v in metric.items()}
    panel = plots_values.places_figure(result, result.places, "").get_axes()[0]
    drawn = {round(float(line.get_ydata()[0]), 6) for line in panel.get_lines() if len(line.get_ydata()) == 1}
    assert drawn == {round(value, 6) for value, _ in metric.values()}


def peaks_text(result, distances: list[float], centre: float, share: float) -> str:
    peaks = result.places.peaks.iloc[: len(distances)].assign(distance=distances)
    places = replace(result.places, peaks=peaks, peak_centre=centre, peak_share=share, one_place=share >= 0.75)
    return texts(sections.places(replace(result, places=places)))[1]


def test_sentence_on_peaks_does_not_contradict_itself(result):
    last = result.places.stops["distance"].iloc[-1]
    some = peaks_text(result, [last, last, 100.0], last, 2 / 3)
    assert some.startswith("2 of 3 runs peak within") and "(the last stop before the ramp), 1 elsewhere." in some
    every = peaks_text(result, [last, last, last], last, 1.0)
    assert "elsewhere" not in every and "do not" not in every
    assert "another place" in peaks_text(result, [1.0, 5000.0, 9000.0], 1.0, 1 / 3)
    assert peaks_text(result, [last], last, 1.0).startswith("The run peaks at")


def test_report_in_us_units_has_no_other(badly_designed):
    chain, result = badly_designed.chain, badly_designed.chain.result
    blocks = (
        *sections.cover(chain.campaign, result, "2026-07-01", 1), *sections.methodology(chain.campaign, result),
        *sections.decision(chain.campaign, result, ""), *sections.method(chain.campaign, result),
        *sections.conditions(result), *sections.limitation_table(result),
        *sections.definitions(result), *sections.places(result), *sections.run_log(result), *sections.limitations(result),
        *sections.data_quality(result), *sections.results(result), *sections.details(result),
    )  # fmt: skip
    words = [*texts(blocks), *(t for b in blocks if isinstance(b, Definitions) for pair in b.items for t in pair)]
    words += [cell for b in blocks if isinstance(b, Table) for row in b.rows for cell in row]
    words += [t for b in blocks if isinstance(b, Cover) for t in b.answer]
    # a margin names both units on purpose: "3 °F (1.7 K)"
    found = [w for w in words if re.search(r"(?<!\()\b\d+(\.\d+)?\s(K|°C|km/h|km|m|kPa)\b", w)]
    assert len(words) > 150 and not [w for w in found if not re.search(r"\(\d+(\.\d+)?\sK\)", w)], found


def test_limits_are_converted_where_they_are_printed_and_texts_of_a_campaign_never(badly_designed):
    """Exact definitions: 90 kPa = 26.58 inHg, 105 kPa = 31.01 inHg, 15 °C = 59 °F, 4000 m = 13123 ft."""
    chain, result = badly_designed.chain, badly_designed.chain.result
    limits = (
        message("{low} to {high}", low=Value(90.0, "pressure", 0), high=Value(105.0, "pressure", 0)),
        Interval(15.0, 35.0, "temperature", 0),
        message("{low} to {high}", low=Value(1200.0, "length", 0), high=Value(4000.0, "length", 0)),
    )
    rows = result.criteria.iloc[:3].assign(code=list("abc"), title=["Rain 40 °C", "b", "c"], limit=list(limits))
    made = table(sections.run_log(replace(result, criteria=rows)), "tab-criteria")
    printed = [plain(row[1]).replace("\u00a0", " ") for row in made.rows]
    assert printed == ["27 inHg to 31 inHg", "59 to 95 °F", "3937 ft to 13123 ft"]
    assert made.rows[0][0] == "Rain 40 °C"
    tyres = chain.campaign.vehicle.model_copy(update={"notes": "tyre Rain 40 °C, 2.2 km/h"})
    articles = sections.articles(chain.campaign.model_copy(update={"vehicle": tyres}), result)
    facts = [item for block in articles if isinstance(block, Definitions) for item in block.items]
    assert ("Notes", "tyre Rain 40 °C, 2.2 km/h") in facts


def test_command_of_the_provenance_holds_no_path_of_this_machine(demo, tmp_path):
    (command,) = texts(sections.provenance(demo.chain.campaign, "2026-07-01"), Preformatted)
    assert command == "intake-report render PATH/TO/ramp-trial --date 2026-07-01"


def test_facts_of_the_cover_are_those_of_the_runs(demo, result):
    (cover,) = sections.cover(demo.chain.campaign, result, "2026-07-01", 1)
    facts = dict(cover.facts)
    assert facts["Runs"] == "9 of 9 in the comparison, in 3 blocks, driven 2026-06-09 to 2026-06-11"
    assert facts["Weather"] == "mean ambient 26.7 to 27.8\u00a0°C, wind 7 to 17\u00a0km/h, road dry" and facts["Route"]


def test_methodology_does_not_claim_a_comparison_where_there_is_none(demo, result):
    rows = tuple(replace(c, difference=None, low=None, high=None) for c in result.comparisons)
    first = texts(sections.methodology(demo.chain.campaign, replace(result, comparisons=rows)))[0]
    assert "were driven" in first and "nothing could be compared" in first and "were compared" not in first
    assert "were compared" in texts(sections.methodology(demo.chain.campaign, result))[0]


def test_blocks_and_scatter_are_spoken_of_only_where_there_are_some(demo, badly_designed):
    words = []
    for c in (demo.chain, badly_designed.chain):
        of_campaign = [one for make in (sections.method, sections.methodology) for one in make(c.campaign, c.result)]
        words.append(" ".join(texts((*of_campaign, *sections.places(c.result)))))
    for text in ("taken within blocks", "Student's t", "met every block", "3 blocks of runs"):
        assert [text in said for said in words] == [True, False]
    assert "each in a block of its own" in words[1] and "the instruments' errors alone" in words[1]
    single = badly_designed.chain.result
    titles = [c.title for c in table(sections.details(single), "tab-basis").columns]
    assert titles == ["Metric", "Configuration", "u, shared biases", "Equivalence"]
    row = table(sections.results(single), "tab-results").rows[0]
    assert "[°F]" in row[0] and not any("°F" in cell for cell in row[1:])


def test_recovery_marks_are_off_the_frame_and_margins_beside_the_curves(demo):
    (panel,) = plots_values.recovery_figure(demo.chain.result, "").get_axes()
    low, high = panel.get_xlim()
    marks = [float(line.get_xdata()[0]) for line in panel.get_lines() if len(line.get_xdata()) == 1]
    assert marks and all(low < x < high for x in marks)
    labels = [t for t in panel.texts if "°F" in t.get_text()]
    assert len(labels) == 2 and all(t.get_ha() == "right" and t.xy[0] == 1.0 for t in labels)


def test_differences_have_a_row_per_metric_and_a_title_that_counts(result, badly_designed, monkeypatch):
    calls, found, draw = Counter(c.call for c in result.comparisons), [], plots_values.difference_figure
    monkeypatch.setattr(findings, "difference_figure", lambda *a: found.append(a[2]) or draw(*a))
    sections.details(result)
    assert found[0].startswith(f"{calls['shown']} of ") and "more as exploratory only" in found[0]
    keys = [k for k in result.metrics if k.spec.headline]
    figure = plots_values.difference_figure(result, keys, "")
    assert sum(len(a.get_yticklabels()) for a in figure.get_axes()) == len(keys)
    assert {t.get_text() for t in figure.legends[0].get_texts()} == {c.name for c in result.configurations[1:]}
    single = badly_designed.chain.result  # in US units: 1 K of a difference is 1.8 °F, without the scale's 32
    (panel,) = draw(single, [k for k in single.metrics if k.spec.id == "peak_iat"], "").get_axes()
    drawn = sorted(float(line.get_xdata()[0]) for line in panel.get_lines() if line.get_marker() not in ("None", ""))
    assert drawn == pytest.approx(sorted(1.8 * c.difference for c in single.comparisons if c.key == "peak_iat"))


def test_title_of_the_acceptance_figure_is_short_however_many_runs_miss(result, monkeypatch):
    titles, draw = [], body.acceptance_figure
    monkeypatch.setattr(body, "acceptance_figure", lambda r, finding: titles.append(finding) or draw(r, finding))
    sections.conditions(replace(result, criteria=result.criteria.assign(passed=False)))
    (title,), (first, *_) = titles, result.criteria["title"]
    assert title.startswith(f"0 of {len(result.runs)} runs meet every criterion; beyond a limit: most often ")
    assert title.count("(in ") == 3 and f"{first.lower()} (in {len(result.runs)})" in title


def test_only_short_tables_are_kept_whole():
    document = number(())
    columns = (Column("Run"), Column("What"))
    short = Table("tab-a", "Short", columns, (("r1", "x"),) * 5)
    long = Table("tab-b", "Long", columns, (("r1", "x"),) * 40)
    wordy = Table("tab-c", "Wordy", columns, (("r1", "some words " * 120),) * 3)
    heights = [plan(t, document, 470.0).height for t in (short, long, wordy)]
    assert heights[0] <= WHOLE < min(heights[1:])
