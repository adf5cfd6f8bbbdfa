"""The campaign file as a frozen, validated model."""

from intake_report.campaign.checks import NO_RUN, cross_checks
from intake_report.campaign.draft import draft_campaign
from intake_report.campaign.load import campaign_schema, load_campaign, read_campaign, refuse, vary
from intake_report.campaign.model import Campaign, InstrumentChannel, Log, Run, SoakCheck, Weather, WeatherReading
from intake_report.campaign.sections import Claim, CommonDriveSection, Limit, Planning

__all__ = [
    "NO_RUN",
    "Campaign",
    "Claim",
    "CommonDriveSection",
    "InstrumentChannel",
    "Limit",
    "Log",
    "Planning",
    "Run",
    "SoakCheck",
    "Weather",
    "WeatherReading",
    "campaign_schema",
    "cross_checks",
    "draft_campaign",
    "load_campaign",
    "read_campaign",
    "refuse",
    "vary",
]
