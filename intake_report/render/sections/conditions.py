"""Instrumentation, run log with acceptance, data quality."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from intake_report import formatting
from intake_report.campaign import Campaign
from intake_report.channels import CHANNELS
from intake_report.messages import said
from intake_report.plots_acceptance import acceptance_figure
from intake_report.render.blocks import Block, Column, Heading, Paragraph, Table
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.reader_units import in_reader_units
from intake_report.render.sections.sentences import for_all
from intake_report.render.sections.tables import literal_table
from intake_report.report_table import rows_of
from intake_report.results import ReportResult, RunResult
from intake_report.units import UnitSystem, parse_quantity

STEPS = {"true-samples": "rows that only repeat a reading (not samples)"}
MOST_NAMED = 3  # channels named in a row of the quality table


def instrumentation(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return the logger, and per channel what was declared and what the data show."""
    instrument = campaign.instrument
    slow = [row for row in rows_of(result.sampling) if row.rows_per_sample > 1.5]
    text = f"Logger: {literal(instrument.logger)}."
    if slow:
        text += (
            f" The log repeats readings: {formatting.count(len(slow), 'channel')} of {len(result.sampling)} had a new value on "
            "only some rows. Rows that only repeat a reading are not samples: they are found from the pattern of polling and left "
            "out of everything below."
        )
    return (
        Heading(1, "Instrumentation", "sec-instrumentation"),
        Paragraph(text),
        literal_table(
            label="tab-channels",
            caption="Channels: declared instrument data and the sampling found in the logs, repeated rows left out",
            columns=(
                Column("Channel"),
                Column("Interval of new readings [s]", "right"),
                Column("Step found", "right"),
                Column("Resolution declared", "right"),
                Column("Accuracy declared", "right"),
                Column("Time constant", "right"),
                Column("Calibrated"),
            ),
            rows=tuple(_channel_row(campaign, result, row) for row in rows_of(result.sampling)),
            values=(
                ("channel", "interval_low_s", "interval_high_s", "rows_per_sample", "step", "declared_resolution"),
                *(
                    (r.channel, r.interval_low, r.interval_high, r.rows_per_sample, r.step, r.resolution)
                    for r in rows_of(result.sampling)
                ),
            ),
            widths=(2.6, 1.3, 1.3, 1.4, 1.4, 1.2, 1.3),
        ),
    )


def _channel_row(campaign: Campaign, result: ReportResult, row: Any) -> tuple[str, ...]:
    declared = campaign.instrument.channels.get(row.channel)
    quantity = CHANNELS[row.channel].quantity
    quantity = "temperature_difference" if quantity == "temperature" else quantity
    low, high = formatting.number(row.interval_low, 2), formatting.number(row.interval_high, 2)
    accuracy = formatting.ABSENT
    if declared and declared.accuracy:
        accuracy = f"± {formatting.with_unit(parse_quantity(declared.accuracy, quantity), quantity, result.units, 1)}"
    lag = (
        formatting.with_unit(declared.time_constant, "time", result.units, 1)
        if declared and declared.time_constant
        else formatting.ABSENT
    )
    return (
        row.label,
        low if low == high else f"{low} to {high}",
        formatting.with_unit(row.step, quantity, result.units, 2) if row.step is not None else "none found",
        formatting.with_unit(row.resolution, quantity, result.units, 2)
        if row.resolution is not None
        else formatting.ABSENT,
        accuracy,
        lag,
        declared.calibrated.isoformat() if declared and declared.calibrated else formatting.ABSENT,
    )


def _start(run: RunResult) -> str:
    return run.start[:16].replace("T", " ") if run.start else "not known"


def _reasons(run: RunResult, units: UnitSystem) -> str:
    return "; ".join(said(reason, units) for reason in run.reasons)


def run_log(result: ReportResult) -> tuple[Block, ...]:
    """Return the run log with the decision on each run, and all criteria at a glance."""
    units = result.units
    distance = formatting.unit_of("distance", units)
    blocks: list[Block] = [
        Heading(1, "Run log and acceptance", "sec-runs"),
        literal_table(
            label="tab-runs",
            caption="Runs in the order of the campaign file",
            columns=(
                Column("Run"),
                Column("Configuration"),
                Column("Block"),
                Column("Start"),
                Column("Duration [min]", "right"),
                Column(f"Length [{distance}]", "right"),
                Column("Stops", "right"),
                Column("Stopped [min]", "right"),
                Column("Decision"),
            ),
            rows=tuple(
                (
                    run.id,
                    result.name_of(run.configuration),
                    run.block or formatting.ABSENT,
                    _start(run),
                    formatting.bare(run.duration, "duration", units, 1),
                    formatting.bare(run.length, "distance", units, 2),
                    str(run.stops),
                    formatting.bare(run.stopped_time, "duration", units, 1),
                    run.decision,
                )
                for run in result.runs
            ),
            notes=tuple(f"{run.id}: {_reasons(run, units)}." for run in result.runs if run.reasons),
            values=(
                (
                    "run",
                    "configuration",
                    "block",
                    "start",
                    "duration_s",
                    "length_m",
                    "stops",
                    "stopped_s",
                    "highway_entry_s",
                    "decision",
                    "reasons",
                    "files",
                ),
                *(
                    (
                        r.id,
                        r.configuration,
                        r.block,
                        r.start,
                        r.duration,
                        r.length,
                        r.stops,
                        r.stopped_time,
                        r.highway_entry,
                        r.decision,
                        _reasons(r, units),
                        " ".join(r.files),
                    )
                    for r in result.runs
                ),
            ),
            widths=(1.9, 2.0, 0.9, 1.6, 1.1, 1.0, 0.8, 1.1, 1.4),
        ),
    ]
    if len(result.criteria):
        blocks += _criteria(result)
    return tuple(blocks)


def _criteria(result: ReportResult) -> list[Block]:
    failed = [c for c in rows_of(result.criteria) if c.passed is False]
    text = (
        f"{formatting.count(len(failed), 'criterion was', 'criteria were')} not met; hard failures leave the comparison, soft "
        "ones stay as limitations."
        if failed
        else "All runs meet all acceptance criteria that could be applied."
    )
    blocks: list[Block] = [
        Heading(2, "Acceptance criteria", "sec-acceptance"),
        Paragraph(literal(f"{text} {_not_applied(result)}".strip())),
    ]
    limits = {c.code: c for c in rows_of(result.criteria)}
    blocks.append(
        literal_table(
            label="tab-criteria",
            caption="Acceptance criteria with their limits, and the runs that do not meet them",
            columns=(Column("Criterion"), Column("Limit"), Column("Kind"), Column("Not met by")),
            rows=tuple(
                (
                    c.title,
                    said(c.limit, result.units),
                    "hard" if c.hard else "soft",
                    _runs_with_values(result, failed, code),
                )
                for code, c in limits.items()
            ),
            values=(
                ("run", "code", "limit", "value", "hard", "passed", "reason"),
                *(
                    (
                        c.run,
                        c.code,
                        *(said(p, result.units) for p in (c.limit, c.value)),
                        c.hard,
                        c.passed,
                        said(c.reason, result.units),
                    )
                    for c in rows_of(result.criteria)
                ),
            ),
            widths=(2.4, 2.8, 0.7, 4.4),
        )
    )
    blocks.append(
        figure_block(
            acceptance_figure(result),
            "fig-acceptance",
            "Runs against acceptance criteria: dot, met; diamond, soft criterion not met; cross, hard criterion not met; bar, could not be applied.",
            f"Grid of {len(result.runs)} runs and their acceptance criteria; {len(failed)} are not met, listed in the table of criteria.",
        )
    )
    if len(result.pairs):
        blocks.append(_pairs(result))
    return blocks


def _pairs(result: ReportResult) -> Table:
    """Return how alike the runs of different configurations were, pair by pair."""
    return literal_table(
        label="tab-pairs",
        caption="Pairs of runs of different configurations: how far they are apart",
        columns=(
            Column("Criterion"),
            Column("Limit", "right"),
            Column("Pairs compared", "right"),
            Column("Beyond the limit", "right"),
            Column("Farthest apart"),
        ),
        rows=tuple(
            (
                p.title,
                said(p.limit, result.units),
                str(p.pairs),
                str(p.failed),
                f"{formatting.listing(p.worst)} ({said(p.value, result.units)})" if p.worst else formatting.ABSENT,
            )
            for p in rows_of(result.pairs)
        ),
        notes=(
            "Pairs of one configuration are not in this table, so the largest difference between any two runs can be larger. "
            "What an intake itself may change (intake air at the start) is not judged between configurations.",
        ),
        widths=(2.8, 1.5, 1.1, 1.1, 3.8),
    )


def _runs_with_values(result: ReportResult, failed: list[Any], code: str) -> str:
    return ", ".join(f"{c.run} ({said(c.value, result.units)})" for c in failed if c.code == code) or formatting.ABSENT


def _not_applied(result: ReportResult) -> str:
    """Return which criteria could be applied to no run, and why; empty when all could."""
    titles: dict[str, list[str]] = {}
    for code in dict.fromkeys(c.code for c in rows_of(result.criteria)):
        mine = [c for c in rows_of(result.criteria) if c.code == code]
        if all(c.passed is None for c in mine):
            titles.setdefault(said(mine[0].reason, result.units) or "not known", []).append(mine[0].title)
    several = len(result.runs) > 1
    words = {reason: in_reader_units(for_all(reason) if several else reason, result.units) for reason in titles}
    parts = [f"{formatting.listing(names)} ({words[reason]})" for reason, names in titles.items()]
    return f"Not applied: {'; '.join(parts)}." if parts else ""


def data_quality(result: ReportResult) -> tuple[Block, ...]:
    """Return what cleaning found, summed over runs; the file holds every line."""
    steps: dict[str, list[Any]] = defaultdict(list)
    for row in rows_of(result.quality):
        if row.touched:
            steps[row.step].append(row)
    rows = [_quality_row(result, step, entries) for step, entries in steps.items()]
    return (
        Heading(1, "Data quality", "sec-quality"),
        Paragraph(
            "Every cleaning step says what it touched. Masked samples are kept in the data and left out of the metrics; nothing "
            "is interpolated across a gap longer than the channel's limit. The table sums over runs and channels; the CSV file of the "
            "table has every line."
        ),
        literal_table(
            label="tab-quality",
            caption="What cleaning found, by step",
            columns=(
                Column("Step"),
                Column("Channels"),
                Column("Runs", "right"),
                Column("Samples", "right"),
                Column("Largest share", "right"),
                Column("In the run with the largest share"),
            ),
            rows=tuple(rows) or (("none", formatting.ABSENT, "0", "0", formatting.ABSENT, formatting.ABSENT),),
            values=(
                ("run", "step", "channel", "touched", "share", "reason"),
                *(
                    (q.run, q.step, q.channel, q.touched, q.share, said(q.reason, result.units))
                    for q in rows_of(result.quality)
                ),
            ),
            widths=(1.5, 1.8, 0.7, 1.0, 1.0, 4.6),
        ),
        *_cross_checks(result),
        *_notices(result),
    )


def _cross_checks(result: ReportResult) -> tuple[Block, ...]:
    """Return the channels held against each other, check by check; those that no run allows are left to the CSV file."""
    rows = []
    for name in dict.fromkeys(check.name for check in rows_of(result.cross_checks)):
        mine = [check for check in rows_of(result.cross_checks) if check.name == name]
        flagged = [check for check in mine if check.status == "flagged"]
        agreeing = [check for check in mine if check.status == "agrees"]
        shown = next(iter(flagged or agreeing), None)
        if shown is None:
            continue
        words = f"{shown.run}: {said(shown.evidence, result.units)}."
        rows.append((name.replace("-", " "), str(len(agreeing)), str(len(flagged)), words))
    if not rows:
        return ()
    return (
        literal_table(
            label="tab-cross-checks",
            caption="Channels held against each other and against the weather record",
            columns=(
                Column("Check"),
                Column("Agrees in runs", "right"),
                Column("Flagged in runs", "right"),
                Column("Evidence"),
            ),
            rows=tuple(rows),
            notes=(
                "A check flags and alters nothing. The evidence is that of the first flagged run, else of the first run.",
            ),
            values=(
                ("run", "check", "channels", "status", "evidence"),
                *(
                    (c.run, c.name, " ".join(c.channels), c.status, said(c.evidence, result.units))
                    for c in rows_of(result.cross_checks)
                ),
            ),
            widths=(2.0, 0.9, 0.9, 5.6),
        ),
    )


def _notices(result: ReportResult) -> tuple[Block, ...]:
    """Return what was noticed in weather, dyno and bench data."""
    notices = result.evidence.notices if result.evidence else ()
    if not notices:
        return (Paragraph("Weather and bench data were read without a remark."),)
    return (
        literal_table(
            label="tab-notices",
            caption="Remarks on weather, dyno and bench data",
            columns=(Column("Source"), Column("Kind"), Column("Remark")),
            rows=tuple((n.source, n.code.replace("-", " "), said(n.text, result.units)) for n in notices),
            widths=(1.6, 1.8, 6.0),
        ),
    )


def _quality_row(result: ReportResult, step: str, entries: list[Any]) -> tuple[str, ...]:
    """Return one step over all runs and channels, with the words of the entry that touched the largest share."""
    worst = max(entries, key=lambda entry: entry.share)
    channels = list(dict.fromkeys(_channel_label(entry.channel) for entry in entries))
    names = formatting.listing(channels) if len(channels) <= MOST_NAMED else f"{len(channels)} channels"
    return (
        STEPS.get(step, step.replace("-", " ")),
        names,
        str(len({entry.run for entry in entries})),
        f"{sum(entry.touched for entry in entries):,}".replace(",", "\N{THIN SPACE}"),
        f"{formatting.number(100.0 * worst.share, 1)} %",
        f"{worst.run}, {_channel_label(worst.channel)}: {said(worst.reason, result.units)}",
    )


def _channel_label(channel: str) -> str:
    return CHANNELS[channel].label if channel in CHANNELS else channel or "whole run"
