"""Whether temperatures are in the unit that they are read in: facts that cannot be, and the reading that ends all of them."""

from collections.abc import Mapping
from itertools import chain, combinations

import numpy as np
import pandas as pd

from intake_report.clean.model import CleanRun, FloatArray, Samples
from intake_report.loaders import UNIT_OVERRIDDEN
from intake_report.loaders.base import converts
from intake_report.messages import Listing, Message, Value, message
from intake_report.units import from_internal, to_internal, unit_label

# Limits that no vehicle passes, nor a sensor or a station that is off: common practice of the trade with room to spare.
_COLD, _HOT, _SETTLED, _WARM = 55.0, 140.0, 6.0, 900.0  # °C of a coolant that settled, within K, in a run of s
# K: intake air at its warmest below ambient, at its coolest above, over km/h
_BELOW, _ABOVE, _AT_SPEED = 5.0, 45.0, 60.0
_AIR, _RECORD = (-45.0, 50.0), 15.0  # °C of the air outside; K between a sensor of it and a weather record
_SENSOR, _LEAST = (-39.5, 214.5), 30  # °C, both ends mean that there is no sensor; samples
_WHOLE, _IN_NINE = 0.9, 5  # K of a sensor that sends whole °C; so many of nine °F that follow each other are whole °C
_AGREE = 2  # kinds of facts; a single one may have another cause
TEMPERATURE_UNIT = "temperature-unit"  # name of the check
RIGHT_UNIT = "Correct the unit under [log.columns], for one run under its own [run.log], or the label in the logger."
_OTHER = {"degC": "degF", "degF": "degC"}
_DELTA = "temperature_difference"


def temperature_unit(
    run: CleanRun, columns: Mapping[str, tuple[str, str]], resolution: Mapping[str, float], record: pd.Series | None
) -> tuple[bool, dict[str, float], Message] | Message:
    """Flag columns that are certainly read in °F and hold °C, or the reverse.

    Certain: facts of two kinds cannot be as the columns are read, and every reading in which all can be takes them
    otherwise. `columns`: header and unit by channel; `resolution` as declared [K]; `record`: air temperature [°C] by time [s].
    """
    units, times, numbers = dict[str, str](), dict[str, FloatArray](), dict[str, FloatArray]()  # as the log writes them
    for name in ("iat", "ambient", "coolant"):
        stated = converts(columns[name][1], "temperature") if name in columns and name in run.frame else None
        values = run.frame[name].dropna() if stated else pd.Series(dtype=np.float64)
        values = values[values.between(*_SENSOR)]
        if len(values) >= _LEAST and (unit := next((u for u in _OTHER if converts(u, "temperature") == stated), None)):
            units[name], times[name] = unit, values.index.to_numpy(dtype=np.float64)
            numbers[name] = from_internal(values.to_numpy(), unit, "temperature")
    if not units:
        return message("no temperature is mapped with its unit", "no-channel")
    named = {q.channel: q.reason.value("written") for q in run.quality if q.step == UNIT_OVERRIDDEN}

    def impossible(otherwise: tuple[str, ...]) -> dict[str, Message]:
        taken = {name: _OTHER[unit] if name in otherwise else unit for name, unit in units.items()}
        read = {name: (times[name], to_internal(numbers[name], taken[name], "temperature")) for name in taken}
        facts = _physics(run, read, record)
        for name, unit in taken.items():
            header, step, other = columns[name][0], resolution.get(name, 0.0), unit_label(_OTHER[unit])
            if named.get(name) == other:
                facts["header"] = message("“{header}” names {other}", header=header, other=other)
            # whole numbers, and more of nine that follow each other than whole °C, rounded or cut off, give in °F
            sent = np.unique(np.round(numbers[name], 2))
            whole = unit == "degF" and step >= _WHOLE and np.all(sent == np.round(sent))
            if whole and np.unique(sent % 9.0).size > _IN_NINE:
                text = "“{header}” holds numbers that steps of {step} leave out in °F"
                facts["numbers"] = message(text, header=header, step=Value(step, _DELTA, 1))
        return facts

    facts, of_unit = impossible(()), [[name for name in units if units[name] == unit] for unit in _OTHER]
    every = chain.from_iterable(combinations(names, n) for names in of_unit for n in range(1, len(names) + 1))
    fitting = [names for names in every if not impossible(names)] if len(facts) >= _AGREE else []
    wrong = [name for name in units if fitting and all(name in names for names in fitting)]
    if not wrong:
        return False, {}, message("nothing shows that temperatures are in another unit than they are read in")
    text = "{columns} {columns:holds|hold} {fits} and {columns:is|are} read in {stated}: {facts}"
    labels = {"fits": unit_label(_OTHER[units[wrong[0]]]), "stated": unit_label(units[wrong[0]])}
    quoted, why = Listing(tuple(f"“{columns[name][0]}”" for name in wrong)), Listing(tuple(facts.values()), ";")
    return True, {}, message(text, columns=quoted, **labels, facts=why)


def _physics(run: CleanRun, read: Mapping[str, Samples], record: pd.Series | None) -> dict[str, Message]:
    """Return what cannot be of these temperatures [°C], by kind."""
    found: dict[str, tuple[str, Value]] = {}
    if "coolant" in read:
        time, coolant = read["coolant"]
        low, level, high = np.quantile(coolant[coolant.size // 2 :], (0.05, 0.5, 0.95)).tolist()
        if high > _HOT or (time[-1] - time[0] >= _WARM and high - low <= _SETTLED and level < _COLD):
            found["coolant"] = "coolant settles at {size}", Value(level, "temperature", 0)
    outside = None if record is None else (record.index.to_numpy(dtype=np.float64), record.to_numpy(dtype=np.float64))
    if "ambient" in read:
        time, ambient = read["ambient"]
        level = float(np.median(ambient))
        apart = 0.0 if outside is None else float(np.median(ambient - np.interp(time, *outside)))
        if not _AIR[0] <= level <= _AIR[1]:
            found["ambient"] = "the air outside has {size}", Value(level, "temperature", 0)
        if abs(apart) > _RECORD:
            found["record"] = "ambient is {size} from the weather record", Value(apart, _DELTA, 0, signed=True)
        outside = read["ambient"]
    if "iat" in read and outside is not None:
        over = read["iat"][1] - np.interp(read["iat"][0], *outside)
        moving = over[np.nan_to_num(run.at("speed", read["iat"][0])) >= _AT_SPEED]
        warmest, coolest = float(np.quantile(over, 0.99)), float(np.quantile(moving, 0.05)) if moving.size else 0.0
        if warmest < -_BELOW:
            found["below"] = "intake air stays {size} or more below ambient", Value(-warmest, _DELTA, 0)
        if coolest > _ABOVE:
            found["above"] = "intake air stays {size} or more above ambient at speed", Value(coolest, _DELTA, 0)
    return {kind: message(text, size=size) for kind, (text, size) in found.items()}
