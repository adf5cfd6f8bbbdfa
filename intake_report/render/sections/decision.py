"""The two pages that decide: the answer for every configuration, the verdict table, claims, the picture, what bounds it."""

from __future__ import annotations

import math
from typing import Any

from intake_report import formatting
from intake_report.campaign import Campaign
from intake_report.messages import Value, message, said
from intake_report.plots import decision_figure
from intake_report.render.blocks import Block, Cover, Heading, ItemList, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import emphasis, literal
from intake_report.render.sections.closing import changed_statements
from intake_report.render.sections.tables import block_of, files
from intake_report.report_table import Across, Field, ReportTable, frame_of
from intake_report.results import ClaimResult, Comparison, MetricKey, ReportResult
from intake_report.results.compared import gravest
from intake_report.results.text import counts_text, difference_interval, difference_quantity, metric_title
from intake_report.units import UnitSystem, to_display

CALLS = {
    "shown": "shown",
    "exploratory": "shown, exploratory",
    "suggested": "suggested, not confirmed",
    "equivalent": "no difference that matters",
    "not shown": "not shown",
    "indication": "an indication only",
    "not compared": "not compared",
}
MARKS = {"shown": "●", "exploratory": "●", "suggested": "◐", "equivalent": "≈", "not shown": "○", "indication": "◌"}
PLACES = {"city": "In the city", "ramp": "On the ramp", "highway": "On the highway"}
OVER_AMBIENT = ("mean_over_ambient", "peak_over_ambient")
MOST_CHANGES = 4  # statements that the second page quotes; the annex has all


def cover(campaign: Campaign, result: ReportResult, date: str, revision: int) -> tuple[Block, ...]:
    """Return title, question and answer."""
    used, driven = (sum(c.runs_used for c in result.configurations), sum(c.runs for c in result.configurations))
    days = sorted({run.start[:10] for run in result.runs if run.start})
    when = f", driven {days[0]}" if len(days) == 1 else f", driven {days[0]} to {days[-1]}" if days else ""
    facts = (
        ("Vehicle", campaign.vehicle.description),
        ("Runs", f"{used} of {driven} in the comparison{when}"),
        ("Route", campaign.route.description.rstrip(".")),
    )
    return (
        Cover(
            title=literal(result.title),
            subtitle=literal(f"Engineering test report, campaign {result.campaign}"),
            date=date,
            revision=str(revision),
            question=literal(result.question),
            answer=answer(result),
            facts=tuple((label, literal(text)) for label, text in facts if text),
        ),
    )


def decision(campaign: Campaign, result: ReportResult, previous: str) -> tuple[Block, ...]:
    """Return what a reader decides from: verdicts, claims, picture, gravest limitations, sign-off, what changed."""
    keys = [result.metric(key) for key in result.decides]
    blocks: list[Block] = []
    if any(_of(result, key) for key in keys):
        blocks.append(_verdicts(result, keys))
    if result.claims:
        blocks.append(_claims(result))
    if result.places is not None or result.recovery_curves:
        finding = headline(result)
        blocks.append(
            figure_block(
                decision_figure(result, finding),
                "fig-decision",
                "Top: mean of the runs of each configuration along the route; shaded: phases; triangles: places of stops. Bottom: "
                "over-ambient temperature of every run after the highway entry; dotted: recovery margins.",
                f"{finding}. One line per configuration along the route, and below it the fall after the highway entry.",
            )
        )
    blocks += [*_bounds(result), *_signatures(campaign, result), *_revision(result, previous)]
    return tuple(blocks)


# ---- the answer --------------------------------------------------------------------------------------------------


def answer(result: ReportResult) -> tuple[str, ...]:
    """Return the answer in three sentences at most: every configuration in the metrics that decide, and what it rests on."""
    keys = [key for key in map(result.metric, _usable(result)) if _levels(result, key)]
    sentences = [_sentence(result, key) for key in keys[:2]]
    if not sentences:
        sentences = [
            f"The runs ({literal(counts_text(result))}) allow no comparison of the configurations{_because(result)}."
        ]
    elif not any(_of(result, key) for key in keys[:2]):
        sentences[-1] = (
            f"{sentences[-1].rstrip('.')}; the runs allow no comparison of the configurations{_because(result)}."
        )
    return (*sentences, _rests(result))


def headline(result: ReportResult) -> str:
    """Return what the picture shows, in one line without marks."""
    for key in map(result.metric, _usable(result)):
        rows = [c for c in _of(result, key) if c.difference is not None]
        if rows:
            parts = [f"{result.name_of(c.configuration)} {_size(result, key, c)} ({CALLS[c.call]})" for c in rows]
            return f"{_lead(result, key)}: {formatting.listing(parts)}"
    return "Intake air along the route and after the highway entry"


def _usable(result: ReportResult) -> list[str]:
    """Return the deciding metrics; a margin that the sensor cannot decide comes after one that it can."""
    coarse = _coarse(result)
    return sorted(result.decides, key=lambda key: key in coarse)


def _coarse(result: ReportResult) -> dict[str, float]:
    """Return the recovery metrics whose margin the readings do not resolve, with the least margin that they do [K]."""
    limits = {}
    for item in result.limitations:
        if item.code == "margin-resolution" and not isinstance(item.text, str):
            margin, least = (dict(getattr(item.text, "values", ())).get(name) for name in ("margin", "least"))
            if isinstance(margin, Value) and isinstance(least, Value) and least.number is not None:
                limits[margin.number] = least.number
    keys = [k for k in result.metrics if k.spec.id == "recovery_time" and k.parameter.number in limits]
    return {k.key: limits[k.parameter.number] for k in keys}


def _of(result: ReportResult, key: MetricKey) -> list[Comparison]:
    """Return the comparisons of a metric that say something, in the order of the configurations."""
    by_configuration = {c.configuration: c for c in result.comparisons if c.key == key.key}
    rows = [by_configuration.get(c.id) for c in result.configurations]
    return [c for c in rows if c is not None and (c.difference is not None or c.low is not None or c.high is not None)]


def _sentence(result: ReportResult, key: MetricKey) -> str:
    """Return one deciding metric for every configuration: value, difference, interval, word."""
    compared = {c.configuration: c for c in _of(result, key)}
    ordered = sorted(result.configurations, key=lambda c: c.id != result.baseline.id)
    parts: list[str] = []
    for configuration in ordered:
        level = _level(result, key, configuration.id)
        name = emphasis(literal(configuration.name))
        over = " over ambient" if key.spec.id in OVER_AMBIENT and not parts else ""
        lead = "in " if key.spec.id == "recovery_time" and level and level[0].isdigit() else ""
        text = f"{lead}{level or 'no value'}{over} with {name}"
        if configuration.id in compared:
            text += f" ({_judgement(result, key, compared[configuration.id])})"
        parts.append(text)
    return f"{_lead(result, key, sentence=True)} {'; '.join(parts)}{_resolution(result, key)}."


def _lead(result: ReportResult, key: MetricKey, *, sentence: bool = False) -> str:
    if key.spec.id == "mean_over_ambient":
        place = _place(result, key)
        return f"{place}, intake air was on average" if sentence else place
    if key.spec.id == "peak_over_ambient":
        return "At its hottest, intake air was" if sentence else "At its hottest"
    if key.spec.id == "recovery_time" and key.parameter.number is not None:
        margin = formatting.margin(key.parameter.number, result.units)
        return (
            f"After the highway entry, intake air came within {margin} of ambient"
            if sentence
            else f"Back within {margin}"
        )
    title = literal(metric_title(key, result.units)) if sentence else metric_title(key, result.units)
    return f"{title} was" if sentence else title


def _place(result: ReportResult, key: MetricKey) -> str:
    """Return "In the city" where one phase is of that kind, else the phase by its name."""
    phase = next((p for p in result.phases if p.id == key.parameter.key), None)
    if phase is None or phase.kind not in PLACES or sum(p.kind == phase.kind for p in result.phases) > 1:
        return f"In the phase {literal(key.parameter.label or key.parameter.key)}"
    return PLACES[phase.kind]


def _level(result: ReportResult, key: MetricKey, configuration: str) -> str:
    """Return the mean, or how many runs did not reach a margin or began within it, where none is formed; empty without a value."""
    used = {run.id for run in result.runs if run.decision != "excluded"}
    values = [v for v in result.of(key.key) if v.configuration == configuration and v.run in used]
    counts = {s: sum(v.status == s for v in values) for s in ("not reached", "within at entry")}
    form = (key.spec.quantity, result.units, key.spec.decimals)
    if not any(counts.values()):
        mean = result.summary(key.key, configuration).mean
        return "" if mean is None else formatting.with_unit(mean, *form)
    times = [v.value for v in values if v.value is not None]
    runs = formatting.count(sum(counts.values()) + len(times), "run")
    text = ", ".join(f"{state} in {k} of {runs}" for state, k in counts.items() if k)
    if not times:
        return text
    low, high = (formatting.with_unit(v, *form) for v in (min(times), max(times)))
    return f"{text}, else in {low if low == high else f'{low} to {high}'}"


def _levels(result: ReportResult, key: MetricKey) -> bool:
    return any(_level(result, key, c.id) for c in result.configurations)


def _word(key: MetricKey, difference: float) -> str:
    """Return the word for a difference in this direction ("closer to ambient")."""
    if key.spec.better == "neither":
        return "higher" if difference > 0.0 else "lower"
    return key.spec.words[0] if (difference > 0.0) == (key.spec.better == "higher") else key.spec.words[1]


def _size(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    if c.difference is None:
        return "no difference formed"
    amount = formatting.with_unit(abs(c.difference), difference_quantity(key), result.units, key.spec.decimals)
    return f"{amount} {_word(key, c.difference)}"


def _judgement(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    """Return difference, interval and word: "4.4 K closer to ambient, 95 % interval −4.9 to −3.9 K: shown"."""
    text = f"{_adjusted(result, key, c)}{_size(result, key, c)}"
    if c.low is not None or c.high is not None:
        level = formatting.usual(c.level, "share", "si")
        basis = " from the instruments alone" if c.basis == "instruments" else ""
        text += f", {level} interval{basis} {difference_interval(c, key, result.units)}"
    return f"{text}: {CALLS[c.call]}"


def _adjusted(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    """Return why a difference is not that of the two values printed, where it is not."""
    if any(e.key == c.key and e.configuration == c.configuration and e.runs for e in result.control):
        return "less the control vehicle, "
    means = [result.summary(c.key, id).mean for id in (c.configuration, c.versus)]
    if c.difference is None or None in means:
        return ""
    quantities = (key.spec.quantity, key.spec.quantity, difference_quantity(key))
    after, before, change = (
        round(float(to_display(x or 0.0, quantity, result.units)), key.spec.decimals)
        for x, quantity in zip((*means, c.difference), quantities, strict=True)
    )
    # half a printed digit of each; beyond that a reader who subtracts would get another number
    return "within blocks, " if abs(after - before - change) > 1.01 * 10.0**-key.spec.decimals else ""


def _resolution(result: ReportResult, key: MetricKey) -> str:
    """Return which margin the sensor cannot decide, and that this one it can; empty where all are usable."""
    if key.spec.id != "recovery_time" or key.key in _coarse(result):
        return ""
    coarse = [result.metric(k).parameter.number for k in _coarse(result)]
    if not coarse or key.parameter.number is None:
        return ""
    texts = formatting.listing([formatting.margin(m, result.units) for m in coarse if m is not None], "or")
    return f"; the sensor cannot decide {texts}, this margin it can"


def _because(result: ReportResult) -> str:
    first = gravest(result.limitations, _any_difference(result), 1)
    return f": {literal(first[0].cover)}" if first else ""


def _any_difference(result: ReportResult) -> bool:
    return any(c.difference is not None for c in result.comparisons)


def _rests(result: ReportResult) -> str:
    used = sum(c.runs_used for c in result.configurations)
    blocks = len({run.block for run in result.runs if run.block and run.decision != "excluded"})
    over = f" in {formatting.count(blocks, 'block')}" if blocks else ""
    bounded = (
        f"; {formatting.count(len(result.limitations), 'limitation')} in [[sec-limitations]]"
        if result.limitations
        else ""
    )
    return f"This rests on {formatting.count(used, 'run')}{over} of one vehicle on one route{bounded}."


# ---- tables ------------------------------------------------------------------------------------------------------


def _verdicts(result: ReportResult, keys: list[MetricKey]) -> Block:
    """Return the verdict table: configurations by deciding metrics."""
    of_key = {key.key: key for key in keys}
    ordered = sorted(result.configurations, key=lambda c: c.id != result.baseline.id)
    rows = []
    for configuration in ordered:
        for key in keys:
            c = next((c for c in _of(result, key) if c.configuration == configuration.id), None)
            rows.append(
                {
                    "configuration": configuration.id, "metric": key.key,
                    "mean": result.summary(key.key, configuration.id).mean,
                    "difference": c.difference if c else None, "low": c.low if c else None,
                    "high": c.high if c else None, "call": c.call if c else "",
                    "comparison": c,
                }
            )  # fmt: skip

    def cell(row: Any, units: UnitSystem) -> str:
        key = of_key[row.metric]
        level = _level(result, key, row.configuration) or formatting.ABSENT
        if row.comparison is None:
            return level
        c = row.comparison
        change = formatting.with_unit(c.difference, difference_quantity(key), units, key.spec.decimals, signed=True)
        interval = difference_interval(c, key, units)
        limits = "" if interval == formatting.ABSENT else f" ({interval})"
        return f"{level}; {change}{limits} {MARKS.get(c.call, '')} {CALLS[c.call]}"

    table = ReportTable(
        "tab-verdict",
        message(
            "Mean, difference from {baseline} with its {level} interval, and verdict",
            baseline=result.baseline.name,
            level=Value(result.level, "share"),
        ),
        (
            Field("configuration", "Configuration", cell=lambda r, _: result.name_of(r.configuration), width=1.6),
            *files("metric", "mean", "difference", "low", "high", "call"),
        ),
        frame_of(rows),
        _legend(result, keys),
        Across(
            "configuration",
            "metric",
            tuple((key.key, metric_title(key, result.units)) for key in keys),
            cell,
            align="left",
            width=2.4,
        ),
    )
    return block_of(table, result.units)


def _legend(result: ReportResult, keys: list[MetricKey]) -> tuple[str, ...]:
    calls = dict.fromkeys(c.call for key in keys for c in _of(result, key))
    texts = {
        "suggested": "◐ suggested, not confirmed: this comparison alone would show it, all comparisons looked at together do not.",
        "not shown": "○ not shown: the runs allow no difference as well as one of either sign within the interval.",
        "indication": "◌ an indication only: without repeated runs, day, traffic and configuration cannot be told apart.",
        "shown": "● shown: the interval excludes zero, also after allowing for all comparisons looked at together.",
    }
    return tuple(text for call, text in texts.items() if call in calls)


def _claims(result: ReportResult) -> Block:
    table = ReportTable(
        "tab-claims",
        "Claims: verdict, why, and what would settle what is open",
        (
            *files("id"),
            Field("text", "Claim", width=2.6),
            *files("key", "configuration", "versus"),
            Field("verdict", "Verdict", width=1.2),
            Field("reason", "Because", width=3.6),
            Field("settles", "What would settle it", width=2.2),
            *files("limit", "estimate", "low", "high", "guard_band", "probability", "risk"),
        ),
        frame_of(result.claims).assign(settles=[settles(result, c) for c in result.claims]),
    )
    return block_of(table, result.units)


def settles(result: ReportResult, claim: ClaimResult) -> Any:
    """Return what would decide an open claim: runs at the present scatter, blocks, or a calibration; empty when decided.

    A half-width that rests on scatter shrinks with the square root of the number of runs.
    """
    if claim.verdict in ("supported", "not supported"):
        return ""
    if not any(key.key == claim.key for key in result.metrics):
        return "More pulls of each configuration, in turn." if claim.key else ""
    c = next(
        (
            c
            for c in (*result.comparisons, *result.direct)
            if (c.key, c.configuration) == (claim.key, claim.configuration)
        ),
        None,
    )
    if claim.verdict == "indication only" or c is None or not c.replicated:
        return "Two or more runs of each configuration, in two or more blocks that hold both."
    if claim.key is None or claim.estimate is None or claim.limit is None or not claim.guard_band:
        return "A bounded interval: a longer highway phase, a wider margin, or sensor and ambient reference calibrated."
    key = result.metric(claim.key)
    distance = abs(claim.estimate - claim.limit)
    shared = 2.0 * (c.instrument or 0.0)  # expanded by about two: what more runs cannot shrink
    needed = Value(distance, difference_quantity(key), key.spec.decimals + 1)
    if distance <= shared:
        return message(
            "A calibration: what all runs share leaves {shared}, more than the {distance} to the limit.",
            shared=Value(shared, difference_quantity(key), key.spec.decimals + 1),
            distance=needed,
        )
    runs = math.ceil(min(c.n, c.n_versus) * (claim.guard_band**2 - shared**2) / (distance**2 - shared**2) - 1e-9)
    if runs > MOST_RUNS:
        return message(
            "The estimate is {distance} from the limit: more than {runs} runs of each.", distance=needed, runs=MOST_RUNS
        )
    return message(
        "About {runs} runs of each configuration at this scatter (now {now}).", runs=runs, now=min(c.n, c.n_versus)
    )


MOST_RUNS = 50
"""Beyond this a number of runs says only that the estimate lies at the limit."""


# ---- what bounds it ----------------------------------------------------------------------------------------------


def _bounds(result: ReportResult) -> list[Block]:
    worst = gravest(result.limitations, _any_difference(result), 3)
    if not worst:
        return []
    items = tuple(
        literal(f"{item.cover[0].upper()}{item.cover[1:]}. {said(item.remedy, result.units)}".strip()) for item in worst
    )
    heading = Heading(1, "What bounds this answer most, and what would help", "sec-bounds")
    return [heading, ItemList(items, ordered=True), Paragraph("With numbers, and all others: [[sec-limitations]].")]


def _signatures(campaign: Campaign, result: ReportResult) -> list[Block]:
    about = campaign.about
    roles = (("Prepared", about.prepared_by), ("Reviewed", about.reviewed_by), ("Approved", about.approved_by))
    table = ReportTable(
        "tab-signatures",
        "Sign-off",
        (
            Field("step", "Step"),
            Field("name", "Name", width=2.0, cell=lambda row, _: row.name or " "),
            Field("", "Date", cell=lambda *_: " "),
            Field("", "Signature", width=2.4, cell=lambda *_: " "),
        ),
        frame_of({"step": step, "name": name} for step, name in roles),
    )
    unsigned = [step.lower() for step, name in roles[1:] if not name]
    undecided = sum(c.verdict not in ("supported", "not supported") for c in result.claims)
    still = [f"not {formatting.listing(unsigned, 'or')}"] if unsigned else []
    still += [f"{formatting.count(undecided, 'claim')} not decided"] if undecided else []
    text = "The results concern the articles as tested."
    return [block_of(table, result.units), Paragraph(f"{text} Open: {'; '.join(still)}." if still else text)]


def _revision(result: ReportResult, previous: str) -> list[Block]:
    if not previous:
        return [Paragraph("First report of this campaign.")]
    issued, rows = changed_statements(result, previous)
    if rows is None:
        return [Paragraph(f"The report before, {literal(issued)}, cannot be read: see [[sec-changes]].")]
    first = [f"{row['subject']}: {row['before']} → {row['now']}" for row in rows[:MOST_CHANGES]]
    more = f"; all {len(rows)} in [[sec-changes]]" if len(rows) > len(first) else ""
    text = f"{'; '.join(first)}{more}" if rows else "no difference, verdict, claim or run decision changed"
    head = f"Since the report of {issued}: "
    return [Paragraph(head + (literal("; ".join(first)) + more if rows else text) + ".")]
