"""A proposal which column is which channel, from words, units and content: for the user to accept, never applied."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from intake_report.channels import CHANNELS
from intake_report.loaders.base import FloatArray, RawColumn, RawLog, converts
from intake_report.loaders.dialect import words
from intake_report.messages import Listing, Message, Part, Value, message, said
from intake_report.units import QUANTITIES, to_internal

_CERTAIN = 0.75
_LEAST = 0.2  # words, unit and values that fit no better are no proposal
_NEARLY = 0.05  # two columns whose confidence differs by less are not told apart
_UNDECIDED = 0.6  # highest confidence of a column that is not told from another, or whose content speaks against it
_SPARSE = 0.1  # share of the rival's samples below which a column is passed over
_FEW = 10  # samples from which a column without any change is doubted
_MOVES, _UNMOVED = 0.6, 0.2  # correlation with what drives the channel: confirmed from, doubted below (common practice)
# Confidence that a phrase of the header gives, that the share of its words gives besides, and that a channel's own name
# gives; factors without a unit, with one of another quantity, and with values out of range; what a fit of all adds.
_PHRASE, _COVER, _OWN_NAME, _NO_UNIT, _OTHER_QUANTITY, _OUT_OF_RANGE, _ALL_FIT = 0.4, 0.4, 0.95, 0.8, 0.6, 0.5, 0.2
_DOUBT = 0.5  # factor of the confidence for each thing that speaks against a column
_MOVING = frozenset(("speed", "gps_speed", "rpm", "map", "maf", "load", "absolute_load", "throttle", "pedal", "timing"))
# What a channel has to follow during a drive: the product of the columns that are there, for the first that is complete.
_FOLLOWS = {"maf": (("rpm", "map"), ("rpm", "load"), ("rpm",)), "speed": (("gps_speed",),), "gps_speed": (("speed",),)}


@dataclass(frozen=True)
class Proposal:
    """A column and the channel it may be; `unit` is None when that of the header cannot be right and none can be told."""

    header: str
    channel: str
    unit: str | None
    confidence: float  # 0 to 1
    reason: Message  # what speaks for it, and against

    @property
    def certain(self) -> bool:
        """Whether it can be pasted without a second look."""
        return self.confidence >= _CERTAIN and self.unit is not None


# Words that all have to be in the name; words that must not.
_RULES = {
    "iat": ("iat, intake temperature, inlet temperature, intake air temperature, act", "manifold pressure"),
    "ambient": ("ambient, ambient temperature, outside temperature, ambient air temperature, aat", "pressure"),
    "coolant": ("coolant, coolant temperature, engine coolant temperature, ect, clt", "oil pressure level"),
    "oil": ("oil temperature, engine oil temperature, eot", "pressure transmission"),
    "charge": ("charge temperature, charge air temperature, cact", "pressure"),
    "underhood": ("underhood, underhood temperature, hood temperature, bay temperature", "pressure"),
    "speed": ("speed, vehicle speed, vehicle speed sensor, vss", "gps engine fan wind rpm turbine"),
    "gps_speed": ("gps speed, speed over ground", "accuracy"),
    "rpm": ("rpm, engine rpm, engine speed, engine revolutions, drehzahl", "vehicle"),
    "load": ("load, engine load, calculated load, calculated engine load", "absolute"),
    "absolute_load": ("absolute load, absolute engine load", "calculated"),
    "throttle": ("throttle, throttle position, absolute throttle position, tps", "relative commanded pedal"),
    "pedal": ("pedal, accelerator pedal position d, accelerator pedal position, app", "brake clutch"),
    "map": ("map, manifold pressure, intake manifold absolute pressure, intake pressure", "barometric"),
    "baro": ("baro, barometric pressure, atmospheric pressure, barometer", "manifold"),
    "airbox_pressure": ("airbox pressure, air box pressure, filter pressure", "tyre"),
    "maf": ("maf, mass air flow, air flow rate, airflow, calculated maf, mass flow", "fuel"),
    "timing": ("timing, timing advance, spark advance, ignition timing", "injection"),
    "lambda": ("lambda, equivalence ratio, commanded equivalence ratio", "trim"),
    "fuel_rate": ("fuel rate, engine fuel rate, consumption, fuel consumption", "air"),
    "voltage": ("voltage, module voltage, control module voltage, battery voltage", "o2 oxygen sensor"),
    "run_time": ("run time, engine run time, time since engine start", "distance"),
    "latitude": ("latitude, lat", ""),
    "longitude": ("longitude, lon, lng, long", ""),
    "altitude": ("altitude, gps altitude, elevation, alt", "accuracy"),
    "bearing": ("bearing, gps bearing, heading, course", ""),
    "hdop": ("hdop, gps hdop", ""),
    "gps_accuracy": ("gps accuracy, position accuracy, horizontal accuracy", ""),
}
# What a column of the weather may be, and its quantity: a log has no such channel, a table of the weather has.
_WEATHER = {
    "humidity": ("humidity, relative humidity, rh", "absolute", "ratio"),
    "dew_point": ("dew point, dewpoint, dew point temperature", "", "temperature"),
    "wind_speed": ("wind, wind speed", "direction gust", "speed"),
    "wind_gust": ("gust, wind gust", "direction", "speed"),
    "wind_direction": ("wind direction, wind bearing", "speed gust", "angle"),
    "station_pressure": ("station pressure", "sea", "pressure"),
    "altimeter": ("altimeter, altimeter setting, qnh", "", "pressure"),
    "sea_level_pressure": ("sea level pressure", "", "pressure"),
    "temperature": ("station temperature, weather temperature, air temperature station", "dew", "temperature"),
}
_SAME = {
    "temp": "temperature", "temperatur": "temperature", "press": "pressure", "pos": "position", "eng": "engine",
    "veh": "vehicle", "abs": "absolute", "vel": "speed", "velocity": "speed", "accel": "accelerator", "amb": "ambient",
}  # fmt: skip


class _Candidate(NamedTuple):
    column: RawColumn
    channel: str
    unit: str | None
    confidence: float
    reasons: tuple[Part, ...]
    doubtful: bool = False  # its content speaks against it

    @property
    def fill(self) -> float:  # share of the rows that hold a value
        return float(np.isfinite(self.column.values).mean())

    def told(self, reason: Part) -> "_Candidate":
        return self._replace(reasons=(*self.reasons, reason))


def propose_mapping(log: RawLog) -> tuple[Proposal, ...]:
    """Propose columns for channels by header, unit and content, at most one each; rivals are named with the reason."""
    by_words: list[_Candidate] = []
    for column in log.columns:
        found = _words(column)
        scores = {name: _word_score(found, *rule) for name, rule in _RULES.items()}
        scores |= dict.fromkeys((name for name in CHANNELS if "_".join(found) == name), _OWN_NAME)
        judged = [_judge(column, name, score) for name, score in scores.items() if score > 0]
        best = max(judged, key=lambda candidate: candidate.confidence, default=None)
        if best is not None and best.confidence >= _LEAST:
            by_words.append(best)
    likely = {c.channel: c for c in sorted(by_words, key=lambda c: (c.confidence, c.fill))}
    rivals: dict[str, list[_Candidate]] = {}
    for candidate in by_words:
        same = [other for other in by_words if other.channel == candidate.channel]
        rivals.setdefault(candidate.channel, []).append(_by_content(candidate, same, likely))
    proposals = []
    for channel, candidates in rivals.items():
        ranked = sorted(candidates, key=lambda c: (c.doubtful, -c.confidence))
        best = ranked[0]
        reasons = list(best.reasons)
        for other in ranked[1:]:
            near = best.doubtful == other.doubtful and best.confidence - other.confidence < _NEARLY
            template = "“{header}” fits nearly as well" if near else "“{header}” is passed over ({why})"
            reasons.append(message(template, "rival", header=other.column.header, why=Listing(other.reasons)))
            if near:
                best = best._replace(confidence=min(best.confidence, _UNDECIDED))
        reason = message("{reasons}", "proposal", reasons=Listing(tuple(reasons), ";"))
        proposals.append(Proposal(best.column.header, channel, best.unit, round(best.confidence, 2), reason))
    order = [column.header for column in log.columns]
    return tuple(sorted(proposals, key=lambda proposal: order.index(proposal.header)))


def propose_weather(log: RawLog, file: str) -> str:
    """Return TOML that reads the weather columns of a log, `file`, as a table of the weather; empty without any, or without dates."""
    if log.time_kind != "absolute" or not log.time_header:
        return ""
    mapped: dict[str, RawColumn] = {}
    for column in log.columns:
        found = _words(column)
        scores = {name: _word_score(found, phrases, excluded) for name, (phrases, excluded, _) in _WEATHER.items()}
        name = max(scores, key=lambda key: scores[key])
        measures = column.unit is not None and converts(column.unit, _WEATHER[name][2]) is not None
        if scores[name] and measures and np.isfinite(column.values).any():
            mapped.setdefault(name, column)
    if not mapped:
        return ""
    columns = [(log.time_header, "time"), *((c.header, f"{name} [{c.unit}]") for name, c in mapped.items())]
    lines = ["# Columns of the weather in this log:", "[[weather]]", 'id = "log-weather"', 'kind = "station"']
    lines += [f"file = {json.dumps(file, ensure_ascii=False)}", "[weather.columns]"]
    lines += [f'{json.dumps(header, ensure_ascii=False)} = "{target}"' for header, target in columns]
    return "\n".join(lines) + "\n"


def format_mapping(proposals: Sequence[Proposal]) -> str:
    """Return TOML to paste into campaign.toml; doubtful lines are commented out, with the reason."""
    lines = ["[log.columns]"]
    for item in proposals:
        unit = item.unit or QUANTITIES[CHANNELS[item.channel].quantity].internal
        entry = f'{json.dumps(item.header, ensure_ascii=False)} = "{item.channel} [{unit}]"'
        mark = "" if item.certain else "# "
        share = said(Value(item.confidence, "share"), "si")
        lines.append(f"{mark}{entry}  # {share}: {said(item.reason, 'si')}")
    return "\n".join(lines) + "\n"


def _words(column: RawColumn) -> list[str]:
    return [_SAME.get(word, word) for word in words(column.name)]


def _word_score(found: Sequence[str], phrases: str, excluded: str) -> float:
    """Return how well the words of a header fit a channel: 0, or 0.4 to 0.8."""
    have = set(found)
    if have & set(excluded.split()):
        return 0.0
    fits = [len(own) for phrase in phrases.split(", ") if (own := set(phrase.split())) <= have]
    return _PHRASE + _COVER * max(fits) / len(have) if fits else 0.0


def _judge(column: RawColumn, channel: str, score: float) -> _Candidate:
    quantity, low, high = CHANNELS[channel].quantity, CHANNELS[channel].low, CHANNELS[channel].high
    unit = None
    if column.unit is None:
        score, reason = score * _NO_UNIT, message("the words of the header fit, it carries no unit", "no-unit")
    elif converts(column.unit, quantity) is None:
        template, measured = "the words fit, but {unit} is no unit of {measured}", quantity.replace("_", " ")
        score *= _OTHER_QUANTITY
        reason = message(template, "other-quantity", unit=column.unit, measured=measured)
    else:
        own = converts(column.unit, quantity)
        unit = next((u for u in QUANTITIES[quantity] if converts(u, quantity) == own), column.unit)
        values = to_internal(column.values, column.unit, quantity)
        finite = values[np.isfinite(values)]
        outside = float(np.mean((finite < low) | (finite > high))) if finite.size else 0.0
        if not finite.size:
            reason = message("words and unit fit, there are no values", "no-values")
        elif outside > 0.5:
            template = "words and unit fit, {outside} of the values do not"
            score, reason = score * _OUT_OF_RANGE, message(template, "other-range", outside=Value(outside, "share"))
        else:
            score, reason = min(score + _ALL_FIT, 1.0), message("words, unit and values fit", "fits")
    return _Candidate(column, channel, unit, score, (reason,))


def _by_content(candidate: _Candidate, same: Sequence[_Candidate], likely: dict[str, _Candidate]) -> _Candidate:
    """Weigh a column with how full it is, whether it changes, and whether it follows what drives its channel."""
    values = candidate.column.values
    finite = values[np.isfinite(values)]
    doubts: list[Part] = []
    fullest, share = max(same, key=lambda other: other.fill), Value(candidate.fill, "share")
    if finite.size and candidate.fill < _SPARSE * fullest.fill:
        doubts.append(message("only {share} of its rows hold a value", "sparse", share=share))
    elif len(same) > 1:
        candidate = candidate.told(message("{share} of its rows hold a value", "fill", share=share))
    if candidate.channel in _MOVING and finite.size >= _FEW and np.ptp(finite) == 0.0:
        doubts.append(message("it never changes", "constant"))
    elif (follows := _follows(candidate, likely)) is not None:
        correlation, name = follows
        told = message("correlation {r} with {name}", "follows", r=Value(correlation, "number", 2), name=name)
        if correlation < _UNMOVED:
            doubts.append(told)
        elif correlation >= _MOVES and (len(same) > 1 or candidate.unit is None):
            candidate = candidate.told(told)
    for doubt in doubts:
        candidate = candidate.told(doubt)._replace(confidence=candidate.confidence * _DOUBT, doubtful=True)
    return candidate


def _follows(candidate: _Candidate, likely: dict[str, _Candidate]) -> tuple[float, str] | None:
    """Return the correlation of a column with what its channel follows, and the name of that; None when it is not there."""
    own = candidate.column.values
    for names in _FOLLOWS.get(candidate.channel, ()):
        if not all(name in likely for name in names):
            continue
        driver = np.prod([_held(likely[name].column.values) for name in names], axis=0)
        both = np.isfinite(own) & np.isfinite(driver)
        if both.sum() >= _FEW and np.ptp(own[both]) > 0 and np.ptp(driver[both]) > 0:
            label = " × ".join(CHANNELS[name].label.lower() for name in names)
            return float(np.corrcoef(own[both], driver[both])[0, 1]), label
    return None


def _held(values: FloatArray) -> FloatArray:
    """Return the last value at each row, for channels that are polled in turn."""
    last = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(len(values)), -1))
    return np.where(last >= 0, values[last], np.nan)
