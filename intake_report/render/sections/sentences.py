"""The sentences of the cover, computed from the result; they quote numbers only through the formatter."""

from __future__ import annotations

from intake_report import formatting
from intake_report.messages import said
from intake_report.render.inline import literal
from intake_report.results import Comparison, MetricKey, MetricResult, ReportResult
from intake_report.results.compared import gravest
from intake_report.results.text import (
    EXPLORATORY,
    SUGGESTED,
    counts_text,
    difference_interval,
    difference_quantity,
    metric_title,
)
from intake_report.units import to_display

# In which order a metric is taken for the first sentence of the answer: the one that says most about daily driving.
FIRST = ("mean_over_ambient", "peak_over_ambient", "heat_soak_rate", "peak_iat")
PLACES = {"city": "In the city", "ramp": "On the ramp", "highway": "On the highway"}


def answer(result: ReportResult) -> tuple[str, ...]:
    """Return the answer in three sentences: what was found, how it recovers, and what it cannot show.

    Parameters
    ----------
    result : ReportResult
        The analysis.

    Returns
    -------
    tuple of str
        Three sentences.
    """
    return (_first(result), _recovery(result), _bounds(result))


def compared(result: ReportResult, key: MetricKey) -> tuple[Comparison, ...]:
    """Return the comparisons of one metric that have a difference."""
    return tuple(c for c in result.comparisons if c.key == key.key and c.difference is not None)


def subjects(result: ReportResult) -> tuple[str, ...]:
    """Return the ids of the other configurations, those first that the question names, then those of the claims.

    A name counts as named when the question holds the whole of it, or its first two words, in any case of letters.
    """
    others = [c for c in result.configurations if c.id != result.baseline.id]
    question = result.question.casefold()
    claimed = [claim.configuration for claim in result.claims]

    def rank(id: str, name: str) -> int:
        words = name.casefold().replace(",", " ").split()
        if " ".join(words[:2]) in question:
            return 0
        return 1 if id in claimed else 2

    return tuple(c.id for c in sorted(others, key=lambda c: rank(c.id, c.name)))


def _first(result: ReportResult) -> str:
    key = next((k for id in FIRST for k in result.metrics if k.spec.id == id and compared(result, k)), None)
    if key is None:
        return _no_comparison(result)
    found = {c.configuration: c for c in compared(result, key)}
    c = next(found[id] for id in subjects(result) if id in found)
    one, other = literal(result.baseline.name), literal(result.name_of(c.configuration))
    before, after = (_level(result, key, id) for id in (result.baseline.id, c.configuration))
    tail = f"{_less_control(result, c)}{_amount(result, key, c)}{_interval(result, key, c)}, {_judged(c)}."
    if before is None or after is None:  # censored: the difference stands where no mean is formed
        return f"{literal(metric_title(key, result.units))}, {other} against {one}: {tail}"
    return f"{_opening(result, key)} {before} {_relation(key)}with {one} and {after} with {other}: {tail}"


def _opening(result: ReportResult, key: MetricKey) -> str:
    """Return how the first sentence begins, up to the first value."""
    if key.spec.id == "mean_over_ambient":
        return f"{_place(result, key)}, intake air was on average"
    if key.spec.id == "peak_over_ambient":
        return "At its hottest, intake air was"
    return f"{literal(metric_title(key, result.units))} was"


def _relation(key: MetricKey) -> str:
    return "over ambient " if key.spec.id in ("mean_over_ambient", "peak_over_ambient") else ""


def _place(result: ReportResult, key: MetricKey) -> str:
    """Return "In the city" where one phase is of that kind, else the phase by its name."""
    phase = next((p for p in result.phases if p.id == key.parameter.key), None)
    if phase is None or phase.kind not in PLACES or sum(p.kind == phase.kind for p in result.phases) > 1:
        return f"In the phase {literal(key.parameter.label or key.parameter.key)}"
    return PLACES[phase.kind]


def _level(result: ReportResult, key: MetricKey, configuration: str) -> str | None:
    mean = result.summary(key.key, configuration).mean
    return None if mean is None else formatting.with_unit(mean, key.spec.quantity, result.units, key.spec.decimals)


def _word(key: MetricKey, difference: float) -> str:
    """Return the word for a difference in this direction ("closer to ambient")."""
    if key.spec.better == "neither":
        return "higher" if difference > 0.0 else "lower"
    return key.spec.words[0] if (difference > 0.0) == (key.spec.better == "higher") else key.spec.words[1]


def _size(result: ReportResult, key: MetricKey, value: float) -> str:
    return formatting.with_unit(abs(value), difference_quantity(key), result.units, key.spec.decimals)


def _amount(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    assert c.difference is not None
    return f"{_size(result, key, c.difference)} {_word(key, c.difference)}"


def _interval(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    """Return the interval in brackets, as sizes; a side beyond zero is named by its word."""
    if c.low is None and c.high is None:
        return ""
    level = formatting.usual(c.level, "share", "si")
    lead = f" ({level} interval{' from the instruments alone' if c.basis == 'instruments' else ''} "
    if c.low is None or c.high is None:
        return f"{lead.rstrip()} of the difference {difference_interval(c, key, result.units)})"
    form = (difference_quantity(key), result.units, key.spec.decimals)
    if c.low * c.high > 0.0:
        near, far = sorted((abs(c.low), abs(c.high)))
        return f"{lead}{formatting.interval(near, far, *form)})"
    sides = sorted((c.low, c.high), key=lambda v: (v > 0.0) == ((c.difference or 0.0) > 0.0))
    texts = [f"{_size(result, key, v)} {_word(key, v).split()[0]}" for v in sides]
    return f"{lead}{texts[0]} to {texts[1]})"


def _less_control(result: ReportResult, c: Comparison) -> str:
    """Return that a difference is taken less the control vehicle, or allows for the blocks, where it does."""
    if any(e.key == c.key and e.configuration == c.configuration and e.runs for e in result.control):
        return "less the control vehicle, "
    key = result.metric(c.key)
    one, other = (result.summary(c.key, id).mean for id in (c.versus, c.configuration))
    if one is None or other is None or c.difference is None:
        return ""
    # half a printed digit of each level; beyond that a reader who subtracts would get another number
    step = abs(_printed(result, key, other) - _printed(result, key, one) - _printed(result, key, c.difference, True))
    return "allowing for the blocks, " if step > 1.01 * 10.0**-key.spec.decimals else ""


def _printed(result: ReportResult, key: MetricKey, value: float, difference: bool = False) -> float:
    """Return a value as a number in the reader's unit, rounded as it is printed."""
    quantity = difference_quantity(key) if difference else key.spec.quantity
    return round(float(to_display(value, quantity, result.units)), key.spec.decimals)


def _judged(c: Comparison) -> str:
    """Return a verdict in plain words."""
    if c.call == "indication":
        return "an indication only"
    if c.call == "suggested":
        return SUGGESTED
    if c.shown:
        return f"which the runs show{f' {EXPLORATORY}' if c.call == 'exploratory' else ''}"
    return "no difference that matters" if c.call == "equivalent" else "which the runs do not show"


def _recovery(result: ReportResult) -> str:
    keys = [k for k in result.metrics if k.spec.id == "recovery_time"]
    key = next((k for k in keys if any(v.status != "not computed" for v in result.of(k.key))), None)
    if key is None or key.parameter.number is None:
        reasons = dict.fromkeys(said(v.reason, result.units) for k in keys for v in result.of(k.key) if v.reason)
        why = f": {literal(next(iter(reasons)))}" if len(reasons) == 1 else ""
        return f"No recovery time after a highway entry could be compared{why}."
    order = [
        c for c in (result.baseline.id, *subjects(result)) if result.summary(key.key, c).n or _missed(result, key, c)
    ]
    times = formatting.listing([f"{literal(result.name_of(c))} {_reached(result, key, c)}" for c in order])
    margin = formatting.margin(key.parameter.number, result.units)
    text = f"After the highway entry, intake air came within {margin} of ambient: {times}"
    found = {c.configuration: c for c in compared(result, key)}
    c = next((found[id] for id in subjects(result) if id in found), None)
    if c is None:
        return f"{text}."
    control = _less_control(result, c)
    name = "the second" if order[1:2] == [c.configuration] else literal(result.name_of(c.configuration))
    return f"{text}; {control}{name} was {_amount(result, key, c)}, {_judged(c)}."


def _missed(result: ReportResult, key: MetricKey, configuration: str) -> list[MetricResult]:
    mine = {run.id for run in result.runs if run.decision != "excluded"}
    values = [v for v in result.of(key.key) if v.configuration == configuration and v.run in mine]
    return [v for v in values if v.status == "not reached"]


def _reached(result: ReportResult, key: MetricKey, configuration: str) -> str:
    """Return the mean time, or in how many runs the margin was not reached, where no mean is formed."""
    missed = len(_missed(result, key, configuration))
    if not missed:
        return f"in {_level(result, key, configuration) or formatting.ABSENT}"
    reached = [v for v in result.of(key.key) if v.configuration == configuration and v.status == "ok"]
    text = f"not reached in {missed} of {formatting.count(missed + len(reached), 'run')}"
    times = [v.value for v in reached if v.value is not None]
    if not times:
        return text
    form = (key.spec.quantity, result.units, key.spec.decimals)
    low, high = (formatting.with_unit(v, *form) for v in (min(times), max(times)))
    return f"{text}, else in {low if low == high else f'{low} to {high}'}"


def _no_comparison(result: ReportResult) -> str:
    """Return what stands where nothing could be compared: the levels if there are any, and why not more."""
    why = _gravest(result, 1)
    because = f": {literal(why[0])}" if why else ""
    key = next((k for id in FIRST for k in result.metrics if k.spec.id == id and _levels(result, k)), None)
    if key is None:
        return f"The runs ({literal(counts_text(result))}) allow no comparison of the configurations{because}."
    levels = formatting.listing(_levels(result, key))
    return f"{_opening(result, key)} {levels}; the runs allow no comparison of the configurations{because}."


def _levels(result: ReportResult, key: MetricKey) -> list[str]:
    found = [(c, _level(result, key, c.id)) for c in result.configurations]
    return [f"{level} {_relation(key)}with {literal(c.name)}" for c, level in found if level is not None]


def _bounds(result: ReportResult) -> str:
    used = sum(c.runs_used for c in result.configurations)
    blocks = len({run.block for run in result.runs if run.block and run.decision != "excluded"})
    over = f" in {formatting.count(blocks, 'block')}" if blocks else ""
    text = f"This rests on {formatting.count(used, 'run')}{over} of one vehicle on one route"
    number, worst = len(result.limitations), _gravest(result, 2)
    if not number:
        return f"{text}; what it cannot show is in [[sec-limitations]]."
    if not worst:
        return f"{text}, bounded by the {formatting.count(number, 'limitation')} in [[sec-limitations]]."
    words = literal("; and ".join(worst))
    if number <= len(worst):
        return f"{text}; its {'limitation' if number == 1 else 'limitations'} ([[sec-limitations]]): {words}."
    return f"{text}; the gravest of {formatting.count(number, 'limitation')} ([[sec-limitations]]): {words}."


def _gravest(result: ReportResult, most: int) -> tuple[str, ...]:
    return gravest(result.limitations, any(c.difference is not None for c in result.comparisons), most)
