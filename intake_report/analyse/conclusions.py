"""From values to what is said about the configurations: against the control, compared, checked, judged."""

from __future__ import annotations

from dataclasses import dataclass

from intake_report.analyse.claims import direct_comparisons, judge_claims
from intake_report.analyse.compare import InstrumentDraws, check_model, compare
from intake_report.analyse.control import DrawsLessControl, against_control, control_effects, controlled
from intake_report.campaign import Campaign
from intake_report.dyno import DynoResult
from intake_report.results import (
    ClaimResult,
    Comparison,
    ControlEffect,
    MetricKey,
    MetricResult,
    ModelCheck,
    RunResult,
)


@dataclass(frozen=True)
class Conclusions:
    """What the values say about the configurations.

    `comparisons` are with the baseline, `direct` those between others that claims ask for; `checks` test what is assumed about
    the runs; `less_control`: differences are taken from values less those of the control vehicle.
    """

    comparisons: tuple[Comparison, ...]
    direct: tuple[Comparison, ...]
    checks: tuple[ModelCheck, ...]
    control: tuple[ControlEffect, ...]
    claims: tuple[ClaimResult, ...]
    less_control: bool = False


def draw_conclusions(
    campaign: Campaign,
    metrics: tuple[MetricKey, ...],
    values: tuple[MetricResult, ...],
    runs: tuple[RunResult, ...],
    reference: str | None,
    controls: tuple[MetricResult, ...] = (),
    draws: InstrumentDraws | None = None,
    dyno: DynoResult | None = None,
) -> Conclusions:
    """Compare the configurations and judge the claims, by the values of the runs that take part.

    `controls` are values of the control drives, by the id of the run beside them; `draws` what the instruments leave open;
    `dyno` the pulls, for claims on power and torque.
    """
    used = {v.run for v in values}
    tandem = bool(controls) and controlled(campaign, used)
    taken = against_control(values, controls) if tandem else values
    taken_draws = DrawsLessControl(draws, controls) if tandem and draws is not None else draws
    comparisons = compare(campaign, metrics, taken, taken_draws)
    direct = direct_comparisons(campaign, metrics, taken, comparisons, taken_draws)
    return Conclusions(
        comparisons=comparisons,
        direct=direct,
        checks=check_model(campaign, metrics, taken, {run.id: run.start for run in runs}),
        control=control_effects(campaign, metrics, values, controls, draws),
        # a limit on a value is judged by the values themselves, a difference by what was taken against the control
        claims=judge_claims(campaign, metrics, values, (*comparisons, *direct), reference, draws, dyno),
        less_control=tandem,
    )
