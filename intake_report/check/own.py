"""Acceptance criteria of the log itself, which need no campaign. Limits are choices of this package."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from intake_report.channels import CHANNELS
from intake_report.check.look import DESCRIBES, duration_of, missing_share
from intake_report.check.model import CriterionCheck, CrossLine, Outcome
from intake_report.clean import CleanRun

LEAST_VALID = 0.9  # share of the run with a valid sample: below it a limitation
LEAST_USABLE = 0.5  # ... and below this the run is of no use
LEAST_DURATION = 60.0  # s
LEAST_DRIVEN = 500.0  # m
SLOWEST_IAT = 5.0  # s between readings; slower ones blur a recovery of a minute or two
AMBIENT_AGREES = 3.0  # K at speed, as in the cross check
_CLOCK = ("clock-jump", "rows-out-of-order", "coarse-clock")


def log_criteria(run: CleanRun, cross_checks: Sequence[CrossLine], ambient_elsewhere: bool) -> list[CriterionCheck]:
    """Apply the criteria of the log itself.

    Parameters
    ----------
    run : CleanRun
        Cleaned run.
    cross_checks : sequence of CrossLine
        Flagged ones are limitations.
    ambient_elsewhere : bool
        Whether the campaign knows ambient from another source.

    Returns
    -------
    list of CriterionCheck
        In table order, group "log".
    """
    return [
        _valid(run, "iat", "valid-iat", "Valid IAT"),
        _valid(run, "speed", "valid-speed", "Valid speed"),
        _ambient(run, ambient_elsewhere),
        _constant(run),
        _interval(run),
        _duration(run),
        _driven(run),
        _clock(run),
        _crossed(cross_checks),
    ]


def _criterion(
    code: str,
    title: str,
    quantity: str,
    sense: Literal["at least", "at most"],
    limit: float,
    value: float | None,
    *,
    hard: bool,
    failed: str = "",
    unknown: str = "",
) -> CriterionCheck:
    outcome: Outcome = "unknown"
    if value is not None:
        outcome = "pass" if (value >= limit if sense == "at least" else value <= limit) else "fail"
    reason = {"pass": "", "fail": failed, "unknown": unknown}[outcome]
    return CriterionCheck(code, title, "log", quantity, sense, limit, value, None, "", hard, outcome, reason)


def _valid(run: CleanRun, name: str, code: str, title: str) -> CriterionCheck:
    share = 1.0 - missing_share(run, name)
    kept = ""
    bad = int(run.masks[name].to_numpy().sum()) if name in run.masks.columns else 0
    if name not in run.frame.columns or run.sampling[name].samples == 0:
        kept = f"The log has no {CHANNELS[name].label.lower()}."
    elif bad:
        steps = dict.fromkeys(
            q.step for q in run.quality if q.channel == name and q.touched and q.step not in DESCRIBES
        )
        kept = f"{bad} of {run.sampling[name].samples} samples are kept out ({', '.join(steps)})."
    return _criterion(
        code, title, "share", "at least", LEAST_VALID, share, hard=share < LEAST_USABLE, failed=kept
    )  # fmt: skip


def _ambient(run: CleanRun, elsewhere: bool) -> CriterionCheck:
    share = 1.0 if elsewhere else 1.0 - missing_share(run, "ambient")
    why = "Without it there is nothing to compare the intake with: record the weather of this run."
    if share == 0.0:
        why = f"The log has no ambient temperature. {why}"
    return _criterion(
        "valid-ambient", "Ambient known", "share", "at least", LEAST_VALID, share, hard=False, failed=why
    )  # fmt: skip


def _constant(run: CleanRun) -> CriterionCheck:
    still = [q.channel for q in run.quality if q.step == "constant" and q.channel in ("iat", "speed")]
    why = f"{' and '.join(still)} read one value over the whole run, as a sensor that is not connected would."
    return _criterion("constant", "Constant sensors", "count", "at most", 0.0, float(len(still)), hard=True, failed=why)


def _interval(run: CleanRun) -> CriterionCheck:
    known = run.sampling.get("iat")
    value = float(known.interval) if known is not None and np.isfinite(known.interval) else None
    return _criterion(
        "interval",
        "Interval of IAT readings",
        "time",
        "at most",
        SLOWEST_IAT + 0.05,  # a logger that is set to 5 s may take a little longer
        value,
        hard=False,
        failed="Recovery is resolved no better than this: poll fewer channels.",
        unknown="fewer than two samples",
    )


def _duration(run: CleanRun) -> CriterionCheck:
    return _criterion(
        "duration", "Duration", "duration", "at least", LEAST_DURATION, duration_of(run), hard=True,
        failed="The log ends before a drive can have taken place.",
    )  # fmt: skip


def _driven(run: CleanRun) -> CriterionCheck:
    good = run.good("speed")
    value: float | None = None
    if good.size >= 2:
        time, speed = good.index.to_numpy(dtype=np.float64), good.to_numpy(dtype=np.float64)
        pauses = np.diff(time)
        metres = (speed[1:] + speed[:-1]) / 2.0 / 3.6 * pauses
        value = float(metres[pauses <= run.gap_limit("speed")].sum())
    return _criterion(
        "driven", "Distance driven", "distance", "at least", LEAST_DRIVEN, value, hard=True,
        failed="By its speed the vehicle hardly moved.", unknown="the log has no speed",
    )  # fmt: skip


def _clock(run: CleanRun) -> CriterionCheck:
    found = [q for q in run.quality if q.step in _CLOCK]
    return _criterion(
        "clock", "Doubtful times", "count", "at most", 0.0, float(len(found)), hard=False,
        failed="; ".join(q.reason for q in found) + ".",
    )  # fmt: skip


def _crossed(cross_checks: Sequence[CrossLine]) -> CriterionCheck:
    flagged = [c for c in cross_checks if c.status == "flagged" and not known_behaviour(c)]
    return _criterion(
        "cross-checks", "Flagged cross checks", "count", "at most", 0.0, float(len(flagged)), hard=False,
        failed="Cross check: " + "; ".join(c.evidence for c in flagged) + ".",
    )  # fmt: skip


def known_behaviour(line: CrossLine) -> bool:
    """Tell whether a flagged ambient sensor only reads high at rest, as all do: readings at rest are not used."""
    level = line.numbers.get("at_speed_K")
    return line.name == "ambient-against-record" and level is not None and abs(level) <= AMBIENT_AGREES
