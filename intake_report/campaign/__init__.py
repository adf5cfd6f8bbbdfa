"""The campaign file as a frozen, validated model."""

from intake_report.campaign.checks import split_target
from intake_report.campaign.load import CAMPAIGN_FILE, campaign_schema, load_campaign
from intake_report.campaign.model import (
    About,
    Ambient,
    Campaign,
    Claim,
    Configuration,
    HighwayEntry,
    Instrument,
    InstrumentChannel,
    Limit,
    Log,
    Metrics,
    Phase,
    Route,
    Run,
    Vehicle,
    Weather,
    WeatherReading,
)

__all__ = [
    "CAMPAIGN_FILE",
    "About",
    "Ambient",
    "Campaign",
    "Claim",
    "Configuration",
    "HighwayEntry",
    "Instrument",
    "InstrumentChannel",
    "Limit",
    "Log",
    "Metrics",
    "Phase",
    "Route",
    "Run",
    "Vehicle",
    "Weather",
    "WeatherReading",
    "campaign_schema",
    "load_campaign",
    "split_target",
]
