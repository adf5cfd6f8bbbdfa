"""The campaign file as a frozen, validated model."""

from intake_report.campaign.load import CAMPAIGN_FILE, campaign_schema, load_campaign, split_target
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
    "campaign_schema",
    "load_campaign",
    "split_target",
]
