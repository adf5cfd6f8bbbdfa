"""Weather and the ambient reference, instrumentation, run log with acceptance, data quality."""

from collections.abc import Iterator
from functools import partial
from typing import Any

from intake_report import formatting
from intake_report.bench import CAUTION_ROAD, CAUTION_WATER
from intake_report.campaign import Campaign
from intake_report.channels import CHANNELS
from intake_report.messages import said
from intake_report.render.blocks import Block, Callout, Heading, Paragraph, literal
from intake_report.render.sections.tables import TableOf, interval_column, named, once
from intake_report.report_table import Field, rows_of
from intake_report.results import ReportResult
from intake_report.results.evidence import WeatherEvidence
from intake_report.results.text import FORECAST, OFFSET, percent
from intake_report.units import UnitSystem, parse_quantity
from intake_report.weather import MIN_SPEED, SETTLE

STEPS = {"true-samples": "rows that only repeat a reading (not samples)"}
ZEROED = (
    "After a long stand, engine cold and out of the sun, all temperature sensors must read the temperature of the air"
)
MOST_NAMED = 3  # channels named in a row of the quality table
REPEATING = 1.5  # rows per sample beyond which a channel repeats its readings


def instrumentation(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return the logger, and per channel what was declared and what the data show."""
    rows = list(rows_of(result.sampling))
    slow = sum(row.rows_per_sample > REPEATING for row in rows)
    text = f"Logger: {literal(campaign.instrument.logger)}."
    if slow:
        text += (
            f" The log repeats readings: {formatting.count(slow, 'channel')} of {len(rows)} had a new value on "
            "only some rows. Rows that only repeat a reading are not samples: they are found from the pattern of polling and left "
            "out of everything below."
        )
    declared = [campaign.instrument.channels.get(row.channel) for row in rows]

    def width(row: Any, value: float | str | None, units: UnitSystem, decimals: int = 2) -> str:
        quantity = CHANNELS[row.channel].quantity
        quantity = "temperature_difference" if quantity == "temperature" else quantity
        value = parse_quantity(value, quantity) if isinstance(value, str) else value
        return formatting.with_unit(value, quantity, units, decimals)

    def step(row: Any, units: UnitSystem) -> str:
        return "none found" if row.step is None else width(row, row.step, units)

    def accuracy(row: Any, units: UnitSystem) -> str:
        return f"± {width(row, row.accuracy, units, 1)}" if row.accuracy else formatting.ABSENT

    def interval(row: Any, _: UnitSystem) -> str:
        low, high = (formatting.number(x, 2) for x in (row.interval_low, row.interval_high))
        return low if low == high else f"{low} to {high}"

    stated: dict[str, list[Any]] = {
        "accuracy": [own.accuracy if own else "" for own in declared],
        "time_constant": [(own.time_constant or None) if own else None for own in declared],
        "calibrated": [own.calibrated.isoformat() if own and own.calibrated else "" for own in declared],
    }
    table = TableOf(result.units, "tab-channels", result.sampling.assign(**stated)).declared(
        "Channels: declared instrument data and the sampling found in the logs, repeated rows left out",
        Field("label", "Channel", width=2.6),
        Field("", "Interval of new readings [s]", cell=interval, align="right", width=1.3),
        Field("", "Step found", cell=step, align="right", width=1.3),
        Field("", "Resolution declared", cell=lambda r, units: width(r, r.resolution, units), align="right", width=1.4),
        Field("", "Accuracy declared", cell=accuracy, align="right", width=1.4),
        Field("time_constant", "Time constant", "time", 1, unit="cell", width=1.2),
        Field("calibrated", "Calibrated", width=1.3),
    )
    zeroed = [said(n.text, result.units) for n in result.evidence.notices if n.code.startswith("soak-check")]
    offsets = f"{ZEROED} (common practice): that gives their offsets. {' '.join(zeroed)}"
    return (
        Heading(1, "Instrumentation", "sec-instrumentation"),
        Paragraph(text),
        table,
        *((Paragraph(literal(offsets)),) if zeroed else ()),
    )


def clock(start: str | None) -> str:
    """Return date and minute of an ISO time."""
    return start[:16].replace("T", " ") if start else "not known"


def run_log(result: ReportResult) -> tuple[Block, ...]:
    """Return the run log with the decision on each run, and all criteria at a glance."""
    table = TableOf(result.units, "tab-runs", result.runs).declared(
        "Runs in the order of the campaign file",
        Field("id", "Run", width=1.9),
        named(result, 2.0),
        Field("block", "Block", width=0.9),
        Field("start", "Start", cell=lambda r, _: clock(r.start), width=1.6),
        Field("duration", "Duration", "duration", 1, width=1.1),
        Field("length", "Length", "distance", 2),
        Field("stops", "Stops", "number", width=0.8),
        Field("stopped_time", "Stopped", "duration", 1, width=1.1),
        Field("decision", "Decision", width=1.4),
        notes=(f"{r.id}: {'; '.join(said(why, result.units) for why in r.reasons)}." for r in result.runs if r.reasons),
    )
    return (Heading(1, "Run log and acceptance", "sec-runs"), table, *_criteria(result))


def _criteria(result: ReportResult) -> Iterator[Block]:
    criteria = list(rows_of(result.criteria))
    if not criteria:
        return
    text = "All runs meet all acceptance criteria that could be applied."
    if failed := [c for c in criteria if c.passed is False]:
        beyond = formatting.count(len(failed), "criterion was", "criteria were")
        text = f"{beyond} not met; hard failures leave the comparison, soft ones stay as limitations."

    def missed(row: Any, units: UnitSystem) -> str:
        texts = [f"{c.run} ({said(c.value, units)})" for c in failed if c.code == row.code]
        return ", ".join(texts) or formatting.ABSENT

    titles: dict[str, list[str]] = {}
    for rows in ([c for c in criteria if c.code == code] for code in dict.fromkeys(c.code for c in criteria)):
        if all(c.passed is None for c in rows):
            titles.setdefault(said(rows[0].reason or "not known", result.units), []).append(rows[0].title)
    if titles:
        parts = [f"{formatting.listing(names)} ({reason})" for reason, names in titles.items()]
        text += f" Not applied to any run: {'; '.join(parts)}."
    yield Heading(2, "Acceptance criteria", "sec-acceptance")
    yield Paragraph(literal(text))
    yield TableOf(result.units, "tab-criteria", result.criteria.drop_duplicates("code", keep="last")).declared(
        "Acceptance criteria with their limits, and the runs that do not meet them",
        Field("title", "Criterion", width=2.4),
        Field("limit", "Limit", width=2.8),
        Field("hard", "Kind", cell=lambda c, _: "hard" if c.hard else "soft", width=0.7),
        Field("", "Not met by", cell=missed, width=4.4),
    )
    if result.pairs.empty:
        return

    def farthest(p: Any, units: UnitSystem) -> str:
        return f"{formatting.listing(p.worst)} ({said(p.value, units)})" if p.worst else formatting.ABSENT

    yield TableOf(result.units, "tab-pairs", result.pairs).declared(
        "Pairs of runs of different configurations: how far they are apart",
        Field("title", "Criterion", width=2.8),
        Field("limit", "Limit", align="right", width=1.5),
        Field("pairs", "Pairs compared", "number", width=1.1),
        Field("failed", "Beyond the limit", "number", width=1.1),
        Field("worst", "Farthest apart", cell=farthest, width=3.8),
        notes=(
            "Pairs of one configuration are not in this table, so the largest difference between any two runs can be larger. "
            "What an intake itself may change (intake air at the start) is not judged between configurations."
        ),
    )


def data_quality(result: ReportResult) -> tuple[Block, ...]:
    """Return what cleaning found, summed over runs; results.json holds every line."""
    touched = [row for row in rows_of(result.quality) if row.touched]
    steps = []
    for step in dict.fromkeys(row.step for row in touched):
        rows = [row for row in touched if row.step == step]
        labels = tuple(dict.fromkeys(_channel_label(row.channel) for row in rows))
        counts = {
            "channels": labels,
            "runs": len({row.run for row in rows}),
            "samples": sum(row.touched for row in rows),
        }
        steps.append(max(rows, key=lambda row: row.share)._asdict() | counts)

    def channels(row: Any, _: UnitSystem) -> str:
        return formatting.listing(row.channels) if len(row.channels) <= MOST_NAMED else f"{len(row.channels)} channels"

    def worst(row: Any, units: UnitSystem) -> str:
        return f"{row.run}, {_channel_label(row.channel)}: {said(row.reason, units)}"

    remarks: Block = Paragraph("Weather and bench data were read without a remark.")
    if result.evidence.notices:
        remarks = TableOf(result.units, "tab-notices", result.evidence.notices).declared(
            "Remarks on weather, dyno and bench data",
            Field("source", "Source", width=1.6),
            Field("code", "Kind", cell=lambda n, _: n.code.replace("-", " "), width=1.8),
            Field("text", "Remark", width=6.0),
        )
    table = TableOf(result.units, "tab-quality", steps).declared(
        "What cleaning found, by step",
        Field("", "Step", cell=lambda q, _: STEPS.get(q.step, q.step.replace("-", " ")), width=1.5),
        Field("", "Channels", cell=channels, width=1.8),
        Field("runs", "Runs", "number", width=0.7),
        Field("samples", "Samples", "number"),
        Field("", "Largest share", cell=lambda q, _: percent(100.0 * q.share, signed=False), align="right"),
        Field("", "In the run with the largest share", cell=worst, width=4.6),
    )
    return (
        Heading(1, "Data quality", "sec-quality", internal=True),
        Paragraph(
            "Every cleaning step says what it touched. Masked samples are kept in the data and left out of the metrics; nothing "
            "is interpolated across a gap longer than the channel's limit. The table sums over runs and channels; results.json "
            "has every line."
        ),
        table if steps else Paragraph("Cleaning touched no sample."),
        *_cross_checks(result),
        remarks,
    )


def _channel_label(channel: str) -> str:
    return CHANNELS[channel].label if channel in CHANNELS else channel or "whole run"


def _cross_checks(result: ReportResult) -> Iterator[Block]:
    done = [check for check in rows_of(result.cross_checks) if check.status in ("agrees", "flagged")]
    rows = []
    for name in dict.fromkeys(check.name for check in done):
        agrees, flagged = ([c for c in done if (c.name, c.status) == (name, s)] for s in ("agrees", "flagged"))
        rows.append((flagged or agrees)[0]._asdict() | {"agrees": len(agrees), "flagged": len(flagged)})
    if not rows:
        return
    yield TableOf(result.units, "tab-cross-checks", rows).declared(
        "Channels held against each other and against the weather record",
        Field("", "Check", cell=lambda c, _: c.name.replace("-", " "), width=2.0),
        Field("agrees", "Agrees in runs", "number", width=0.9),
        Field("flagged", "Flagged in runs", "number", width=0.9),
        Field("", "Evidence", cell=lambda c, units: f"{c.run}: {said(c.evidence, units)}", width=5.6),
        notes="A check flags and alters nothing. The evidence is that of the first flagged run, else of the first run.",
    )


def weather(result: ReportResult) -> tuple[Block, ...]:
    """Return the ambient reference, how the sources compare, and the conditions during each run."""
    units, record = result.units, result.evidence.weather
    text = f"Ambient reference: **{literal(result.ambient_reference)}**. {literal(said(result.ambient_reason, units))}"
    if record.uncertainty is not None and record.uncertainty_between is not None:
        kelvins = partial(result.printed, quantity="temperature_difference", decimals=2)
        parts = [f"{c.name} {kelvins(c.value)} ({said(c.basis, units)})" for c in record.contributions]
        text += (
            f" Its standard uncertainty is {kelvins(record.uncertainty)} for the ambient of one run, of which "
            f"{kelvins(record.uncertainty_between)} remain in a difference between runs, because what all runs share "
            f"cancels there. Contributions: {literal(formatting.listing(parts))}. Rule: "
            f"{literal(said(record.rule, units))}"
        )
    return (
        Heading(1, "Weather conditions", "sec-weather"),
        Paragraph(text),
        *(_sources(result, record) if len(record.sources) else ()),
        *_during(result, record),
        *(_forecasts(result, record) if len(record.forecasts) else ()),
    )


def _sources(result: ReportResult, record: WeatherEvidence) -> Iterator[Block]:
    yield TableOf(result.units, "tab-ambient-sources", record.sources).declared(
        "Sources of ambient temperature",
        Field("id", "Source", width=1.4),
        Field("kind", "Kind", width=2.0),
        Field("elevation", "Elevation", "length", width=1.2),
        Field("reports", "Readings", cell=lambda s, _: str(s.reports or formatting.ABSENT), align="right", width=1.1),
        Field("resolution", "Step", "temperature_difference", 1, unit="cell", width=0.9),
        Field("covered", "Runs covered", "number"),
        Field("uncertainty", "Standard uncertainty", "temperature_difference", 2, unit="cell", width=1.4),
        Field("uncertainty_between", "Between runs", "temperature_difference", 2, unit="cell", width=1.1),
        Field("chosen", "Use", cell=lambda s, _: "reference" if s.chosen else "compared", width=1.2),
    )
    if record.offsets.empty:
        return
    yield TableOf(result.units, "tab-ambient-offsets", record.offsets).declared(
        "Sources of ambient temperature against each other: first less second, mean over the runs",
        Field("first", "First", width=2.6),
        Field("second", "Second", width=1.8),
        Field("offset", "Offset", "temperature_difference", 2, signed=True, unit="cell", width=1.4),
        interval_column(result.level, OFFSET["interval_text"], 2.4),
        Field("runs", "Runs", "number", width=0.8),
        notes=once(((f"{o.first} less {o.second}", o.reason) for o in rows_of(record.offsets)), result.units),
    )
    if any(o.first.endswith("at rest") for o in rows_of(record.offsets)):
        yield Paragraph(
            "At rest a vehicle's ambient sensor reads the heat of the engine bay and of the road: readings at rest are shown for "
            f"comparison and are never used. At speed means above {result.printed(MIN_SPEED, 'speed', 0)} for "
            f"{result.printed(SETTLE, 'time', 0)} or longer."
        )


def _during(result: ReportResult, record: WeatherEvidence) -> Iterator[Block]:
    yield Heading(2, "During the runs", "sec-weather-runs")
    yield Paragraph("Mean and range of ambient temperature: [[tab-conditions]].")
    absent = ((w.run, "; ".join(said(part, result.units).rstrip(".") for part in w.absent)) for w in record.runs)
    yield TableOf(result.units, "tab-air", record.runs).declared(
        "Air and wind during each run",
        Field("run", "Run", width=2.0),
        Field("ambient_change", "Ambient, start to end", "temperature_difference", 1, signed=True, width=1.5),
        Field("age", "Nearest report at worst", "duration", width=1.4),
        Field("pressure", "Station pressure", "pressure", 2, width=1.4),
        Field("humidity", "Humidity", "ratio", width=1.1),
        Field("dew_point", "Dew point", "temperature", 1, width=1.2),
        Field("density", "Air density", "density", 3, width=1.2),
        Field("density_altitude", "Density altitude", "length", width=1.3),
        Field("wind_speed", "Wind", "speed", cell=_wind, width=1.9),
        notes=once(((c.run, c.reason) for c in rows_of(result.conditions)), result.units) + once(absent, result.units),
    )
    rain = {True: "precipitation", False: "none", None: "not reported"}
    yield TableOf(result.units, "tab-declared", record.runs).declared(
        "Sun, rain and road: as declared by the campaign and as reported near the run",
        Field("run", "Run", width=2.0),
        Field("road", "Road (declared)"),
        Field("sky", "Sky (declared)", width=1.1),
        Field("sun", "Sun (declared)", width=1.7),
        Field("rain", "Rain (declared)", width=1.1),
        Field("raining", "Precipitation (reported)", cell=lambda w, _: rain[w.raining], width=1.5),
        Field("", "Sky (reported)", width=2.6, cell=lambda w, _: "; ".join(w.reported_sky) or formatting.ABSENT),
        notes=once(((w.run, note) for w in record.runs for note in w.notes), result.units),
    )
    if any(w.raining or w.road in ("wet", "damp") or w.rain not in ("", "none") for w in record.runs):
        yield Callout("caution", "Water and open roads", (CAUTION_WATER, CAUTION_ROAD))
    if sources := list(dict.fromkeys(w.source for w in record.runs if w.source)):
        yield Paragraph(
            f"Pressure, humidity and density come from {literal(formatting.listing(sources))}, interpolated in time. The pressure "
            "is station pressure: an altimeter setting or a sea-level pressure is reduced to the station's elevation before "
            "anything is computed from it. Density is that of the humid air (ideal mix of dry air and vapour); density "
            "altitude is the height at which the standard atmosphere has that density."
        )


def _wind(w: Any, units: UnitSystem) -> str:
    if w.wind_speed is None:
        return "not reported"
    text = formatting.bare(w.wind_speed, "speed", units, 0)
    if w.wind_gust is not None:
        text += f", gusts {formatting.bare(w.wind_gust, 'speed', units, 0)}"
    if w.wind_variable:
        return f"{text}, variable"
    return text if w.wind_direction is None else f"{text} from {w.wind_direction:.0f}°"


def _forecasts(result: ReportResult, record: WeatherEvidence) -> Iterator[Block]:
    judged = [f.within for f in rows_of(record.forecasts) if f.within is not None]
    limit = formatting.margin(record.forecast_limit, result.units)
    held = f"That holds for {sum(judged)} of {formatting.count(len(judged), 'run')} with a forecast."
    text = (
        f"Runs are planned on a forecast of like days; a mean ambient within {limit} of the forecast is commonly accepted "
        f"(common practice). {held if judged else 'No run has both.'} The limit decides nothing here: the acceptance criterion on "
        "ambient does ([[sec-runs]])."
    )
    words = {True: "yes", False: "no", None: formatting.ABSENT}
    yield Heading(2, "Forecast and actual", "sec-forecast")
    yield Paragraph(text)
    yield TableOf(result.units, "tab-forecast", record.forecasts).declared(
        "Forecast as recorded beside what came",
        Field("run", "Run", width=2.0),
        Field("source", "Source", width=1.4),
        Field("what", "Quantity", width=1.6),
        Field("", "Forecast", cell=FORECAST["forecast_text"], align="right"),
        Field("", "Actual", cell=FORECAST["actual_text"], align="right"),
        Field("", "Actual less forecast", cell=FORECAST["difference_text"], align="right"),
        Field("within", f"Within {limit}", cell=lambda f, _: words[f.within], align="center"),
    )
