"""The sentences of the cover, computed from the result; they quote numbers only through the formatter."""

from __future__ import annotations

from intake_report.render.inline import literal
from intake_report.results import Comparison, MetricKey, ReportResult, formatting
from intake_report.results.text import counts_text, difference_text, metric_title

# In which order a metric is taken for the first sentence of the answer: the one that says most about daily driving.
FIRST = ("mean_over_ambient", "peak_over_ambient", "heat_soak_rate", "peak_iat")


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


def _first(result: ReportResult) -> str:
    key = next((k for id in FIRST for k in result.metrics if k.spec.id == id and compared(result, k)), None)
    if key is None:
        return f"The runs ({literal(counts_text(result))}) allow no comparison of the configurations."
    return _changes(result, key)


def _changes(result: ReportResult, key: MetricKey) -> str:
    """Return one sentence with the difference of every configuration in one metric."""
    parts = [
        f"by {difference_text(c, key, result.units)} with {literal(result.name_of(c.configuration))}, {_judged(c)}"
        for c in compared(result, key)
    ]
    title = literal(metric_title(key, result.units))
    return f"{title}: compared with {literal(result.baseline.name)} it changed {'; '.join(parts)}."


def _judged(comparison: Comparison) -> str:
    if comparison.low is None:
        return f"an {comparison.verdict}" if comparison.verdict.startswith("indication") else comparison.verdict
    return f"which is {comparison.verdict}" if comparison.shown else comparison.verdict


def _recovery(result: ReportResult) -> str:
    keys = [k for k in result.metrics if k.spec.id == "recovery_time"]
    for key in keys:
        if compared(result, key):
            return _changes(result, key)
    reasons = list(dict.fromkeys(c.note for k in keys for c in result.comparisons if c.key == k.key and c.note))
    if not keys or not reasons:
        return "No recovery time after a highway entry could be compared."
    return f"No recovery time after a highway entry could be compared: {literal(reasons[0])}."


def _bounds(result: ReportResult) -> str:
    used = sum(c.runs_used for c in result.configurations)
    blocks = len({run.block for run in result.runs if run.block and run.decision != "excluded"})
    over = f" in {formatting.count(blocks, 'block')}" if blocks else ""
    basis = f"This rests on {formatting.count(used, 'run')}{over} ({literal(counts_text(result))})"
    codes = formatting.count(len(result.limitations), "limitation")
    text = f"{basis} of one vehicle on one route, and is bounded by the {codes} listed in [[sec-limitations]]"
    if all(c.runs_used <= 1 for c in result.configurations):
        return f"{text}: one run per configuration gives an indication only, since day, traffic and configuration cannot be told apart."
    return f"{text}."
