"""Criteria in words: found, limit and the sentence on one that was not met, in the reader's units."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from intake_report.check.model import CriterionCheck, PairCheck
from intake_report.formatting import usual
from intake_report.units import UnitSystem


def limit_text(check: CriterionCheck, system: UnitSystem) -> str:
    """Return "≥ 95 %" or "≤ 1.1 K"."""
    if _nothing_wanted(check):
        return "none" if check.code != "one-pass" else "yes"
    sign = "≥" if check.sense == "at least" else "≤"
    return f"{sign}\N{NO-BREAK SPACE}{usual(check.limit, check.quantity, system)}"


def found_text(check: CriterionCheck, system: UnitSystem) -> str:
    """Return the run's own value as the table shows it; where a difference is judged, `off_text` shows that."""
    if check.code == "one-pass" and check.value is not None:
        return "yes" if check.value == 0.0 else "no"
    if _nothing_wanted(check) and check.value == 0.0:
        return "none"
    if check.group == "alike":
        return usual(check.own, check.own_quantity, system) if check.own is not None else ""
    return _judged(check, system)


def _judged(check: CriterionCheck, system: UnitSystem) -> str:
    """Return the value that is judged; one beyond its limit never reads like the limit."""
    for more in (0, 1, 2):
        text = usual(check.value, check.quantity, system, more)
        if check.outcome != "fail" or text != usual(check.limit, check.quantity, system, more):
            break
    return text


def _nothing_wanted(check: CriterionCheck) -> bool:
    return check.quantity == "count" and check.limit == 0.0 and check.group != "alike"


def off_text(check: CriterionCheck, system: UnitSystem) -> str:
    """Return the difference from the median of the runs; empty where none is judged."""
    return _judged(check, system) if check.group == "alike" else ""


def sentence(check: CriterionCheck, system: UnitSystem, pairs: Sequence[PairCheck] = ()) -> str:
    """Return one sentence on a criterion that was not met, with the run that is farthest in it."""
    if check.reason.startswith("The log has no "):
        return check.reason
    if check.code == "one-pass" or (_nothing_wanted(check) and check.reason):
        return check.reason
    if check.code == "rain":
        return "Rain: not as on the other runs."
    limit = limit_text(check, system)
    value = _judged(check, system)
    if check.group == "alike":
        own = "" if check.own is None else f" {usual(check.own, check.own_quantity, system)},"
        apart = max((p for p in pairs if p.code == check.code), key=lambda p: p.value or 0.0, default=None)
        farthest = (
            "" if apart is None else f"; farthest from {apart.other}, {usual(apart.value, apart.quantity, system)}"
        )
        return f"{check.title}:{own} {value} from the median of the runs (limit {limit}){farthest}."
    return f"{check.title}: {value} (limit {limit}). {check.reason if check.group == 'log' else ''}".strip()


_LIKELIHOOD = re.compile(
    r"the second best place is ([\d.]+) log units less likely \(([\d.]+) needed\), likeness (-?[\d.]+) \(0 by chance\)"
)


def plain(text: str) -> str:
    """Return what the alignment says, with likelihoods as "so many times less likely" in place of their logarithms."""
    return _LIKELIHOOD.sub(_odds, text)


def _odds(match: re.Match[str]) -> str:
    found, needed = (math.exp(min(float(match[i]), 50.0)) for i in (1, 2))
    if float(match[3]) < 0.0:
        return "its speeds are less like those of the other runs than chance would make them"
    how = "as likely" if found < 1.05 else f"only {_times(found)} times less likely"
    return f"the second best place is {how}, where {_times(needed)} times would be needed to tell them apart"


def _times(value: float) -> str:
    return f"{value:.1f}" if value < 10.0 else f"{float(f'{value:.2g}'):,.0f}"
