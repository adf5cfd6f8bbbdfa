"""Power and torque of dyno pulls as metrics that a claim may name; their values are those of the pulls, not of runs."""

from __future__ import annotations

from intake_report.results import MetricSpec

_DEFINITIONS = (
    ("peak_power", "Peak power on the dyno", "power", "Highest power of a pull within the band that all pulls cover."),
    ("mean_power", "Mean power on the dyno", "power", "Mean power of a pull by engine speed over the band that all pulls cover."),
    ("peak_torque", "Peak torque on the dyno", "torque", "Highest torque of a pull within the band that all pulls cover."),
    ("mean_torque", "Mean torque on the dyno", "torque", "Mean torque of a pull by engine speed over the band that all pulls cover."),
)  # fmt: skip
PULL_METRICS: dict[str, MetricSpec] = {
    id: MetricSpec(
        id=id,
        title=title,
        quantity=quantity,
        better="higher",
        decimals=2,
        definition=f"{definition} Figures that were typed by hand stand as the dyno printed them.",
        needs=(),
        least=1,
        source="common practice",
        words=("higher", "lower"),
        group="engine",
    )
    for id, title, quantity, definition in _DEFINITIONS
}
