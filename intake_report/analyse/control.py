"""The control vehicle: an unmodified one driven in tandem, whose values are taken off those of the run beside it."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from intake_report.align import Alignment
from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.compare import InstrumentDraws, compare_pair
from intake_report.analyse.inputs import Drive, control_entries, control_id
from intake_report.analyse.measure import build_series, measure
from intake_report.campaign import Campaign
from intake_report.clean import CleanRun
from intake_report.messages import message
from intake_report.results import ControlEffect, MetricResult, Metrics, MetricValues
from intake_report.statistics import Floats

COMPARED = ("difference", "half_width", "scatter", "low", "high")  # of a comparison, with the control and without it


def measure_controls(
    campaign: Campaign, cleaned: Sequence[CleanRun], alignment: Alignment, ambient: AmbientReference, metrics: Metrics
) -> MetricValues:
    """Return every metric of every control drive, under the id of its run; its ambient is the run's, whose error cancels."""
    logs = {run.run: run for run in cleaned}
    reference = replace(ambient, series={control_id(run): series for run, series in ambient.series.items()})
    entries = [entry for entry in control_entries(campaign) if entry.id in logs]
    drives = [Drive(entry, logs[entry.id], alignment.run(entry.id)) for entry in entries]
    values = measure(metrics, tuple(build_series(campaign, drive, reference) for drive in drives))
    partners = {control_id(run.id): run.id for run in campaign.runs}
    return tuple(replace(value, run=partners[value.run]) for value in values)


def controlled(campaign: Campaign, used: set[str]) -> bool:
    """Return whether every run in the comparison has a control drive; only then are differences taken against it."""
    return bool(used) and all(run.control for run in campaign.runs if run.id in used)


def against_control(values: Sequence[MetricResult], controls: Sequence[MetricResult]) -> MetricValues:
    """Return the values of runs less those of the control vehicle beside them, which stand under the same run ids.

    A run that did not reach its margin stays "longer than", its bound less the control's time; a control that did not
    leaves no value. Place and uncertainty of one run's value are left out.
    """
    beside = {(c.key, c.run): c for c in controls}
    return tuple(_less(v, beside.get((v.key, v.run))) for v in values)


def _less(value: MetricResult, control: MetricResult | None) -> MetricResult:
    bare = MetricResult(value.key, value.run, value.configuration, value.block, value.status, reason=value.reason)
    if value.status == "not computed":
        return bare
    if control is not None and control.value is not None:
        number, bound = (None if x is None else x - control.value for x in (value.value, value.bound))
        return replace(bare, value=number, bound=bound if number is None else None)
    reason = message("there is no control drive beside this run", code="no-control")
    if control is not None and control.status == "not reached":
        template = "the control vehicle did not reach the margin, so its partner's time cannot be taken against it"
        reason = message(template, code="control-not-reached")
    elif control is not None:
        reason = message("control vehicle: {reason}", code="no-control-value", reason=control.reason)
    return replace(bare, status="not computed", reason=reason)


class DrawsLessControl:
    """Draws of runs less the value of the control drive beside each; its own biases all but cancel in a difference."""

    def __init__(self, draws: InstrumentDraws, controls: Sequence[MetricResult]) -> None:
        self._draws = draws
        self._controls = {(c.key, c.run): c.value for c in controls if c.value is not None}

    def common(self, key: str, run: str) -> Floats | None:
        """Return the draws of what all runs share."""
        return self._less(self._draws.common(key, run), key, run)

    def total(self, key: str, run: str) -> Floats | None:
        """Return the draws of all sources."""
        return self._less(self._draws.total(key, run), key, run)

    def _less(self, found: Floats | None, key: str, run: str) -> Floats | None:
        control = self._controls.get((key, run))
        return None if found is None or control is None else found - control


def control_effects(
    campaign: Campaign,
    metrics: Metrics,
    values: Sequence[MetricResult],
    controls: Sequence[MetricResult],
    draws: InstrumentDraws | None = None,
) -> tuple[ControlEffect, ...]:
    """Return what the control changed in headline differences of the runs that have a control value."""
    baseline, rows = campaign.baseline.id, []
    less_draws = None if draws is None else DrawsLessControl(draws, controls)
    for key in (key for key in metrics if key.spec.headline and controls):
        all_runs = [v for v in values if v.key == key.key]
        less = [v for v in against_control(all_runs, controls) if v.status != "not computed"]
        both = {v.run for v in less}
        plain = [v for v in all_runs if v.run in both]
        for c in (c.id for c in campaign.configurations if c.id != baseline):
            numbers: dict[str, Any] = {}
            for prefix, of, drawn in (("", less, less_draws), ("plain_", plain, draws)):
                row = compare_pair(campaign, key, of, c, baseline, drawn)
                numbers |= {f"{prefix}{name}": getattr(row, name) for name in COMPARED}
            rows.append(ControlEffect(key.key, c, baseline, runs=len(both), **numbers))
    return tuple(rows)
