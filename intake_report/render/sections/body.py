"""The two pages that decide, and the body after them: method, conditions, results; all else is in the annex."""

from collections import Counter
from dataclasses import replace
from typing import Any

from intake_report import formatting
from intake_report.align import RoutePath
from intake_report.campaign import Campaign
from intake_report.messages import Value, message, said
from intake_report.plots import map_figure, strip_figure
from intake_report.plots_values import acceptance_figure, decision_figure, dots_figure
from intake_report.render.blocks import Block, Cover, Heading, Paragraph, Table, literal
from intake_report.render.figure import FigureOf
from intake_report.render.sections import answer
from intake_report.render.sections.answer import MARKS, at_edge, computed, legend, level, usable
from intake_report.render.sections.claims import claim_table
from intake_report.render.sections.comparisons import common_drive
from intake_report.render.sections.conditions import clock
from intake_report.render.sections.stated import changed_statements
from intake_report.render.sections.tables import TableOf, named, titled
from intake_report.report_table import Across, Field, frame_of, rows_of
from intake_report.results import MetricKey, ReportResult, text
from intake_report.units import UnitSystem

MOST_NAMED = 3  # runs, or criteria, that the title of a figure names


def method(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return how the comparison was made: one paragraph for everybody, one that is precise."""
    runs = [run for run in result.runs if run.decision != "excluded"]
    blocks = Counter(run.block for run in runs if run.block)
    configurations = formatting.count(len(result.configurations), "configuration")
    grouped = f" in {formatting.count(len(blocks), 'block')} of runs driven close together" if blocks else ""
    if len(blocks) == blocks.total() > 0:
        grouped = ", each in a block of its own"
    single = all(c.runs_used <= 1 for c in result.configurations)
    made = [c for c in (*result.comparisons, *result.direct) if result.metric(c.key).spec.headline]
    blocked = any(c.method in ("blocked", "censored") for c in made) and len(blocks) > 1
    within = "Differences are taken within blocks where blocks hold both configurations; " if blocked else ""
    speed = result.printed(campaign.route.highway_entry.speed, "speed", 0)
    level = formatting.usual(result.level, "share", "si")
    source = f"({literal(result.ambient_reference)}) was subtracted, so that a warm day does not count"
    if result.ambient_reference == "none":
        source = "was not recorded, so that between days a warm day counts"
    plainly = (
        f"One vehicle was driven over one route with {configurations} of its intake, {formatting.count(len(runs), 'run')}"
        f"{grouped}. A logger read the temperature of the intake air from the vehicle's diagnostic port; the temperature of "
        f"the air outside {source} as a warm intake. Runs are compared at the same place of the route and after the same event. "
    )
    plainly += (
        "With one run of each, nothing tells an intake from its day and its traffic: a difference is an indication."
        if single
        else "Repeated runs show how much a value changes by itself; a difference counts as shown when it is clearly larger "
        "than that."
    )
    rests = ""
    if any(c.basis == "instruments" for c in made):
        rests = (
            f"The {level} interval of a difference holds the instruments' errors alone, not the scatter between runs. "
        )
    if any(c.basis == "runs" for c in made):
        rests = (
            f"{within}{'i' if within else 'I'}ntervals are two-sided {level} intervals (Student's t) which hold the scatter between "
            "runs and what all runs share of the instruments' errors. The more main differences are tested, the larger each must "
            "be to count as shown (Holm's adjustment for their number). "
        )
    entered = any(phase.kind != "city" for phase in campaign.route.phases)
    precise = (
        f"Highway entry: speed rises through {speed} on the ramp and stays above it. A margin is timed at the edge between two "
        "steps of the reading, not at the first reading below it. "
    ) * entered + f"{rests}Details: [[sec-methodology]] of the annex."
    return (Heading(1, "Method", "sec-method"), Paragraph(plainly), Paragraph(precise))


def conditions(result: ReportResult, path: RoutePath | None = None) -> tuple[Block, ...]:
    """Return route (a map with a `path`), weather, acceptance and data quality in what matters for the decision."""
    frame = frame_of(result.runs).merge(result.conditions, left_on="id", right_on="run")
    ambient_range = text.limits("ambient_low", "ambient_high", "temperature", 1, unit=False)
    table = TableOf(result.units, "tab-conditions", frame).declared(
        "Runs with their weather and the decision on each",
        Field("run", "Run", width=1.9),
        named(result, 2.9),
        Field("start", "Start", cell=lambda c, _: clock(c.start), width=1.9),
        Field("ambient_mean", "Ambient, mean", "temperature", 1),
        Field("", "Range", "temperature", cell=ambient_range, width=1.2),
        *((Field("wind_speed", "Wind", "speed"),) if frame["wind_speed"].notna().any() else ()),
        *((Field("road", "Road", width=0.8),) if frame["road"].any() else ()),
        Field("decision", "Decision", width=1.7),
    )
    route: list[Block] = []
    if result.phases:
        length = result.printed(max(p.end for p in result.phases), "distance", 1)
        kinds, found = formatting.listing([p.name for p in result.phases]), _stops(result)
        drawn = map_figure(result, path, found) if path is not None else strip_figure(result, found)
        caption = f"The route, {length}: {literal(kinds)}. Triangles: places of stops."
        alt = f"{'Map' if path is not None else 'Strip of distance'} of the route with its phases: {kinds}."
        route.append(FigureOf(drawn, "fig-map").captioned(caption, alt))
    return (
        Heading(1, "Conditions and runs", "sec-conditions"),
        *route,
        table,
        *((_acceptance(result),) if len(result.criteria) else ()),
        Paragraph(literal(_quality(result)) + " The log of every step is summed up in [[sec-quality]]."),
    )


def _acceptance(result: ReportResult) -> Block:
    failed = [c for c in rows_of(result.criteria) if c.passed is False]
    of_run: dict[str, list[str]] = {}
    for c in failed:
        of_run.setdefault(c.run, []).append(c.title.lower())
    finding = f"All {len(result.runs)} runs meet every criterion that could be applied"
    if failed:
        beyond = formatting.listing([f"{run} ({formatting.listing(titles)})" for run, titles in of_run.items()])
        if len(of_run) > MOST_NAMED:  # the grid shows which; a title of ten lines would hide it
            often = Counter(c.title.lower() for c in failed).most_common(MOST_NAMED)
            beyond = "most often " + formatting.listing([f"{title} (in {count})" for title, count in often])
        met = f"{len(result.runs) - len(of_run)} of {formatting.count(len(result.runs), 'run')}"
        finding = f"{met} meet every criterion; beyond a limit: {beyond}"
    return FigureOf(acceptance_figure(result, finding), "fig-acceptance").captioned(
        "Runs against acceptance criteria: dot, met; diamond, soft criterion not met; cross, hard criterion not met; "
        "bar, could not be applied. Limits: [[tab-criteria]].",
        f"Grid of {len(result.runs)} runs and their acceptance criteria; {len(failed)} are not met.",
    )


def _quality(result: ReportResult) -> str:
    rows = [row for row in rows_of(result.quality) if row.touched]
    repeated = {row.channel for row in rows if row.step == "true-samples"}
    masked = [row for row in rows if row.step != "true-samples"]
    channels = formatting.count(len(repeated), "channel")
    repeats = f"The log repeats readings in {channels}; only new readings count as samples. " if repeated else ""
    if not masked:
        return f"{repeats}Cleaning masked nothing else."
    worst = max(masked, key=lambda row: row.share)
    return (
        f"{repeats}Cleaning masked readings in {formatting.count(len({row.run for row in masked}), 'run')}, at most "
        f"{formatting.usual(worst.share, 'share', 'si')} of a channel (in {worst.run}): {said(worst.reason, result.units)}."
    )


def results(result: ReportResult) -> tuple[Block, ...]:
    """Return the metrics that decide and the headline metrics: runs as marks, differences, one table."""
    keys = [k for k in computed(result) if k.spec.headline or k.key in result.decides]
    heading = Heading(1, "Results", "sec-results")
    if not keys:
        return (heading, Paragraph("No headline metric has a value in any run."))
    replicated = any(c.runs_used > 1 for c in result.configurations)
    bar = ", with the mean of each configuration (bar)" if replicated else ""
    deciding = [result.metric(k) for k in usable(result) if result.metric(k) in keys] or keys[:3]
    return (
        heading,
        FigureOf(dots_figure(result, deciding, _runs_apart(result, deciding[0])), "fig-dots").captioned(
            f"Every run in the metrics that decide{bar}; thin lines: the instruments' uncertainty; an arrow: open upwards, since the "
            "margin was not reached in the run or in some of its draws.",
            "One mark per run and configuration in the metrics that decide. The means are in the table that follows.",
        ),
        _results_table(result, keys, replicated),
        *common_drive(result),
        Paragraph(
            "Values of every run, all metrics, p-values and what each interval rests on: [[sec-details]] and "
            "[[sec-annex-values]]."
        ),
    )


def _runs_apart(result: ReportResult, key: MetricKey) -> str:
    sign = -1.0 if key.spec.better == "higher" else 1.0
    of: dict[str, list[float]] = {}
    for v in result.compared(key.key):
        if v.value is not None:
            of.setdefault(v.configuration, []).append(sign * v.value)
    name = text.metric_title(key, result.units)
    if len(of) < 2 or key.spec.better == "neither":
        return name
    best, *others = sorted(of, key=lambda id: sum(of[id]) / len(of[id]))
    who = result.name_of(best)
    if all(len(x) == 1 for x in of.values()):
        return f"{name}: {key.spec.better} with {who}, in one run each"
    near = formatting.listing([result.name_of(id) for id in others if min(of[id]) <= max(of[best])])
    if not near:
        return f"{name}: every run with {who} was {key.spec.better} than every other run"
    return f"{name}: {key.spec.better} on average with {who}, whose runs overlap with those of {near}"


UNADJUSTED = " unadjusted"  # ends the key of a row with the differences of a metric as they are without covariates


def _results_table(result: ReportResult, keys: list[MetricKey], replicated: bool) -> Block:
    comparisons = {(c.key, c.configuration): c for c in result.comparisons}
    plain = {(f"{key}{UNADJUSTED}", id): c.unadjusted for (key, id), c in comparisons.items() if c.unadjusted}
    comparisons |= plain
    rows = []
    for key in keys:
        of_metric = [result.summary(key.key, c.id) for c in result.ordered]
        unadjusted = [replace(s, key=f"{s.key}{UNADJUSTED}") for s in of_metric]
        rows += of_metric + (unadjusted if any((s.key, s.configuration) in plain for s in unadjusted) else [])

    def title(s: Any, units: UnitSystem) -> str:
        name = titled(result.metric(s.key.removesuffix(UNADJUSTED)), units)
        return f"{name}, difference unadjusted" if s.key.endswith(UNADJUSTED) else name

    def cell(s: Any, units: UnitSystem) -> str:
        key, c = result.metric(s.key.removesuffix(UNADJUSTED)), comparisons.get((s.key, s.configuration))
        value = text.summary_text(s, key, units)
        if not replicated or at_edge(result, key, s.configuration) is not None:
            value = level(result, key, s.configuration, unit=False) or formatting.ABSENT
        if c is None or c.difference is None:
            return formatting.ABSENT if s.key.endswith(UNADJUSTED) else value
        change = formatting.bare(c.difference, text.difference_quantity(key), units, key.spec.decimals, signed=True)
        change = f"{change} {MARKS.get(c.call, '')}"
        return change if s.key.endswith(UNADJUSTED) else f"{value}; {change}"

    notes = ("Mean ± standard deviation between runs (number of runs).", *legend(result, keys)) if replicated else ()
    return TableOf(result.units, "tab-results", rows).declared(
        f"Main metrics by configuration; after the semicolon the difference from {result.baseline.name}",
        Field("key", "Metric", cell=title, width=2.6),
        notes=(*notes, *_unequal(result, keys)),
        across=Across("key", "configuration", tuple((c.id, c.name) for c in result.ordered), cell),
    )


# of the dyno and the bench the body keeps these tables and the figures; the annex has the other tables
BODY_TABLES = ("tab-restriction", "tab-exposure")


def brief(blocks: tuple[Block, ...]) -> tuple[Block, ...]:
    """Return a section of the dyno or the bench without the tables that the annex holds."""
    return tuple(block for block in blocks if not isinstance(block, Table) or block.label in BODY_TABLES)


def tables_of(sections: tuple[tuple[Block, ...], ...]) -> tuple[Block, ...]:
    """Return the tables that `brief` leaves out, for the annex; nothing when there are none."""
    tables = [block for section in sections for block in section if block not in brief(section)]
    return (Heading(1, "Dyno and bench: all tables", "sec-bench-tables"), *tables) if tables else ()


UNEQUAL = {
    answer.ROUNDED: "Differences are taken before rounding.",
    answer.WITHIN: "Differences are taken within blocks and need not be those of the two means.",
    answer.CONTROLLED: "Differences are less what the control vehicle changed meanwhile.",
}
MOST_CHANGES = 4  # statements that the second page quotes; the annex has all


def cover(campaign: Campaign, result: ReportResult, date: str, revision: int) -> tuple[Block, ...]:
    """Return title, question and answer."""
    used, driven = (sum(getattr(c, n) for c in result.configurations) for n in ("runs_used", "runs"))
    days = sorted({run.start[:10] for run in result.runs if run.start})
    when = f", driven {days[0]}" if len(days) == 1 else f", driven {days[0]} to {days[-1]}" if days else ""
    blocks = len({run.block for run in result.runs if run.block and run.decision != "excluded"})
    over = f", in {formatting.count(blocks, 'block')}" if blocks else ""
    facts = (
        ("Vehicle", campaign.vehicle.description),
        ("Runs", f"{used} of {driven} in the comparison{over}{when}"),
        ("Route", campaign.route.description.rstrip(".")),
        ("Weather", _weather(result)),
    )
    page = Cover(
        title=literal(result.title),
        subtitle=literal(f"Engineering test report, campaign {result.campaign}"),
        date=date,
        revision=f"revision {revision}" if revision else "not issued",
        question=literal(result.question),
        answer=answer.answer(result),
        facts=tuple((label, literal(fact)) for label, fact in facts if fact),
    )
    return (page,)


def _weather(result: ReportResult) -> str:
    """Return the weather of the runs in the comparison: mean ambient, wind and road, as far as they are known."""
    used = {run.id: run.road for run in result.runs if run.decision != "excluded"}
    rows, parts = result.conditions[result.conditions["run"].isin(list(used))], []
    forms = ("mean ambient", "ambient_mean", "temperature", 1), ("wind", "wind_speed", "speed", 0)
    for words, name, quantity, decimals in forms:
        if known := sorted(rows[name].dropna()):
            ends = dict.fromkeys(formatting.bare(x, quantity, result.units, decimals) for x in (known[0], known[-1]))
            unit = formatting.unit_of(quantity, result.units)
            parts.append(f"{words} {' to '.join(ends)}{formatting.NARROW_SPACE}{unit}")
    roads = formatting.listing([road for road in dict.fromkeys(used.values()) if road])
    return ", ".join([*parts, f"road {roads}"] if roads else parts)


def decision(campaign: Campaign, result: ReportResult, previous: str, revision: int = 1) -> tuple[Block, ...]:
    """Return what a reader decides from: verdicts, claims, picture, gravest limitations, sign-off, what changed."""
    keys = [result.metric(key) for key in result.decides]
    blocks: list[Block] = []
    if any(answer.compared(result, key) for key in keys):
        blocks.append(_verdicts(result, keys))
    if result.claims:
        blocks.append(claim_table(result))
    if result.places is not None or result.recovery_curves:
        finding, falls = answer.headline(result), bool(result.recovery_curves)
        bottom = " Bottom: over-ambient temperature of every run after the highway entry; dotted: recovery margins."
        picture = FigureOf(decision_figure(result, finding), "fig-decision").captioned(
            "Top: mean of the runs of each configuration along the route (its peak lies below the mean of the runs’ "
            f"peaks); shaded: phases; triangles: places of stops.{bottom * falls}",
            f"{finding}. One line per configuration along the route{', and below it the fall after the highway entry' * falls}.",
        )
        blocks.append(picture)
    blocks += [*answer.bounds(result), *_signatures(campaign, result)]
    return (*blocks, _revision(result, previous)) if revision else tuple(blocks)


def _unequal(result: ReportResult, keys: list[MetricKey]) -> list[str]:
    """Return why printed differences are not those of the printed values."""
    reasons = dict.fromkeys(answer.adjusted(result, key, c) for key in keys for c in answer.compared(result, key))
    fixed = "fixed before the data were seen; details in the annex."
    return [UNEQUAL.get(reason, f"{reason.capitalize()}, {fixed}") for reason in reasons if reason]


def _verdicts(result: ReportResult, keys: list[MetricKey]) -> Block:
    comparisons = {(c.configuration, key.key): c for key in keys for c in answer.compared(result, key)}
    names = ("difference", "low", "high", "call")
    rows = [
        {"configuration": of.id, "key": key.key, "mean": result.summary(key.key, of.id).mean}
        | {name: getattr(comparisons.get((of.id, key.key)), name, None) for name in names}
        for of in result.ordered
        for key in keys
    ]

    def cell(row: Any, units: UnitSystem) -> str:
        key, c = result.metric(row.key), comparisons.get((row.configuration, row.key))
        value = level(result, key, row.configuration) or formatting.ABSENT
        if c is None:
            return value
        interval = text.difference_interval(c, key, units)
        limits = "" if interval == formatting.ABSENT else f" ({interval})"
        change = f"{said(text.change_of(key, c.difference), units)}{limits}"
        return f"{value}; {change} {MARKS.get(c.call, '')} {answer.CALLS[c.call]}"

    template = "{what}, difference from {baseline} with its {level} interval, and verdict"
    what = "Mean" if any(c.runs_used > 1 for c in result.configurations) else "Value of one run"
    columns = tuple((key.key, text.metric_title(key, result.units)) for key in keys)
    bounded = [f"What bounds these most: {item.cover}." for item in answer.gravest(result, 1)]
    return TableOf(result.units, "tab-verdict", rows).declared(
        message(template, what=what, baseline=result.baseline.name, level=Value(result.level, "share")),
        named(result, 1.6),
        notes=(*legend(result, keys), *_unequal(result, keys), *answer.also_shown(result, keys), *bounded),
        across=Across("configuration", "key", columns, cell, align="left", width=2.4),
    )


def _signatures(campaign: Campaign, result: ReportResult) -> list[Block]:
    about = campaign.about
    roles = (("Prepared", about.prepared_by), ("Reviewed", about.reviewed_by), ("Approved", about.approved_by))
    table = TableOf(result.units, "tab-signatures", ({"step": step, "name": name} for step, name in roles)).declared(
        "Sign-off",
        Field("step", "Step"),
        Field("name", "Name", width=2.0, cell=lambda row, _: row.name or " "),
        Field("", "Date", cell=lambda *_: " "),
        Field("", "Signature", width=2.4, cell=lambda *_: " "),
    )
    unsigned = [step.lower() for step, name in roles[1:] if not name]
    undecided = sum(c.verdict not in ("supported", "not supported") for c in result.claims)
    still = [f"not {formatting.listing(unsigned, 'or')}"] if unsigned else []
    still += [f"{formatting.count(undecided, 'claim')} not decided"] if undecided else []
    opened = f" Open: {'; '.join(still)}." if still else ""
    return [replace(table, internal=True), Paragraph(f"The results concern the articles as tested.{opened}")]


def _revision(result: ReportResult, previous: str) -> Block:
    if not previous:
        return Paragraph("First report of this campaign.")
    issued, rows = changed_statements(result, previous)
    if rows is None:
        return Paragraph(f"The report before, {literal(issued)}, cannot be read: see [[sec-changes]].")
    first = "; ".join(f"{row['subject']}: {row['before']} → {row['now']}" for row in rows[:MOST_CHANGES])
    more = f"; all {len(rows)} in [[sec-changes]]" if len(rows) > MOST_CHANGES else ""
    changed = literal(first) if rows else "no difference, verdict, claim or run decision changed"
    return Paragraph(f"Since the report of {issued}: {changed}{more}.")


def _stops(result: ReportResult) -> str:
    places = list(result.places.stops["distance"]) if result.places else []
    if not places:
        return "No place at which runs stopped"
    of = Counter(map(result.phase_at, places))
    parts = [f"{count} in {name}" if name else f"{count} elsewhere" for name, count in of.items()]
    return f"{formatting.count(len(places), 'place')} where runs stopped: {formatting.listing(parts)}"
