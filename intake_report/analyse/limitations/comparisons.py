"""Limitations of the differences: how well they are known, what they assume, what would sharpen them."""

import math
from collections import Counter
from collections.abc import Iterator

from intake_report.analyse.limitations.findings import Findings, all_of, counted, declare, limitation
from intake_report.messages import Message, Part, Value, message
from intake_report.metrics import REGISTRY
from intake_report.results import Comparison, Limitation, MetricKey
from intake_report.results.compared import COVARIATES
from intake_report.results.text import SUGGESTED, change_of, limits_of, title_of
from intake_report.statistics import blocked, coverage_factor

MATERIAL = 1.0 / 3.0  # of the standard uncertainty of a difference: below it a part adds less than 6 % to the whole
UNEXPLAINED = 0.05  # p below which an assumption is in doubt
MOST_BLOCKS = 20  # further blocks tried in a forecast

declare(
    ("not-shown", 310, "comparison", "some differences are not shown by the runs",
     "{name} against {versus}: {texts}. More runs may still show it.", ""),
    ("not-bounded", 255, "comparison", "some intervals of recovery times are open",
     "The instruments leave open whether every run reaches the margin. These intervals are therefore open to a side: "
     "{parts}.",
     "A longer highway phase, a wider margin, or soak checks of sensor and ambient reference against a calibrated "
     "thermometer."),
    ("shared-bias", 305, "comparison", "biases that all runs share widen some intervals",
     "An error of the instruments that all runs share cancels where the configurations answer to it alike. Near a "
     "plateau they do not: it moves the crossing of one more than that of the other. Its part in the intervals: "
     "{parts}.{without}",
     "Soak checks against a calibrated thermometer, of sensor and ambient reference; more runs do not reduce this "
     "part."),
    ("no-scatter", 265, "values", "the scatter between runs is unknown for some metrics",
     "{title}: the runs do not differ at the resolution of the readings, so their scatter is unknown, not zero, and no "
     "interval is derived from it.",
     "Readings of finer resolution."),
    ("not-reached", 245, "values", "some runs did not come back to the margin",
     "{title}: not reached in {runs}, watched for up to {bound}; these are results, not missing values: no mean is "
     "given, and {how}.",
     "A longer drive after the event from which it is timed."),
    ("within-at-entry", 246, "values", "some runs were within the margin at the entry",
     "{title}: already within the margin at the highway entry in {runs}: there was nothing to recover from. No mean is "
     "given; in a comparison they count as sooner than any time.",
     "A longer stop or slower driving before the highway, or a narrower margin."),
    ("headline-few-runs", 288, "values", "too few runs have some headline metrics",
     "{titles}: fewer than two in three runs of the comparison have a value, so that nothing on the first pages rests "
     "on it.",
     "Runs of the whole route."),
    ("value-missing", 290, "values", "some runs lack some values",
     "{titles}: no value for {count} ({runs}), since {reason}. The comparison rests on the other runs, and is biased "
     "if the configuration itself was the reason.",
     "What prevented the value, put right in every run."),
    ("related-runs", 260, "comparison", "runs of a block are alike",
     "Runs that follow each other in a block are alike in {parts}. The comparison takes them as independent, so that "
     "its intervals are too narrow.",
     "A pause that brings the vehicle to the same start condition before each run, and an order of configurations that "
     "changes from block to block."),
    ("independence-untested", 315, "comparison", "too few runs to test that they are independent",
     "Runs{of} are taken as independent of each other; there are too few to test that.",
     "Three runs or more in a block."),
    ("interaction", 250, "comparison", "a difference may depend on the day",
     "In {parts} a difference depends on the day: a block does not shift all configurations alike. The intervals rest "
     "on the scatter between blocks, so that they hold for days like those driven and not for any one of them.",
     "More blocks; further runs in the same blocks do not help."),
    ("control-widens", 275, "comparison", "the control vehicle's own scatter widened some intervals",
     "Taking the control vehicle off widened the interval of {parts}: its own scatter adds more there than what both "
     "vehicles share takes away. The differences are taken against it all the same, since choosing afterwards would "
     "favour the narrower one.",
     "A control vehicle with the same driver's pace and start condition as the test vehicle."),
    ("covariate-refused", 285, "values", "some differences are not adjusted for the state at the start",
     "{parts}.",
     "The same state before every run (temperatures, standing time), or more runs of each configuration in each block."),
    ("covariate-form", 262, "values", "a covariate does not act alike in all runs",
     "The adjustment takes one straight line for all configurations, which is in doubt in {parts}: the adjusted "
     "difference holds for an average start only.",
     "The same state before every run, so that nothing has to be adjusted for."),
    ("start-adjusted", 320, "values", "what a hot bay did before the start is not counted",
     "Differences adjusted for the temperature at the start leave out what a configuration does while the vehicle "
     "stands in its own heat before a run. That is part of its effect unless every start was brought to the same "
     "condition; the unadjusted difference holds it.",
     "Every run started from the same condition."),
)  # fmt: skip


def forecast(f: Findings, c: Comparison, blocks: int) -> float | None:
    """Return the half-width expected with so many further blocks, run as those driven; None where no scatter is known.

    Shared biases are not reduced. A few runs know their scatter to a factor of two or so. Further runs in the blocks driven are
    not forecast: they do not reduce what a day does to one configuration more than to another.
    """
    if c.scatter is None or c.confounded:
        return None
    there = {v.run for v in f.values if v.key == c.key and v.status != "not computed"}
    runs = [run for run in f.used.values() if run.id in there]
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


def _not_shown(f: Findings) -> Iterator[Limitation]:
    templates = {
        "not shown": "no difference is shown in {parts}",
        "suggested": "{suggested} in {parts}: enough for one difference by itself, not where several are looked at "
        "together (Holm)",
    }
    for configuration in f.campaign.configurations:
        rows = [c for c in f.differences if c.configuration == configuration.id and c.call in templates]
        texts = []
        for call, template in templates.items():
            if parts := [_difference(f.headline[c.key], c) for c in rows if c.call == call]:
                texts.append(message(template, parts=all_of(parts), suggested=SUGGESTED))
        if rows:
            name, versus = configuration.name, f.name(rows[0].versus)
            yield limitation("not-shown", remedy=_remedy(f, rows), name=name, versus=versus, texts=all_of(texts, ";"))


def _difference(key: MetricKey, c: Comparison) -> Message:
    """Return title, difference and its interval as in the table of differences."""
    size = "" if c.difference is None else message("{size}, ", size=change_of(key, c.difference))
    title = message("{title:lower}", title=title_of(key))
    return message("{title} ({size}interval {limits})", title=title, size=size, limits=limits_of(c, key))


def _remedy(f: Findings, rows: list[Comparison]) -> Message:
    """Say what more runs of the two would give, and how many bring each interval below the difference seen."""
    once, more, never, unbounded = [], [], [], []
    for c in rows:
        key = f.headline[c.key]
        one, title = forecast(f, c, 1), message("{title:lower}", title=title_of(key))
        if c.instrument is None and c.half_width is None:
            unbounded.append(title)
        elif one is None or c.difference is None:
            continue
        elif floor_of(c) >= abs(c.difference):
            never.append(message("{title} (± {floor})", title=title, floor=_size(key, floor_of(c))))
        else:
            once.append(message("{title} to about ± {half}", title=title, half=_size(key, one)))
            blocks, half = blocks_for(f, c, abs(c.difference)) or (1, one)
            if blocks > 1:
                template = "{blocks} more bring {title} to about ± {half}"
                more.append(message(template, blocks=blocks, title=title, half=_size(key, half)))
    more_of = "block with {name} and {versus}" if rows[0].method == "blocked" else "run of {name} and of {versus}"
    what = message(more_of, name=f.name(rows[0].configuration), versus=f.name(rows[0].versus))
    templates = (
        (once, "one more {what} brings {parts}"),
        (more, "{parts}, less than the difference seen"),
        (never, "more runs do not show {parts}: biases that all runs share leave more than the difference seen"),
        (unbounded, "more runs do not bound {parts}, but a longer highway phase or better known instruments may"),
    )
    texts = [message(template, parts=all_of(parts), what=what) for parts, template in templates if parts]
    return message("{texts:upper}.", texts=all_of(texts or ["more blocks with both"], ";"))


def _intervals(f: Findings) -> Iterator[Limitation]:
    of_runs = [c for c in f.differences if c.basis == "runs"]
    if rows := [c for c in of_runs if c.lost and c.instrument is None and c.half_width is None]:
        parts = [message("{who} ({limits})", who=f.who(c), limits=limits_of(c, f.headline[c.key])) for c in rows]
        yield limitation("not-bounded", keys=(c.key for c in rows), parts=all_of(parts, ";"))
    parts, without, concerned = [], [], []
    for c in of_runs:
        if c.instrument is None or c.standard_error is None or c.instrument <= MATERIAL * c.standard_error:
            continue
        key, floor = f.headline[c.key], floor_of(c)
        concerned.append(c.key)
        template = "{who}: ± {floor} alone, interval {limits}"
        parts.append(message(template, who=f.who(c), floor=_size(key, floor), limits=limits_of(c, key)))
        if c.half_width is not None and c.scatter is not None:
            alone = max(c.half_width**2 - floor**2, 0.0) ** 0.5
            without.append(message("about ± {half} for {who}", who=f.who(c), half=_size(key, alone)))
    if parts:
        rest = message(" Without it the intervals would be {parts}.", parts=all_of(without, ";")) if without else ""
        yield limitation("shared-bias", keys=concerned, parts=all_of(parts, ";"), without=rest)
    equal = {c.key for c in f.comparisons if c.replicated and c.basis != "runs" and c.no_scatter}
    yield from (limitation("no-scatter", keys=[k.key], title=title_of(k)) for k in f.metrics if k.key in equal)


def _values(f: Findings) -> Iterator[Limitation]:
    for key, values in f.values_with("not reached"):
        how = "too few runs reached it to compare the configurations"
        if any(c.key == key.key and c.basis == "runs" for c in f.comparisons):
            how = "they count as “longer than”, which assumes normal scatter and an end of watching that has no part in it"
        bound = Value(max(v.bound or 0.0 for v in values), key.spec.quantity, key.spec.decimals)
        runs = all_of(v.run for v in values)
        yield limitation("not-reached", keys=[key.key], title=title_of(key), runs=runs, bound=bound, how=how)
    for key, values in f.values_with("within at entry"):
        yield limitation("within-at-entry", keys=[key.key], title=title_of(key), runs=all_of(v.run for v in values))
    if titles := [title_of(k) for k in f.metrics if REGISTRY[k.spec.id].spec.headline and not k.spec.headline]:
        yield limitation("headline-few-runs", titles=all_of(titles))
    reasons: dict[tuple[Part, tuple[str, ...]], list[MetricKey]] = {}
    for key, absent in f.values_with("not computed"):
        absent = [v for v in absent if v.run in f.used]
        if absent and len(absent) < sum(v.key == key.key and v.run in f.used for v in f.values):
            first, *others = dict.fromkeys(v.reason for v in absent)
            reason = message("{reason}, among other reasons", reason=first) if others else first
            reasons.setdefault((reason, tuple(v.run for v in absent)), []).append(key)
    for (reason, ids), keys in reasons.items():
        told = {"titles": all_of(map(title_of, keys)), **counted(ids), "reason": reason}
        yield limitation("value-missing", keys=(key.key for key in keys), **told)


def _assumptions(f: Findings) -> Iterator[Limitation]:
    template, parts = "{title} (correlation of neighbours {lag}, p {p})", []
    for c in f.checks:
        if c.lag_p is not None and c.lag_p < UNEXPLAINED:
            lag, p = Value(c.lag, "number", 2, signed=True), Value(c.lag_p, "p")
            parts.append(message(template, title=title_of(f.headline[c.key]), lag=lag, p=p))
    if parts:
        yield limitation("related-runs", parts=all_of(parts))
    elif any(c.basis == "runs" for c in f.differences) and f.checks and all(c.lag_p is None for c in f.checks):
        repeated = Counter(run.block for run in f.used.values() if run.block).most_common(1)
        yield limitation("independence-untested", of=" of a block" if repeated and repeated[0][1] > 1 else "")
    if keys := [c.key for c in f.checks if c.additivity_p is not None and c.additivity_p < UNEXPLAINED]:
        yield limitation("interaction", keys=keys, parts=all_of(title_of(f.headline[key]) for key in keys))
    template, parts = "{title} (half-width {half} against {plain})", []
    for e in f.control:
        if e.half_width is not None and e.plain_half_width is not None and e.half_width > e.plain_half_width:
            key = f.headline[e.key]
            half, plain = _size(key, e.half_width), _size(key, e.plain_half_width)
            parts.append(message(template, title=title_of(key), half=half, plain=plain))
    if parts:
        yield limitation("control-widens", parts=all_of(parts))


def _covariates(f: Findings) -> Iterator[Limitation]:
    if parts := {message("{who}: {why}", who=f.who(c), why=why) for c in f.differences for why in c.refused}:
        yield limitation("covariate-refused", parts=all_of(sorted(parts, key=str), ";"))
    doubted = [
        message("{who} ({what}, p {p})", who=f.who(c), what=what, p=Value(p, "p"))
        for c in f.differences
        for fit in c.covariates[:1]
        for p, what in ((fit.curved, "it bends"), (fit.unequal, "slopes of the configurations differ"))
        if p is not None and p < UNEXPLAINED
    ]
    if doubted:
        yield limitation("covariate-form", parts=all_of(doubted))
    names = {fit.name for c in f.differences for fit in c.covariates}
    if any(COVARIATES[name][1] == "temperature_difference" for name in names):
        yield limitation("start-adjusted")


COMPARISONS = (_not_shown, _intervals, _values, _assumptions, _covariates)
