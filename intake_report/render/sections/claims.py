"""The claims: verdict, a plain because with its numbers, and what would settle what is open."""

from __future__ import annotations

import math
from typing import Any

from intake_report import formatting
from intake_report.messages import Count, Message, Part, Value, message
from intake_report.metrics import PULL_METRICS
from intake_report.render.blocks import Block
from intake_report.render.sections.answer import compared, size, span, undecidable, word
from intake_report.render.sections.tables import block_of
from intake_report.report_table import Field, ReportTable, frame_of
from intake_report.results import ClaimResult, CommonDriveResult, Comparison, MetricKey, ReportResult
from intake_report.results.text import difference_quantity
from intake_report.statistics import coverage_factor

OPEN = ("not shown", "indication only")
MOST_RUNS = 50
"""Beyond this a number of runs says only that the estimate lies at the limit."""


def claim_table(result: ReportResult) -> Block:
    """Return the claims as the second deciding table."""
    reasons: list[Any] = [because(result, claim) for claim in result.claims]
    remedies: list[Any] = [settles(result, claim) for claim in result.claims]
    table = ReportTable(
        "tab-claims",
        "Claims: verdict, why, and what would settle what is open",
        (
            Field("text", "Claim", width=2.3),
            Field("verdict", "Verdict", width=1.1),
            Field("because", "Because", width=3.8),
            Field("settles", "What would settle it", width=2.6),
        ),
        frame_of(result.claims).assign(because=reasons, settles=remedies),
    )
    return block_of(table, result.units)


def claim_details(result: ReportResult) -> Block:
    """Return the claims with their statistics, for the annex."""
    table = ReportTable(
        "tab-claim-statistics",
        "Claims with their statistics",
        (
            Field("id", "Claim", width=1.2),
            Field("verdict", "Verdict", width=1.2),
            Field("reason", "Because", width=5.0),
        ),
        frame_of(result.claims),
    )
    return block_of(table, result.units)


def because(result: ReportResult, claim: ClaimResult) -> Part:
    """Return why a claim has its verdict, in words that need no statistics, with its numbers."""
    key = _key(result, claim)
    if claim.verdict == "cannot be tested" or claim.estimate is None:
        return message("{reason:upper}.", reason=claim.reason)
    found = _value(result, claim, key) if claim.absolute else _difference(result, claim, key)
    return message("{found}{outcome}.", found=found, outcome=_outcome(result, claim, key))


def _key(result: ReportResult, claim: ClaimResult) -> MetricKey:
    return MetricKey(PULL_METRICS[claim.key]) if claim.key in PULL_METRICS else result.metric(str(claim.key))


def _comparison(result: ReportResult, claim: ClaimResult) -> Comparison | Any | None:
    """Return the comparison of runs or of pulls that a claim rests on."""
    versus = claim.versus or result.baseline.id
    if claim.key in PULL_METRICS:
        dyno = result.evidence.dyno
        return dyno.difference(str(claim.key), claim.configuration, versus) if dyno else None
    record = _on_common(result, claim)
    rows = (*result.comparisons, *result.direct) if record is None else (*record.comparisons, *record.direct)
    wanted = (claim.key, claim.configuration, versus)
    return next((c for c in rows if (c.key, c.configuration, c.versus) == wanted), None)


def _on_common(result: ReportResult, claim: ClaimResult) -> CommonDriveResult | None:
    """Return the common drive that a claim rests on; None where it rests on what was measured."""
    return result.common_drive if result.common_drive and claim.id in result.common_drive.claims else None


def _counts(result: ReportResult, claim: ClaimResult) -> tuple[int, int]:
    c = _comparison(result, claim)
    if c is None:
        return (0, 0)
    return (c.n, c.n_versus) if isinstance(c, Comparison) else (c.n_candidate, c.n_baseline)


def _difference(result: ReportResult, claim: ClaimResult, key: MetricKey) -> Message:
    assert claim.estimate is not None
    n, other = _counts(result, claim)
    noun = "pull" if claim.key in PULL_METRICS else "run"
    base = (
        f"one {noun} each" if n == other == 1 else f"{n} {noun}s each" if n == other else f"{n} {noun}s against {other}"
    )
    form = (difference_quantity(key), result.units, key.spec.decimals)
    c = _comparison(result, claim)
    amount = f"{formatting.with_unit(abs(claim.estimate), *form)} {word(key, claim.estimate)}"
    if isinstance(c, Comparison):
        amount = size(result, key, c)
    versus = result.name_of(claim.versus or result.baseline.id)
    interval = ""
    if _on_common(result, claim):
        base += ", by the models on the common drive"
    if claim.low is not None or claim.high is not None:
        level = formatting.usual(result.level, "share", "si")
        alone = " as far as the instruments go" if claim.verdict == "indication only" else ""
        interval = f"; the true difference is {span(result, key, claim.low, claim.high)} with {level} confidence{alone}"
    return message(
        "{name} was {amount} than {versus} in {base}{interval}",
        name=result.name_of(claim.configuration), amount=amount, versus=versus, base=base, interval=interval,
    )  # fmt: skip


def _value(result: ReportResult, claim: ClaimResult, key: MetricKey) -> Message:
    form = (key.spec.quantity, result.units, key.spec.decimals)
    runs = sum(v.configuration == claim.configuration and v.status != "not computed" for v in result.of(key.key))
    found = formatting.with_unit(claim.estimate, *form)
    over = " on average" if runs > 1 else ""
    interval = ""
    if claim.low is not None or claim.high is not None:
        low = formatting.bare(claim.low, *form) if claim.low is not None else "anything"
        high = formatting.with_unit(claim.high, *form) if claim.high is not None else "not reached"
        interval = f"; {'the instruments alone allow' if runs == 1 else 'the mean lies at'} {low} to {high}"
    return message(
        "{found}{over} in {runs}, where the claim says {limit}{interval}",
        found=found, over=over, runs=Count(runs, "run"), limit=formatting.with_unit(claim.limit, *form), interval=interval,
    )  # fmt: skip


def _outcome(result: ReportResult, claim: ClaimResult, key: MetricKey) -> Part:
    """Return what the numbers mean for the claim."""
    code = getattr(claim.reason, "code", "")
    noun = "pull" if claim.key in PULL_METRICS else "run"
    if claim.verdict == "indication only":
        if claim.absolute:
            return f"; one {noun} does not show how much the next would differ"
        c = _comparison(result, claim)
        why = dict(getattr(claim.reason, "values", ())).get("why", "")
        return "; one run each cannot tell the intake from its day and its traffic" if isinstance(c, Comparison) and (
            c.n == c.n_versus == 1) else message("; {why}", why=why)  # fmt: skip
    limit: Part = "zero"
    if claim.limit:
        quantity = key.spec.quantity if claim.absolute else difference_quantity(key)
        limit = Value(claim.limit, quantity, key.spec.decimals)
    if claim.verdict == "supported":
        return "" if claim.limit else "; chance and instruments do not explain that much"
    if claim.verdict == "not supported":
        return "; that is the opposite of the claim" if not claim.limit else message("; beyond {limit}", limit=limit)
    if code == "holm":
        return message("; {warning}", warning=_together(result, claim))
    if code == "by-order":
        assert claim.probability is not None and claim.risk is not None
        asked = 1.0 - claim.risk
        text = message(
            "; of all that scatter and instruments allow, {share} agrees with the claim, and {asked} is asked for",
            share=Value(claim.probability, "probability"), asked=Value(asked, "probability"),
        )  # fmt: skip
        return message("; {warning}", warning=_together(result, claim)) if claim.probability >= asked else text
    return message("; that holds values on both sides of {limit}", limit=limit)


def _together(result: ReportResult, claim: ClaimResult) -> Message:
    return message(
        "alone that would do, but {n} differences were looked at together, and among so many one like this is too likely by "
        "chance",
        n=_family(result, claim),
    )


def _family(result: ReportResult, claim: ClaimResult) -> int:
    """Return how many comparisons Holm's adjustment covers together with that of a claim."""
    if claim.key in PULL_METRICS:
        return max(1, sum(c.key in PULL_METRICS and not c.absolute for c in result.claims))
    rows = (_on_common(result, claim) or result).comparisons
    return max(1, sum(c.p_adjusted is not None for c in rows))


# ---- what would settle it ----------------------------------------------------------------------------------------


def settles(result: ReportResult, claim: ClaimResult) -> Part:
    """Return what would decide an open claim, with numbers: runs or pulls, blocks, or a calibration; empty when decided."""
    if claim.verdict not in OPEN:
        return ""
    c = _comparison(result, claim)
    if claim.key in PULL_METRICS:
        return _settles_pulls(result, claim, c)
    if claim.verdict == "indication only" or c is None or not c.replicated:
        return _replication(result)
    key = result.metric(str(claim.key))
    if claim.estimate is None or c.half_width is None:
        return _bounded(result, key, c)
    family = _family(result, claim) if getattr(claim.reason, "code", "") == "holm" else 1
    units, spread = min(c.units, c.units_versus), c.between if c.between is not None else c.standard_error
    distance, shared = (
        abs(claim.estimate - (claim.limit or 0.0)),
        coverage_factor(c.level, math.inf) * (c.instrument or 0.0),
    )
    quantity, digits = difference_quantity(key), key.spec.decimals + 1
    if distance <= shared:
        return message(
            "A calibration: what all runs share leaves {shared}, more than the {distance} to the limit.",
            shared=Value(shared, quantity, digits), distance=Value(distance, quantity, digits),
        )  # fmt: skip
    needed = needed_repeats(units, spread or 0.0, c.df, distance, shared, c.level, family)
    noun = "block" if c.method == "blocked" else "run"
    return _repeats(needed, noun, units, Value(distance, quantity, digits))


def needed_repeats(
    n: int, spread: float, df: float | None, distance: float, shared: float, level: float, family: int
) -> int | None:
    """Return how many repeats of each bring the half-width below the distance to the limit; None beyond `MOST_RUNS`.

    `n`, `spread`, `df`: repeats now, the standard error of the difference that they leave, and its degrees of freedom, which grow
    with n − 1; `distance`, `shared`: of the estimate from the limit, and the half-width that repeats do not shrink; `family`:
    comparisons looked at together (Bonferroni's bound, which Holm's adjustment never exceeds).
    """
    for more in range(n + 1, MOST_RUNS + 1):
        freedom = math.inf if df is None else df * (more - 1) / max(n - 1, 1)
        half = coverage_factor(1.0 - (1.0 - level) / family, freedom) * spread * math.sqrt(n / more)
        if math.hypot(half, shared) <= distance:
            return more
    return None


def _repeats(needed: int | None, noun: str, now: int, distance: Value) -> Message:
    what = "blocks that hold both" if noun == "block" else f"{noun}s of each"
    if needed is None:
        return message(
            "More than {most} {what}: the estimate is only {distance} from the limit.",
            most=MOST_RUNS, what=what, distance=distance,
        )  # fmt: skip
    return message("About {n} {what} at this scatter (now {now}).", n=needed, what=what, now=now)


def _settles_pulls(result: ReportResult, claim: ClaimResult, d: Any) -> Part:
    dyno = result.evidence.dyno
    if d is None or dyno is None or d.standard_error is None or d.difference is None:
        return "Three pulls or more of each of the two configurations, in turn."
    key = _key(result, claim)
    n = min(d.n_candidate, d.n_baseline)
    family = _family(result, claim)
    distance = abs(d.difference - (claim.limit or 0.0))
    needed = needed_repeats(n, d.standard_error, d.df, distance, 0.0, d.level, family)
    if not dyno.in_turn:
        return message(
            "{n} pulls of each in turn (one, the other, one …), so that a drift of the session falls on both.",
            n=max(needed or 0, n, 3),
        )
    return _repeats(needed, "pull", n, Value(distance, key.spec.quantity, key.spec.decimals + 1))


def _replication(result: ReportResult) -> Part:
    planned = next((item.remedy for item in result.limitations if item.code == "one-run"), "")
    return planned or "Two runs or more of each configuration, in two or more blocks that hold both."


def _bounded(result: ReportResult, key: MetricKey, c: Comparison) -> Message:
    """Say which margin can be decided, or how large the share is that the instruments leave open."""
    wider = [
        k
        for k in result.metrics
        if k.spec.id == key.spec.id and k.key not in undecidable(result) and (k.parameter.number or 0.0) > (key.parameter.number or 0.0)
        and any(other.configuration == c.configuration and other.half_width is not None for other in compared(result, k))
    ]  # fmt: skip
    better = "sensor and ambient reference calibrated, or a longer highway phase"
    if not wider:
        return message(
            "{better:upper}: in {share} of what the instruments allow a run does not reach the margin.",
            better=better, share=Value(c.lost, "share"),
        )  # fmt: skip
    other = next(x for x in compared(result, wider[0]) if x.configuration == c.configuration)
    return message(
        "A claim on {margin}, which the instruments can decide ({words}); for this margin {better}, since in {share} of what the "
        "instruments allow a run does not reach it.",
        margin=formatting.margin(wider[0].parameter.number or 0.0, result.units, both=False),
        words=f"{size(result, wider[0], other)}, {span(result, wider[0], other.low, other.high)}",
        better=better, share=Value(c.lost, "share"),
    )  # fmt: skip
