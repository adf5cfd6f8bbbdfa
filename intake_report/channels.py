"""The channel catalogue: what each measured quantity of a log is called, and what a plausible reading is."""

from __future__ import annotations

from dataclasses import dataclass

from intake_report.errors import DataError, nearest


@dataclass(frozen=True)
class Channel:
    """One measured quantity of a log. Ranges, rates and gaps are common practice; steps are as SAE J1979 scales them."""

    name: str  # in code, campaign files and frames
    quantity: str  # key of `units.QUANTITIES`; fixes the internal unit
    label: str  # what a reader sees
    low: float  # plausible range [internal unit]; readings outside are masked
    high: float
    resolution: float | None = (
        None  # usual step of the reading [internal unit], from secondary tables of the parameters
    )
    max_rate: float | None = None  # fastest change that is physically plausible [internal unit per second]
    max_gap: float = 10.0  # longest time without a sample over which the channel may be interpolated [s]
    pid: int | None = None  # OBD-II service 01 parameter id (SAE J1979)
    fault_codes: tuple[float, ...] = ()  # readings that mean "no sensor" rather than a value [internal unit]


def _temperature(name: str, label: str, high: float, max_rate: float, max_gap: float, pid: int) -> Channel:
    """A temperature as the diagnostic port sends it: one byte, −40 to 215 °C; both ends mean that there is no sensor."""
    return Channel(name, "temperature", label, -39.5, high, 1.0, max_rate, max_gap, pid, (-40.0, 215.0))


_PERCENT = 100.0 / 255.0

CHANNELS: dict[str, Channel] = {
    c.name: c
    for c in (
        _temperature("iat", "Intake air temperature", 150.0, 8.0, 15.0, 0x0F),
        _temperature("ambient", "Ambient temperature", 60.0, 2.0, 60.0, 0x46),
        _temperature("coolant", "Coolant temperature", 140.0, 3.0, 30.0, 0x05),
        _temperature("oil", "Oil temperature", 180.0, 3.0, 30.0, 0x5C),
        _temperature("charge", "Charge air temperature", 214.5, 15.0, 15.0, 0x77),
        Channel("reference", "temperature", "Reference thermometer", -60.0, 80.0, 0.1, None, 600.0),
        Channel("underhood", "temperature", "Under-hood air temperature", -39.5, 200.0, 0.1, 10.0, 15.0),
        Channel("speed", "speed", "Vehicle speed", 0.0, 300.0, 1.0, 50.0, 5.0, 0x0D, (255.0,)),
        Channel("gps_speed", "speed", "Speed from position", 0.0, 300.0, None, 50.0, 5.0),
        Channel("rpm", "engine_speed", "Engine speed", 0.0, 12000.0, 0.25, None, 5.0, 0x0C, (16383.75,)),
        Channel("load", "ratio", "Calculated load", 0.0, 100.0, _PERCENT, None, 5.0, 0x04),
        Channel("absolute_load", "ratio", "Absolute load", 0.0, 400.0, _PERCENT, None, 5.0, 0x43),
        Channel("throttle", "ratio", "Throttle position", 0.0, 100.0, _PERCENT, None, 5.0, 0x11),
        Channel("pedal", "ratio", "Accelerator pedal position", 0.0, 100.0, _PERCENT, None, 5.0, 0x49),
        Channel("map", "pressure", "Manifold pressure", 5.0, 350.0, 1.0, None, 5.0, 0x0B, (255.0,)),
        Channel("baro", "pressure", "Barometric pressure", 50.0, 110.0, 1.0, None, 300.0, 0x33),
        Channel("airbox_pressure", "pressure", "Airbox pressure", 50.0, 110.0, None, None, 5.0),
        Channel("maf", "mass_flow", "Airflow", 0.0, 655.0, 0.01, None, 5.0, 0x10, (655.35,)),
        Channel("timing", "angle", "Spark advance", -64.0, 64.0, 0.5, None, 5.0, 0x0E),
        Channel("lambda", "number", "Commanded equivalence ratio", 0.0, 2.0, 2.0 / 65536.0, None, 5.0, 0x44),
        Channel("fuel_rate", "fuel_rate", "Fuel rate", 0.0, 200.0, 0.05, None, 5.0, 0x5E),
        Channel("voltage", "voltage", "Module voltage", 5.0, 18.0, 0.001, None, 10.0, 0x42),
        Channel("run_time", "time", "Time since engine start", 0.0, 65535.0, 1.0, None, 10.0, 0x1F),
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
        remedy = nearest(name, CHANNELS, "Channels are", cutoff=0.4)
        raise DataError(f"there is no channel “{name}”.", remedy=remedy)
    return CHANNELS[name]
