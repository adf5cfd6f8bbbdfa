"""A proposal which column is which channel, from header words, units and values: for the user to accept, never applied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from intake_report.channels import CHANNELS, Channel
from intake_report.errors import DataError
from intake_report.loaders.base import RawColumn, RawLog
from intake_report.loaders.header import words
from intake_report.units import QUANTITIES, conversion, to_internal

_CERTAIN = 0.75


@dataclass(frozen=True)
class Proposal:
    """A column and the channel it may be.

    Parameters
    ----------
    header : str
        As in the log.
    channel : str
        Name in the catalogue.
    unit : str or None
        Unit to state; None when that of the header cannot be right and none can be told.
    confidence : float
        0 to 1.
    reason : str
        What speaks for it, and against.
    """

    header: str
    channel: str
    unit: str | None
    confidence: float
    reason: str

    @property
    def certain(self) -> bool:
        """Whether it can be pasted without a second look."""
        return self.confidence >= _CERTAIN and self.unit is not None


# Words that all have to be in the name; words that must not.
_RULES: dict[str, tuple[tuple[str, ...], str]] = {
    "iat": (("iat", "intake temperature", "inlet temperature", "intake air temperature", "act"), "manifold pressure"),
    "ambient": (
        ("ambient", "ambient temperature", "outside temperature", "ambient air temperature", "aat"),
        "pressure",
    ),
    "coolant": (("coolant", "coolant temperature", "engine coolant temperature", "ect", "clt"), "oil pressure level"),
    "oil": (("oil temperature", "engine oil temperature", "eot"), "pressure transmission"),
    "charge": (("charge temperature", "charge air temperature", "cact"), "pressure"),
    "underhood": (("underhood", "underhood temperature", "hood temperature", "bay temperature"), "pressure"),
    "speed": (("speed", "vehicle speed", "vehicle speed sensor", "vss"), "gps engine fan wind rpm turbine"),
    "gps_speed": (("gps speed", "speed over ground"), "accuracy"),
    "rpm": (("rpm", "engine rpm", "engine speed", "engine revolutions", "drehzahl"), "vehicle"),
    "load": (("load", "engine load", "calculated load", "calculated engine load"), "absolute"),
    "absolute_load": (("absolute load", "absolute engine load"), "calculated"),
    "throttle": (("throttle", "throttle position", "absolute throttle position", "tps"), "relative commanded pedal"),
    "pedal": (("pedal", "accelerator pedal position d", "accelerator pedal position", "app"), "brake clutch"),
    "map": (("map", "manifold pressure", "intake manifold absolute pressure", "intake pressure"), "barometric"),
    "baro": (("baro", "barometric pressure", "atmospheric pressure", "barometer"), "manifold"),
    "airbox_pressure": (("airbox pressure", "air box pressure", "filter pressure"), "tyre"),
    "maf": (("maf", "mass air flow", "air flow rate", "airflow", "calculated maf", "mass flow"), "fuel"),
    "timing": (("timing", "timing advance", "spark advance", "ignition timing"), "injection"),
    "lambda": (("lambda", "equivalence ratio", "commanded equivalence ratio"), "trim"),
    "fuel_rate": (("fuel rate", "engine fuel rate", "consumption", "fuel consumption"), "air"),
    "voltage": (("voltage", "module voltage", "control module voltage", "battery voltage"), "o2 oxygen sensor"),
    "run_time": (("run time", "engine run time", "time since engine start"), "distance"),
    "latitude": (("latitude", "lat"), ""),
    "longitude": (("longitude", "lon", "lng", "long"), ""),
    "altitude": (("altitude", "gps altitude", "elevation", "alt"), "accuracy"),
    "bearing": (("bearing", "gps bearing", "heading", "course"), ""),
    "hdop": (("hdop", "gps hdop"), ""),
    "gps_accuracy": (("gps accuracy", "position accuracy", "horizontal accuracy"), ""),
}
_SAME = {"temp": "temperature", "temperatur": "temperature", "press": "pressure", "pos": "position", "eng": "engine"}
_SAME |= {
    "veh": "vehicle",
    "abs": "absolute",
    "vel": "speed",
    "velocity": "speed",
    "accel": "accelerator",
    "amb": "ambient",
}


def propose_mapping(log: RawLog) -> tuple[Proposal, ...]:
    """Propose a channel for each column that looks like one.

    Parameters
    ----------
    log : RawLog
        What a reader returned.

    Returns
    -------
    tuple of Proposal
        At most one per channel, in the order of the columns. A second column that fits as well lowers the
        confidence of the first.
    """
    best: dict[str, tuple[int, Proposal]] = {}
    for index, column in enumerate(log.columns):
        proposal = _propose(column)
        if proposal is None:
            continue
        other = best.get(proposal.channel)
        if other is None or proposal.confidence > other[1].confidence + 0.005:
            rival, winner, at = (other[1] if other else None), proposal, index
        else:
            rival, winner, at = proposal, other[1], other[0]
        if rival is not None and winner.confidence - rival.confidence < 0.05:
            reason = f"{winner.reason}; “{rival.header}” fits nearly as well"
            winner = replace(winner, confidence=min(winner.confidence, 0.6), reason=reason)
        best[proposal.channel] = (at, winner)
    return tuple(proposal for _, proposal in sorted(best.values(), key=lambda item: item[0]))


def mapping_of(proposals: Sequence[Proposal], *, only_certain: bool = False) -> dict[str, str]:
    """Return proposals in the form of the campaign file's `columns`; those without a unit are left out."""
    return {
        item.header: f"{item.channel} [{item.unit}]"
        for item in proposals
        if item.unit is not None and (item.certain or not only_certain)
    }


def format_mapping(proposals: Sequence[Proposal]) -> str:
    """Return TOML to paste into campaign.toml; doubtful lines are commented out, with the reason.

    Parameters
    ----------
    proposals : sequence of Proposal
        From `propose_mapping`.
    """
    import json

    lines = ["[log.columns]"]
    for item in proposals:
        unit = item.unit or QUANTITIES[CHANNELS[item.channel].quantity].internal
        entry = f'{json.dumps(item.header, ensure_ascii=False)} = "{item.channel} [{unit}]"'
        mark = "" if item.certain else "# "
        lines.append(f"{mark}{entry}  # {item.confidence:.0%}: {item.reason}")
    return "\n".join(lines) + "\n"


def _propose(column: RawColumn) -> Proposal | None:
    found = [_SAME.get(word, word) for word in words(column.name)]
    scored = [(score, name) for name in _RULES if (score := _word_score(found, name)) > 0]
    scored += [(0.95, name) for name in CHANNELS if "_".join(found) == name]
    if not scored:
        return None
    ranked = sorted(((*_judge(column, CHANNELS[name], score), name) for score, name in scored), key=lambda r: -r[0])
    confidence, unit, reason, name = ranked[0]
    if confidence < 0.2:
        return None
    return Proposal(column.header or column.name, name, unit, round(confidence, 2), reason)


def _word_score(found: Sequence[str], name: str) -> float:
    """Return how well the words of a header fit a channel: 0.4 to 0.8."""
    phrases, excluded = _RULES[name]
    have = set(found)
    if have & set(excluded.split()):
        return 0.0
    best = 0.0
    for phrase in phrases:
        wanted = set(phrase.split())
        if wanted <= have:
            best = max(best, 0.4 + 0.4 * len(wanted) / len(have))
    return best


def _judge(column: RawColumn, entry: Channel, score: float) -> tuple[float, str | None, str]:
    """Weigh the words with the unit and the values."""
    if column.unit is None:
        return score * 0.8, None, "the words of the header fit, it carries no unit"
    try:
        conversion(column.unit, entry.quantity)
    except DataError:
        measured = entry.quantity.replace("_", " ")
        return score * 0.6, None, f"the words fit, but {column.unit} is no unit of {measured}"
    values = to_internal(column.values, column.unit, entry.quantity)
    finite = values[np.isfinite(values)]
    if not finite.size:
        return score, _unit(column.unit, entry), "words and unit fit, there are no values"
    inside = float(np.mean((finite >= entry.low) & (finite <= entry.high)))
    if inside < 0.5:
        return score * 0.5, _unit(column.unit, entry), f"words and unit fit, {1 - inside:.0%} of the values do not"
    return min(score + 0.2, 1.0), _unit(column.unit, entry), "words, unit and values fit"


def _unit(written: str, entry: Channel) -> str:
    """Return the plainest spelling of a unit: that of the catalogue where it is the same unit."""
    quantity = QUANTITIES[entry.quantity]
    for spelling in (quantity.internal, quantity.si, quantity.us):
        if conversion(written, entry.quantity) == conversion(spelling, entry.quantity):
            return spelling
    return written
