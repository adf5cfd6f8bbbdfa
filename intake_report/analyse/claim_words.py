"""Whether the words of a claim fit what its metric measures."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from intake_report import formatting
from intake_report.campaign import Campaign, Claim
from intake_report.results import MetricKey
from intake_report.results.text import metric_title
from intake_report.units import to_internal

NUMBER = r"(\d+(?:[.,]\d+)?)"
DEGREES = r"(?:delta_)?(?:°|deg\.?\s*|degrees?\s*)?\s*(F|C|K|fahrenheit|celsius|kelvins?)\b"
WITHIN = re.compile(rf"\bwithin\s+{NUMBER}\s*{DEGREES}", re.I)
PERCENT = re.compile(r"%|\bper\s?cent\b", re.I)
TIMES = re.compile(
    rf"\b(?:twice|half|halves|halved|double[sd]?)\b|\b{NUMBER}\s*(?:times|fold)\b|\b\d+(?:[.,]\d+)?\s?[x×]", re.I
)
SAME_MARGIN = 0.05  # K; "within 3 °F" and "within 1.7 K" are the same margin

# words for sources of ambient, besides their ids; a claim that names one that is not the reference is about other numbers
SOURCE_WORDS = {
    "vehicle": re.compile(
        r"\b(?:vehicle|car|van|truck)(?:'s|’s)?\s+(?:own\s+)?(?:ambient|outside)|\bdash(?:board)?\s+(?:ambient|thermometer|reading)",
        re.I,
    ),
    "metar": re.compile(r"\b(?:METAR|airport|airfield)\b", re.I),
    "station": re.compile(r"\bweather station\b", re.I),
    "handheld": re.compile(r"\bhand-?held\b", re.I),
    "forecast": re.compile(r"\bforecast\b", re.I),
}


@dataclass(frozen=True)
class ClaimContext:
    """What the words of a claim are held against.

    Attributes
    ----------
    campaign : Campaign
        Units, weather sources.
    claim : Claim
        The claim.
    key : MetricKey
        Its metric.
    reference : str or None
        Id of the ambient reference, "vehicle", or None where nothing was recorded.
    """

    campaign: Campaign
    claim: Claim
    key: MetricKey
    reference: str | None


def objection(context: ClaimContext) -> str:
    """Return why the words of the claim do not fit what the metric measures; empty when they do."""
    return next((text for check in CHECKS if (text := check(context))), "")


def percentage(c: ClaimContext) -> str:
    """Refuse a percentage or a multiple of something that is no ratio."""
    spec = c.key.spec
    if spec.quantity == "ratio":
        return ""
    found = PERCENT.search(f"{c.claim.text} {c.claim.value if c.claim.value is not None else ''}")
    multiple = None if found else TIMES.search(c.claim.text)
    if not found and not multiple:
        return ""
    quantity = "temperature_difference" if spec.quantity == "temperature" else spec.quantity
    unit = formatting.unit_of(quantity, c.campaign.about.units)
    what = "a percentage" if found else f"“{multiple[0]}”" if multiple else ""
    if spec.quantity == "temperature":
        return (
            f"{what} of a temperature on a Celsius or Fahrenheit scale depends on where the scale puts its zero "
            f"(20 °C is not twice as hot as 10 °C): state the difference in {unit} instead"
        )
    return (
        f"{what} is a ratio, and differences are what is measured and has an interval here: state it in {unit} instead"
    )


def margin(c: ClaimContext) -> str:
    """Catch "within 3 °F" where the metric used 5 °F."""
    quoted = WITHIN.search(c.claim.text)
    if not quoted:
        return ""
    unit = {"f": "degF", "c": "degC", "k": "degC"}[quoted[2][0].lower()]
    number = float(to_internal(float(quoted[1].replace(",", ".")), unit, "temperature_difference"))
    title = metric_title(c.key, c.campaign.about.units)
    if c.key.parameter.kind != "margin":
        return f"the text says “{quoted[0]}” but the metric is “{title}”, which knows no margin"
    if not close(number, c.key.parameter.number):
        return f"the text says “{quoted[0]}” but the metric is “{title}”: they are different margins"
    return ""


def ambient(c: ClaimContext) -> str:
    """Catch a claim about another ambient than the reference, or about ambient where the metric has none."""
    spec = c.key.spec
    title = metric_title(c.key, c.campaign.about.units)
    if "over-ambient" not in spec.needs:
        if re.search(r"\bambient\b", c.claim.text, re.I):
            return f"the text speaks of ambient but the metric is “{title}”, which is not referred to ambient"
        return ""
    sources = {w.id: w.kind for w in c.campaign.weather}
    own_kind = "vehicle" if c.reference == "vehicle" else sources.get(c.reference or "", "")
    for kind, words in SOURCE_WORDS.items():
        found = words.search(c.claim.text)
        if found and kind != own_kind:
            return (
                f"the text says “{found[0]}” but over-ambient temperatures are referred to “{c.reference}”: "
                "another ambient gives other numbers"
            )
    for id in sources:
        if id != c.reference and id not in SOURCE_WORDS and re.search(rf"\b{re.escape(id)}\b", c.claim.text, re.I):
            return f"the text names “{id}” but over-ambient temperatures are referred to “{c.reference}”"
    return ""


def value(c: ClaimContext) -> str:
    """Catch a text that quotes another number than the one that is judged."""
    if c.claim.value is None:
        return ""
    temperature = c.key.spec.quantity.startswith("temperature") and c.key.spec.quantity in (
        "temperature",
        "temperature_difference",
    )
    if c.key.spec.quantity == "time":
        pattern, units = rf"{NUMBER}\s*(s|sec|secs|seconds?|min|mins|minutes?)\b", {"s": 1.0, "m": 60.0}
        rest = c.claim.text
    elif temperature:
        pattern, units = rf"{NUMBER}\s*{DEGREES}", {"f": 5.0 / 9.0, "c": 1.0, "k": 1.0}
        rest = WITHIN.sub("", c.claim.text)
    else:
        return ""
    quoted = re.findall(pattern, rest, re.I)
    judged = re.search(rf"{NUMBER}\s*{DEGREES}" if temperature else pattern, str(c.claim.value), re.I)
    if not quoted or not judged:
        return ""

    def internal(number: str, unit: str) -> float:
        return float(number.replace(",", ".")) * units[unit[0].lower()]

    # a temperature is compared as it is written: 104 °F and 40 °C share no scale without their zero
    numbers = [internal(number, unit) for number, unit in quoted if unit[0].lower() == judged[2][0].lower()] or [
        internal(number, unit) for number, unit in quoted if c.key.spec.quantity != "temperature"
    ]
    if not numbers or any(abs(n - internal(judged[1], judged[2])) < SAME_MARGIN for n in numbers):
        return ""
    says = formatting.listing([f"{number} {unit}" for number, unit in quoted])
    return f"the text says {says} but the value judged is {c.claim.value}"


CHECKS: tuple[Callable[[ClaimContext], str], ...] = (percentage, margin, ambient, value)


def close(a: float | None, b: float | None) -> bool:
    """Return whether two margins [K] are the same one, written in different units."""
    return a is not None and b is not None and abs(a - b) < SAME_MARGIN
