"""The channel catalogue: every entry can be converted, labelled and checked; resolutions are those of the port."""

import pytest

from intake_report.channels import CHANNELS, OBD_PARAMETERS, channel
from intake_report.errors import DataError
from intake_report.units import QUANTITIES


def test_every_channel_has_a_quantity_a_range_and_a_label_of_its_own():
    for name, entry in CHANNELS.items():
        assert entry.name == name and entry.quantity in QUANTITIES
        assert entry.label[0].isupper() and entry.low < entry.high and entry.max_gap > 0, name
    assert len({entry.label for entry in CHANNELS.values()}) == len(CHANNELS)


# Bytes and scaling of service 01 as decoded by python-OBD (`decoders.py`, `UnitsAndScaling.py`, commit a378bdd) and by
# scapy 2.8.0 (`contrib/automotive/obd`): PID, resolution, lowest and highest value that the bytes can hold.
PORT = {
    "coolant": (0x05, 1.0, -40.0, 215.0), "map": (0x0B, 1.0, 0.0, 255.0), "rpm": (0x0C, 0.25, 0.0, 16383.75),
    "speed": (0x0D, 1.0, 0.0, 255.0), "iat": (0x0F, 1.0, -40.0, 215.0), "maf": (0x10, 0.01, 0.0, 655.35),
    "throttle": (0x11, 100.0 / 255.0, 0.0, 100.0), "baro": (0x33, 1.0, 0.0, 255.0),
    "ambient": (0x46, 1.0, -40.0, 215.0), "load": (0x04, 100.0 / 255.0, 0.0, 100.0), "timing": (0x0E, 0.5, -64.0, 63.5),
    "voltage": (0x42, 0.001, 0.0, 65.535), "fuel_rate": (0x5E, 0.05, 0.0, 3276.75),
}  # fmt: skip


@pytest.mark.parametrize("name", PORT)
def test_resolution_is_what_the_diagnostic_port_sends(name):
    pid, resolution, low, _ = PORT[name]
    entry = CHANNELS[name]
    assert name in [field.name for field in OBD_PARAMETERS[pid].fields]
    assert entry.resolution == pytest.approx(resolution)
    # a range wider than the bytes may be (boosted engines, other sources) as long as the fault codes are refused
    assert entry.low >= low - 40.0


def test_unknown_channel_names_the_nearest():
    for name, meant in (("coolnt", "coolant"), ("intake", "iat"), ("Manifold_Press", "map")):
        with pytest.raises(DataError, match=rf"there is no channel “{name}”\. Did you mean “{meant}”\?"):
            channel(name)
    for name in ("zzzzzz", "temperature", ""):
        with pytest.raises(DataError, match="Channels are "):
            channel(name)
