"""Decoding of OBD-II service 01 against worked answers and against a general-purpose decoder.

Sources of the worked answers: the tables of an open-source decoder (python-OBD, repository state of 2025-04-06:
commands, decoders, UnitsAndScaling), two web tables of the parameters, and scapy 2.8.0 contrib.automotive.obd; each
answer was decoded three ways there. SAE J1979 itself was not read. Frame formats: ISO 15765-2 and ISO 15765-4, as two
public headers use them.
"""

import pytest

from intake_report import channels as obd
from intake_report.channels import CHANNELS
from intake_report.loaders.base import converts
from intake_report.loaders.recordings import Frame, answers

# (answer, values); tolerance 1e-3 unless the value is exact in the table
WORKED = [
    ("41 04 80", {"load": 50.196}),
    ("41 04 FF", {"load": 100.0}),
    ("41 05 7B", {"coolant": 83.0}),
    ("41 05 00", {"coolant": -40.0}),
    ("41 0B 64", {"map": 100.0}),
    ("41 0C 1A F8", {"rpm": 1726.0}),
    ("41 0C 0F A0", {"rpm": 1000.0}),
    ("41 0C FF FF", {"rpm": 16383.75}),
    ("41 0D 50", {"speed": 80.0}),
    ("41 0D 12", {"speed": 18.0}),
    ("41 0E 8A", {"timing": 5.0}),
    ("41 0F 48", {"iat": 32.0}),
    ("41 0F FF", {"iat": 215.0}),
    ("41 10 01 F4", {"maf": 5.00}),
    ("41 10 0A 28", {"maf": 26.00}),
    ("41 10 FF FF", {"maf": 655.35}),
    ("41 11 26", {"throttle": 14.902}),
    ("41 11 80", {"throttle": 50.196}),
    ("41 1F 01 2C", {"run_time": 300.0}),
    ("41 33 65", {"baro": 101.0}),
    ("41 42 34 BC", {"voltage": 13.500}),
    ("41 43 01 40", {"absolute_load": 125.490}),
    ("41 44 80 00", {"lambda": 1.0000}),
    ("41 45 33", {"relative_throttle": 20.0}),
    ("41 49 33", {"pedal": 20.0}),
    ("41 4C 33", {"throttle_command": 20.0}),
    ("41 46 41", {"ambient": 25.0}),
    ("41 5C 82", {"oil": 90.0}),
    ("41 5E 00 64", {"fuel_rate": 5.00}),
    ("41 62 AF", {"torque": 50.0}),  # from memory in the source table
    ("41 63 01 C2", {"torque_reference": 450.0}),  # from memory in the source table
    ("41 50 0A 00 00 00", {"maf_full_scale": 100.0}),
    # A captured set of a van
    ("41 05 86", {"coolant": 94.0}),
    ("41 0C 0B 54", {"rpm": 725.0}),
    ("41 04 8E", {"load": 55.7}),
    ("41 11 D3", {"throttle": 82.7}),
    ("41 33 52", {"baro": 82.0}),
    # sensors that are not fitted are absent, not −40 °C
    ("41 66 03 04 00 04 00", {"maf_a": 32.0, "maf_b": 32.0}),
    ("41 66 01 0B 2C 00 00", {"maf_a": 89.375}),
    ("41 67 03 7B 7C", {"coolant_1": 83.0, "coolant_2": 84.0}),
    ("41 68 01 48 00 00 00 00 00", {"iat_11": 32.0}),
    ("41 68 09 48 00 00 49 00 00", {"iat_11": 32.0, "iat_21": 33.0}),
    ("41 6F 01 05 0A", {"compressor_inlet_a": 5.0}),
    ("41 77 01 50 00 00 00", {"charge_11": 40.0}),
]


def answer(text: str) -> dict[str, float]:
    return {
        name: value
        for pid, data in obd.split_answer(bytes.fromhex(text))
        for (name, _), value in obd.decode(pid, data).items()
    }


@pytest.mark.parametrize(("text", "values"), WORKED, ids=[text for text, _ in WORKED])
def test_worked_answer(text: str, values: dict[str, float]) -> None:
    tolerance = 0.05 if {55.7, 82.7} & set(values.values()) else 1e-3  # the captured set is printed with one decimal
    assert answer(text) == pytest.approx(values, abs=tolerance)


def test_support_map_is_stepped_over() -> None:
    assert [pid for pid, _ in obd.split_answer(bytes.fromhex("4100BE1FA813 0D50"))] == [0x00, 0x0D]


def test_catalogue_and_table_name_the_same_parameters() -> None:
    units = {field.name: field.unit for parameter in obd.OBD_PARAMETERS.values() for field in parameter.fields}
    both = units.keys() & CHANNELS.keys()
    assert len(both) >= 17 and all(converts(units[name], CHANNELS[name].quantity) for name in both)


@pytest.mark.parametrize(
    ("capture", "expected"),
    [
        # single frames with each filler
        *(
            (f"7DF#02010D{filler * 5} 7E8#03410D50{filler * 4}", [(0x7E8, {"speed": 80.0})])
            for filler in ("00", "55", "AA")
        ),
        ("7E8#04410C1AF8555555", [(0x7E8, {"rpm": 1726.0})]),
        # several frames with flow control between; the answer of parameter 66 fits into one
        ("7E8#1009416801480000 7E0#3000000000000000 7E8#2100000000555555", [(0x7E8, {"iat_11": 32.0})]),
        ("7E8#0741660304000400", [(0x7E8, {"maf_a": 32.0, "maf_b": 32.0})]),
        # two control units: with 29-bit identifiers, and with their answers between each other
        (
            "18DB33F1#02010D5555555555 18DAF110#03410D50 18DAF118#03410D51",
            [(0x18DAF110, {"speed": 80.0}), (0x18DAF118, {"speed": 81.0})],
        ),
        (
            "7E8#1009416801480000 7E9#1009416801490000 7E8#2100000000 7E9#2100000000",
            [(0x7E8, {"iat_11": 32.0}), (0x7E9, {"iat_11": 33.0})],
        ),
    ],
)
def test_answers_are_put_together(capture: str, expected: list[tuple[int, dict[str, float]]]) -> None:
    sent = [frame.split("#") for frame in capture.split()]
    frames = [Frame(0.01 * n, int(id, 16), len(id) > 3, bytes.fromhex(data), n) for n, (id, data) in enumerate(sent)]
    got, lost = answers(frames)
    assert [(m.identifier, answer(m.data.hex())) for m in got] == expected and lost == 0
    assert got[0].time < 0.02  # when the answer began


# scapy names; parameter 10 is left out for scapy 2.8.0 reads one byte of it (01F4 -> 0.01 g/s instead of 5.00), and 44
# because it scales by 0.0000305 where the two bytes span 2 (relative difference 6e-4).
_SCAPY = bytes.fromhex("040506070A0B0C0D0E0F111F21232F31334243454647494A4C4D52595A5C5D5E616263")


@pytest.mark.parametrize("pid", _SCAPY, ids=lambda pid: f"{pid:02X}")
def test_against_a_general_purpose_decoder(pid: int) -> None:
    import scapy.contrib.automotive.obd.pid.pids as module

    reference = getattr(module, f"OBD_PID{pid:02X}")
    parameter = obd.OBD_PARAMETERS[pid]
    for raw in (0, 1, 0x48, 0x80, 0xFF) if parameter.length == 1 else (0, 1, 0x1AF8, 0x8000, 0xFFFF):
        data = raw.to_bytes(parameter.length, "big")
        packet = reference(data)
        assert list(obd.decode(pid, data).values()) == [pytest.approx(float(packet.data), abs=6e-4, rel=1e-6)]


@pytest.mark.parametrize("mask", range(64))
def test_multi_sensor_temperatures_against_a_general_purpose_decoder(mask: int) -> None:
    import scapy.contrib.automotive.obd.pid.pids as module

    data = bytes([mask, 0x48, 0x49, 0x4A, 0x4B, 0x4C, 0x4D])
    packet = module.OBD_PID68(data)
    expected = {
        f"iat_{bank}{number}": float(getattr(packet, f"bank{bank}_sensor{number}"))
        for bank in (1, 2)
        for number in (1, 2, 3)
        if getattr(packet, f"bank{bank}_sensor{number}_supported")
    }
    assert {name: value for (name, _), value in obd.decode(0x68, data).items()} == expected
