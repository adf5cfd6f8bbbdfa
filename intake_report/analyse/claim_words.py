"""Whether the words of a claim fit what its metric measures."""

from __future__ import annotations

import re

from intake_report import formatting
from intake_report.campaign import Campaign, Claim
from intake_report.messages import Listing, Part, message
from intake_report.results import CommonDriveResult, MetricKey
from intake_report.results.text import DIFFERENCES, title_of

NUMBER = r"(\d+(?:[.,]\d+)?)"
DEGREES = r"(?:delta_)?(?:°|deg\.?\s*|degrees?\s*)?\s*(F|C|K|fahrenheit|celsius|kelvins?)\b"
WITHIN = re.compile(rf"\bwithin\s+{NUMBER}\s*{DEGREES}", re.I)
PERCENT = re.compile(r"%|\bper\s?cent\b", re.I)
TIMES = re.compile(
    rf"\b(?:twice|half|halves|halved|double[sd]?)\b|\b{NUMBER}\s*(?:times|fold)\b|\b\d+(?:[.,]\d+)?\s?[x×]", re.I
)
KELVINS = {"f": 5.0 / 9.0, "c": 1.0, "k": 1.0}  # a difference of one degree
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


def objection(campaign: Campaign, claim: Claim, key: MetricKey, reference: str | None) -> Part:
    """Return why the words of a claim do not fit what its metric measures; empty when they do.

    `reference` is the id of the ambient reference, "vehicle", or None where nothing was recorded.
    """
    first, second = _percentage(campaign, claim, key), _margin(claim, key)
    return first or second or _ambient(campaign, claim, key, reference) or _value(claim, key)


def model_objection(campaign: Campaign, claim: Claim, record: CommonDriveResult | None) -> Part:
    """Return why a claim on the common drive cannot rest on it; empty where it can, and for other claims."""
    if not claim.common_drive or record is None:
        return ""
    failed = {claim.configuration, claim.versus or campaign.baseline.id} & set(record.failed)
    if failed:
        template = "on the common drive the model of {names} fails its validation, so that its numbers are withheld"
        names = tuple(c.name for c in campaign.configurations if c.id in failed)
        return message(template, "model-failed", names=Listing(names))
    return "" if record.comparisons else Listing(record.notes)


def _percentage(campaign: Campaign, claim: Claim, key: MetricKey) -> Part:
    """Refuse a percentage or a multiple of something that is no ratio."""
    quantity = key.spec.quantity
    percent = PERCENT.search(f"{claim.text} {claim.value if claim.value is not None else ''}")
    multiple = None if percent else TIMES.search(claim.text)
    if quantity == "ratio" or not (percent or multiple):
        return ""
    reason = (
        "{what} is a ratio, and differences are what is measured and has an interval here: state it in {unit} instead"
    )
    if quantity == "temperature":
        reason = (
            "{what} of a temperature on a Celsius or Fahrenheit scale depends on where the scale puts its zero (20 °C is not "
            "twice as hot as 10 °C): state the difference in {unit} instead"
        )
    what = message("“{words}”", words=multiple[0]) if multiple else "a percentage"
    unit = formatting.unit_of(DIFFERENCES.get(quantity, quantity), campaign.about.units)
    return message(reason, "percentage", what=what, unit=unit)


def _margin(claim: Claim, key: MetricKey) -> Part:
    """Catch "within 3 °F" where the metric used 5 °F."""
    quoted = WITHIN.search(claim.text)
    if not quoted:
        return ""
    number = float(quoted[1].replace(",", ".")) * KELVINS[quoted[2][0].lower()]
    template = "the text says “{words}” but the metric is “{title}”: they are different margins"
    if key.parameter.kind != "margin":
        template = "the text says “{words}” but the metric is “{title}”, which knows no margin"
    elif close(number, key.parameter.number):
        return ""
    return message(template, "margin", words=quoted[0], title=title_of(key))


def _ambient(campaign: Campaign, claim: Claim, key: MetricKey, reference: str | None) -> Part:
    """Catch a claim about another ambient than the reference, or about ambient where the metric has none."""
    if "over-ambient" not in key.spec.needs:
        template = "the text speaks of ambient but the metric is “{title}”, which is not referred to ambient"
        speaks = re.search(r"\bambient\b", claim.text, re.I)
        return message(template, "ambient", title=title_of(key)) if speaks else ""
    sources = {w.id: w.kind for w in campaign.weather}
    own_kind = "vehicle" if reference == "vehicle" else sources.get(reference or "", "")
    for kind, words in SOURCE_WORDS.items():
        named = words.search(claim.text)
        if named and kind != own_kind:
            template = (
                "the text says “{words}” but over-ambient temperatures are referred to “{reference}”: another ambient gives "
                "other numbers"
            )
            return message(template, "ambient", words=named[0], reference=str(reference))
    for id in sources:
        if id != reference and id not in SOURCE_WORDS and re.search(rf"\b{re.escape(id)}\b", claim.text, re.I):
            template = "the text names “{words}” but over-ambient temperatures are referred to “{reference}”"
            return message(template, "ambient", words=id, reference=str(reference))
    return ""


def _value(claim: Claim, key: MetricKey) -> Part:
    """Catch a text that quotes another number than the one that is judged."""
    quantity, text = key.spec.quantity, claim.text
    if claim.value is None or quantity not in ("time", "temperature", "temperature_difference"):
        return ""
    pattern, units = rf"{NUMBER}\s*(s|sec|secs|seconds?|min|mins|minutes?)\b", {"s": 1.0, "m": 60.0}
    if quantity != "time":
        pattern, units, text = rf"{NUMBER}\s*{DEGREES}", KELVINS, WITHIN.sub("", text)
    quoted, judged = re.findall(pattern, text, re.I), re.search(pattern, str(claim.value), re.I)
    if not quoted or not judged:
        return ""

    def internal(number: str, unit: str) -> float:
        return float(number.replace(",", ".")) * units[unit[0].lower()]

    # a temperature is compared as it is written: 104 °F and 40 °C share no scale without their zero
    numbers = [internal(number, unit) for number, unit in quoted if unit[0].lower() == judged[2][0].lower()]
    if not numbers and quantity != "temperature":
        numbers = [internal(number, unit) for number, unit in quoted]
    if not numbers or any(abs(n - internal(judged[1], judged[2])) < SAME_MARGIN for n in numbers):
        return ""
    says = Listing(tuple(f"{number} {unit}" for number, unit in quoted))
    return message("the text says {says} but the value judged is {value}", "value", says=says, value=str(claim.value))


def close(a: float | None, b: float | None) -> bool:
    """Return whether two margins [K] are the same one, written in different units."""
    return a is not None and b is not None and abs(a - b) < SAME_MARGIN
