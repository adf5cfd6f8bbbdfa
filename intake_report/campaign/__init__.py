"""The campaign file as a frozen, validated model."""

from intake_report.campaign.keys import draft_campaign
from intake_report.campaign.load import NO_RUN, cross_checks, load_campaign, read_campaign, refuse, vary
from intake_report.campaign.model import Campaign, InstrumentChannel, Log, Run, SoakCheck, Weather, WeatherReading
from intake_report.campaign.sections import Claim, CommonDriveSection, Limit, Planning
