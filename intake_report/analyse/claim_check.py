"""Mistakes that only metrics and criteria know: of claims, margins, deciding metrics, limits and evidence."""

import os
import re
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from intake_report import formatting
from intake_report.align import CRITERIA
from intake_report.analyse.acceptance import acceptance_limits
from intake_report.analyse.inputs import weather_records
from intake_report.analyse.limitations.layout import read_issued
from intake_report.analyse.measure import metric_keys
from intake_report.analyse.zeroing import look_at
from intake_report.bench import bench_evidence
from intake_report.campaign import Campaign, Claim, Limit
from intake_report.dyno import dyno_evidence
from intake_report.dyno.pulls import read_pulls
from intake_report.errors import CampaignError, DataError, IntakeReportError, nearest
from intake_report.messages import Listing, Part, message
from intake_report.metrics import PULL_METRICS, REGISTRY
from intake_report.results import CommonDriveResult, MetricKey, Metrics, MetricSpec
from intake_report.results.text import DIFFERENCES, title_of
from intake_report.units import parse_quantity

MOST_DECIDING = 3  # metrics where the campaign does not name them: what two pages can hold

NUMBER = r"(\d+(?:[.,]\d+)?)"
DEGREES = r"(?:delta_)?(?:°|deg\.?\s*|degrees?\s*)?\s*(F|C|K|fahrenheit|celsius|kelvins?)\b"
WITHIN = re.compile(rf"\bwithin\s+{NUMBER}\s*{DEGREES}", re.I)
PERCENT = re.compile(r"%|\bper\s?cent\b", re.I)
TIMES = re.compile(
    rf"\b(?:twice|half|halves|halved|double[sd]?)\b|\b{NUMBER}\s*(?:times|fold)\b|\b\d+(?:[.,]\d+)?\s?[x×]", re.I
)
KELVINS = {"f": 5.0 / 9.0, "c": 1.0, "k": 1.0}  # a difference of one degree
SAME_MARGIN = 0.05  # K; "within 3 °F" and "within 1.7 K" are the same margin

# words for sources of ambient, besides their ids; a claim that names another than the reference is about other numbers
SOURCE_WORDS = {
    "vehicle": r"\b(vehicle|car|van|truck)(['’]s)?\s+(own\s+)?(ambient|outside)|\bdash(board)?\s+(ambient|thermometer|reading)",
    "metar": r"\b(METAR|airport|airfield)\b",
    "station": r"\bweather station\b",
    "handheld": r"\bhand-?held\b",
    "forecast": r"\bforecast\b",
}


def _spec_of(name: str) -> MetricSpec:
    return PULL_METRICS[name] if name in PULL_METRICS else REGISTRY[name].spec


def is_absolute(claim: Claim) -> bool:
    """Return whether the claim is about a value, not about a difference."""
    return claim.versus is None and claim.relation in ("at most", "at least")


def other(campaign: Campaign, claim: Claim) -> str:
    """Return the id of the configuration that the claim compares with."""
    return claim.versus or campaign.baseline.id


def claim_mistakes(campaign: Campaign, metrics: Metrics) -> Iterator[CampaignError]:
    """Yield what is wrong with margins of equivalence, deciding metrics and claims: the key, and the nearest right one."""
    for name, text in campaign.metrics.equivalence.items():
        yield from _caught(campaign, _check_margin, name, text)
    yield from _caught(campaign, deciding_keys, campaign, metrics)
    if sum(c.role == "baseline" for c in campaign.configurations) != 1:
        return  # what a claim compares with is not known then, which is an error of its own
    for number, claim in enumerate(campaign.claims, 1):
        yield from _caught(campaign, _check_worth, campaign, claim)
        yield from _caught(campaign, _check_claim, campaign, metrics, claim, f"claim[{number}]")


def _caught(campaign: Campaign, check: Callable[..., object], *given: Any) -> Iterator[CampaignError]:
    """Yield the error that a check raises, with the file of the campaign as it was given."""
    try:
        check(*given)
    except CampaignError as error:
        yield CampaignError(error.what, file=campaign.given, where=error.where, remedy=error.remedy)


def _check_margin(name: str, text: str) -> None:
    where = f"metrics.equivalence.{name}"
    if _parsed(text, _of_difference(_known(name, where)), where) <= 0.0:
        what = f"a margin of equivalence of “{text}” is not greater than zero."
        raise CampaignError(what, where=where, remedy="Give the largest difference that does not matter.")


def _check_worth(campaign: Campaign, claim: Claim) -> None:
    text, where = campaign.plan.worth.get(claim.id), f"plan.worth.{claim.id}"
    known = claim.metric in (*REGISTRY, *PULL_METRICS)  # another metric is an error of the claim
    if text is not None and known and _parsed(text, _of_difference(_spec_of(claim.metric)), where) == 0.0:
        raise CampaignError(f"a difference of “{text}” is none.", where=where, remedy="Give one worth showing.")


def _check_claim(campaign: Campaign, metrics: Metrics, claim: Claim, where: str) -> None:
    spec, key, what = _known(claim.metric, f"{where}.metric"), "", ""
    if spec.parameter in ("margin", "phase") and getattr(claim, spec.parameter) is None:
        what, remedy = f"the metric “{claim.metric}” needs a {spec.parameter}.", f"Add `{spec.parameter}`."
    elif claim.metric in PULL_METRICS and not campaign.pulls:
        key, what = ".metric", f"“{claim.metric}” is measured on a dyno, and the campaign has no pull."
        remedy = NO_PULL
    elif find_key(claim, metrics) is None:
        key, what, remedy = _not_computed(campaign, claim, metrics)
    elif not is_absolute(claim) and claim.configuration == other(campaign, claim):
        key, what = ".versus", "the claim compares a configuration with itself."
        remedy = "Name another configuration, or a limit with “at most” or “at least” and no `versus`."
    elif claim.common_drive and (what := _not_on_common(campaign, claim, spec)):
        key = ".common_drive"
        remedy = "Leave `common_drive` out of the claim, or add [common_drive] and name a headline difference of runs."
    if what:
        raise CampaignError(what, where=where + key, remedy=remedy)
    limit_of(claim, where)


def _not_computed(campaign: Campaign, claim: Claim, metrics: Metrics) -> tuple[str, str, str]:
    """Return key, what and remedy of a claim on a metric whose margin, phase or limit the campaign lacks."""
    there = [key.parameter for key in metrics if key.spec.id == claim.metric]
    if REGISTRY[claim.metric].spec.parameter == "limit":
        return ".metric", f"“{claim.metric}” needs a limit, which the campaign lacks.", "Set metrics.alarm_limit."
    if claim.phase is not None:
        known = nearest(claim.phase, [phase.key for phase in there], "The campaign has:")
        return ".phase", f"there is no phase “{claim.phase}”.", known
    margin, *margins = (
        formatting.margin(x or 0.0, campaign.about.units) for x in (claim.margin, *(one.number for one in there))
    )
    remedy = f"Add it to metrics.recovery_margins, which holds {formatting.listing(margins) or 'none'}."
    return ".margin", f"nothing is computed for a margin of {margin}.", remedy


def _not_on_common(campaign: Campaign, claim: Claim, spec: MetricSpec) -> str:
    """Return why none of the numbers of the common drive can decide a claim; empty where one can."""
    if campaign.common_drive is None:
        return "the campaign has no common drive."
    if is_absolute(claim):
        return "on the common drive only differences between configurations are judged."
    if claim.metric in PULL_METRICS or not spec.headline:
        return f"“{claim.metric}” is not computed on the common drive."
    if campaign.common_drive.file and spec.parameter in ("margin", "phase"):
        return f"a speed trace has neither phases nor a highway entry, which “{claim.metric}” needs."
    return ""


def _parsed(text: str, quantity: str, where: str) -> float:
    try:
        return parse_quantity(text, quantity)
    except DataError as error:
        raise CampaignError(error.what, where=where, remedy=error.remedy) from None


def _of_difference(spec: MetricSpec) -> str:
    return DIFFERENCES.get(spec.quantity, spec.quantity)


def _known(name: str, where: str) -> MetricSpec:
    names = (*REGISTRY, *PULL_METRICS)
    if name in names:
        return _spec_of(name)
    remedy = nearest(name, names, "Metrics are", cutoff=0.4)
    raise CampaignError(f"there is no metric “{name}”.", where=where, remedy=remedy)


def deciding_keys(campaign: Campaign, metrics: Metrics) -> tuple[str, ...]:
    """Return the metrics that the question is about: those that it names, else those of claims, then headline ones.

    CampaignError where it names one that the campaign does not compute.
    """
    if campaign.about.decides:
        named = enumerate(campaign.about.decides, 1)
        return tuple(dict.fromkeys(_named_key(metrics, text, f"campaign.decides[{n}]") for n, text in named))
    claimed = [key for claim in campaign.claims if (key := find_key(claim, metrics)) in metrics and key is not None]
    return tuple(dict.fromkeys(k.key for k in (*claimed, *(k for k in metrics if k.spec.headline))))[:MOST_DECIDING]


def _named_key(metrics: Metrics, text: str, where: str) -> str:
    name, _, rest = (part.strip() for part in text.partition(":"))
    kind = _known(name, where).parameter
    of_metric = found = [key for key in metrics if key.spec.id == name]
    if kind == "margin":
        margin = _parsed(rest, "temperature_difference", where)
        found = [k for k in of_metric if k.parameter.number is not None and abs(k.parameter.number - margin) < 0.01]
    elif kind == "phase":
        found = [key for key in of_metric if key.parameter.key == rest]
    if not found:
        names = ", ".join(f"“{key.spec.id}: {key.parameter.key}”" for key in of_metric)
        what = f"“{text}” is not among the metrics that the campaign computes."
        raise CampaignError(what, where=where, remedy=f"There are {names}." if names else "")
    return found[0].key


def find_key(claim: Claim, metrics: Metrics) -> MetricKey | None:
    """Return the metric key that a claim speaks of."""
    if claim.metric in PULL_METRICS:
        return MetricKey(PULL_METRICS[claim.metric])

    def fits(key: MetricKey) -> bool:
        if key.parameter.kind == "margin":
            return _close(key.parameter.number, claim.margin)
        return key.parameter.kind != "phase" or key.parameter.key == claim.phase

    return next((key for key in metrics if key.spec.id == claim.metric and fits(key)), None)


def limit_of(claim: Claim, where: str) -> float:
    """Return the claim's value in the internal unit; 0 when it has none."""
    if claim.value is None:
        if claim.relation in ("at most", "at least"):
            raise CampaignError(f"the relation “{claim.relation}” needs a value.", where=where, remedy="Add `value`.")
        return 0.0
    spec = _spec_of(claim.metric)
    if PERCENT.search(str(claim.value)) and spec.quantity != "ratio":
        return 0.0  # refused in the report, with the reason
    quantity = spec.quantity if is_absolute(claim) else _of_difference(spec)
    return _parsed(str(claim.value), quantity, f"{where}.value")


def objection(campaign: Campaign, claim: Claim, key: MetricKey, reference: str | None) -> Part:
    """Return why the words of a claim do not fit its metric or the ambient `reference`; empty when they do."""
    ratio = _percentage(campaign, claim, key)
    return ratio or _margin(claim, key) or _ambient(campaign, claim, key, reference) or _value(claim, key)


def model_objection(campaign: Campaign, claim: Claim, record: CommonDriveResult | None) -> Part:
    """Return why a claim on the common drive cannot rest on it; empty where it can, and for other claims."""
    if not claim.common_drive or record is None:
        return ""
    if failed := {claim.configuration, other(campaign, claim)} & set(record.failed):
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
    unit = formatting.unit_of(_of_difference(key.spec), campaign.about.units)
    return message(reason, "percentage", what=what, unit=unit)


def _margin(claim: Claim, key: MetricKey) -> Part:
    quoted = WITHIN.search(claim.text)
    if not quoted:
        return ""
    number = float(quoted[1].replace(",", ".")) * KELVINS[quoted[2][0].lower()]
    template = "the text says “{words}” but the metric is “{title}”: they are different margins"
    if key.parameter.kind != "margin":
        template = "the text says “{words}” but the metric is “{title}”, which knows no margin"
    elif _close(number, key.parameter.number):
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
    ids = [id for id in sources if id != reference and id not in SOURCE_WORDS]
    others = [words for kind, words in SOURCE_WORDS.items() if kind != own_kind]
    others += [rf"\b{re.escape(id)}\b" for id in ids]
    if named := next(filter(None, (re.search(words, claim.text, re.I) for words in others)), None):
        template = (
            "the text says “{words}” but over-ambient temperatures are referred to “{reference}”: another ambient gives "
            "other numbers"
        )
        return message(template, "ambient", words=named[0], reference=str(reference))
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


def _close(a: float | None, b: float | None) -> bool:
    """Return whether two margins [K] are the same one, written in different units."""
    return a is not None and b is not None and abs(a - b) < SAME_MARGIN


Reader = Callable[[Campaign], object]
NO_PULL = "Add [[pull]] entries, or name a metric of the runs."
LARGEST_LIMIT = 1e6  # of an acceptance criterion, in its own unit: no difference between runs comes near


def campaign_mistakes(campaign: Campaign) -> Iterator[CampaignError]:
    """Yield what is wrong with acceptance limits, margins of equivalence and claims; one error for each of them."""
    for code, stated in campaign.acceptance.items():
        alone = campaign.model_copy(update={"acceptance": {code: stated}})
        if errors := list(_caught(campaign, acceptance_limits, alone)):
            yield from errors
            continue
        most, high = (1.0, "100 %") if CRITERIA[code].shown == "share" else (LARGEST_LIMIT, f"{LARGEST_LIMIT:g}")
        if not 0.0 <= acceptance_limits(alone)[code].limit <= most:
            limit = stated.limit if isinstance(stated, Limit) else stated
            what = f"“{limit}” is not possible: it has to lie in 0 to {high}."
            yield CampaignError(what, file=campaign.given, where=f"acceptance.{code}")
    yield from _caught(campaign, read_issued, campaign)
    yield from claim_mistakes(campaign, metric_keys(campaign))


def evidence_mistakes(campaign: Campaign) -> Iterator[CampaignError]:
    """Yield what is wrong with weather, soak check, dyno and bench files and with what is said of them, all at once."""
    tables: tuple[tuple[str, str, Reader], ...] = (
        ("weather", "weather", weather_records),
        ("weather", "weather", partial(weather_records, forecasts=True)),
        ("pull", "pulls", read_pulls),
        ("restriction", "restrictions", bench_evidence),
    )
    looks: list[tuple[Reader, Campaign, str]] = [
        (read, campaign.model_copy(update={"exposures": (), "observations": (), key: (entry,)}), f"{table}[{number}]")
        for table, key, read in tables
        for number, entry in enumerate(getattr(campaign, key), 1)
    ]
    looks += [(partial(look_at, number=n), campaign, f"soak_check[{n + 1}]") for n in range(len(campaign.soak_checks))]
    found = [error for look in looks for error in _caught_data(*look)]
    if not found:
        found = [error for read in (dyno_evidence, bench_evidence) for error in _caught_data(read, campaign, "")]
    first = {error.what: error for error in reversed(found)}
    yield from (error for error in found if first[error.what] is error)


def _caught_data(read: Reader, campaign: Campaign, where: str) -> Iterator[CampaignError]:
    try:
        read(campaign)
    except IntakeReportError as error:
        inner, place = error.where or "", ""
        if error.file is None or Path(error.file).resolve() == campaign.file:
            where = inner if inner.startswith(where) else f"{where}.{inner}".rstrip(".")
        else:
            place = ": ".join(part for part in (os.path.relpath(error.file, campaign.folder), inner) if part) + ": "
        yield CampaignError(f"{place}{error.what}", file=campaign.given, where=where or None, remedy=error.remedy)
