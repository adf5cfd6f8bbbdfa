"""The evidence sections: what they say, in which units, and that nothing of a campaign acts as markup."""

import json
import re
from dataclasses import asdict, is_dataclass

import offroad
import pytest
import roadlog
from conftest import Chain, run_chain

from intake_report.messages import said
from intake_report.render import sections
from intake_report.render.blocks import Callout, Figure, Heading, Table, parse, plain
from intake_report.results.text import results_json

from .samples import table


@pytest.fixture(scope="module", params=["si", "us"])
def chain(request, tmp_path_factory) -> Chain:
    return run_chain(offroad.write(tmp_path_factory.mktemp("offroad"), offroad.campaign(units=request.param)))


@pytest.fixture(scope="module")
def bare(tmp_path_factory) -> Chain:
    return run_chain(roadlog.write(tmp_path_factory.mktemp("bare")))


def off_road_blocks(chain: Chain) -> list:
    c, r = chain.campaign, chain.result
    return [
        *sections.off_road(r), *sections.air(r), *sections.dyno(c, r), *sections.restriction(r),
        *sections.exposure(c, r), *sections.service(r),
    ]  # fmt: skip


def cells(found: Table) -> list[str]:
    return [plain(cell) for row in found.rows for cell in row]


def words(value) -> str:
    """Return every text of these blocks, whatever kinds they are, with plain blanks."""
    if isinstance(value, str):
        return plain(value).replace("\u00a0", " ")
    if isinstance(value, dict):
        return words([v for k, v in value.items() if k not in {"svg", "values", "label", "kind"}])
    if is_dataclass(value):
        return words(asdict(value))
    return "\n".join(map(words, value)) if isinstance(value, list | tuple) else ""


def test_every_kind_of_evidence_has_its_section(chain):
    headings = [b.label for b in off_road_blocks(chain) if isinstance(b, Heading)]
    assert headings == ["sec-off-road", "sec-air", "sec-dyno", "sec-restriction", "sec-exposure", "sec-service"]
    figures = [b.label for b in off_road_blocks(chain) if isinstance(b, Figure)]
    assert figures == ["fig-mass", "fig-dyno", "fig-dyno-difference", "fig-restriction"]


def test_without_evidence_one_sentence_says_so(bare):
    blocks = off_road_blocks(bare)
    assert [b.label for b in blocks if isinstance(b, Heading)] == ["sec-off-road", "sec-air"]
    assert "Not tested in this campaign: power on a dyno, restriction, wet exposure" in words(blocks)
    assert "time to service" in words(blocks)
    assert not any(isinstance(b, Figure) and b.label != "fig-mass" for b in blocks)


def test_tables_print_what_results_json_says(chain):
    document = json.loads(results_json(chain.result, "2026-07-01", 1))["evidence"]
    dyno, bench, weather = document["dyno"], document["bench"], document["weather"]
    blocks = [*off_road_blocks(chain), *sections.weather(chain.result)]
    restrictions = [found["rows"] for found in bench["restrictions"]]
    for label, rows, names in (
        ("tab-dyno-figures", dyno["means"], ("text", "interval_text")),
        ("tab-dyno-figures", dyno["comparisons"], ("text", "interval_text", "percent_text")),
        ("tab-restriction", *restrictions, ("drop_text", "difference_text", "percent_interval_text")),
        ("tab-exposure", bench["exposures"], ("sentence",)),
        ("tab-service", bench["services"], ("text", "interval_text", "range_text")),
        ("tab-ambient-offsets", weather["offsets"], ("text", "interval_text")),
        ("tab-forecast", weather["forecasts"], ("forecast_text", "actual_text", "difference_text")),
    ):
        assert rows and {row[name] for row in rows for name in names} <= set(cells(table(blocks, label))), label


def test_reader_sees_one_system_of_units(chain):
    text = words([*sections.weather(chain.result), *off_road_blocks(chain)])
    # the reference state of a method and the rules of the trade keep the units they are stated in
    text = re.sub(r"25 °C, 99 kPa dry air and 1 kPa vapour|1 % per 10 °F", "", text)
    text = re.sub(r"2 °F \(1\.1 K\)|1\.1 K \(2 °F\)", "", text)
    if chain.result.units == "us":
        assert "hp" in text and "lbf·ft" in text and "inH₂O" in text and "cfm" in text and "inHg" in text
        assert not re.search(r"\d (K|kW|N·m|km/h|m³/h|kPa|°C)\b", text)
    else:
        assert "kW" in text and "N·m" in text and "kPa" in text and "m³/h" in text
        assert not re.search(r"\d (°F|hp|lbf·ft|mph|cfm|inHg|inH₂O)", text)


def test_both_corrected_and_uncorrected_and_the_name_of_the_correction(chain):
    blocks = sections.dyno(chain.campaign, chain.result)
    titles = [plain(c.title) for c in table(blocks, "tab-pulls").columns]
    assert sum(title.startswith("Uncorrected") for title in titles) == 2 and "Factor" in titles
    text = words(blocks)
    assert "SAE J1349, 2004 and later coefficients" in text and "never the intake air" in text
    assert "1 pull left out by rule: cold" in text


def test_uncorrected_pulls_are_not_printed_twice_and_a_wet_run_is_cautioned(tmp_path):
    data = roadlog.changed(offroad.campaign(), "dyno.correction", "none")
    data = roadlog.changed(data, "run.0.road", "wet")
    reports = [r.replace("9999 SCT040", "9999 -RA SCT040") for r in offroad.REPORTS]
    found = run_chain(offroad.write(tmp_path, roadlog.changed(data, "weather.0.reports", reports)))
    blocks = sections.dyno(found.campaign, found.result)
    assert "not corrected" in words(blocks)
    assert not any("Uncorrected" in c.title for c in table(blocks, "tab-pulls").columns)
    assert not any("uncorrected" in cell for cell in cells(table(blocks, "tab-dyno-figures")))
    text = words(sections.weather(found.result))
    assert "draws in water" in text and "open roads" in text
    notices = cells(table(sections.data_quality(found.result), "tab-notices"))
    assert any("light rain" in cell or "RA" in cell for cell in notices)


def test_assumed_driveline_loss_and_the_boost_that_a_method_takes_are_named(tmp_path):
    data = roadlog.changed(offroad.campaign(), "dyno.driveline_loss", "15 % (assumed, front-wheel drive)")
    data["dyno"] |= {"correction": "iso-1585-diesel-na", "aspiration": "boosted", "fuel_per_cycle": 50.0}
    found = run_chain(offroad.write(tmp_path, data))
    text = words(sections.dyno(found.campaign, found.result))
    assert "a driveline loss of 15 % (assumed, front-wheel drive)" in text and "assumption" in text
    assert "boosted, taken as mechanically supercharged" in text
    limits = {x.code: said(x.text, "si") for x in found.result.limitations}
    assert "driveline-assumed" in limits and "only where it is mechanically supercharged" in limits["correction-range"]


def test_cautions_stand_where_water_and_roads_appear(chain):
    callouts = [b for b in sections.exposure(chain.campaign, chain.result) if isinstance(b, Callout)]
    assert callouts[0].tone == "caution"
    text = words(callouts)
    assert "draws in water" in text and "open roads" in text
    assert any(isinstance(b, Callout) for b in sections.service(chain.result))
    assert not any(isinstance(b, Callout) for b in sections.weather(chain.result))


def test_percentage_of_airflow_only_at_equal_depression(chain):
    text = words(sections.restriction(chain.result))
    assert "between equal depressions only" in text and "common practice" in text and "1/4 to 4" in text


def test_text_of_the_campaign_is_no_markup(chain):
    spans = parse(table(sections.service(chain.result), "tab-remarks").rows[0][2])
    assert "".join(s.text for s in spans) == "needs **two** hands [[sec-claims]]"
    assert not any(s.bold or s.reference for s in spans)


def test_typed_pulls_are_shown_as_printed(tmp_path):
    data = offroad.campaign(units="us")
    del data["dyno"]
    data["pull"] = [
        {
            "id": f"t{n}", "configuration": ("stock", "sealed")[n % 2], "measured_at": "wheel", "order": n + 1,
            "printed_correction": "SAE **2004**", "peak_power": f"{100 + 3 * (n % 2) + n // 2} hp",
        }
        for n in range(6)
    ]  # fmt: skip
    found = run_chain(offroad.write(tmp_path, data))
    blocks = sections.dyno(found.campaign, found.result)
    text = words(blocks)
    assert "nothing was made up" in text and "SAE **2004**" in text and "not corrected again" in text
    assert not any(isinstance(b, Figure) for b in blocks)
    assert cells(table(blocks, "tab-pulls"))[:2] == ["t0", "1"] and "105.0" in cells(table(blocks, "tab-pulls"))
    assert "+3.00\u00a0hp" in cells(table(blocks, "tab-dyno-figures"))
    assert "typed-figures" in {x.code for x in found.result.limitations}
    document = json.loads(results_json(found.result, "2026-07-01", 1))["evidence"]["dyno"]
    assert document["grid"] is None and document["printed"] == "SAE **2004**"


def test_quoted_airflow_is_shown_as_quoted_and_never_compared(tmp_path):
    data = offroad.campaign(units="us")
    del data["restriction"], data["bench"]
    quote = {"configuration": "sealed", "more": "15 %", "source": "a **data** sheet"}
    at_28 = quote | {"depression": "28 inH2O"}
    data["airflow"] = [quote, *(at_28 | {"versus_depression": f"{pressure} inH2O"} for pressure in (10, 28)), at_28]
    found = run_chain(offroad.write(tmp_path, data))
    quotes = table(sections.restriction(found.result), "tab-airflow-quoted")
    standing = [words(row[-1]) for row in quotes.rows]
    assert standing[0] == standing[3] == "depression not known: cannot be compared"
    assert standing[1] == "taken at 28.00 inH₂O and 10.00 inH₂O: cannot be compared"
    assert standing[2].startswith("both at 28.00 inH₂O") and "without an interval" in standing[2]
    assert {words(row[2]) for row in quotes.rows} == {"“+15.0 %”"}
    assert "one stated depression on one bench" in words(sections.restriction(found.result))
    (limit,) = (x for x in found.result.limitations if x.code == "quoted-airflow")
    assert "3 of 4 percentages do not compare" in said(limit.text, "us")
    # nothing is computed from them: no curve, and what was tested does not name restriction
    bench = json.loads(results_json(found.result, "2026-07-01", 1))["evidence"]["bench"]
    assert bench["restrictions"] == [] and "restriction" in found.result.evidence.untested
