"""The channel catalogue: what a quantity of a log is called, what a plausible reading is; OBD-II service 01.

The service and its scaling are defined by SAE J1979 (ISO 15031-5), whose text was not read: formulas, byte counts and
ranges come from secondary tables and two open decoders that agree with each other. Parameters marked "from memory"
were checked against one open decoder only.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from intake_report.errors import DataError, nearest
from intake_report.units import conversion


@dataclass(frozen=True)
class Channel:
    """One measured quantity of a log. Ranges, rates and gaps are common practice; steps are as SAE J1979 scales them."""

    name: str  # in code, campaign files and frames
    quantity: str  # key of `units.QUANTITIES`; fixes the internal unit
    label: str  # what a reader sees
    low: float  # plausible range [internal unit]; readings outside are masked
    high: float
    resolution: float | None = None  # usual step of the reading [internal unit], from secondary tables
    max_rate: float | None = None  # fastest change that is physically plausible [internal unit per second]
    max_gap: float = 10.0  # longest time without a sample over which the channel may be interpolated [s]
    fault_codes: tuple[float, ...] = ()  # readings that mean "no sensor" rather than a value [internal unit]


def _temperature(name: str, label: str, high: float, max_rate: float, max_gap: float) -> Channel:
    """A temperature as the diagnostic port sends it: one byte, −40 to 215 °C; both ends mean that there is no sensor."""
    return Channel(name, "temperature", label, -39.5, high, 1.0, max_rate, max_gap, (-40.0, 215.0))


_PERCENT, _TRIM = 100.0 / 255.0, 100.0 / 128.0

CHANNELS: dict[str, Channel] = {
    c.name: c
    for c in (
        _temperature("iat", "Intake air temperature", 150.0, 8.0, 15.0),
        _temperature("ambient", "Ambient temperature", 60.0, 2.0, 60.0),
        _temperature("coolant", "Coolant temperature", 140.0, 3.0, 30.0),
        _temperature("oil", "Oil temperature", 180.0, 3.0, 30.0),
        _temperature("charge", "Charge air temperature", 214.5, 15.0, 15.0),
        Channel("reference", "temperature", "Reference thermometer", -60.0, 80.0, 0.1, None, 600.0),
        Channel("underhood", "temperature", "Under-hood air temperature", -39.5, 200.0, 0.1, 10.0, 15.0),
        Channel("speed", "speed", "Vehicle speed", 0.0, 300.0, 1.0, 50.0, 5.0, (255.0,)),
        Channel("gps_speed", "speed", "Speed from position", 0.0, 300.0, None, 50.0, 5.0),
        Channel("rpm", "engine_speed", "Engine speed", 0.0, 12000.0, 0.25, None, 5.0, (16383.75,)),
        Channel("load", "ratio", "Calculated load", 0.0, 100.0, _PERCENT, None, 5.0),
        Channel("absolute_load", "ratio", "Absolute load", 0.0, 400.0, _PERCENT, None, 5.0),
        Channel("throttle", "ratio", "Throttle position", 0.0, 100.0, _PERCENT, None, 5.0),
        Channel("pedal", "ratio", "Accelerator pedal position", 0.0, 100.0, _PERCENT, None, 5.0),
        Channel("map", "pressure", "Manifold pressure", 5.0, 350.0, 1.0, None, 5.0, (255.0,)),
        Channel("baro", "pressure", "Barometric pressure", 50.0, 110.0, 1.0, None, 300.0),
        Channel("airbox_pressure", "pressure", "Airbox pressure", 50.0, 110.0, None, None, 5.0),
        Channel("maf", "mass_flow", "Airflow", 0.0, 655.0, 0.01, None, 5.0, (655.35,)),
        Channel("timing", "angle", "Spark advance", -64.0, 64.0, 0.5, None, 5.0),
        Channel("lambda", "number", "Commanded equivalence ratio", 0.0, 2.0, 2.0 / 65536.0, None, 5.0),
        Channel("fuel_rate", "fuel_rate", "Fuel rate", 0.0, 200.0, 0.05, None, 5.0),
        Channel("voltage", "voltage", "Module voltage", 5.0, 18.0, 0.001, None, 10.0),
        Channel("run_time", "time", "Time since engine start", 0.0, 65535.0, 1.0, None, 10.0),
        Channel("latitude", "angle", "Latitude", -90.0, 90.0, None, None, 10.0),
        Channel("longitude", "angle", "Longitude", -180.0, 180.0, None, None, 10.0),
        Channel("altitude", "length", "Altitude", -450.0, 6000.0, None, None, 30.0),
        Channel("gps_time", "time", "GPS time", 0.0, 5.0e9, None, None, 10.0),
        Channel("bearing", "angle", "Bearing", 0.0, 360.0, None, None, 10.0),
        Channel("hdop", "number", "Horizontal dilution of precision", 0.0, 100.0, None, None, 10.0),
        Channel("gps_accuracy", "length", "Position accuracy", 0.0, 10000.0, None, None, 10.0),
    )
}


def channel(name: str) -> Channel:
    """Return the catalogue entry of `name`; DataError, which suggests the nearest, if there is none."""
    if name not in CHANNELS:
        words = name.lower().replace("_", " ").split()  # each begins a word of the label: "intake_temp"
        labels = {c.name: f" {c.label.lower()}" for c in CHANNELS.values()}
        meant = [known for known, label in labels.items() if words and all(f" {word}" in label for word in words)]
        meant = meant or [known for known in CHANNELS if known in words]  # "speed in mph"
        remedy = f"Did you mean “{meant[0]}”?" if len(meant) == 1 else nearest(name, CHANNELS, "Channels are", 0.6)
        raise DataError(f"there is no channel “{name}”.", remedy=remedy)
    return CHANNELS[name]


def mapped_channel(target: str) -> tuple[Channel, str | None]:
    """Return channel and unit of "iat [degC]", None where none is stated; DataError if they are not known or differ."""
    name, _, rest = target.partition("[")
    entry, unit = channel(name.strip()), rest.rstrip().removesuffix("]").strip() if rest else None
    if unit is not None:
        conversion(unit, entry.quantity)
    return entry, unit


def mapped_columns(mapping: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Return header and stated unit by channel of a mapping: header -> "channel [unit]"."""
    parts = ((header, *target.partition("[")[::2]) for header, target in mapping.items())
    return {name.strip(): (header, unit.rstrip("] ")) for header, name, unit in parts}


class ObdField(NamedTuple):
    """One value inside the data bytes of a parameter: ``value = scale * raw + offset`` [unit]."""

    name: str  # of the channel where the catalogue has it, else a name in its style
    unit: str
    start: int = 0  # first data byte; A is 0
    size: int = 1  # bytes, most significant first
    scale: float = 1.0
    offset: float = 0.0
    support_bit: int | None = None  # bit of byte A that tells whether the sensor is fitted; None: there is no such bit


class ObdParameter(NamedTuple):
    """One parameter of service 01: data bytes behind the id, and values in them; none where only the length is known."""

    length: int
    fields: tuple[ObdField, ...] = ()


_LENGTHS = {0x01: 4, 0x02: 2, 0x03: 2, 0x12: 1, 0x13: 1, 0x1C: 1, 0x1D: 1, 0x1E: 1, 0x41: 4, 0x51: 1}
_LENGTHS |= dict.fromkeys(range(0x14, 0x1C), 2) | dict.fromkeys(range(0x00, 0x100, 0x20), 4)  # the latter: support maps
_PERCENTS = {
    0x04: "load", 0x11: "throttle", 0x2F: "fuel_level", 0x45: "relative_throttle", 0x47: "throttle_b", 0x48: "throttle_c",
    0x49: "pedal", 0x4A: "pedal_e", 0x4B: "pedal_f", 0x4C: "throttle_command", 0x52: "ethanol", 0x5A: "pedal_relative",
}  # fmt: skip
# Fuel trims, fuel pressure, distances and rail pressure: from memory.
_TRIMS = {0x06: "short_trim_1", 0x07: "long_trim_1", 0x08: "short_trim_2", 0x09: "long_trim_2"}
_TEMPERATURES = {0x05: "coolant", 0x0F: "iat", 0x46: "ambient", 0x5C: "oil"}
_SINGLE: dict[int, tuple[str, str, int, float, float]] = {  # name, unit, bytes, scale, offset
    0x0A: ("fuel_pressure", "kPa", 1, 3.0, 0.0),
    0x0B: ("map", "kPa", 1, 1.0, 0.0),
    0x0C: ("rpm", "rpm", 2, 0.25, 0.0),
    0x0D: ("speed", "km/h", 1, 1.0, 0.0),
    0x0E: ("timing", "deg", 1, 0.5, -64.0),
    0x10: ("maf", "g/s", 2, 0.01, 0.0),
    0x1F: ("run_time", "s", 2, 1.0, 0.0),
    0x21: ("distance_with_fault", "km", 2, 1.0, 0.0),
    0x23: ("rail_pressure", "kPa", 2, 10.0, 0.0),
    0x31: ("distance_since_cleared", "km", 2, 1.0, 0.0),
    0x33: ("baro", "kPa", 1, 1.0, 0.0),
    0x42: ("voltage", "V", 2, 0.001, 0.0),
    0x43: ("absolute_load", "%", 2, _PERCENT, 0.0),
    0x44: ("lambda", "1", 2, 2.0 / 65536.0, 0.0),
    0x4D: ("time_with_fault", "min", 2, 1.0, 0.0),
    0x4E: ("time_since_cleared", "min", 2, 1.0, 0.0),
    0x59: ("rail_pressure_absolute", "kPa", 2, 10.0, 0.0),
    0x5D: ("injection_timing", "deg", 2, 1.0 / 128.0, -210.0),
    0x5E: ("fuel_rate", "L/h", 2, 0.05, 0.0),
    0x61: ("torque_demand", "%", 1, 1.0, -125.0),
    0x62: ("torque", "%", 1, 1.0, -125.0),
    0x63: ("torque_reference", "N*m", 2, 1.0, 0.0),
}
_SINGLE |= {pid: (name, "%", 1, _PERCENT, 0.0) for pid, name in _PERCENTS.items()}
_SINGLE |= {pid: (name, "%", 1, _TRIM, -100.0) for pid, name in _TRIMS.items()}
_SINGLE |= {pid: (name, "degC", 1, 1.0, -40.0) for pid, name in _TEMPERATURES.items()}


def _sensors(unit: str, size: int, scale: float, offset: float, *names: str) -> ObdParameter:
    """Several sensors behind byte A, whose bits tell which are fitted."""
    fields = (ObdField(name, unit, 1 + k * size, size, scale, offset, k) for k, name in enumerate(names))
    return ObdParameter(1 + len(names) * size, tuple(fields))


OBD_PARAMETERS: dict[int, ObdParameter] = {
    **{pid: ObdParameter(length) for pid, length in _LENGTHS.items()},
    **{pid: ObdParameter(v[2], (ObdField(v[0], v[1], 0, *v[2:]),)) for pid, v in _SINGLE.items()},
    # External maxima: other full scales of MAP (0B) and MAF (10) when not zero.
    0x4F: ObdParameter(4, (ObdField("map_full_scale", "kPa", 3, 1, 10.0),)),
    0x50: ObdParameter(4, (ObdField("maf_full_scale", "g/s", 0, 1, 10.0),)),
    0x66: _sensors("g/s", 2, 1 / 32, 0.0, "maf_a", "maf_b"),
    0x67: _sensors("degC", 1, 1.0, -40.0, "coolant_1", "coolant_2"),
    0x68: _sensors("degC", 1, 1.0, -40.0, *(f"iat_{bank}{n}" for bank in (1, 2) for n in (1, 2, 3))),
    0x6F: _sensors("kPa", 1, 1.0, 0.0, "compressor_inlet_a", "compressor_inlet_b"),
    0x77: _sensors("degC", 1, 1.0, -40.0, *(f"charge_{bank}{n}" for bank in (1, 2) for n in (1, 2))),
}

# Full scales that the parameters 10 and 0B have unless 50 and 4F tell others [g/s], [kPa].
FULL_SCALES = {"maf": ("maf_full_scale", 655.35), "map": ("map_full_scale", 255.0)}


def decode(pid: int, data: bytes) -> dict[tuple[str, str], float]:
    """Return values of the fitted sensors, by name and unit, from the bytes behind an id; ValueError if too few."""
    parameter = OBD_PARAMETERS.get(pid, ObdParameter(0))
    if len(data) < parameter.length:
        raise ValueError(f"parameter {pid:02X} has {parameter.length} data bytes, not {len(data)}")
    return {
        (field.name, field.unit): field.scale * int.from_bytes(data[field.start : field.start + field.size], "big")
        + field.offset
        for field in parameter.fields
        if field.support_bit is None or data[0] >> field.support_bit & 1
    }


def split_answer(payload: bytes) -> Iterator[tuple[int, bytes]]:
    """Split an answer of service 01, ``41 PID data [PID data …]``, into parameter ids and their data bytes."""
    rest = payload[1:]
    while rest:
        pid, rest = rest[0], rest[1:]
        length = OBD_PARAMETERS[pid].length if pid in OBD_PARAMETERS else len(rest)  # all is of one that is not known
        yield pid, rest[:length]
        rest = rest[length:]
