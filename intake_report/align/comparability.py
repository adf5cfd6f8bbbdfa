"""Which runs may be compared: every criterion applied to every run and every pair."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Literal

import numpy as np

from intake_report.align.criteria import CRITERIA, AcceptanceLimit, CriterionSpec
from intake_report.align.facts import Conditions, Facts, by_run
from intake_report.align.grid import grid_by_place
from intake_report.align.model import Alignment, Floats
from intake_report.align.settings import AlignSettings
from intake_report.errors import DataError

Outcome = Literal["pass", "fail", "unknown"]
MEDIANS = {"alike": "the median of the runs", "within": "the median of the runs of its configuration"}
LEAST_CELLS = 4  # cells of speed by place that two runs have to share


@dataclass(frozen=True)
class Check:
    """One criterion applied to one run or to a pair.

    Parameters
    ----------
    code, title, unit : str
        The criterion.
    runs : tuple of str
        One run, or the two of a pair.
    limit : float
        In `unit`.
    value : float or None
        What was found; None where it cannot be known.
    margin : float or None
        How far inside the limit (negative: outside), in `unit`.
    hard : bool
        Whether failing keeps the run, or the pair, out of the comparison.
    outcome : {"pass", "fail", "unknown"}
        Unknown is neither.
    reason : str
        Why it fails or is not known; empty otherwise.
    """

    code: str
    title: str
    unit: str
    runs: tuple[str, ...]
    limit: float
    value: float | None
    margin: float | None
    hard: bool
    outcome: Outcome
    reason: str = ""


@dataclass(frozen=True)
class Comparability:
    """All checks; `runs` lists the runs and `codes` the criteria in table order."""

    runs: tuple[str, ...]
    codes: tuple[str, ...]
    checks: tuple[Check, ...]
    pairs: tuple[Check, ...]
    facts: dict[str, Facts] = field(default_factory=dict)

    def excluded(self) -> dict[str, tuple[str, ...]]:
        """Return the runs with a hard failure and their reasons."""
        return self._failed(hard=True)

    def limited(self) -> dict[str, tuple[str, ...]]:
        """Return the runs with a soft failure and their reasons: limitations."""
        return self._failed(hard=False)

    def _failed(self, hard: bool) -> dict[str, tuple[str, ...]]:
        out: dict[str, tuple[str, ...]] = {}
        for check in self.checks:
            if check.outcome == "fail" and check.hard == hard:
                out[check.runs[0]] = (*out.get(check.runs[0], ()), check.reason)
        return out

    def matrix(self) -> list[list[Check | None]]:
        """Return runs × criteria, for one figure of all at a glance."""
        found = {(check.runs[0], check.code): check for check in self.checks}
        return [[found.get((run, code)) for code in self.codes] for run in self.runs]

    def pair(self, a: str, b: str) -> tuple[Check, ...]:
        """Return the checks of a pair, in either order."""
        return tuple(check for check in self.pairs if set(check.runs) == {a, b})


def assess(
    alignment: Alignment,
    settings: AlignSettings,
    conditions: Mapping[str, Conditions] | None = None,
    limits: Mapping[str, AcceptanceLimit] | None = None,
    pairs: Iterable[tuple[str, str]] | None = None,
) -> Comparability:
    """Apply every acceptance criterion to every run and to pairs of runs.

    Parameters
    ----------
    alignment : Alignment
        Aligned runs.
    settings : AlignSettings
        Phases and highway entry.
    conditions : mapping of run to Conditions, optional
        Ambient, wind, rain, start.
    limits : mapping of code to AcceptanceLimit, optional
        The campaign's limits; the others keep their defaults.
    pairs : iterable of (run, run), optional
        Pairs to check; default: all.

    Raises
    ------
    DataError
        If a limit names no criterion.

    Notes
    -----
    A criterion of scope "alike" compares a run with the median of the runs that pass the hard criteria of their own; one of
    scope "within" with those of its configuration only, and it says nothing of two runs of different configurations.
    """
    limits = dict(limits or {})
    for code in limits:
        if code not in CRITERIA:
            raise DataError(f"There is no acceptance criterion “{code}”.", remedy=f"Choose from {', '.join(CRITERIA)}.")
    facts = by_run(alignment.runs, grid_by_place(alignment), settings, conditions or {})
    checks: list[Check] = []
    for spec in CRITERIA.values():
        if spec.scope == "run":
            checks += [_own(spec, limits.get(spec.code), one) for one in facts.values()]
    out = {check.runs[0] for check in checks if check.hard and check.outcome == "fail"}
    sound = [one for run, one in facts.items() if run not in out]
    for spec in CRITERIA.values():
        if spec.scope != "run":
            checks += [_alike(spec, limits.get(spec.code), one, sound) for one in facts.values()]
    wanted = combinations(facts, 2) if pairs is None else pairs
    twos = [
        _check(spec, limits.get(spec.code), (a, b), *_between(spec.code, facts[a], facts[b]))
        for a, b in wanted
        for spec in CRITERIA.values()
        if spec.scope == "alike" or (spec.scope == "within" and facts[a].configuration == facts[b].configuration)
    ]
    return Comparability(tuple(facts), tuple(CRITERIA), tuple(checks), tuple(twos), facts)


def _check(
    spec: CriterionSpec, limit: AcceptanceLimit | None, runs: tuple[str, ...], value: float | None, why: str
) -> Check:
    bound = spec.limit if limit is None else limit.limit
    hard = spec.hard if limit is None or limit.hard is None else limit.hard
    margin = None if value is None else (bound - value if spec.sense == "at most" else value - bound)
    outcome: Outcome = "unknown" if margin is None else ("pass" if margin >= -1e-9 else "fail")
    reason = why
    if outcome == "fail" and not (spec.code == "one-pass" and why):
        compared = (
            "" if spec.scope == "run" else (" between the two" if len(runs) == 2 else f" from {MEDIANS[spec.scope]}")
        )
        unit = f" {spec.unit}" if spec.unit else ""
        verb = "is" if spec.scope == "run" else "differs by"
        reason = f"{spec.title}: {verb} {value:.3g}{unit}{compared}, limit {spec.sense} {bound:.3g}{unit}."
    elif outcome == "pass":
        reason = ""
    return Check(spec.code, spec.title, spec.unit, runs, bound, value, margin, hard, outcome, reason)


def _own(spec: CriterionSpec, limit: AcceptanceLimit | None, one: Facts) -> Check:
    return _check(spec, limit, (one.run,), one.by_code[spec.code], one.reasons.get(spec.code, ""))


def _alike(spec: CriterionSpec, limit: AcceptanceLimit | None, one: Facts, sound: Sequence[Facts]) -> Check:
    if spec.scope == "within":
        sound = [other for other in sound if other.configuration == one.configuration]
        if not any(other.run != one.run for other in sound):
            return _check(spec, limit, (one.run,), None, "there is no other run of its configuration to compare with")
    elif len(sound) < 2:
        return _check(spec, limit, (one.run,), None, "there is no other run to compare with")
    return _check(spec, limit, (one.run,), *_between(spec.code, one, _typical(sound)))


def _typical(sound: Sequence[Facts]) -> Facts:
    """Return the median of runs, criterion by criterion and place by place."""
    values: dict[str, float | None] = {}
    for code in CRITERIA:
        known = [v for one in sound if (v := one.by_code.get(code)) is not None]
        if code == "time-of-day" and known:
            # about the circle, so that midnight is no border
            turned = [(v - known[0] + 12.0) % 24.0 - 12.0 for v in known]
            values[code] = (known[0] + float(np.median(turned))) % 24.0
        else:
            values[code] = float(np.median(known)) if known else None
    names = {name for one in sound for name in one.durations}
    durations = {n: float(np.median([one.durations[n] for one in sound if n in one.durations])) for n in names}
    speeds: dict[str, Floats] = {}
    for kind in {kind for one in sound for kind in one.speeds}:
        rows = np.array([one.speeds[kind] for one in sound if kind in one.speeds])
        some = np.isfinite(rows).any(axis=0)
        middle = np.full(rows.shape[1], np.nan)
        middle[some] = np.nanmedian(rows[:, some], axis=0)
        speeds[kind] = middle
    return Facts("median", values, {}, durations, speeds)


def _between(code: str, a: Facts, b: Facts) -> tuple[float | None, str]:
    """Return by how much two runs differ in a criterion, or None and the reason."""
    if code == "phase-duration":
        shared = [abs(np.log(a.durations[n] / b.durations[n])) for n in a.durations if n in b.durations]
        if not shared:
            return None, "no phase is complete in both"
        return float(np.expm1(max(shared))), ""
    if code in ("ramp-speed", "highway-speed"):
        kind = code.removesuffix("-speed")
        if kind not in a.speeds or kind not in b.speeds:
            return None, f"speed by place on the {kind} is not known"
        apart = a.speeds[kind] - b.speeds[kind]
        apart = apart[np.isfinite(apart)]
        if len(apart) < LEAST_CELLS:
            return None, f"the runs share fewer than {LEAST_CELLS} places on the {kind}"
        return float(np.sqrt(np.mean(apart**2))), ""
    x, y = a.by_code.get(code), b.by_code.get(code)
    if x is None or y is None:
        return None, a.reasons.get(code) or b.reasons.get(code) or "not known"
    if code == "time-of-day":
        return float(abs((x - y + 12.0) % 24.0 - 12.0)), ""
    return abs(x - y), ""
