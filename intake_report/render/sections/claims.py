"""The claims: verdict, a plain because with its numbers, and what would settle what is open."""

import math
from typing import Any

from intake_report import formatting
from intake_report.messages import said
from intake_report.metrics import PULL_METRICS
from intake_report.plots import keys_of
from intake_report.render.blocks import Block
from intake_report.render.sections.answer import compared, size, span, told_apart, undecidable
from intake_report.render.sections.tables import TableOf
from intake_report.report_table import Field
from intake_report.results import ClaimResult, CommonDriveResult, Comparison, MetricKey, ReportResult
from intake_report.results.text import difference_quantity, direction
from intake_report.statistics import coverage_factor

OPEN = ("not shown", "indication only")
MOST_RUNS = 50  # beyond this a number of runs says only that the estimate lies at the limit


def claim_table(result: ReportResult) -> Block:
    """Return the claims as the second deciding table."""
    told = [vars(c) | {"because": because(result, c), "settles": settles(result, c)} for c in result.claims]
    return TableOf(result.units, "tab-claims", told).declared(
        "Claims: verdict, why, and what would settle what is open",
        Field(
            "text", "Claim", cell=lambda c, u: c.text + f" (judged: {said(c.judged, u)})" * bool(c.judged), width=2.3
        ),
        Field("verdict", "Verdict", width=1.1),
        Field("because", "Because", width=3.8),
        Field("settles", "What would settle it", width=2.6),
    )


def because(result: ReportResult, claim: ClaimResult) -> str:
    """Return why a claim has its verdict, in words that need no statistics, with its numbers."""
    if claim.verdict == "cannot be tested" or claim.estimate is None:
        reason = said(claim.reason, result.units)
        return f"{reason[:1].upper()}{reason[1:]}."
    key = _key(result, claim)
    found = _value(result, claim, key) if claim.absolute else _difference(result, claim, key)
    return f"{found}{_outcome(result, claim, key)}."


def _key(result: ReportResult, claim: ClaimResult) -> MetricKey:
    return MetricKey(PULL_METRICS[claim.key]) if claim.key in PULL_METRICS else result.metric(str(claim.key))


def _comparison(result: ReportResult, claim: ClaimResult) -> Comparison | Any | None:
    versus = claim.versus or result.baseline.id
    if claim.key in PULL_METRICS:
        dyno = result.evidence.dyno
        return dyno.difference(str(claim.key), claim.configuration, versus) if dyno else None
    record = _on_common(result, claim) or result
    wanted = (claim.key, claim.configuration, versus)
    rows = (*record.comparisons, *record.direct)
    return next((c for c in rows if (c.key, c.configuration, c.versus) == wanted), None)


def _on_common(result: ReportResult, claim: ClaimResult) -> CommonDriveResult | None:
    """Return the common drive that a claim rests on; None where it rests on what was measured."""
    return result.common_drive if result.common_drive and claim.id in result.common_drive.claims else None


def _difference(result: ReportResult, claim: ClaimResult, key: MetricKey) -> str:
    c, estimate = _comparison(result, claim), claim.estimate or 0.0
    noun = "pull" if claim.key in PULL_METRICS else "run"
    if isinstance(c, Comparison):
        n, other, amount = c.n, c.n_versus, size(result, key, c)
    else:
        n, other = (c.n_candidate, c.n_baseline) if c is not None else (0, 0)
        amount = result.printed(abs(estimate), difference_quantity(key), key.spec.decimals)
        amount = f"{amount} {direction(key, estimate > 0.0)}"
    base = f"{n} {noun}s each" if n == other else f"{n} {noun}s against {other}"
    if n == other == 1:
        base = f"one {noun} each"
    if _on_common(result, claim):
        base += ", by the models on the common drive"
    interval = ""
    if claim.low is not None or claim.high is not None:
        level = formatting.usual(result.level, "share", "si")
        alone = " as far as the instruments go" if claim.verdict == "indication only" else ""
        interval = f"; the true difference is {span(result, key, claim.low, claim.high)} with {level} confidence{alone}"
    versus = result.name_of(claim.versus or result.baseline.id)
    return f"{result.name_of(claim.configuration)} was {amount} than {versus} in {base}{interval}"


def _value(result: ReportResult, claim: ClaimResult, key: MetricKey) -> str:
    form = (key.spec.quantity, result.units, key.spec.decimals)
    runs = sum(v.configuration == claim.configuration and v.status != "not computed" for v in result.of(key.key))
    interval = ""
    if claim.low is not None or claim.high is not None:
        low = formatting.bare(claim.low, *form) if claim.low is not None else "anything"
        high = formatting.with_unit(claim.high, *form) if claim.high is not None else "not reached"
        interval = f"; {'the instruments alone allow' if runs == 1 else 'the mean lies at'} {low} to {high}"
    return (
        f"{formatting.with_unit(claim.estimate, *form)}{' on average' if runs > 1 else ''} in {formatting.count(runs, 'run')}, "
        f"where the claim says {formatting.with_unit(claim.limit, *form)}{interval}"
    )


def _outcome(result: ReportResult, claim: ClaimResult, key: MetricKey) -> str:
    code = getattr(claim.reason, "code", "")
    quantity = key.spec.quantity if claim.absolute else difference_quantity(key)
    limit = result.printed(claim.limit, quantity, key.spec.decimals) if claim.limit else "zero"
    together = (
        f"; alone that would do, but {_family(result, claim)} differences were looked at together, and among so many one like "
        "this is too likely by chance"
    )
    if claim.verdict == "indication only":
        c = _comparison(result, claim)
        if claim.absolute:
            return "; one run does not show how much the next would differ"
        if isinstance(c, Comparison) and c.n == c.n_versus == 1:
            return "; one run each cannot tell the intake from its day and its traffic"
        return f"; {said(dict(getattr(claim.reason, 'values', ())).get('why', ''), result.units)}"
    if claim.verdict == "supported":
        return "" if claim.limit else "; chance and instruments do not explain that much"
    if claim.verdict == "not supported":
        return f"; beyond {limit}" if claim.limit else "; that is the opposite of the claim"
    if code == "holm":
        return together
    if code == "by-order":
        assert claim.probability is not None and claim.risk is not None
        share, asked = (formatting.usual(x, "probability", "si") for x in (claim.probability, 1.0 - claim.risk))
        if claim.probability >= 1.0 - claim.risk:
            return together
        return f"; of all that scatter and instruments allow, {share} agrees with the claim, and {asked} is asked for"
    return f"; that holds values on both sides of {limit}"


def _family(result: ReportResult, claim: ClaimResult) -> int:
    """Return how many comparisons Holm's adjustment covers together with that of a claim."""
    if claim.key in PULL_METRICS:
        return max(1, sum(c.key in PULL_METRICS and not c.absolute for c in result.claims))
    rows = (_on_common(result, claim) or result).comparisons
    return max(1, sum(c.p_adjusted is not None for c in rows))


def settles(result: ReportResult, claim: ClaimResult) -> str:
    """Return what would decide an open claim, with numbers: runs or pulls, blocks, or a calibration; empty when decided."""
    if claim.verdict not in OPEN:
        return ""
    c = _comparison(result, claim)
    if claim.key in PULL_METRICS:
        return _settles_pulls(result, claim, c)
    if claim.verdict == "indication only" or c is None or not c.replicated:
        planned = next((item.remedy for item in result.limitations if item.code == "one-run"), "")
        repeats = "Two runs or more of each configuration, in two or more blocks that hold both."
        return said(planned, result.units) or repeats
    key = _key(result, claim)
    if claim.estimate is None or c.half_width is None:
        return _bounded(result, key, c)
    family = _family(result, claim) if getattr(claim.reason, "code", "") == "holm" else 1
    units, spread = min(c.units, c.units_versus), c.between if c.between is not None else c.standard_error
    distance = abs(claim.estimate - (claim.limit or 0.0))
    shared = coverage_factor(c.level, math.inf) * (c.instrument or 0.0)
    apart, left = (result.printed(x, difference_quantity(key), key.spec.decimals + 1) for x in (distance, shared))
    if distance <= shared:
        return f"A calibration: what all runs share leaves {left}, more than the {apart} to the limit."
    needed = needed_repeats(units, spread or 0.0, c.df, distance, shared, c.level, family)
    return _repeats(needed, "blocks that hold both" if c.method == "blocked" else "runs of each", units, apart)


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


def _repeats(needed: int | None, what: str, now: int, apart: str) -> str:
    if needed is None:
        return f"More than {MOST_RUNS} {what}: the estimate is only {apart} from the limit."
    return f"About {needed} {what} at this scatter (now {now})."


def _settles_pulls(result: ReportResult, claim: ClaimResult, d: Any) -> str:
    dyno = result.evidence.dyno
    if d is None or dyno is None or d.standard_error is None or d.difference is None:
        return "Three pulls or more of each of the two configurations, in turn."
    key, n = _key(result, claim), min(d.n_candidate, d.n_baseline)
    distance = abs(d.difference - (claim.limit or 0.0))
    needed = needed_repeats(n, d.standard_error, d.df, distance, 0.0, d.level, _family(result, claim))
    if not dyno.in_turn:
        most = max(needed or 0, n, 3)
        return f"{most} pulls of each in turn (one, the other, one …), so that a drift of the session falls on both."
    apart = result.printed(distance, key.spec.quantity, key.spec.decimals + 1)
    return _repeats(needed, "pulls of each", n, apart)


def _bounded(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    """Say which margin can be decided, or how large the share is that the instruments leave open."""
    better = "sensor and ambient reference calibrated, or a longer highway phase"
    lost, coarse = formatting.usual(c.lost, "share", "si"), undecidable(result)
    for wider in keys_of(result, key.spec.id):
        beyond = wider.key not in coarse and (wider.parameter.number or 0.0) > (key.parameter.number or 0.0)
        other = next((x for x in compared(result, wider) if x.configuration == c.configuration), None)
        if beyond and other is not None and other.half_width is not None and told_apart(other):
            decided = formatting.margin(wider.parameter.number or 0.0, result.units, both=False)
            words = f"{size(result, wider, other)}, {span(result, wider, other.low, other.high)}"
            return (
                f"A claim on {decided}, which the instruments can decide ({words}); for this margin {better}, since in {lost} of "
                "what the instruments allow a run does not reach it."
            )
    return f"{better.capitalize()}: in {lost} of what the instruments allow a run does not reach the margin."
