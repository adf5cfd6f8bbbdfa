"""Limitations of the differences: how well they are known, what they assume, what would sharpen them."""

from __future__ import annotations

from collections.abc import Iterator

from intake_report import formatting
from intake_report.analyse.limitations.findings import Findings
from intake_report.analyse.limitations.forecast import floor_of, forecast, rounds_for
from intake_report.formatting import count, listing
from intake_report.messages import said
from intake_report.results import Comparison, Limitation, MetricKey
from intake_report.results.text import (
    NOT_REACHED_DRAWS,
    SUGGESTED,
    difference_interval,
    difference_quantity,
    metric_title,
    p_text,
)

MATERIAL = 1.0 / 3.0  # of the standard uncertainty of a difference: below it a part adds less than 6 % to the whole
UNEXPLAINED = 0.05  # p below which an assumption about the runs is in doubt


def _headline(f: Findings) -> dict[str, MetricKey]:
    return {key.key: key for key in f.metrics if key.spec.headline}


def _text(f: Findings, key: MetricKey, value: float, *, signed: bool = False) -> str:
    return formatting.with_unit(
        value, difference_quantity(key), f.campaign.about.units, key.spec.decimals, signed=signed
    )


def _half(c: Comparison) -> float | None:
    return None if c.low is None or c.high is None or c.basis != "runs" else 0.5 * (c.high - c.low)


def not_shown(f: Findings) -> Iterator[Limitation]:
    """Headline differences that the runs do not show, and what more runs would give."""
    keys = _headline(f)
    for configuration in f.campaign.configurations:
        mine = [
            c
            for c in f.comparisons
            if c.configuration == configuration.id
            and c.key in keys
            and c.replicated
            and not c.shown
            and not c.equivalent
            and c.basis == "runs"
        ]
        if not mine:
            continue
        versus = f.campaign.configuration(mine[0].versus).name
        suggested = [c for c in mine if c.verdict.startswith(SUGGESTED)]
        open_ = [c for c in mine if c not in suggested]
        texts = []
        if open_:
            parts = listing([_difference(f, keys[c.key], c) for c in open_])
            texts.append(f"the runs do not show a difference from {versus} in {parts}")
        if suggested:
            parts = listing([_difference(f, keys[c.key], c) for c in suggested])
            texts.append(
                f"a difference from {versus} is {SUGGESTED} in {parts}, since the interval excludes zero, but not after allowing "
                "for the comparisons looked at together (Holm)"
            )
        yield Limitation(
            "not-shown",
            f"{configuration.name}: {'; '.join(texts)}. What is not shown is not shown to be absent.",
            _remedy(f, keys, mine, configuration.name, versus),
        )


def _difference(f: Findings, key: MetricKey, c: Comparison) -> str:
    """Return title, difference and its interval as in the table of differences."""
    title = _small(metric_title(key, f.campaign.about.units))
    limits = difference_interval(c, key, f.campaign.about.units)
    if c.difference is None:
        return f"{title} (interval {limits})"
    return f"{title} ({_text(f, key, c.difference, signed=True)}, interval {limits})"


def _remedy(f: Findings, keys: dict[str, MetricKey], rows: list[Comparison], name: str, versus: str) -> str:
    """Say what more runs of the two would give, and how many bring each interval below the difference seen."""
    once, more, never, unbounded = [], [], [], []
    for c in rows:
        key, one = keys[c.key], forecast(f, c, 1)
        title = _small(metric_title(key, f.campaign.about.units))
        if c.instrument is None and _half(c) is None:
            unbounded.append(title)
            continue
        if one is None or c.difference is None:
            continue
        if floor_of(c) >= abs(c.difference):
            never.append(f"{title} (± {_text(f, key, floor_of(c))})")
            continue
        once.append(f"{title} to about ± {_text(f, key, one.half_width)}")
        enough = rounds_for(f, c, abs(c.difference))
        if enough is not None and enough.rounds > 1:
            more.append(f"{enough.rounds} more bring {title} to about ± {_text(f, key, enough.half_width)}")
    texts = []
    if once:
        texts.append(f"One more run of {name} and of {versus} in each block brings {listing(once)}")
    if more:
        texts.append(f"{listing(more)}, less than the difference seen")
    if never:
        texts.append(
            f"more runs do not show {listing(never)}: biases that all runs share leave more than the difference seen"
        )
    if unbounded:
        texts.append(
            f"more runs do not bound {listing(unbounded)}: within what is known of the instruments a run may not reach the "
            "margin at all, so that a longer highway phase or better known instruments are needed"
        )
    text = "; ".join(texts) or "more runs of both in each block"
    return f"{text[0].upper()}{text[1:]}."


def _small(title: str) -> str:
    return title[0].lower() + title[1:]


def shared_biases(f: Findings) -> Iterator[Limitation]:
    """Differences in which biases of the instruments do not cancel."""
    keys = _headline(f)
    found = [
        c
        for c in f.comparisons
        if c.key in keys
        and c.basis == "runs"
        and c.instrument is not None
        and c.standard_error is not None
        and c.instrument > MATERIAL * c.standard_error
    ]
    yield from _unbounded(f, keys)
    if not found:
        return
    parts, remedies = [], []
    for c in found:
        key, name = keys[c.key], f.campaign.configuration(c.configuration).name
        title = metric_title(key, f.campaign.about.units)
        half = _half(c)
        parts.append(
            f"{title}, {name}: ± {_text(f, key, floor_of(c))} alone, interval "
            f"{difference_interval(c, key, f.campaign.about.units)}"
        )
        if half is not None and c.scatter is not None:
            alone = max(half**2 - floor_of(c) ** 2, 0.0) ** 0.5
            remedies.append(f"{title}, {name}: about ± {_text(f, key, alone)}")
    yield Limitation(
        "shared-bias",
        "A bias that all runs share does not cancel where configurations answer to it differently: near a plateau it shifts the "
        "crossing of one more than that of another, and a sensor's lag rounds off a steep peak more than a flat one. Its part "
        f"in the intervals: {'; '.join(parts)}.",
        "The rounding of the control unit declared, and sensor and ambient reference compared with a calibrated "
        "thermometer; more runs do not reduce this part."
        + (f" Without it: {'; '.join(remedies)}." if remedies else ""),
    )


def _unbounded(f: Findings, keys: dict[str, MetricKey]) -> Iterator[Limitation]:
    """Differences of times that the instruments do not bound: in many draws a run does not reach the margin."""
    units = f.campaign.about.units
    found = [
        c for c in f.comparisons if c.key in keys and c.basis == "runs" and c.instrument is None and _half(c) is None
    ]
    found = [c for c in found if NOT_REACHED_DRAWS in c.note]
    if found:
        parts = [
            f"{metric_title(keys[c.key], units)}, {f.campaign.configuration(c.configuration).name} "
            f"({difference_interval(c, keys[c.key], units)})"
            for c in found
        ]
        yield Limitation(
            "not-bounded",
            f"What is uncertain about the instruments leaves it open whether every run reaches the margin, so the interval is "
            f"not bounded on every side: {'; '.join(parts)}.",
            "A longer highway phase, a wider margin, or sensor and ambient reference compared with a calibrated thermometer.",
        )


def no_scatter(f: Findings) -> Iterator[Limitation]:
    """Replicated runs that are equal at the resolution of the readings."""
    keys = {key.key: key for key in f.metrics}
    found = [
        c
        for c in f.comparisons
        if c.replicated and c.basis != "runs" and c.difference is not None and "do not scatter" in c.note
    ]
    for title in dict.fromkeys(metric_title(keys[c.key], f.campaign.about.units) for c in found):
        yield Limitation(
            "no-scatter",
            f"{title}: the runs do not differ at the resolution of the readings, so their scatter is unknown, not zero, and no "
            "interval is derived from it.",
            "Readings of finer resolution.",
        )


def independence(f: Findings) -> Iterator[Limitation]:
    """Runs of one block taken as independent of each other."""
    keys = _headline(f)
    related = [c for c in f.checks if c.lag_p is not None and c.lag_p < UNEXPLAINED]
    untested = [c for c in f.checks if c.lag_p is None]
    if related:
        parts = [
            f"{metric_title(keys[c.key], f.campaign.about.units)} (correlation of neighbours "
            f"{formatting.number(c.lag or 0.0, 2, signed=True)}, p {p_text(c.lag_p)})"
            for c in related
        ]
        yield Limitation(
            "related-runs",
            f"Consecutive runs of a block hang together in {listing(parts)}: the comparison takes them as independent, so its "
            "intervals are too narrow if neighbours are alike.",
            "A pause that brings the vehicle to the same start condition before each run, and an order of configurations "
            "that changes from block to block.",
        )
    elif f.checks and len(untested) == len(f.checks):
        yield Limitation(
            "independence-untested",
            "Runs of a block are taken as independent of each other; too few follow each other to test it.",
            "Three runs or more in a block.",
        )


def interaction(f: Findings) -> Iterator[Limitation]:
    """Blocks that may shift configurations by different amounts."""
    keys = _headline(f)
    doubtful = [c for c in f.checks if c.additivity_p is not None and c.additivity_p < UNEXPLAINED]
    if doubtful:
        parts = [f"{metric_title(keys[c.key], f.campaign.about.units)} (p {p_text(c.additivity_p)})" for c in doubtful]
        yield Limitation(
            "interaction",
            f"Blocks may not shift all configurations alike in {listing(parts)}, as the comparison assumes: a difference may "
            "depend on the day.",
            "Two runs of each configuration in each block, which tell an interaction from scatter.",
        )


def partial(f: Findings) -> Iterator[Limitation]:
    """Metrics that some runs lack."""
    reasons: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    used = {run.id for run in f.used}
    for key in f.metrics:
        mine = [v for v in f.values if v.key == key.key and v.run in used]
        absent = [v for v in mine if v.status == "not computed"]
        if absent and len(absent) < len(mine):
            texts = list(dict.fromkeys(said(v.reason, f.campaign.about.units) for v in absent))
            reason = texts[0] if len(texts) == 1 else f"{texts[0]}, among other reasons"
            entry = reasons.setdefault((reason, tuple(v.run for v in absent)), [])
            entry.append(metric_title(key, f.campaign.about.units))
    for (reason, runs), titles in reasons.items():
        yield Limitation(
            "value-missing",
            f"{listing(titles)}: no value for {count(len(runs), 'run')} ({listing(runs)}), since {reason}; the comparison rests on "
            "the others, and is off if what prevented a value has to do with the configuration.",
            "The missing channel logged in every run." if "channel" in reason else "",
        )


def not_reached(f: Findings) -> Iterator[Limitation]:
    """Censored times."""
    for key in f.metrics:
        runs = [v for v in f.values if v.key == key.key and v.status == "not reached"]
        if not runs:
            continue
        title = metric_title(key, f.campaign.about.units)
        bound = max((v.bound or 0.0 for v in runs), default=0.0)
        compared = any(c.key == key.key and c.basis == "runs" for c in f.comparisons)
        how = (
            "they enter the comparison as “longer than”, which assumes normal scatter and that the end of watching has "
            "nothing to do with the time itself"
            if compared
            else "too few runs reached it to compare the configurations"
        )
        yield Limitation(
            "not-reached",
            f"{title}: not reached before the highway ended in {listing([v.run for v in runs])}, watched for up to "
            f"{formatting.with_unit(bound, key.spec.quantity, f.campaign.about.units, key.spec.decimals)}; these are results, "
            f"not missing values: no mean is given, and {how}.",
            "A longer highway phase.",
        )


def control_widens(f: Findings) -> Iterator[Limitation]:
    """Headline differences that the control vehicle made less certain."""
    keys = _headline(f)
    worse = [
        e
        for e in f.control
        if e.half_width is not None and e.plain_half_width is not None and e.half_width > e.plain_half_width
    ]
    if worse:
        parts = [
            f"{metric_title(keys[e.key], f.campaign.about.units)} (half-width {_text(f, keys[e.key], e.half_width or 0.0)} against "
            f"{_text(f, keys[e.key], e.plain_half_width or 0.0)})"
            for e in worse
        ]
        yield Limitation(
            "control-widens",
            f"Taking the control vehicle off widened the interval of {listing(parts)}: its own scatter adds more there than what "
            "both vehicles share takes away. The differences are taken against it all the same, since choosing afterwards "
            "would favour the narrower one.",
            "A control vehicle with the same driver's pace and start condition as the test vehicle.",
        )


PREDICATES = (
    not_shown,
    shared_biases,
    no_scatter,
    not_reached,
    partial,
    independence,
    interaction,
    control_widens,
)
