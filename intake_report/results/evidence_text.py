"""Texts of the evidence beside the road logs, as tables, sentences, figures and the JSON file print them."""

from __future__ import annotations

import re
from dataclasses import dataclass

from intake_report import formatting
from intake_report.bench import AirflowValue, ExposureResult, RestrictionComparison, RestrictionValue, ServiceTime
from intake_report.dyno import Drift, DynoResult, FigureSummary, LeftOut
from intake_report.results.evidence import ForecastValue, SourceOffset
from intake_report.statistics import Difference, MeanInterval
from intake_report.units import UnitSystem, to_display

GRAM = f"{formatting.NARROW_SPACE}g"
PERCENT = f"{formatting.NARROW_SPACE}%"


@dataclass(frozen=True)
class Form:
    """How a number is printed: its quantity, decimals, and what follows the unit ("·rpm" of an area)."""

    quantity: str
    decimals: int
    suffix: str = ""

    def unit(self, system: UnitSystem) -> str:
        """Return the printed unit."""
        return formatting.unit_of(self.quantity, system) + self.suffix

    def text(self, value: float | None, system: UnitSystem, *, signed: bool = False) -> str:
        """Return the number with its unit, an en dash when there is none."""
        if value is None:
            return formatting.ABSENT
        return formatting.with_unit(value, self.quantity, system, self.decimals, signed=signed) + self.suffix

    def bare(self, value: float | None, system: UnitSystem, *, signed: bool = False) -> str:
        """Return the number without its unit."""
        return formatting.bare(value, self.quantity, system, self.decimals, signed=signed)

    def interval(self, low: float | None, high: float | None, system: UnitSystem, *, unit: bool = True) -> str:
        """Return the limits of an interval, an en dash when there is none."""
        text = formatting.interval(low, high, self.quantity, system, self.decimals, unit=unit)
        return text if low is None or high is None or not unit else text + self.suffix


POWER, TORQUE, AREA = Form("power", 1), Form("torque", 1), Form("power", 0, "·rpm")
CURVE_FORMS = {"power": POWER, "torque": TORQUE}
KELVINS, TEMPERATURE = Form("temperature_difference", 1), Form("temperature", 1)
UNCERTAINTY = Form("temperature_difference", 2)
PRESSURE, SPEED, SHARE = Form("pressure", 2), Form("speed", 0), Form("ratio", 0)
DENSITY, HEIGHT = Form("density", 3), Form("length", 0)
DROP, AIRFLOW, DURATION = Form("restriction", 2), Form("volume_flow", 0), Form("duration", 1)


def figure_form(figure: str) -> Form:
    """Return how a figure of the pulls is printed."""
    return AREA if figure == "area" else TORQUE if "torque" in figure else POWER


def difference_form(figure: str) -> Form:
    """Return how a difference of a figure is printed: one more decimal, so that a limit near zero keeps its sign."""
    form = figure_form(figure)
    return form if form is AREA else Form(form.quantity, form.decimals + 1)


def shown_summaries(dyno: DynoResult) -> tuple[FigureSummary, ...]:
    """Return the figures that a report prints: the uncorrected ones only where a correction was made."""
    corrected = any(c.correction.method != "none" for c in dyno.corrections)
    return tuple(s for s in dyno.summaries if corrected or not s.figure.endswith("_uncorrected"))


SEPARABLE = 0.5
"""Share of the pull order's variance between configurations beyond which a drift cannot be told from a difference:
pulls one after the other have 0.75 or more of two configurations, pulls in turn 0.1 or less."""


def in_turn(dyno: DynoResult) -> bool:
    """Tell whether the order of the pulls can tell a drift of the session from a difference of configurations."""
    order = next((drift for drift in dyno.drifts if drift.covariate == "pull order"), None)
    return order is None or (order.share or 0.0) <= SEPARABLE


def left_out_reason(found: LeftOut, system: UnitSystem) -> str:
    """Return why a pull was left out."""
    if found.coolant is None or found.least is None:
        return found.reason
    coolant, least = (formatting.with_unit(x, "temperature", system, 0) for x in (found.coolant, found.least))
    return f"coolant at {coolant}, below {least}"


def kelvins_in(text: str, system: UnitSystem) -> str:
    """Return `text` with its temperature differences in kelvin in the reader's unit."""
    return re.sub(r"(\d+(?:\.\d+)?) K\b", lambda match: UNCERTAINTY.text(float(match[1]), system), text)


def percent(value: float | None, decimals: int = 1, *, signed: bool = True) -> str:
    """Return a percentage: "+1.3 %"."""
    return formatting.ABSENT if value is None else formatting.number(value, decimals, signed=signed) + PERCENT


def percents(low: float | None, high: float | None, decimals: int = 1) -> str:
    """Return an interval of percentages: "−1.2 to +3.4 %"."""
    if low is None or high is None:
        return formatting.ABSENT
    first, last = (formatting.number(value, decimals, signed=True) for value in (low, high))
    return f"{first} to {last}{PERCENT}"


def grams(value: float | None, decimals: int) -> str:
    """Return a mass [g] as printed; grams in both unit systems."""
    return formatting.ABSENT if value is None else formatting.number(value, decimals) + GRAM


def ratio_of_baseline(summary: FigureSummary, baseline: str, difference: Difference) -> float | None:
    """Return a difference in percent of the baseline's mean."""
    base = summary.means.get(baseline)
    if base is None or difference.difference is None or base.mean == 0.0:
        return None
    return 100.0 * difference.difference / base.mean


def mean_texts(summary: FigureSummary, mean: MeanInterval, system: UnitSystem) -> tuple[str, str]:
    """Return mean and interval of one figure of one configuration."""
    form = figure_form(summary.figure)
    return form.text(mean.mean, system), form.interval(mean.low, mean.high, system)


def difference_texts(
    summary: FigureSummary, baseline: str, difference: Difference, system: UnitSystem
) -> tuple[str, str, str]:
    """Return difference, interval and percentage of one figure against the baseline."""
    form = difference_form(summary.figure)
    return (
        form.text(difference.difference, system, signed=True),
        form.interval(difference.low, difference.high, system),
        percent(ratio_of_baseline(summary, baseline, difference)),
    )


def verdict(low: float | None, high: float | None, *, balanced: bool = True) -> str:
    """Return what an interval of a difference says, from the interval alone; an indication where the order is not balanced."""
    if low is None or high is None:
        return "indication only"
    if low <= 0.0 <= high:
        return "no difference shown"
    word = "higher" if low > 0.0 else "lower"
    return word if balanced else f"indication: {word}"


def drift_texts(drift: Drift, system: UnitSystem) -> tuple[str, str, str]:
    """Return the slope, its interval, and what it makes over the range of the covariate."""
    if drift.slope is None:
        return formatting.ABSENT, formatting.ABSENT, formatting.ABSENT
    scale = 1.0 if drift.covariate_unit != "K" else 1.0 / float(to_display(1.0, "temperature_difference", system))
    per = "pull" if drift.covariate_unit != "K" else formatting.unit_of("temperature_difference", system)
    form = Form("power", 2)
    slope = form.bare(drift.slope * scale, system, signed=True)
    limits = formatting.ABSENT
    if drift.low is not None and drift.high is not None:
        limits = form.interval(drift.low * scale, drift.high * scale, system, unit=False)
    return (
        f"{slope}{formatting.NARROW_SPACE}{form.unit(system)}/{per}",
        limits,
        form.text(drift.over_span, system, signed=True),
    )


def offset_texts(offset: SourceOffset, system: UnitSystem) -> tuple[str, str]:
    """Return the mean offset of two sources and its interval."""
    return UNCERTAINTY.text(offset.offset, system, signed=True), UNCERTAINTY.interval(offset.low, offset.high, system)


def forecast_texts(row: ForecastValue, system: UnitSystem) -> tuple[str, str, str]:
    """Return forecast, actual and difference."""
    form = TEMPERATURE if row.quantity == "temperature" else SPEED
    change = KELVINS if row.quantity == "temperature" else SPEED
    return (
        form.text(row.forecast, system),
        form.text(row.actual, system),
        change.text(row.difference, system, signed=True),
    )


def restriction_texts(value: RestrictionValue, system: UnitSystem) -> tuple[str, str]:
    """Return the restriction at the common airflow and its interval."""
    return DROP.text(value.drop, system), DROP.interval(value.low, value.high, system)


def comparison_texts(found: RestrictionComparison, system: UnitSystem) -> tuple[str, str, str]:
    """Return the difference of restriction, the percentage and its interval."""
    return DROP.text(found.difference, system, signed=True), percent(found.percent), percents(found.low, found.high)


def airflow_texts(value: AirflowValue, system: UnitSystem) -> tuple[str, str, str, str]:
    """Return airflow at the common depression with interval, and how much more it is than the baseline's."""
    return (
        AIRFLOW.text(value.airflow, system),
        AIRFLOW.interval(value.low, value.high, system),
        percent(value.more),
        percents(value.more_low, value.more_high),
    )


def exposure_texts(found: ExposureResult, system: UnitSystem) -> tuple[str, str]:
    """Return total duration and gain of the filter's mass."""
    minutes = formatting.ABSENT if found.minutes is None else DURATION.text(60.0 * found.minutes, system)
    gain = found.mass_gain
    if gain is None:
        return minutes, formatting.ABSENT
    limits = "" if gain.low is None or gain.high is None else f" ({_plain_interval(gain.low, gain.high, 1)}{GRAM})"
    return minutes, f"{grams(gain.mean, 1)}{limits}, n = {gain.n}"


def service_texts(found: ServiceTime, system: UnitSystem) -> tuple[str, str, str]:
    """Return mean time, its interval, and the range of the times."""
    mean = found.minutes
    low, high = (None if x is None else 60.0 * x for x in (mean.low, mean.high))
    return (
        DURATION.text(60.0 * mean.mean, system),
        DURATION.interval(low, high, system),
        DURATION.interval(60.0 * found.shortest, 60.0 * found.longest, system),
    )


def _plain_interval(low: float, high: float, decimals: int) -> str:
    return f"{formatting.number(low, decimals)} to {formatting.number(high, decimals)}"
