"""OBD-II service 01: one table of parameters, and the decoding of an answer from it.

The service and its scaling are defined by SAE J1979 (ISO 15031-5). Formulas, byte counts and ranges here come from
secondary tables and two open decoders that agree with each other; the text of the standard was not read. Parameters
marked "from memory" were checked against one open decoder only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True)
class ObdField:
    """One value inside the data bytes of a parameter: ``value = scale * raw + offset``.

    Parameters
    ----------
    name : str
        Name of the channel where the catalogue has it, else a name in its style.
    unit : str
        Unit of `scale` and `offset`.
    start, size : int
        First data byte (A is 0) and number of bytes, most significant first.
    scale, offset : float
        [unit per count], [unit].
    support_bit : int or None
        Bit of byte A that tells whether the sensor is fitted; None when there is no such bit.
    """

    name: str
    unit: str
    start: int = 0
    size: int = 1
    scale: float = 1.0
    offset: float = 0.0
    support_bit: int | None = None


@dataclass(frozen=True)
class ObdParameter:
    """One parameter of service 01.

    Parameters
    ----------
    pid : int
        Parameter id.
    length : int
        Number of data bytes behind the id.
    fields : tuple of ObdField
        Values in them; empty for parameters that are known only by their length.
    """

    pid: int
    length: int
    fields: tuple[ObdField, ...] = ()


_PERCENT = 100.0 / 255.0
_TRIM = 100.0 / 128.0
_IAT_SENSORS = [(bank, number) for bank in (1, 2) for number in (1, 2, 3)]
_CHARGE_SENSORS = [(bank, number) for bank in (1, 2) for number in (1, 2)]


def _one(
    pid: int, name: str, unit: str, size: int = 1, scale: float = 1.0, offset: float = 0.0, length: int | None = None
) -> ObdParameter:
    return ObdParameter(pid, length or size, (ObdField(name, unit, 0, size, scale, offset),))


def _temperature(name: str, start: int, bit: int) -> ObdField:
    return ObdField(name, "degC", start, 1, 1.0, -40.0, bit)


OBD_PARAMETERS: dict[int, ObdParameter] = {
    p.pid: p
    for p in (
        ObdParameter(0x01, 4),
        ObdParameter(0x02, 2),
        ObdParameter(0x03, 2),
        _one(0x04, "load", "%", 1, _PERCENT),
        _one(0x05, "coolant", "degC", 1, 1.0, -40.0),
        # Fuel trims, fuel pressure, distances and rail pressure: from memory.
        _one(0x06, "short_trim_1", "%", 1, _TRIM, -100.0),
        _one(0x07, "long_trim_1", "%", 1, _TRIM, -100.0),
        _one(0x08, "short_trim_2", "%", 1, _TRIM, -100.0),
        _one(0x09, "long_trim_2", "%", 1, _TRIM, -100.0),
        _one(0x0A, "fuel_pressure", "kPa", 1, 3.0),
        _one(0x0B, "map", "kPa"),
        _one(0x0C, "rpm", "rpm", 2, 0.25),
        _one(0x0D, "speed", "km/h"),
        _one(0x0E, "timing", "deg", 1, 0.5, -64.0),
        _one(0x0F, "iat", "degC", 1, 1.0, -40.0),
        _one(0x10, "maf", "g/s", 2, 0.01),
        _one(0x11, "throttle", "%", 1, _PERCENT),
        ObdParameter(0x12, 1),
        ObdParameter(0x13, 1),
        *(ObdParameter(pid, 2) for pid in range(0x14, 0x1C)),
        ObdParameter(0x1C, 1),
        ObdParameter(0x1D, 1),
        ObdParameter(0x1E, 1),
        _one(0x1F, "run_time", "s", 2),
        _one(0x21, "distance_with_fault", "km", 2),
        _one(0x23, "rail_pressure", "kPa", 2, 10.0),
        _one(0x2F, "fuel_level", "%", 1, _PERCENT),
        _one(0x31, "distance_since_cleared", "km", 2),
        _one(0x33, "baro", "kPa"),
        ObdParameter(0x41, 4),
        _one(0x42, "voltage", "V", 2, 0.001),
        _one(0x43, "absolute_load", "%", 2, _PERCENT),
        _one(0x44, "lambda", "1", 2, 2.0 / 65536.0),
        _one(0x45, "relative_throttle", "%", 1, _PERCENT),
        _one(0x46, "ambient", "degC", 1, 1.0, -40.0),
        _one(0x47, "throttle_b", "%", 1, _PERCENT),
        _one(0x48, "throttle_c", "%", 1, _PERCENT),
        _one(0x49, "pedal", "%", 1, _PERCENT),
        _one(0x4A, "pedal_e", "%", 1, _PERCENT),
        _one(0x4B, "pedal_f", "%", 1, _PERCENT),
        _one(0x4C, "throttle_command", "%", 1, _PERCENT),
        _one(0x4D, "time_with_fault", "min", 2),
        _one(0x4E, "time_since_cleared", "min", 2),
        # External maxima: other full scales of MAP (0B) and MAF (10) when not zero.
        ObdParameter(0x4F, 4, (ObdField("map_full_scale", "kPa", 3, 1, 10.0),)),
        ObdParameter(0x50, 4, (ObdField("maf_full_scale", "g/s", 0, 1, 10.0),)),
        ObdParameter(0x51, 1),
        _one(0x52, "ethanol", "%", 1, _PERCENT),
        _one(0x59, "rail_pressure_absolute", "kPa", 2, 10.0),
        _one(0x5A, "pedal_relative", "%", 1, _PERCENT),
        _one(0x5C, "oil", "degC", 1, 1.0, -40.0),
        _one(0x5D, "injection_timing", "deg", 2, 1.0 / 128.0, -210.0),
        _one(0x5E, "fuel_rate", "L/h", 2, 0.05),
        _one(0x61, "torque_demand", "%", 1, 1.0, -125.0),
        _one(0x62, "torque", "%", 1, 1.0, -125.0),
        _one(0x63, "torque_reference", "N*m", 2),
        ObdParameter(
            0x66,
            5,
            (ObdField("maf_a", "g/s", 1, 2, 1 / 32, 0.0, 0), ObdField("maf_b", "g/s", 3, 2, 1 / 32, 0.0, 1)),
        ),
        ObdParameter(0x67, 3, (_temperature("coolant_1", 1, 0), _temperature("coolant_2", 2, 1))),
        ObdParameter(
            0x68,
            7,
            tuple(_temperature(f"iat_{bank}{n}", 3 * bank - 3 + n, 3 * bank - 4 + n) for bank, n in _IAT_SENSORS),
        ),
        ObdParameter(
            0x6F,
            3,
            (
                ObdField("compressor_inlet_a", "kPa", 1, 1, 1.0, 0.0, 0),
                ObdField("compressor_inlet_b", "kPa", 2, 1, 1.0, 0.0, 1),
            ),
        ),
        ObdParameter(
            0x77,
            5,
            tuple(_temperature(f"charge_{bank}{n}", 2 * bank - 2 + n, 2 * bank - 3 + n) for bank, n in _CHARGE_SENSORS),
        ),
    )
}
_SUPPORT_MAPS = range(0x00, 0x100, 0x20)

# Full scales that the parameters 10 and 0B have unless 50 and 4F tell others [g/s], [kPa].
FULL_SCALES = {"maf": ("maf_full_scale", 655.35), "map": ("map_full_scale", 255.0)}


def decode(pid: int, data: bytes) -> dict[str, float]:
    """Decode the data bytes of one parameter.

    Parameters
    ----------
    pid : int
        Parameter id.
    data : bytes
        Data bytes behind the id.

    Returns
    -------
    dict of str to float
        Name -> value [unit of the field]; sensors that are not fitted are absent, not −40 °C.

    Raises
    ------
    ValueError
        If there are fewer bytes than the parameter has.
    """
    parameter = OBD_PARAMETERS.get(pid)
    if parameter is None:
        return {}
    if len(data) < parameter.length:
        raise ValueError(f"parameter {pid:02X} has {parameter.length} data bytes, not {len(data)}")
    return {
        field.name: field.scale * int.from_bytes(data[field.start : field.start + field.size], "big") + field.offset
        for field in parameter.fields
        if field.support_bit is None or data[0] >> field.support_bit & 1
    }


def supported(pid: int, data: bytes) -> tuple[int, ...]:
    """Return the parameter ids that a support map (parameter 00, 20, 40 …) lists.

    Parameters
    ----------
    pid : int
        00, 20, 40 …
    data : bytes
        Four data bytes; the most significant bit of the first stands for `pid` + 1.
    """
    bits = int.from_bytes(data[:4], "big")
    return tuple(pid + number for number in range(1, 33) if bits >> (32 - number) & 1)


def split_answer(payload: bytes) -> Iterator[tuple[int, bytes]]:
    """Split the payload of a service 01 answer, ``41 PID data [PID data …]``, into parameters.

    Parameters
    ----------
    payload : bytes
        From the service byte on.

    Yields
    ------
    pid : int
    data : bytes
        Exactly as many bytes as the parameter has; all that is left for one that the table does not know.
    """
    position = 1
    while position < len(payload):
        pid = payload[position]
        parameter = OBD_PARAMETERS.get(pid)
        length = 4 if pid in _SUPPORT_MAPS else (parameter.length if parameter else len(payload) - position - 1)
        yield pid, payload[position + 1 : position + 1 + length]
        position += 1 + length
