"""Compare vehicle intake configurations from road logs and report the result with its uncertainty."""

__version__ = "0.1.0"
CAMPAIGN_FILE = "campaign.toml"
