"""What is behind the results: curves, values of every run, all differences, uncertainty of one run; limitations with remedies."""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from intake_report import formatting
from intake_report.messages import said
from intake_report.plots import heat_soak_figure, keys_of
from intake_report.plots_values import budget_figure, difference_figure, recovery_figure, route_figure
from intake_report.render.blocks import Block, Callout, Heading, Paragraph, Table, literal
from intake_report.render.figure import FigureOf
from intake_report.render.sections import tables
from intake_report.render.sections.answer import computed, level
from intake_report.render.sections.comparisons import basis_of_differences, common_drive_details
from intake_report.report_table import Across, Field, rows_of
from intake_report.results import GROUPS, BudgetRow, InstrumentUncertainty, MetricKey, MetricResult, ReportResult
from intake_report.results.text import ROUNDING_MODE, difference_quantity, metric_title
from intake_report.units import UnitSystem

PER_TABLE = 5  # metric columns that fit the width of a page
DRAWN = ("peak_iat", "heat_soak_rate", "recovery_time_constant")  # beside the headline metrics
BUDGETS_PER_TABLE = 3  # the same of budgets
WHOSE = {True: "same in all", False: "each its own", None: ""}
TOTALS = (
    ("u", "All sources together"), ("u_common", "of which the same in all runs"), ("u_own", "of which each run its own"),
)  # fmt: skip


def details(result: ReportResult) -> tuple[Block, ...]:
    """Return what is behind the results: figures along the route, of recovery and of stops, and the basis of differences."""
    blocks: list[Block] = [Heading(1, "Results in detail", "sec-details")]
    for part in (_route, _recovery_and_soak, _main, basis_of_differences, common_drive_details):
        blocks += part(result)
    if result.claims:
        statistics = tables.TableOf(result.units, "tab-claim-statistics", result.claims).declared(
            "Claims with their statistics",
            Field("id", "Claim", width=1.2),
            Field("verdict", "Verdict", width=1.2),
            Field("reason", "Because", width=5.0),
        )
        blocks += [Heading(2, "Claims", "sec-claims"), statistics]
    return tuple(blocks)


def _route(result: ReportResult) -> Iterator[Block]:
    if not result.route_curves:
        yield Paragraph("No run has intake air temperature on the route.")
        return
    ambient = any(curve.y2 for curve in result.route_curves)
    text = "Intake air temperature" + (" (solid) and ambient (dotted grey)" if ambient else "")
    yield Heading(2, "Along the route", "sec-route")
    yield FigureOf(route_figure(result, _hottest(result)), "fig-route").captioned(
        f"{text} against route distance, all runs, one panel per configuration; shaded: phases of the route.",
        "Intake air temperature of every run against route distance in one panel per configuration, with the phases of the "
        "route shaded. Peaks of each run are in the table of values per run.",
    )


def _recovery_and_soak(result: ReportResult) -> Iterator[Block]:
    if result.recovery_curves:
        yield Heading(2, "Recovery after highway entry", "sec-recovery")
        drawn = recovery_figure(result, _levels(result, keys_of(result, "recovery_time")))
        yield FigureOf(drawn, "fig-recovery").captioned(
            "Over-ambient temperature against time since the highway entry; dotted: recovery margins; marks: recovery times.",
            "Over-ambient temperature of every run after the highway entry. Recovery times are in the table of values per run.",
        )
    yield Heading(2, "Heat soak at stops", "sec-soak")
    if not result.stop_curves:
        yield Paragraph("No stop is long enough for a heat-soak rate.")
        return
    stops = formatting.count(sum(s.rate is not None for s in result.stops), "stop")
    yield FigureOf(heat_soak_figure(result, _levels(result, keys_of(result, "heat_soak_rate"))), "fig-soak").captioned(
        f"Rise of intake air temperature during {stops} (left); rise (middle) and heat-soak rate (right) of each stop against "
        "its duration.",
        "Left: rise of intake air temperature since each stop began. Middle and right: rise and heat-soak rate of each "
        "stop against its duration. The medians per run are in the table of values per run.",
    )


def _main(result: ReportResult) -> Iterator[Block]:
    keys = computed(result)
    yield Heading(2, "Differences of the main metrics", "sec-values")
    main = {k.key: k for k in keys if k.spec.headline or k.spec.id in DRAWN}
    if rows := [c for c in result.comparisons if c.difference is not None and c.key in main]:
        calls = Counter(c.call for c in rows)
        shown = f"{calls['shown']} of {len(rows)} differences from {result.baseline.name} are shown"
        shown += f", {calls['exploratory']} more as exploratory only" if calls["exploratory"] else ""
        only = f"; {formatting.count(calls['indication'], 'indication')} only" if calls["indication"] else ""
        compared = [k for key, k in main.items() if any(c.key == key for c in rows)]
        yield FigureOf(difference_figure(result, compared, shown + only), "fig-differences").captioned(
            f"Differences from {literal(result.baseline.name)} with {formatting.usual(result.level, 'share', 'si')} "
            "intervals; an open marker: no interval, or one that is open to a side.",
            "Horizontal intervals of the differences of each configuration from the baseline. The values are in the table.",
        )
    reasons: dict[str, dict[str, None]] = {}
    for value in (v for k in result.metrics if k not in keys for v in result.of(k.key)):
        title = tables.general_title(result.metric(value.key).spec)
        reasons.setdefault(said(value.reason, result.units), {})[title] = None
    if reasons:
        texts = tuple(literal(f"{formatting.listing([*titles])}: {reason}.") for reason, titles in reasons.items())
        yield Callout("note", "Metrics that could not be computed", texts)


def all_values(result: ReportResult) -> tuple[Block, ...]:
    """Return the values of every run, the summaries and all differences, group by group, for the annex."""
    keys = computed(result)
    blocks: list[Block] = [Heading(1, "All values and differences", "sec-annex-values")]
    for group, title in GROUPS.items():
        label = group.replace(" ", "-")
        if not (of_group := [k for k in keys if k.spec.group == group]):
            continue
        means = f"{title}: mean and standard deviation per configuration"
        blocks += [
            Heading(2, title, f"sec-values-{label}"),
            *(
                tables.values_table(result, some, f"tab-values-{label}{part}", f"{title}: values per run{of}")
                for some, part, of in tables.in_parts(of_group, PER_TABLE)
            ),
            tables.summary_table(result, of_group, f"tab-summary-{label}", means),
            tables.comparison_table(result, of_group, f"tab-differences-{label}", f"{title}: all differences"),
        ]
    if not keys:
        blocks.append(Paragraph("No metric could be computed in any run."))
    return tuple(blocks)


def limitation_table(result: ReportResult) -> tuple[Block, ...]:
    """Return what the data cannot show, each with its code and what would remove it."""
    heading = Heading(1, "Limitations and what would remove them", "sec-remedies")
    if not result.limitations:
        return (heading, Paragraph("No limitation was derived from the data."))
    table = tables.TableOf(result.units, "tab-limitations", result.limitations).declared(
        "Limitations derived from the data",
        Field("code", "Code", width=1.5),
        Field("text", "What the data cannot show", width=4.4),
        Field("remedy", "What would remove it", width=3.4),
    )
    return (heading, table)


def uncertainty(result: ReportResult) -> tuple[Block, ...]:
    """Return the uncertainty of one run's value: sources, budgets, what cancels; intervals stand beside the values."""
    budget = result.uncertainty
    heading = Heading(1, "Uncertainty of one run", "sec-uncertainty")
    keys = [k for k in result.metrics if k.spec.headline and any(v.low is not None for v in result.of(k.key))]
    if not keys:
        return (heading, Paragraph("No headline metric has a value, so there is nothing to assess."))
    sources = tables.TableOf(result.units, "tab-sources", budget.sources).declared(
        "Sources of the uncertainty of one run's value",
        Field("name", "Source", width=2.6),
        Field("basis", "What is known", width=5.0),
        Field("", "Standard uncertainty", "number", cell=lambda s, _: result.printed(s.u, s.quantity, 2), width=1.5),
        Field("common", "Runs", cell=lambda s, _: WHOSE[s.common], width=1.4),
    )
    blocks: list[Block] = [heading, *(Paragraph(literal(text)) for text in _introduction(result, budget)), sources]
    if budget.assumptions:
        texts = tuple(literal(said(text, result.units)) for text in budget.assumptions)
        blocks.append(Callout("note", "Assumed, because it is not declared", texts))
    budgets = [(key, [row for row in budget.budgets if row.key == key.key]) for key in keys]
    blocks += [
        Heading(2, "Budgets", "sec-budgets"),
        FigureOf(budget_figure(result, budgets, _largest_sources(budgets)), "fig-budget").captioned(
            "Standard uncertainty that each source alone causes in one run's value (root mean square over the runs); filled: "
            "the same in all runs, so that it cancels in differences as far as the runs respond alike. Sources below a fiftieth of the largest are "
            "in the tables only.",
            "Horizontal bars, one per source of uncertainty and one panel per headline metric. The values are in the tables "
            "that follow.",
        ),
        *(_budget_table(result, budget, some, mark) for some, mark, _ in tables.in_parts(keys, BUDGETS_PER_TABLE)),
        Heading(2, "What cancels in differences", "sec-cancels"),
        Paragraph(literal(_cancels(result, budget, keys))),
    ]
    return tuple(blocks)


def _introduction(result: ReportResult, budget: InstrumentUncertainty) -> list[str]:
    single = all(c.runs_used <= 1 for c in result.configurations)
    texts = [
        f"Each value of one run was computed {budget.draws} times with readings as they might have been, given what is known "
        "about the instruments (propagation of distributions, JCGM 101:2008). The standard deviation of the results is the "
        f"standard uncertainty, the {formatting.usual(budget.level, 'share', 'si')} interval runs between their quantiles; it "
        "stands in brackets beside the values of the runs. What is measured is the temperature of the sensor's element, so its "
        "lag behind the air is no error. Times of events enter to first order.",
        "This is what the instruments leave open about one run. It says nothing about how a second run of the same "
        "configuration would differ; the scatter between runs is another level and is not mixed with it."
        if not single
        else "Every configuration was driven at most once, so this is the only uncertainty that can be stated: instrument "
        "uncertainty only. How a second run of the same configuration would differ is unknown, and is usually more.",
    ]
    if any(s.name == ROUNDING_MODE for s in budget.sources):
        texts.append(
            "Whether the control unit rounds its readings or cuts them off is not declared. A reading cut off is half a step low on "
            "average, so a quarter of a step is added as the mean of the two, and the draws take either, one as likely as the "
            "other. What the same control unit does to the ambient reading is the same draw, so that it cancels as far as the steps "
            "are alike."
        )
    valued = [k for k in result.metrics if any(v.status == "ok" for v in result.of(k.key))]
    bare = [metric_title(k, result.units) for k in valued if all(v.low is None for v in result.of(k.key))]
    return [*texts, f"Not assessed: {formatting.listing(bare)}."] if bare else texts


def _root_mean_square(values: list[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return math.sqrt(math.fsum(v**2 for v in known) / len(known)) if known and len(known) == len(values) else None


def _budget_table(result: ReportResult, budget: InstrumentUncertainty, keys: Sequence[MetricKey], mark: str) -> Table:
    entries = {(row.source, row.key): row for row in budget.budgets}
    rows: list[Any] = [{"common": s.common, **vars(entries[s.name, k.key])} for s in budget.sources for k in keys]
    for field, name in TOTALS:
        for k in keys:
            valued = _valued(result, k)
            u = _root_mean_square([getattr(v, field) for v in valued])
            rows.append({"common": None, "key": k.key, "source": name, "u": u, "runs": len(valued)})
    columns = tuple((k.key, tables.titled(k, result.units, difference=True)) for k in keys)

    def cell(row: Any, units: UnitSystem) -> str:  # one digit more than the value
        key = result.metric(row.key)
        return formatting.bare(row.u, difference_quantity(key), units, key.spec.decimals + 1)

    return tables.TableOf(result.units, f"tab-budget{mark}", tables.with_unit(result, rows)).declared(
        "Budget of one run's value: standard uncertainty by source, each alone, root mean square over the runs",
        Field("source", "Source", width=3.0),
        Field("common", "Runs", cell=lambda row, _: WHOSE[row.common], width=1.5),
        notes=(note for key in keys if (note := _open_ended(result, budget, key))),
        across=Across("source", "key", columns, cell),
    )


def _open_ended(result: ReportResult, budget: InstrumentUncertainty, key: MetricKey) -> str:
    """Say in how many runs draws do not reach a margin; empty where all do."""
    if not (shares := [v.draws_not_reached for v in _valued(result, key) if v.draws_not_reached]):
        return ""
    counted = max((row.runs for row in budget.budgets if row.key == key.key), default=0)
    return (
        f"{metric_title(key, result.units)}: in {formatting.count(len(shares), 'run')} some draws do not reach it, or are within it at the entry "
        f"(up to {formatting.usual(max(shares), 'share', 'si')}), so no standard deviation exists there; the sources are counted over the "
        f"{formatting.count(counted, 'run')} in which each source alone always reaches it."
    )


def _valued(result: ReportResult, key: MetricKey) -> list[MetricResult]:
    return [v for v in result.of(key.key) if v.draws_not_reached is not None]


def _cancels(result: ReportResult, budget: InstrumentUncertainty, keys: list[MetricKey]) -> str:
    rows = [row for key in keys for row in rows_of(budget.differences) if row.key == key.key]
    if not rows:
        return "No difference between configurations has a value in every draw."
    first, key = rows[0], result.metric(rows[0].key)
    parts = (_root_mean_square([v.u_common for v in _valued(result, key)]), first.u_common)
    whole, left = (result.printed(u, difference_quantity(key), key.spec.decimals + 2) for u in parts)
    return (
        "What all runs share is one and the same in every run, so most of it is gone in a difference between "
        f"configurations. {metric_title(key, result.units)}: the common part of one value is {whole}, and {left} of it "
        f"is left in the difference between {result.name_of(first.configuration)} and {result.name_of(first.versus)}. "
        "Something is left where runs do not respond alike: a steeper fall crosses a margin with less delay. "
        "results.json has all differences."
    )


def _hottest(result: ReportResult) -> str:
    parts = []
    for c in result.configurations:
        curves = [curve for curve in result.route_curves if curve.configuration == c.id]
        if points := [(y, x) for one in curves for x, y in zip(one.x, one.y, strict=True) if y is not None]:
            value, at = max(points)
            place = f" ({phase})" if (phase := result.phase_at(at)) else ""
            parts.append(f"{result.printed(value, 'temperature', 0)} with {c.name}{place}")
    return f"Highest intake air: {formatting.listing(parts)}" if parts else ""


def _levels(result: ReportResult, keys: Sequence[MetricKey]) -> str:
    for key in keys:
        known = [(level(result, key, c.id), c.name) for c in result.configurations]
        if all(value for value, _ in known):
            parts = [f"{value} with {name}" for value, name in known]
            return f"{metric_title(key, result.units)}: {formatting.listing(parts)}"
    return ""


def _largest_sources(budgets: Sequence[tuple[MetricKey, Sequence[BudgetRow]]]) -> str:
    first = Counter(max(rows, key=lambda row: row.u or 0.0).source for _, rows in budgets if any(row.u for row in rows))
    parts = [f"{source.lower()} in {count} of {len(budgets)}" for source, count in first.most_common()]
    return f"Largest source of a metric: {formatting.listing(parts)}" if parts else ""
