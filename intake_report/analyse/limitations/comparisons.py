"""Limitations of the differences: how well they are known, what they assume, what would sharpen them."""

from __future__ import annotations

import math
from collections.abc import Iterator

from intake_report.analyse.limitations.findings import Findings, all_of, kind
from intake_report.messages import Count, Listing, Message, Part, Value, message
from intake_report.metrics import REGISTRY
from intake_report.results import Comparison, Limitation, MetricKey
from intake_report.results.text import SUGGESTED, change_of, limits_of, title_of
from intake_report.statistics import blocked, coverage_factor

MATERIAL = 1.0 / 3.0  # of the standard uncertainty of a difference: below it a part adds less than 6 % to the whole
UNEXPLAINED = 0.05  # p below which an assumption about the runs is in doubt
MOST_BLOCKS = 20  # further blocks tried in a forecast


def forecast(f: Findings, c: Comparison, blocks: int) -> float | None:
    """Return the half-width expected with so many further blocks, run as those driven; None where no scatter is known.

    Shared biases are not reduced. No better than the estimate of the scatter, which a few runs know to a factor of two or so. Further runs in the blocks
    driven are not forecast: they do not reduce what a day does to one configuration more than to another.
    """
    if c.scatter is None or c.confounded:
        return None
    there = {v.run for v in f.values if v.key == c.key and v.status != "not computed"}
    runs = [run for run in f.used if run.id in there]
    known = all(run.block for run in runs) and len({run.block for run in runs}) > 1
    cells = [(run.configuration, (run.block or "") if known else run.id) for run in runs]
    cells += [(id, f"further {i}") for i in range(blocks) for id in (c.versus, c.configuration)]
    ids, where = [id for id, _ in cells], [block for _, block in cells]
    if not known:  # runs without blocks: two samples, one further run of each at a time
        n, m = (ids.count(id) for id in (c.configuration, c.versus))
        half = coverage_factor(c.level, n + m - 2) * c.scatter * math.sqrt(1.0 / n + 1.0 / m)
        return math.hypot(half, floor_of(c))
    model = blocked(where, ids, where, (c.configuration, c.versus))
    if model.df <= 0.0:
        return None
    return math.hypot(coverage_factor(c.level, model.df) * c.scatter * model.factor, floor_of(c))


def floor_of(c: Comparison) -> float:
    """Return the half-width that the shared biases alone leave, whatever the number of runs."""
    return coverage_factor(c.level, math.inf) * (c.instrument or 0.0)


def blocks_for(f: Findings, c: Comparison, wanted: float) -> tuple[int, float] | None:
    """Return the fewest further blocks that bring the half-width down to `wanted`, with it; None if none do."""
    for blocks in range(1, MOST_BLOCKS + 1):
        half = forecast(f, c, blocks)
        if half is None or half <= wanted:
            return None if half is None else (blocks, half)
    return None


def _size(key: MetricKey, value: float) -> Value:
    return change_of(key, value, signed=False)


def _small(key: MetricKey) -> Message:
    """Return the title of a metric within a sentence."""
    return message("{title:lower}", title=title_of(key))


NOT_SHOWN = kind("not-shown", 310, "comparison", "some differences are not shown by the runs",
    "{name} against {versus}: {texts}. More runs may still show it.",
)  # fmt: skip


def not_shown(f: Findings) -> Iterator[Limitation]:
    """Headline differences that the runs do not show, and what more runs would give."""
    for configuration in f.campaign.configurations:
        mine = [c for c in f.comparisons if c.configuration == configuration.id and c.key in f.headline]
        rows = [c for c in mine if c.call in ("suggested", "not shown")]
        texts = []
        for call, template in (
            ("not shown", "no difference is shown in {parts}"),
            ("suggested", "{suggested} in {parts}: enough for one difference by itself, not where several are "
             "looked at together (Holm)"),
        ):  # fmt: skip
            parts = tuple(_difference(f.headline[c.key], c) for c in rows if c.call == call)
            if parts:
                texts.append(message(template, parts=Listing(parts), suggested=SUGGESTED))
        if rows:
            versus, said = f.name(rows[0].versus), Listing(tuple(texts), ";")
            yield NOT_SHOWN(_remedy(f, rows), name=configuration.name, versus=versus, texts=said)


def _difference(key: MetricKey, c: Comparison) -> Message:
    """Return title, difference and its interval as in the table of differences."""
    size: Part = ""
    if c.difference is not None:
        size = message("{size}, ", size=change_of(key, c.difference))
    return message("{title} ({size}interval {limits})", title=_small(key), size=size, limits=limits_of(c, key))


def _remedy(f: Findings, rows: list[Comparison]) -> Message:
    """Say what more runs of the two would give, and how many bring each interval below the difference seen."""
    once, more, never, unbounded = [], [], [], []
    for c in rows:
        key = f.headline[c.key]
        one, title = forecast(f, c, 1), _small(key)
        if c.instrument is None and c.half_width is None:
            unbounded.append(title)
        elif one is None or c.difference is None:
            continue
        elif floor_of(c) >= abs(c.difference):
            never.append(message("{title} (± {floor})", title=title, floor=_size(key, floor_of(c))))
        else:
            once.append(message("{title} to about ± {half}", title=title, half=_size(key, one)))
            enough = blocks_for(f, c, abs(c.difference))
            if enough is not None and enough[0] > 1:
                half = _size(key, enough[1])
                template = "{blocks} more bring {title} to about ± {half}"
                more.append(message(template, blocks=enough[0], title=title, half=half))
    more_of = "block with {name} and {versus}" if rows[0].method == "blocked" else "run of {name} and of {versus}"
    what = message(more_of, name=f.name(rows[0].configuration), versus=f.name(rows[0].versus))
    texts = []
    for parts, template in (
        (once, "one more {what} brings {parts}"),
        (more, "{parts}, less than the difference seen"),
        (never, "more runs do not show {parts}: biases that all runs share leave more than the difference seen"),
        (
            unbounded,
            "more runs do not bound {parts}: within what is known of the instruments a run may not reach the margin at "
            "all, so that a longer highway phase or better known instruments are needed",
        ),
    ):
        if parts:
            texts.append(message(template, parts=Listing(tuple(parts)), what=what))
    return message("{texts:upper}.", texts=Listing(tuple(texts) or ("more blocks with both",), ";"))


SHARED_BIAS = kind("shared-bias", 305, "comparison", "biases that all runs share widen some intervals",
    "An error of the instruments that all runs share cancels where the configurations answer to it alike. Near a "
    "plateau they do not: it moves the crossing of one more than that of the other. Its part in the intervals: "
    "{parts}.{without}",
    "Soak checks against a calibrated thermometer, of sensor and ambient reference; more runs do not reduce this part.",
)  # fmt: skip
NOT_BOUNDED = kind("not-bounded", 255, "comparison", "some intervals of recovery times are open",
    "The instruments leave open whether every run reaches the margin. These intervals are therefore open to a side: "
    "{parts}.",
    "A longer highway phase, a wider margin, or soak checks of sensor and ambient reference against a calibrated "
    "thermometer.",
)  # fmt: skip


def shared_biases(f: Findings) -> Iterator[Limitation]:
    """Differences in which biases of the instruments do not cancel, or which they do not bound."""
    rows = [c for c in f.comparisons if c.key in f.headline and c.basis == "runs"]
    open_ = [c for c in rows if c.lost and c.instrument is None and c.half_width is None]
    parts = [message("{who} ({limits})", who=f.who(c), limits=limits_of(c, f.headline[c.key])) for c in open_]
    if parts:
        yield NOT_BOUNDED(keys=tuple(dict.fromkeys(c.key for c in open_)), parts=Listing(tuple(parts), ";"))
    parts, without, concerned = [], [], dict[str, None]()
    for c in rows:
        if c.instrument is None or c.standard_error is None or c.instrument <= MATERIAL * c.standard_error:
            continue
        key, floor = f.headline[c.key], floor_of(c)
        concerned[c.key] = None
        template = "{who}: ± {floor} alone, interval {limits}"
        parts.append(message(template, who=f.who(c), floor=_size(key, floor), limits=limits_of(c, key)))
        if c.half_width is not None and c.scatter is not None:
            alone = max(c.half_width**2 - floor**2, 0.0) ** 0.5
            without.append(message("about ± {half} for {who}", who=f.who(c), half=_size(key, alone)))
    if parts:
        rest = (
            message(" Without it the intervals would be {parts}.", parts=Listing(tuple(without), ";"))
            if without
            else ""
        )
        yield SHARED_BIAS(keys=tuple(concerned), parts=Listing(tuple(parts), ";"), without=rest)


NO_SCATTER = kind("no-scatter", 265, "values", "the scatter between runs is unknown for some metrics",
    "{title}: the runs do not differ at the resolution of the readings, so their scatter is unknown, not zero, and no "
    "interval is derived from it.",
    "Readings of finer resolution.",
)  # fmt: skip


def no_scatter(f: Findings) -> Iterator[Limitation]:
    """Replicated runs that are equal at the resolution of the readings."""
    equal = {c.key for c in f.comparisons if c.replicated and c.basis != "runs" and c.no_scatter}
    for key in f.metrics:
        if key.key in equal:
            yield NO_SCATTER(keys=(key.key,), title=title_of(key))


RELATED_RUNS = kind("related-runs", 260, "comparison", "runs of a block are alike",
    "Runs that follow each other in a block are alike in {parts}. The comparison takes them as independent, so that "
    "its intervals are too narrow.",
    "A pause that brings the vehicle to the same start condition before each run, and an order of configurations that "
    "changes from block to block.",
)  # fmt: skip
UNTESTED = kind("independence-untested", 315, "comparison", "too few runs to test that they are independent",
    "Runs of a block are taken as independent of each other; there are too few to test that.",
    "Three runs or more in a block.",
)  # fmt: skip


def independence(f: Findings) -> Iterator[Limitation]:
    """Runs of one block taken as independent of each other."""
    template = "{title} (correlation of neighbours {lag}, p {p})"
    parts = [
        message(
            template,
            title=title_of(f.headline[c.key]),
            lag=Value(c.lag, "number", 2, signed=True),
            p=Value(c.lag_p, "p"),
        )
        for c in f.checks
        if c.lag_p is not None and c.lag_p < UNEXPLAINED
    ]
    if parts:
        yield RELATED_RUNS(parts=Listing(tuple(parts)))
    elif f.checks and all(c.lag_p is None for c in f.checks):
        yield UNTESTED()


INTERACTION = kind("interaction", 250, "comparison", "a difference may depend on the day",
    "In {parts} a difference depends on the day: a block does not shift all configurations alike. The intervals rest "
    "on the scatter between blocks, so that they hold for days like those driven and not for any one of them.",
    "More blocks; further runs in the same blocks do not help.",
)  # fmt: skip


def interaction(f: Findings) -> Iterator[Limitation]:
    """Blocks that may shift configurations by different amounts."""
    keys = tuple(c.key for c in f.checks if c.additivity_p is not None and c.additivity_p < UNEXPLAINED)
    if keys:
        yield INTERACTION(keys=keys, parts=Listing(tuple(title_of(f.headline[key]) for key in keys)))


VALUE_MISSING = kind("value-missing", 290, "values", "some runs lack some values",
    "{titles}: no value for {n} ({runs}), since {reason}. The comparison rests on the other runs, and is "
    "biased if the configuration itself was the reason.",
    "What prevented the value, put right in every run.",
)  # fmt: skip


def partial(f: Findings) -> Iterator[Limitation]:
    """Metrics that some runs lack."""
    reasons: dict[tuple[Part, tuple[str, ...]], list[MetricKey]] = {}
    used = {run.id for run in f.used}
    for key in f.metrics:
        rows = [v for v in f.values if v.key == key.key and v.run in used]
        absent = [v for v in rows if v.status == "not computed"]
        if absent and len(absent) < len(rows):
            several = list(dict.fromkeys(v.reason for v in absent))
            reason: Part = several[0]
            if len(several) > 1:
                reason = message("{reason}, among other reasons", reason=reason)
            reasons.setdefault((reason, tuple(v.run for v in absent)), []).append(key)
    for (reason, runs), keys in reasons.items():
        titles, concerned = Listing(tuple(title_of(key) for key in keys)), tuple(key.key for key in keys)
        n = Count(len(runs), "run")
        yield VALUE_MISSING(keys=concerned, titles=titles, n=n, runs=Listing(runs), reason=reason)


NO_HEADLINE = kind("headline-few-runs", 288, "values", "too few runs have some headline metrics",
    "{titles}: fewer than two in three runs of the comparison have a value, so that nothing on the first pages rests "
    "on it.",
    "Runs of the whole route.",
)  # fmt: skip


def few_runs(f: Findings) -> Iterator[Limitation]:
    """Headline metrics that too few runs have."""
    titles = [title_of(k) for k in f.metrics if REGISTRY[k.spec.id].spec.headline and not k.spec.headline]
    if titles:
        yield NO_HEADLINE(titles=Listing(tuple(titles)))


NOT_REACHED = kind("not-reached", 245, "values", "some runs did not come back to the margin",
    "{title}: not reached before the highway ended in {runs}, watched for up to {bound}; these are results, not "
    "missing values: no mean is given, and {how}.",
    "A longer highway phase.",
)  # fmt: skip


def not_reached(f: Findings) -> Iterator[Limitation]:
    """Censored times."""
    for key in f.metrics:
        runs = [v for v in f.values if v.key == key.key and v.status == "not reached"]
        if not runs:
            continue
        how = "too few runs reached it to compare the configurations"
        if any(c.key == key.key and c.basis == "runs" for c in f.comparisons):
            how = (
                "they enter the comparison as “longer than”, which assumes normal scatter and that the end of watching has "
                "nothing to do with the time itself"
            )
        bound = Value(max(v.bound or 0.0 for v in runs), key.spec.quantity, key.spec.decimals)
        yield NOT_REACHED(
            keys=(key.key,), title=title_of(key), runs=all_of([v.run for v in runs]), bound=bound, how=how
        )


WITHIN = kind("within-at-entry", 246, "values", "some runs were within the margin at the entry",
    "{title}: already within the margin at the highway entry in {runs}: there was nothing to recover from. No mean is "
    "given; in a comparison they count as sooner than any time.",
    "A longer stop or slower driving before the highway, or a narrower margin.",
)  # fmt: skip


def within_at_entry(f: Findings) -> Iterator[Limitation]:
    """Runs without anything to recover from."""
    for key in f.metrics:
        runs = [v.run for v in f.values if v.key == key.key and v.status == "within at entry"]
        if runs:
            yield WITHIN(title=title_of(key), runs=all_of(runs))


CONTROL_WIDENS = kind("control-widens", 275, "comparison", "the control vehicle's own scatter widened some intervals",
    "Taking the control vehicle off widened the interval of {parts}: its own scatter adds more there than what both "
    "vehicles share takes away. The differences are taken against it all the same, since choosing afterwards would "
    "favour the narrower one.",
    "A control vehicle with the same driver's pace and start condition as the test vehicle.",
)  # fmt: skip


def control_widens(f: Findings) -> Iterator[Limitation]:
    """Headline differences that the control vehicle made less certain."""
    template = "{title} (half-width {half} against {plain})"
    parts = []
    for e in f.control:
        if e.half_width is not None and e.plain_half_width is not None and e.half_width > e.plain_half_width:
            key = f.headline[e.key]
            half, plain = _size(key, e.half_width), _size(key, e.plain_half_width)
            parts.append(message(template, title=title_of(key), half=half, plain=plain))
    if parts:
        yield CONTROL_WIDENS(parts=Listing(tuple(parts)))


PREDICATES = (
    not_shown, shared_biases, no_scatter, not_reached, within_at_entry, few_runs, partial, independence, interaction,
    control_widens,
)  # fmt: skip
