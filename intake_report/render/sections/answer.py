"""The answer to the campaign's question: every configuration in the metrics that decide, in a sentence each; what bounds it."""

import math
from collections.abc import Sequence

from intake_report import formatting
from intake_report.messages import Message, Value, said
from intake_report.metrics import PULL_METRICS
from intake_report.plots import keys_of
from intake_report.render.blocks import Block, Heading, ItemList, Paragraph, emphasis, literal
from intake_report.results import Comparison, Limitation, MetricKey, ReportResult
from intake_report.results.text import adjusted_for, counts_text, difference_quantity, direction, metric_title
from intake_report.statistics import coverage_factor
from intake_report.units import to_display

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
SENTENCES = 3
ROUNDED, WITHIN, CONTROLLED = "before rounding", "within blocks", "after taking off the control vehicle"
EDGE = 0.95  # share of the time that was watched beyond which a recovery reads as "or not reached"


def answer(result: ReportResult) -> tuple[str, ...]:
    """Return the answer in three sentences at most: every configuration in the metrics that decide."""
    deciding = map(result.metric, usable(result))
    keys = [k for k in deciding if any(level(result, k, c.id) for c in result.configurations)][:SENTENCES]
    sentences = [_sentence(result, key) for key in keys]
    because = "".join(f": {literal(item.cover)}" for item in gravest(result, 1))
    if not sentences:
        return (f"The runs ({literal(counts_text(result))}) allow no comparison of the configurations{because}.",)
    if not any(compared(result, key) for key in keys):
        sentences[-1] = f"{sentences[-1].rstrip('.')}; the runs allow no comparison of the configurations{because}."
    return tuple(sentences)


def also_shown(result: ReportResult, said_of: Sequence[MetricKey]) -> list[str]:
    """Return the headline differences that the tables call and the deciding metrics do not name."""
    parts = []
    for key in result.metrics:
        rows = [c for c in compared(result, key) if c.call == "shown" and key not in said_of]
        sizes = [f"{result.name_of(c.configuration)} {size(result, key, c)}" for c in rows]
        parts += [f"{metric_title(key, result.units)} ({formatting.listing(sizes)})"] if sizes else []
    return [f"Also shown: {'; '.join(parts)}."] if parts else []


def headline(result: ReportResult) -> str:
    """Return what the picture shows, in one line without marks."""
    for key in map(result.metric, usable(result)):
        if rows := [c for c in compared(result, key) if c.difference is not None]:
            common = f" ({CALLS[rows[0].call]})" if len({c.call for c in rows}) == 1 else ""
            sizes = [(f"{result.name_of(c.configuration)} {size(result, key, c)}", CALLS[c.call]) for c in rows]
            parts = [text if common else f"{text} ({call})" for text, call in sizes]
            return f"{_lead(result, key)}: {formatting.listing(parts)} than {result.baseline.name}{common}"
    return "Intake air along the route and after the highway entry"


def usable(result: ReportResult) -> list[str]:
    """Return the deciding metrics; a margin that the instruments cannot decide comes after those that they can."""
    coarse = undecidable(result)
    return sorted(result.decides, key=lambda key: key in coarse)


def undecidable(result: ReportResult) -> set[str]:
    """Return the recovery metrics whose margin the instruments do not resolve: by the readings, or every interval is open."""
    coarse = [item.text for item in result.limitations if item.code == "margin-resolution"]
    margins = [text.value("margin") for text in coarse if isinstance(text, Message)]
    limits = {margin.number for margin in margins if isinstance(margin, Value)}
    found = set()
    for key in keys_of(result, "recovery_time"):
        rows = [c for c in result.comparisons if c.key == key.key and c.difference is not None]
        open_ended = [c.low is None and c.high is None and c.lost > 0.0 for c in rows]
        if key.parameter.number in limits or (rows and all(open_ended)):
            found.add(key.key)
    return found


def compared(result: ReportResult, key: MetricKey) -> list[Comparison]:
    """Return the comparisons of a metric that say something, in the order of the configurations."""
    by_configuration = {c.configuration: c for c in result.comparisons if c.key == key.key}
    rows = [by_configuration.get(c.id) for c in result.configurations]
    return [c for c in rows if c is not None and (c.difference is not None or c.low is not None or c.high is not None)]


def _sentence(result: ReportResult, key: MetricKey) -> str:
    rows = {c.configuration: c for c in compared(result, key)}
    parts, first = list[str](), _lead(result, key, sentence=True)
    for c in result.ordered:
        value = level(result, key, c.id)
        over = " over ambient" if key.spec.id in OVER_AMBIENT and all(part[0] == "(" for part in parts) else ""
        lead = "in " if key.spec.id == "recovery_time" and value and value[0].isdigit() and first[-1] != ":" else ""
        judged = ""
        if found := rows.get(c.id):
            why, amount = adjusted(result, key, found), size(result, key, found)
            judged = f"{amount} {why}" if why in (ROUNDED, CONTROLLED) else f"{why} {amount}".strip()
            judged = f" ({judged}{_interval(result, key, found)}: {CALLS[found.call]}"
            if plain := found.unadjusted:  # without a word of its own: one judgement decides
                judged += f"; unadjusted {size(result, key, plain)}{_interval(result, key, plain)}"
            judged += ")"
        name = emphasis(literal(c.name))
        parts.append(f"{lead}{value}{over} with {name}{judged}" if value else f"(no value with {name}{judged})")
    return f"{first} {'; '.join(parts)}{_resolution(result, key)}."


def _lead(result: ReportResult, key: MetricKey, *, sentence: bool = False) -> str:
    if key.spec.id == "mean_over_ambient":
        phase = next((p for p in result.phases if p.id == key.parameter.key), None)
        place = f"In the phase {literal(key.parameter.label or key.parameter.key)}"
        if phase is not None and sum(p.kind == phase.kind for p in result.phases) == 1:
            place = PLACES[phase.kind] if phase.kind in (key.parameter.label or key.parameter.key).lower() else place
        return f"{place}, intake air was on average" if sentence else place
    if key.spec.id == "peak_over_ambient":
        return "At its hottest, intake air was" if sentence else "At its hottest"
    if key.spec.id == "recovery_time" and key.parameter.number is not None:
        margin = formatting.margin(key.parameter.number, result.units, both=sentence)
        plain = f"After the highway entry, intake air came within {margin} of ambient"
        if any(v.status in ("not reached", "within at entry") for v in result.compared(key.key)):
            plain = f"Time from the highway entry until intake air came within {margin} of ambient:"
        return plain if sentence else f"Back within {margin}"
    title = metric_title(key, result.units)
    return f"{literal(title)} was" if sentence else title


def level(result: ReportResult, key: MetricKey, configuration: str, *, unit: bool = True) -> str:
    """Return the mean, or how many runs did not reach a margin or began within it, where none is formed; empty without a value."""
    printed = formatting.with_unit if unit else formatting.bare
    values = [v for v in result.compared(key.key) if v.configuration == configuration]
    counts = {s: sum(v.status == s for v in values) for s in ("not reached", "within at entry")}
    form = (key.spec.quantity, result.units, key.spec.decimals)
    if not any(counts.values()):
        mean, watched = result.summary(key.key, configuration).mean, at_edge(result, key, configuration)
        if mean is None or watched is None:
            return "" if mean is None else printed(mean, *form)
        return f"about {printed(round(watched if len(values) == 1 else mean, -1), *form)} or not reached"
    times = [v.value for v in values if v.value is not None]
    n = sum(counts.values()) + len(times)
    runs, every = formatting.count(n, "run"), "the only run" if n == 1 else f"all {n} runs"
    words = zip(("not reached", "already within it at the entry"), counts.values(), strict=True)
    text = ", ".join(f"{state} in {every if k == n else f'{k} of {runs}'}" for state, k in words if k)
    if not times:
        return text
    low, high = (printed(v, *form) for v in (min(times), max(times)))
    return f"{text}, else in {low if low == high else f'{low} to {high}'}"


def at_edge(result: ReportResult, key: MetricKey, configuration: str) -> float | None:
    """Return for how long a run was watched [s] that met the margin at the end of that; None where none did."""
    if key.spec.id != "recovery_time":
        return None
    watched = {curve.run: max(curve.x) for curve in result.recovery_curves}
    of_configuration = (v for v in result.of(key.key) if v.configuration == configuration and v.value is not None)
    late = [watched[v.run] for v in of_configuration if v.run in watched and v.value > EDGE * watched[v.run]]  # type: ignore[operator]
    return max(late, default=None)


def computed(result: ReportResult) -> list[MetricKey]:
    """Return the metrics that have a value in some run."""
    return [k for k in result.metrics if any(v.status != "not computed" for v in result.of(k.key))]


def size(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    """Return a difference with its direction in words: "4.4 K closer to ambient"."""
    if c.difference is None:
        return "no difference formed"
    amount = formatting.with_unit(abs(c.difference), difference_quantity(key), result.units, key.spec.decimals)
    return f"{'about ' if _about(result, key, c) else ''}{amount} {direction(key, c.difference > 0.0)}"


def _about(result: ReportResult, key: MetricKey, c: Comparison) -> bool:
    return any(at_edge(result, key, id) is not None for id in (c.configuration, c.versus))


def span(result: ReportResult, key: MetricKey, low: float | None, high: float | None) -> str:
    """Return an interval of a difference in amounts and words: "3.5 to 5.7 K", "67 s faster to 9 s slower"."""
    form = (difference_quantity(key), result.units, key.spec.decimals)
    if low is None and high is None:
        return "without bounds"
    if low is None or high is None:
        limit = low if low is not None else high or 0.0
        inner = (limit > 0.0) == (low is not None)  # zero lies beyond the limit that is known
        return f"{'at least' if inner else 'up to'} {formatting.with_unit(abs(limit), *form)} {direction(key, limit > 0.0)}"
    if low * high >= 0.0:
        near, far = sorted((abs(low), abs(high)))
        return formatting.interval(near, far, *form)
    return " to ".join(f"{formatting.with_unit(abs(x), *form)} {direction(key, x > 0.0)}" for x in (low, high))


def _interval(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    if c.low is None and c.high is None:
        return ""
    share = formatting.usual(c.level, "share", "si")
    basis = "the instruments alone allow" if c.basis == "instruments" else f"{share} interval"
    return f", {basis} {span(result, key, c.low, c.high)}"


def adjusted(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    """Return why a difference is not that of the two values printed, where it is not."""
    if any(e.key == c.key and e.configuration == c.configuration and e.runs for e in result.control):
        return CONTROLLED
    if c.covariates:
        return f"adjusted for {adjusted_for(c)}"
    after, before = (result.summary(c.key, id).mean for id in (c.configuration, c.versus))
    if c.difference is None or after is None or before is None or _about(result, key, c):
        return ""
    exact = [float(to_display(x, key.spec.quantity, result.units)) for x in (after, before)]
    exact.append(float(to_display(c.difference, difference_quantity(key), result.units)))
    printed = [round(x, key.spec.decimals) for x in exact]
    least = 10.0**-key.spec.decimals
    if abs(printed[0] - printed[1] - printed[2]) < 0.5 * least:
        return ""
    # of the same runs, only the last digit differs; else the model within blocks gives another difference
    return ROUNDED if abs(exact[0] - exact[1] - exact[2]) < 0.05 * least else WITHIN


def _resolution(result: ReportResult, key: MetricKey) -> str:
    coarse, margins = undecidable(result), keys_of(result, "recovery_time")
    if not coarse or key.key != next((k for k in usable(result) if k.startswith("recovery_time")), ""):
        return ""  # of another metric, or said before
    decided = [k for k in margins if k.key not in coarse and compared(result, k)]
    clear = [k for k in decided if all(map(told_apart, compared(result, k)))]
    can, either, cannot = (
        formatting.listing([formatting.margin(k.parameter.number or 0.0, result.units, both=False) for k in keys], "or")
        for keys in (clear, [k for k in decided if k not in clear], [k for k in margins if k.key in coarse])
    )
    text = f"; the instruments are too coarse for {cannot}" + (f", not for {can}" if can else "")
    return text + (f"; at {either} they leave open which is faster" if either else "")


def told_apart(c: Comparison) -> bool:
    """Return whether what is known of the instruments, without scatter between runs, leaves a difference one sign."""
    if (c.low or 0.0) > 0.0 or (c.high or 0.0) < 0.0:
        return True
    alone = None if c.instrument is None else coverage_factor(c.level, math.inf) * c.instrument
    return c.basis == "runs" and alone is not None and abs(c.difference or 0.0) > alone


def legend(result: ReportResult, keys: list[MetricKey]) -> tuple[str, ...]:
    """Return one plain line for each word of verdict that occurs in these metrics."""
    calls = {c.call for key in keys for c in compared(result, key)}
    together = sum(c.p_adjusted is not None for c in result.comparisons)
    texts = {
        "shown": f"● shown: more than chance and instruments explain, with all {together} main differences looked at together.",
        "suggested": "◐ suggested, not confirmed: alone this difference would count as shown; but with "
        f"{together} main differences looked at, one like it is too likely by chance.",
        "not shown": "○ not shown: the runs also fit no difference at all.",
        "indication": "◌ an indication only: without repeated runs, day, traffic and configuration cannot be told apart.",
    }
    return tuple(text for call, text in texts.items() if call in calls)


NOTHING_STANDS = 100  # below this rank a limitation says that nothing can be compared
GROUPS = (
    ("comparison", "What may bend the comparison on the road"),
    ("values", "What bounds single values and their conditions"),
    ("power", "What bounds power and torque"),
    ("bench", "What bounds bench, trials and what was not tested"),
)


def gravest(result: ReportResult, most: int) -> tuple[Limitation, ...]:
    """Return the gravest limitations, with words for the cover, of the metrics that decide or that a claim names.

    Of those nearly the same there is one. What bounds other metrics, or pulls and trials that nobody asks for, is left out,
    and so is what only bounds a comparison where nothing was compared.
    """
    keys = {*result.decides, *(claim.key for claim in result.claims if claim.key)}
    compared = any(c.difference is not None for c in result.comparisons)
    power = any(key in PULL_METRICS for key in keys)
    named: dict[str, Limitation] = {}
    for item in sorted(result.limitations, key=lambda item: item.rank):
        stands = compared or item.rank < NOTHING_STANDS
        asked = {"power": power, "values": True, "bench": False, "comparison": stands}[item.endangers]
        said_before = item.code == "not-shown"  # the verdicts and what would settle them say it
        if item.cover and asked and not said_before and (not item.keys or set(item.keys) & keys):
            named.setdefault(item.alike or item.code, item)
    return tuple(named.values())[:most]


def bounds(result: ReportResult) -> list[Block]:
    """Return the three gravest limitations, a sentence each, with what to do."""
    items = []
    for item in gravest(result, 3):
        remedy = said(item.remedy, result.units).rstrip(".")
        helps = f"; what helps: {remedy[:1].lower()}{remedy[1:]}" if remedy else ""
        items.append(literal(f"{item.cover[0].upper()}{item.cover[1:]}{helps}."))
    heading = Heading(1, "What bounds this answer most, and what helps", "sec-bounds")
    more = Paragraph("With numbers, and all others: [[sec-limitations]].")
    return [heading, ItemList(tuple(items), ordered=True), more] if items else []


def limitations(result: ReportResult) -> tuple[Block, ...]:
    """Return what the data cannot show, grouped by what it endangers, the gravest of each group first."""
    scope = "The results hold for this vehicle, this route and these conditions, not for others."
    if result.limitations:
        scope += " What would remove each limitation: [[tab-limitations]]."
    blocks: list[Block] = [Heading(1, "Limitations", "sec-limitations"), Paragraph(scope)]
    for group, title in GROUPS:
        ordered = sorted((x for x in result.limitations if x.endangers == group), key=lambda item: item.rank)
        texts = dict.fromkeys(literal(said(item.text, result.units)) for item in ordered)
        blocks += [Heading(2, title), ItemList(tuple(texts))] if texts else []
    return tuple(blocks)
